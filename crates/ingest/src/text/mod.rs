//! From the bytes of a file as found to records with line numbers.

mod decode;
mod records;

pub(crate) use decode::TextError;
pub(crate) use decode::decode_text;
pub(crate) use records::{Record, Records};
