//! What reading one file gives: rows in columns, rejects, and counts that account for every record.

use crate::reader::FileHashes;
use drydown_schema::TableSpec;

use crate::texts::TextPool;

/// What became of a file's records: `rows_in = rows_kept + rows_duplicate + rows_rejected`.
///
/// `rows_kept`, `rows_duplicate` and `rows_superseded` are known after the merge.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    pub rows_in: u64,
    pub rows_kept: u64,
    pub rows_duplicate: u64,
    pub rows_superseded: u64,
    /// Of these, the ones that changed a value of their own file.
    pub rows_superseded_by_own: u64,
    pub rows_rejected: u64,
    pub rows_ignored: u64,
}

impl Counts {
    /// The counts of two parts of one file together.
    #[must_use]
    pub const fn plus(self, other: Self) -> Self {
        Self {
            rows_in: self.rows_in + other.rows_in,
            rows_kept: self.rows_kept + other.rows_kept,
            rows_duplicate: self.rows_duplicate + other.rows_duplicate,
            rows_superseded: self.rows_superseded + other.rows_superseded,
            rows_superseded_by_own: self.rows_superseded_by_own + other.rows_superseded_by_own,
            rows_rejected: self.rows_rejected + other.rows_rejected,
            rows_ignored: self.rows_ignored + other.rows_ignored,
        }
    }

    /// Whether every record is accounted for.
    #[must_use]
    pub const fn is_balanced(&self) -> bool {
        self.rows_in == self.rows_kept + self.rows_duplicate + self.rows_rejected
    }
}

/// Whether a whole record or one cell was kept out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Scope {
    Row,
    Cell,
}

impl Scope {
    /// The word of `rejects.scope`.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Row => "row",
            Self::Cell => "cell",
        }
    }
}

/// One record or cell kept out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Reject {
    /// 1-based line of the decompressed text.
    pub line: u64,
    /// The table's column; empty for a whole record.
    pub column: String,
    pub scope: Scope,
    pub raw: String,
    pub reason: String,
}

/// One file's rows, before they are merged.
#[derive(Debug)]
pub struct FileRows {
    pub(crate) table: &'static TableSpec,
    pub(crate) source: String,
    pub(crate) file: String,
    pub(crate) hashes: FileHashes,
    pub(crate) pool: TextPool,
    /// One vector per column of the key, in the key's order.
    pub(crate) keys: Vec<Vec<u64>>,
    pub(crate) lines: Vec<u64>,
    pub(crate) body: Body,
    pub(crate) chamber: Chamber,
    pub(crate) rejects: Vec<Reject>,
    pub(crate) counts: Counts,
    pub(crate) notes: Vec<String>,
}

/// What the pressures in the chamber were measured against.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) enum Chamber {
    /// The source has none.
    #[default]
    Silent,
    /// The atmosphere. `derives`: the barometer was taken from the registers where no line of the
    /// file measured it.
    Relative { derives: bool },
    /// Nothing: no barometer is in them.
    Absolute,
}

/// The cells of the rows.
#[derive(Debug)]
pub(crate) enum Body {
    /// Every row speaks for the same columns (places in the table).
    Wide { columns: Vec<(usize, Vec<u64>)> },
    /// Row `n` speaks for the cells from `ends[n-1]` to `ends[n]`.
    Tall {
        ends: Vec<usize>,
        columns: Vec<u16>,
        cells: Vec<u64>,
    },
}

impl FileRows {
    /// The table the rows go to.
    #[must_use]
    pub const fn table(&self) -> &'static TableSpec {
        self.table
    }

    /// Name of the source.
    #[must_use]
    pub fn source(&self) -> &str {
        &self.source
    }

    /// The file's name as it was given.
    #[must_use]
    pub fn file(&self) -> &str {
        &self.file
    }

    /// [`crate::Source::file_hash`] of the file.
    #[must_use]
    pub fn file_hash(&self) -> &str {
        &self.hashes.of_rows
    }

    /// What the file is known by.
    #[must_use]
    pub const fn hashes(&self) -> &FileHashes {
        &self.hashes
    }

    /// What was kept out, by line.
    #[must_use]
    pub fn rejects(&self) -> &[Reject] {
        &self.rejects
    }

    /// Keeps the pressure of a row out that only the merge found impossible.
    pub(crate) fn reject_pressure(&mut self, row: usize, raw: String, reason: String) {
        let line = self.lines.get(row).copied().unwrap_or_default();
        let entry = Reject {
            line,
            column: "chamber_pressure_kpa".to_owned(),
            scope: Scope::Cell,
            raw,
            reason,
        };
        // The key of `rejects` is the line and the column.
        let key = |reject: &Reject| (reject.line, reject.column.clone());
        if let Err(place) = self.rejects.binary_search_by_key(&key(&entry), key) {
            self.rejects.insert(place, entry);
        }
    }

    /// `rows_in`, `rows_rejected` and `rows_ignored`; the rest is known after the merge.
    #[must_use]
    pub const fn counts(&self) -> Counts {
        self.counts
    }

    /// What the reader of the summary should know about the whole file.
    #[must_use]
    pub fn notes(&self) -> &[String] {
        &self.notes
    }

    /// Rows to merge.
    #[must_use]
    pub fn n_rows(&self) -> usize {
        self.lines.len()
    }

    /// Memory held, roughly, in bytes; callers bound what they hold at once by it.
    #[must_use]
    pub fn n_bytes(&self) -> usize {
        let cells = match &self.body {
            Body::Wide { columns } => columns.iter().map(|(_, cells)| cells.len() * 8).sum(),
            Body::Tall {
                ends,
                columns,
                cells,
            } => ends.len() * 8 + columns.len() * 2 + cells.len() * 8,
        };
        let rejects: usize = self
            .rejects
            .iter()
            .map(|r| 120 + r.raw.len() + r.reason.len())
            .sum();
        cells + rejects + self.lines.len() * 8 * (1 + self.keys.len())
    }
}

/// Longest raw text kept in a reject entry, in characters: any record that a person would mend and
/// ingest again is shorter.
const MAX_RAW: usize = 1_000_000;

/// A text cut to what a reject entry holds.
pub(crate) fn shortened(raw: &str) -> String {
    match raw.char_indices().nth(MAX_RAW) {
        Some((at, _)) => format!("{}…", raw.get(..at).unwrap_or("")),
        None => raw.to_owned(),
    }
}
