//! The few elements the pages are made of: text made safe, tables, figures, folded parts.

use std::fmt::Write as _;

/// Text made safe for HTML, between tags and inside attributes.
pub(crate) fn escape(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            '\'' => safe.push_str("&#39;"),
            _ => safe.push(c),
        }
    }
    safe
}

/// Keeps what stands between its tags on one line, on the pages.
pub(crate) const DAY: &str = "<span class=\"day\">";
/// The same where there is no style sheet, in the mail.
pub(crate) const DAY_INLINE: &str = "<span style=\"white-space:nowrap\">";
/// Longest word with a hyphen that is kept on one line, letters.
const WORD_MOST: usize = 20;

/// Text made safe in which dates, names with a hyphen, and a number with its per cent do not break;
/// `keep` opens the element that holds such a word.
pub(crate) fn prose(text: &str, keep: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut after_digit = false;
    for piece in text.split_inclusive(' ') {
        let word = piece.trim_end_matches(' ');
        if after_digit && word.starts_with('%') && out.ends_with(' ') {
            out.pop();
            out.push('\u{a0}');
        }
        let inner = word.trim_matches(|c: char| !c.is_alphanumeric());
        if inner.contains('-') && inner.chars().count() <= WORD_MOST {
            out.push_str(keep);
            out.push_str(&escape(word));
            out.push_str("</span>");
        } else {
            out.push_str(&escape(word));
        }
        out.push_str(piece.get(word.len()..).unwrap_or_default());
        after_digit = word.ends_with(|c: char| c.is_ascii_digit());
    }
    out
}

/// A name usable as file name and anchor. Two names never give the same one, else the page of
/// one unit would overwrite another's: whatever is not a letter, digit, `-` or `_` is spelled
/// as `~` and its bytes in hexadecimal.
pub(crate) fn slug(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for byte in text.bytes() {
        if byte.is_ascii_alphanumeric() || byte == b'-' || byte == b'_' {
            out.push(char::from(byte));
        } else {
            let _ = write!(out, "~{byte:02x}");
        }
    }
    out
}

/// A table cell: text, or markup made by this crate.
#[derive(Clone)]
pub(crate) enum Cell {
    /// Text, escaped when written.
    Text(String),
    /// A number or other short figure, set right.
    Figure(String),
    /// Markup of our own.
    Markup(String),
}

/// A row of a table with a line below it over the whole width, for words that would make a column too narrow.
pub(crate) struct Record {
    /// Anchor, where other pages link to the row.
    pub(crate) id: Option<String>,
    pub(crate) cells: Vec<Cell>,
    /// Text of the second line; empty: none.
    pub(crate) below: String,
}

/// A table with a caption that says what one row is. The first cell of a row is its heading.
pub(crate) fn table(caption: &str, header: &[&str], rows: &[Vec<Cell>]) -> String {
    let first = rows.first().map(Vec::as_slice);
    let is_stack = rows.iter().flatten().any(Cell::is_long);
    let mut out = open_table(caption, header, first, is_stack);
    let labels = if is_stack { header } else { &[] };
    if !rows.is_empty() {
        out.push_str("<tbody>\n");
        for row in rows {
            out.push_str("<tr>");
            write_cells(&mut out, row, labels);
            out.push_str("</tr>\n");
        }
        out.push_str("</tbody>");
    }
    out.push_str("</table></div>\n");
    out
}

/// A table of records: each keeps its two lines together when sorted and on paper.
pub(crate) fn records(caption: &str, header: &[&str], records: &[Record]) -> String {
    let first = records.first().map(|record| record.cells.as_slice());
    let mut out = open_table(caption, header, first, true);
    for record in records {
        let id = record
            .id
            .as_deref()
            .map_or_else(String::new, |id| format!(" id=\"{}\"", escape(id)));
        let class = if record.below.is_empty() {
            ""
        } else {
            " class=\"pair\""
        };
        let _ = write!(out, "<tbody{id}{class}><tr>");
        write_cells(&mut out, &record.cells, header);
        out.push_str("</tr>\n");
        if !record.below.is_empty() {
            let _ = writeln!(
                out,
                "<tr class=\"below\"><td colspan=\"{}\">{}</td></tr>",
                header.len(),
                prose(&record.below, DAY)
            );
        }
        out.push_str("</tbody>");
    }
    out.push_str("</table></div>\n");
    out
}

