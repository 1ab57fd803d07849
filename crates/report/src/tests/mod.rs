//! Whole pages and mails of small worlds: none, one unit, one without samples, and awkward names.

mod mail;
mod pages;
mod world;

/// Markup as it reads: without the elements and blanks that only keep words on one line.
fn as_read(html: &str) -> String {
    let mut out = html.replace('\u{a0}', " ").replace(" class=\"short\"", "");
    for keep in [crate::html::DAY, crate::html::DAY_INLINE] {
        while let Some(from) = out.find(keep) {
            if let Some(end) = out.get(from..).and_then(|rest| rest.find("</span>")) {
                out.replace_range(from + end..from + end + "</span>".len(), "");
            }
            out.replace_range(from..from + keep.len(), "");
        }
    }
    out
}
