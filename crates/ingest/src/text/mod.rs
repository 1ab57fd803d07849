//! From the bytes of a file as found to records with line numbers.

mod archive;
mod block;
mod decode;
mod dialect;
mod fill;
mod json;
mod layer;
mod loose;
mod pieces;
mod records;
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
pub(crate) use json::{begins_like_json, is_object, object_of, to_delimited, why_no_object};
pub(crate) use loose::{Loose, LooseRecord, pack, unpack};
pub(crate) use pieces::{Cut, lines_before};
pub use pieces::{Piece, Pieces};
pub(crate) use records::Records;
pub(crate) use transpose::to_transposed;
pub(crate) use workbook::{NO_RESULT, sheet_names};

/// A header's name without outer blanks and with single inner ones.
pub(crate) fn tidy(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}
