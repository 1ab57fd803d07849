//! Whole pages and mails of small worlds: none, one unit, one without samples, and awkward names.

mod fits;
mod funnel;
mod large;
mod mail;
mod pages;
mod pumps;
mod world;

/// Markup as it reads: without what only keeps words on one line or names stacked cells.
fn as_read(html: &str) -> String {
    let mut out = html.replace('\u{a0}', " ").replace(" class=\"short\"", "");
    while let Some(from) = out.find(" data-h=\"") {
        let label = out.get(from + 9..).and_then(|rest| rest.find('"'));
        out.replace_range(from..from + 10 + label.unwrap_or_default(), "");
    }
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
