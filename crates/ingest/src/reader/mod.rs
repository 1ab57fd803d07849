//! Reads one file of a source: bytes and a name in, rows and rejects out.

mod begin;
mod builder;
mod cell;
mod down;
mod header;
mod memo;
mod midnights;
mod named_units;
mod numbers;
mod pieces;
mod preamble;
mod pressure;
mod reason;
mod record;
mod series;
mod sorted;
mod stamp;
mod tall;
mod wide;

#[cfg(test)]
mod tests;
#[cfg(test)]
pub(crate) use tests::check_any;

use std::io::Read;

use drydown_quantity::Stamp;

use crate::rows::{Chamber, FileRows};
use crate::site::SiteContext;
use crate::source::{CellKind, Column, Layout, Source};
use crate::text::{
    Cut, Dialect, Names, Pieces, Records, TextError, Traits, decode_text, to_delimited,
    to_transposed,
};
use crate::texts::TextPool;
use builder::{Builder, Finish};

pub use begin::NextPiece;
pub(crate) use cell::check_constant;
pub(crate) use header::joined_names;
pub use pieces::{PieceReader, PieceRows, ReadAll, WideFile};
pub use sorted::{Dealt, TallFile, TallSlice, TallSlices, TallSorter};

/// Bytes hashed at a time: enough for several threads.
const HASH_BLOCK: usize = 4 << 20;
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
        let decoded = match decode_text(input.bytes, &self.text_rule(), input.max_text) {
            Ok(decoded) => decoded,
            Err(error) => return self.unreadable(input, &error),
        };
        let dialect = self.dialect(decoded.traits);
        let hashes = self.file_hashes(input.name, input.bytes);
        let mut job = record::Job::new(self, input.head(&hashes), site, decoded.traits);
        let mut records = Records::new(&decoded.text, &dialect);
        let n_skipped = self.n_skipped(&decoded.text);
        records.skip_lines(n_skipped);
        job.read_preamble(decoded.text.get(..records.position()).unwrap_or(""));
        match self.layout {
            Layout::Wide => wide::read(job, records),
            Layout::Tall => tall::read(job, records),
            Layout::Json => {
                let form = (dialect.delimiter, self.mark);
                match to_delimited(&decoded.text, form, input.max_text) {
                    // The names stand before the first line.
                    Ok(text) => wide::read(job, Records::at_line(&text, dialect.delimiter, 0)),
                    Err(error) => self.unreadable(input, &error),
                }
            }
            Layout::Transposed => {
                let before = (n_skipped, self.header_lines);
                let turned = to_transposed(&decoded.text, &dialect, before, input.max_text);
                match turned {
                    Ok(text) => wide::read(job, Records::new(&text, dialect.delimiter)),
                    Err(error) => self.unreadable(input, &error),
                }
            }
        }
    }

    /// As [`Self::read_file`], of what was found in a file: bytes with an error are one record,
    /// rejected with the error.
    #[must_use]
    pub fn read_content(
        &self,
        input: &FileInput<'_>,
        error: Option<&TextError>,
        site: &SiteContext,
    ) -> FileRows {
        match error {
            Some(error) => self.unreadable(input, error),
            None => self.read_file(input, site),
        }
    }

    fn unreadable(&self, input: &FileInput<'_>, error: &TextError) -> FileRows {
        let hashes = self.file_hashes(input.name, input.bytes);
        let head = input.bytes.get(..RAW_BYTES).unwrap_or(input.bytes);
        self.unreadable_file(input.head(&hashes), head, input.bytes.len() as u64, error)
    }

    /// The whole file as one rejected record: it is in the ledger, and its bytes can be told again.
    ///
    /// `first_bytes` go into the reject entry, `n_bytes` is the size of the file.
    #[must_use]
    pub fn unreadable_file(
        &self,
        file: FileHead<'_>,
        first_bytes: &[u8],
        n_bytes: u64,
        error: &TextError,
    ) -> FileRows {
        let mut builder = Builder::new(self.keys.len(), self.layout, &[]);
        builder.counts.rows_in = 1;
        let head: String = first_bytes
            .iter()
            .take(RAW_BYTES)
            .map(|byte| format!("{byte:02x}"))
            .collect();
        let raw = format!("{head} ({n_bytes} bytes)");
        builder.reject_row(
            1,
            &raw,
            format!("no record of the file can be read: {error}"),
        );
        builder
            .notes
            .push(format!("{error}; the whole file is one reject"));
        self.without_rows(file, builder)
    }

    /// A file without any record.
    fn no_rows(&self, file: FileHead<'_>) -> FileRows {
        let builder = Builder::new(self.keys.len(), self.layout, &[]);
        self.without_rows(file, builder)
    }

    fn without_rows(&self, file: FileHead<'_>, builder: Builder) -> FileRows {
        builder.finish(Finish {
            source: self,
            file,
            pool: TextPool::default(),
            stamp_key: None,
            chamber: Chamber::Silent,
        })
    }

    /// Whether the columns that it takes from a file's name can be taken from this one.
    #[must_use]
    pub fn fits_name(&self, name: &str) -> bool {
        record::name_parts(self, name).is_some()
    }

    /// What tells the content of a file from others in the ledger, as 64 hexadecimal digits.
    ///
    /// BLAKE3 of its bytes as found; where the source takes columns from the file's name, of the
    /// bytes followed by those parts, because the same bytes under another name are other rows.
    #[must_use]
    pub fn file_hash(&self, name: &str, bytes: &[u8]) -> String {
        self.file_hashes(name, bytes).of_rows
    }

    /// As [`Self::file_hash`], with the hash of the bytes alone.
    #[must_use]
    pub fn file_hashes(&self, name: &str, bytes: &[u8]) -> FileHashes {
        let mut hasher = blake3::Hasher::new();
        hasher.update(bytes);
        self.finish_hash(name, hasher)
    }

    /// As [`Self::file_hashes`], of what a reader gives.
    ///
    /// # Errors
    /// What the reader fails with.
    pub fn file_hashes_of(&self, name: &str, mut reader: impl Read) -> std::io::Result<FileHashes> {
        let mut hasher = blake3::Hasher::new();
        let mut block = vec![0; HASH_BLOCK];
        loop {
            match reader.read(&mut block)? {
                0 => return Ok(self.finish_hash(name, hasher)),
                n => hasher.update_rayon(block.get(..n).unwrap_or(&[])),
            };
        }
    }

    fn finish_hash(&self, name: &str, mut hasher: blake3::Hasher) -> FileHashes {
        let of_bytes = hasher.finalize().to_hex().to_string();
        for (part, text) in record::name_parts(self, name).unwrap_or_default() {
            for word in [part, text] {
                hasher.update(b"\0");
                hasher.update(word.as_bytes());
            }
        }
        FileHashes {
            of_rows: hasher.finalize().to_hex().to_string(),
            of_bytes,
        }
    }

    /// Whether its files can be read in pieces ([`PieceReader`], or [`TallFile`] for tall ones); of JSON
    /// those of an object a line ([`Source::is_one_list`]). A sheet that is to be turned cannot, and no
    /// tall file whose lines mean something only in their order.
    #[must_use]
    pub fn reads_in_pieces(&self) -> bool {
        match self.layout {
            Layout::Wide => true,
            Layout::Tall => !self.hangs_on_order() && self.is_stamped(),
            Layout::Json => self.skip_lines == 0 && self.skip_until.is_none(),
            Layout::Transposed => false,
        }
    }

    /// Whether a record may mean something only by those before it: an empty cell says what stands
    /// above it, a time of day comes after so many midnights, or a count may begin anew.
    fn hangs_on_order(&self) -> bool {
        self.dates_apart || !self.fill_down.is_empty() || self.counts_on()
    }

    /// How the text of a piece is cut.
    fn piece_dialect(&self, traits: Traits) -> Dialect {
        let dialect = self.dialect(traits);
        match self.layout {
            Layout::Json => Dialect::from(dialect.delimiter),
            _ => dialect,
        }
    }

    /// Whether its files are tall: a large one goes through [`TallSorter`].
    #[must_use]
    pub fn is_tall(&self) -> bool {
        self.layout == Layout::Tall
    }

    /// Whether an instant is part of the key.
    fn is_stamped(&self) -> bool {
        let is_stamp = |column: &Column| matches!(column.kind, CellKind::Stamp(_));
        self.keys.iter().any(is_stamp)
    }

    /// Whether a file of JSON is one list of all its records: that is no text of lines, and is held
    /// whole. Looks at the file's head.
    ///
    /// # Errors
    /// Bytes that do not unpack.
    pub fn is_one_list(&self, reader: impl Read + Send) -> Result<bool, TextError> {
        if self.layout != Layout::Json {
            return Ok(false);
        }
        let mut pieces = self.pieces(reader, 1, usize::MAX)?;
        while let Some(piece) = pieces.read()? {
            let text = piece.text.trim_start();
            if !text.is_empty() {
                return Ok(text.starts_with('['));
            }
        }
        Ok(false)
    }

    /// The names in a file of JSON objects, for [`Pieces::named`]; those of other files are none.
    ///
    /// # Errors
    /// Bytes that do not unpack; a text longer than `limit`.
    pub fn names_in(
        &self,
        reader: impl Read + Send,
        aim: usize,
        limit: usize,
    ) -> Result<Option<Names>, TextError> {
        if self.layout != Layout::Json {
            return Ok(None);
        }
        let mut names = Names::new(self.dialect.delimiter, self.mark);
        let mut pieces = self.pieces(reader, aim, limit)?;
        while let Some(piece) = pieces.read()? {
            names.add(&piece.text);
        }
        Ok(Some(names))
    }

    /// Cuts the text of a file into pieces of about `aim` bytes.
    ///
    /// # Errors
    /// Bytes that do not unpack.
    pub fn pieces<'r>(
        &self,
        reader: impl Read + Send + 'r,
        aim: usize,
        limit: usize,
    ) -> Result<Pieces<'r>, TextError> {
        let mut dialect = self.dialect.clone();
        if self.layout == Layout::Json {
            // A line is a record, whatever its quotes.
            dialect.quote = None;
        }
        let cut = Cut {
            rule: self.text_rule(),
            dialect: &dialect,
            skip_lines: self.skip_lines,
            skip_until: self.skip_until.as_ref(),
            aim,
            limit,
        };
        Pieces::new(reader, cut)
    }
}

impl<'a> FileInput<'a> {
    fn head(&self, hashes: &'a FileHashes) -> FileHead<'a> {
        FileHead {
            name: self.name,
            hashes,
            loaded_at: self.loaded_at,
        }
    }
}

/// What a file is known by, each as 64 hexadecimal digits.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct FileHashes {
    /// [`Source::file_hash`]: the same bytes under another name may be other rows.
    pub of_rows: String,
    /// BLAKE3 of its bytes as found, whatever the description of the source says.
    pub of_bytes: String,
}

/// A file without its bytes.
#[derive(Clone, Copy, Debug)]
pub struct FileHead<'a> {
    /// The file's path as the ledger shows it.
    pub name: &'a str,
    /// What the source knows it by.
    pub hashes: &'a FileHashes,
    /// When the load began.
    pub loaded_at: Stamp,
}