/// Begins a table; one without rows says "none". One with words in it stacks its cells on a narrow screen.
fn open_table(caption: &str, header: &[&str], first: Option<&[Cell]>, is_stack: bool) -> String {
    let class = if is_stack { " class=\"stack\"" } else { "" };
    let mut out = format!(
        "<div class=\"wide\" role=\"group\" tabindex=\"0\" aria-label=\"table\"><table{class}><caption>{}</caption><thead><tr>",
        escape(caption)
    );
    for (idx, name) in header.iter().enumerate() {
        let right = matches!(
            first.and_then(|cells| cells.get(idx)),
            Some(Cell::Figure(_))
        );
        let class = if right { " class=\"figure\"" } else { "" };
        let _ = write!(out, "<th scope=\"col\"{class}>{}</th>", escape(name));
    }
    out.push_str("</tr></thead>\n");
    if first.is_none() {
        let _ = write!(
            out,
            "<tbody><tr><td colspan=\"{}\">none</td></tr></tbody>",
            header.len()
        );
    }
    out
}

/// Figures with blanks in them, such as `5.33 (2.48 to 17.95)` and `over 99 %`.
fn is_short(text: &str) -> bool {
    text.contains(' ') && text.chars().count() <= 22 && text.contains(|c: char| c.is_ascii_digit())
}

impl Cell {
    /// Words that fill lines.
    fn is_long(&self) -> bool {
        matches!(self, Self::Text(text) if text.chars().count() > 24)
    }
}

/// The cells of a row; `labels`, where there are any, name them when they are stacked.
fn write_cells(out: &mut String, cells: &[Cell], labels: &[&str]) {
    for (idx, cell) in cells.iter().enumerate() {
        let (tag, scope) = if idx == 0 {
            ("th", " scope=\"row\"".to_owned())
        } else {
            let label = labels.get(idx);
            (
                "td",
                label.map_or_else(String::new, |name| format!(" data-h=\"{}\"", escape(name))),
            )
        };
        let _ = match cell {
            Cell::Text(text) => {
                // A figure with its interval is read at one glance, or not at all.
                let class = if is_short(text) {
                    " class=\"short\""
                } else {
                    ""
                };
                write!(out, "<{tag}{scope}{class}>{}</{tag}>", prose(text, DAY))
            }
            Cell::Figure(text) => write!(
                out,
                "<{tag}{scope} class=\"figure\">{}</{tag}>",
                escape(text)
            ),
            Cell::Markup(markup) => write!(out, "<{tag}{scope}>{markup}</{tag}>"),
        };
    }
}

/// A chart with the one sentence that says what one mark is.
pub(crate) fn figure(svg: &str, sentence: &str) -> String {
    format!(
        "<figure>{svg}<figcaption>{}</figcaption></figure>\n",
        escape(sentence)
    )
}

/// A link to a page of the report, relative to the page it stands on.
pub(crate) fn link(target: &str, text: &str) -> String {
    format!("<a href=\"{}\">{}</a>", escape(target), escape(text))
}

/// Rows up to which a folded part stands open, and so is printed.
const OPEN_ROWS: usize = 10;

