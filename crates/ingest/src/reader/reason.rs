//! Why a cell is kept out, in words that say where it stands.

use crate::source::{Column, Origin};

/// A reason with the place it speaks of.
pub(super) fn explain(column: &Column, raw: &str, why: &str) -> String {
    let raw = &quoted(raw);
    match &column.origin {
        Origin::Header(names) => format!(
            "column \"{}\": found \"{}\": {why}",
            names.join(if column.is_one_of() { "\" or \"" } else { " " }),
            raw
        ),
        Origin::Preamble => format!("the lines before the header give \"{raw}\": {why}"),
        Origin::FileName => format!("the file's name gives \"{raw}\": {why}"),
        Origin::Tag => format!("the tag gives \"{raw}\": {why}"),
        Origin::Constant(_) | Origin::Signal(_) => why.to_owned(),
    }
}

/// A cell as a reason shows it: the whole of it stands beside, in `raw`.
fn quoted(raw: &str) -> String {
    /// Characters of it.
    const SHOWN: usize = 80;
    match raw.char_indices().nth(SHOWN) {
        Some((at, _)) => format!("{}…", raw.get(..at).unwrap_or("")),
        None => raw.to_owned(),
    }
}
