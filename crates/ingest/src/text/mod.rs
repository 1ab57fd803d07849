//! From the bytes of a file as found to records with line numbers.

mod decode;
mod records;

pub use decode::{Decoded, TextError, decode_text};
pub use records::{Record, Records};