/// A part that can be folded away under its heading. A long one is folded at first, and its heading
/// says so: paper shows what is open.
pub(crate) fn folded(heading: &str, n_rows: usize, body: &str) -> String {
    let (open, hint) = if n_rows <= OPEN_ROWS {
        (" open", "")
    } else {
        (
            "",
            "<span class=\"fold\"> (folded; open it to read or print)</span>",
        )
    };
    format!(
        "<details{open}><summary><h2>{} ({n_rows})</h2>{hint}</summary>\n{body}</details>\n",
        escape(heading)
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dates_names_and_per_cents_keep_together() {
        for (text, expected) in [
            ("leak 99 %, wear", "leak 99\u{a0}%, wear"),
            ("a % of it", "a % of it"),
            (
                "to KST-H10 on 2026-07-20).",
                "to <i>KST-H10</span> on <i>2026-07-20).</span>",
            ),
            ("1 - 2 <b>-", "1 - 2 &lt;b&gt;-"),
            ("", ""),
        ] {
            assert_eq!(prose(text, "<i>"), expected);
        }
    }

    #[test]
    fn text_cannot_become_markup() {
        for (text, expected) in [
            ("plain R-12", "plain R-12"),
            ("<script>", "&lt;script&gt;"),
            ("\"onload='x'", "&quot;onload=&#39;x&#39;"),
            ("a & b &amp;", "a &amp; b &amp;amp;"),
            ("Öl > 60 °C", "Öl &gt; 60 °C"),
            ("", ""),
        ] {
            assert_eq!(escape(text), expected);
        }
    }

    #[test]
    fn two_names_never_share_a_slug() {
        let names = [
            "U-1", "U_1", "U 1", "U/1", "U~1", "U.1", "Ü1", "~20", " ", "../x",
        ];
        for (idx, a) in names.iter().enumerate() {
            assert!(
                slug(a)
                    .bytes()
                    .all(|b| b.is_ascii_alphanumeric() || b"-_~".contains(&b)),
                "{a}"
            );
            for b in names.iter().skip(idx + 1) {
                assert_ne!(slug(a), slug(b));
            }
        }
        assert_eq!(slug("U-07"), "U-07");
    }

    #[test]
    fn a_table_has_headings_for_columns_and_rows() {
        let rows = [vec![
            Cell::Text("R<1>".to_owned()),
            Cell::Figure("12".to_owned()),
            Cell::Markup("<b>x</b>".to_owned()),
        ]];
        let html = table("One row is \"one\".", &["id", "n", "what"], &rows);
        for part in [
            "<caption>One row is &quot;one&quot;.</caption>",
            "<th scope=\"col\">id</th><th scope=\"col\" class=\"figure\">n</th>",
            "<th scope=\"row\">R&lt;1&gt;</th><td class=\"figure\">12</td><td><b>x</b></td>",
        ] {
            assert!(html.contains(part), "{part}\n{html}");
        }
    }

    #[test]
    fn an_empty_table_says_none() {
        assert!(table("c", &["a", "b"], &[]).contains("<td colspan=\"2\">none</td>"));
        assert!(records("c", &["a"], &[]).contains("<td colspan=\"1\">none</td>"));
    }

    #[test]
    fn the_second_line_of_a_record_spans_the_row() {
        let record = |below: &str| Record {
            id: Some("R~2f1".to_owned()),
            cells: vec![Cell::Text("R/1".to_owned()), Cell::Text("x".to_owned())],
            below: below.to_owned(),
        };
        let html = records("c", &["a", "b"], &[record("a < b")]);
        assert!(
            html.contains("<tbody id=\"R~2f1\" class=\"pair\">"),
            "{html}"
        );
        assert!(html.contains("<td colspan=\"2\">a &lt; b</td>"), "{html}");
        assert!(!records("c", &["a", "b"], &[record("")]).contains("below"));
    }

    #[test]
    fn a_long_part_is_folded_and_says_so() {
        assert!(folded("Cleared", 3, "x").starts_with("<details open><summary><h2>Cleared (3)"));
        let long = folded("Cleared", 40, "x");
        assert!(
            long.starts_with("<details><summary>") && long.contains("open it to read or print")
        );
    }
}
