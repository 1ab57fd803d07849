//! Reads one file of a source: bytes and a name in, rows and rejects out.

mod builder;
mod cell;
mod header;
mod pressure;
mod record;
mod tall;
mod wide;

#[cfg(test)]
mod tests;

use drydown_quantity::Stamp;

use crate::rows::FileRows;
use crate::site::SiteContext;
use crate::source::{Layout, Source};
use crate::text::{Records, TextError, decode_text};

pub(crate) use cell::check_constant;

/// One file to read.
#[derive(Clone, Copy, Debug)]
pub struct FileInput<'a> {
    /// The file's path as the ledger shows it; its last part is what `file_name` looks at.
    pub name: &'a str,
    /// The bytes as found.
    pub bytes: &'a [u8],
    /// When the load began; later stamps (by more than a day) are rejected.
    pub loaded_at: Stamp,
    /// Longest unpacked text, in bytes.
    pub max_text: usize,
}

impl Source {
    /// Reads a file into rows and rejects that together account for every record.
    ///
    /// # Errors
    /// Bytes that do not unpack. Whatever is wrong inside the text is a reject, not an error.
    pub fn read_file(
        &self,
        input: &FileInput<'_>,
        site: &SiteContext,
    ) -> Result<FileRows, TextError> {
        let decoded = decode_text(input.bytes, self.encoding, input.max_text)?;
        let mut records = Records::new(&decoded.text, self.delimiter);
        records.skip_lines(self.skip_lines);
        let job = record::Job::new(self, input, site, decoded.malformed);
        Ok(match self.layout {
            Layout::Wide => wide::read(job, records),
            Layout::Tall => tall::read(job, records),
        })
    }
}

/// BLAKE3 of a file's bytes, as 64 hexadecimal digits.
#[must_use]
pub fn file_hash(bytes: &[u8]) -> String {
    blake3::hash(bytes).to_hex().to_string()
}
