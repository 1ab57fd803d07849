//! From the bytes of a file as found to records with line numbers.

mod archive;
mod block;
mod decode;
mod dialect;
mod fill;
mod gzip;
mod json;
mod layer;
mod loose;
mod pieces;
mod records;
mod swallowed;
mod transpose;
mod widths;
mod workbook;
#[cfg(test)]
pub(crate) mod workbook_for_tests;

pub use archive::{Content, Member, archive_members, lone_member, read_member, with_member};
pub(crate) use block::{Block, Record};
pub use decode::TextError;
pub(crate) use decode::{TextRule, Traits, decode_text};
pub(crate) use dialect::{Dialect, Widths};
pub(crate) use fill::{FillColumn, FillDown};
pub use json::Names;
pub(crate) use json::{
    NO_NAMES, begins_like_json, is_object, object_of, to_delimited, why_no_object,
};
pub(crate) use loose::{Loose, LooseRecord, pack, unpack};
pub(crate) use pieces::{Cut, lines_before};
pub use pieces::{Piece, Pieces};
pub(crate) use records::Records;
pub(crate) use transpose::to_transposed;
pub(crate) use workbook::{NO_RESULT, sheet_names};

/// A header's name without outer blanks and with single inner ones, without what does not show, and with
/// one sign for degrees.
pub(crate) fn tidy(text: &str) -> String {
    if text.is_ascii() {
        return text.split_whitespace().collect::<Vec<_>>().join(" ");
    }
    let shown: String = text
        .chars()
        .filter(|c| !is_hidden(*c))
        .map(|c| match c {
            'º' | '˚' => '°',
            other => other,
        })
        .collect();
    shown.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Whether a character neither shows nor parts words nor joins letters: a zero-width space, a mark of
/// byte order or of the direction of writing (Unicode 15, chapter 23).
pub(crate) const fn is_hidden(c: char) -> bool {
    matches!(
        c,
        '\u{200b}' | '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2060}' | '\u{feff}'
    )
}
