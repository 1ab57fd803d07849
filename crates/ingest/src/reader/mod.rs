//! Reads one file of a source: bytes and a name in, rows and rejects out.

mod builder;
mod cell;
mod header;
mod memo;
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
use crate::texts::TextPool;
use builder::{Builder, Finish};

pub(crate) use cell::check_constant;

/// Bytes of an unreadable file that its reject entry shows.
const RAW_BYTES: usize = 32;

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
    /// Bytes that do not unpack are one record, rejected with their first bytes in hexadecimal.
    #[must_use]
    pub fn read_file(&self, input: &FileInput<'_>, site: &SiteContext) -> FileRows {
        let decoded = match decode_text(input.bytes, self.encoding, input.max_text) {
            Ok(decoded) => decoded,
            Err(error) => return self.unreadable(input, &error),
        };
        let mut records = Records::new(&decoded.text, self.delimiter);
        records.skip_lines(self.skip_lines);
        let job = record::Job::new(self, input, site, decoded.malformed);
        match self.layout {
            Layout::Wide => wide::read(job, records),
            Layout::Tall => tall::read(job, records),
        }
    }

    /// The whole file as one rejected record: it is in the ledger, and its bytes can be told again.
    fn unreadable(&self, input: &FileInput<'_>, error: &TextError) -> FileRows {
        let mut builder = Builder::new(self.keys.len(), self.layout, &[]);
        builder.counts.rows_in = 1;
        let head: String = input
            .bytes
            .iter()
            .take(RAW_BYTES)
            .map(|byte| format!("{byte:02x}"))
            .collect();
        let raw = format!("{head} ({} bytes)", input.bytes.len());
        builder.reject_row(
            1,
            &raw,
            format!("no record of the file can be read: {error}"),
        );
        builder
            .notes
            .push(format!("{error}; the whole file is one reject"));
        builder.finish(Finish {
            source: self,
            file: input.name,
            file_hash: self.file_hash(input.name, input.bytes),
            pool: TextPool::default(),
            stamp_key: None,
            derives_barometer: false,
        })
    }

    /// What tells the content of a file from others in the ledger, as 64 hexadecimal digits.
    ///
    /// BLAKE3 of its bytes as found; where the source takes columns from the file's name, of the
    /// bytes followed by those parts, because the same bytes under another name are other rows.
    #[must_use]
    pub fn file_hash(&self, name: &str, bytes: &[u8]) -> String {
        let mut hasher = blake3::Hasher::new();
        hasher.update(bytes);
        for (part, text) in record::name_parts(self, name).unwrap_or_default() {
            for word in [part, text] {
                hasher.update(b"\0");
                hasher.update(word.as_bytes());
            }
        }
        hasher.finalize().to_hex().to_string()
    }
}
