//! What can stop the store: each error names the place, what was found and what to do.

use std::error::Error;
use std::io;
use std::path::{Path, PathBuf};

use deltalake_core::DeltaTableError;

use crate::lock::LockHolder;

/// The store cannot go on.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// Nothing at the path.
    #[error(
        "{}: there is no store here\nhint: `drydown ingest` makes one from the configured sources, \
         `drydown demo` makes one with an invented fleet", path.display()
    )]
    Missing {
        /// Where it was looked for.
        path: PathBuf,
    },

    /// Something else is at the path.
    #[error("{}: found {found}, expected a store", path.display())]
    NotAStore {
        /// Where it was looked for.
        path: PathBuf,
        /// What is there.
        found: &'static str,
    },

    /// The store was made by a later program.
    #[error(
        "{}: the store has layout {found}, this program knows layouts up to {known}\n\
         hint: use the program that made it", path.display()
    )]
    Newer {
        /// The marker file.
        path: PathBuf,
        /// Layout number found.
        found: u64,
        /// Highest layout number known.
        known: u64,
    },

    /// A URL was given as the store's path.
    #[error("\"{url}\": stores at a URL are not built, expected a folder")]
    UrlNotBuilt {
        /// The text given.
        url: String,
    },

    /// No such table in the data contract.
    #[error("\"{table}\": the data contract has no such table")]
    UnknownTable {
        /// The name given.
        table: String,
    },

    /// Another writer holds the store.
    #[error("{}: the store is being written by {holder}; waited {waited_s:.0} s", path.display())]
    Locked {
        /// The lock file.
        path: PathBuf,
        /// Who holds it.
        holder: LockHolder,
        /// How long was waited, in seconds.
        waited_s: f64,
    },

    /// A guard of one store was used on another.
    #[error("{}: the lock held is that of {}", path.display(), held.display())]
    WrongGuard {
        /// The store written to.
        path: PathBuf,
        /// The store the guard belongs to.
        held: PathBuf,
    },

    /// The table moved on under a writer: reload, recompute, try again.
    #[error(
        "{table}: another writer was faster (worked from {expected}, the table is at {found}); \
         nothing was written"
    )]
    LostRace {
        /// The table.
        table: String,
        /// What the writer worked from.
        expected: String,
        /// What the table is at.
        found: String,
    },

    /// No such version.
    #[error("{table}: there is no version {version}, the last is {latest}")]
    NoVersion {
        /// The table.
        table: String,
        /// The version asked for.
        version: i64,
        /// The last version there is, in words.
        latest: String,
    },

    /// A data file that the log names is gone.
    #[error(
        "{}: this file of {table} is gone\nhint: `drydown prune` deletes what only older versions \
         need; a file of the newest version must be brought back from a backup", path.display()
    )]
    FileGone {
        /// The table.
        table: String,
        /// The file.
        path: PathBuf,
    },

    /// Rows that break the data contract: a fault of the program, nothing was written.
    #[error("{table}: the rows break the data contract, nothing was written: {}", problems.join("; "))]
    BadRows {
        /// The table.
        table: String,
        /// What is wrong with them.
        problems: Vec<String>,
    },

    /// The stored table does not fit the data contract.
    #[error("{table}: the stored table does not fit the data contract: {}", problems.join("; "))]
    Misfit {
        /// The table.
        table: String,
        /// What does not fit.
        problems: Vec<String>,
    },

    /// Another program has switched on a feature this one cannot read.
    #[error("{table}: the stored table uses {feature}, which this program cannot read")]
    Feature {
        /// The table.
        table: String,
        /// The feature.
        feature: &'static str,
    },

    /// The disk refused.
    #[error("{}: could not {doing}: {source}{}", path.display(), io_hint(source))]
    Disk {
        /// The file or folder.
        path: PathBuf,
        /// What was tried.
        doing: &'static str,
        /// What the system said.
        source: io::Error,
    },

    /// A log entry that is not one.
    #[error("{}: line {line} is not a log entry: {problem}", path.display())]
    BadLog {
        /// The log file.
        path: PathBuf,
        /// 1-based line.
        line: usize,
        /// What is wrong.
        problem: String,
    },

    /// The table's log could not be read or written.
    #[error("{}: could not {doing}: {source}", path.display())]
    Delta {
        /// The table's folder.
        path: PathBuf,
        /// What was tried.
        doing: &'static str,
        /// What the library said.
        source: Box<DeltaTableError>,
    },

    /// A data file could not be read or written.
    #[error("{}: could not {doing}: {problem}", path.display())]
    File {
        /// The file.
        path: PathBuf,
        /// What was tried.
        doing: &'static str,
        /// What the library said.
        problem: String,
    },
}

/// What to do about the commonest refusals.
fn io_hint(source: &io::Error) -> &'static str {
    match source.kind() {
        io::ErrorKind::StorageFull => "\nhint: the disk is full; nothing half-written is visible",
        io::ErrorKind::QuotaExceeded => {
            "\nhint: the quota is used up; nothing half-written is visible"
        }
        io::ErrorKind::ReadOnlyFilesystem => "\nhint: the file system is mounted read-only",
        io::ErrorKind::PermissionDenied => "\nhint: check the permissions of the store's folder",
        _ => "",
    }
}

impl StoreError {
    /// An error of the file system at `path`.
    pub(crate) fn disk(path: &Path, doing: &'static str, source: io::Error) -> Self {
        Self::Disk {
            path: path.to_path_buf(),
            doing,
            source,
        }
    }

    /// An error of the Delta library on the table in `path`; one that the file
    /// system caused is said as such.
    pub(crate) fn delta(path: &Path, doing: &'static str, source: DeltaTableError) -> Self {
        match find_io(&source) {
            Some(source) => Self::Disk {
                path: path.to_path_buf(),
                doing,
                source,
            },
            None => Self::Delta {
                path: path.to_path_buf(),
                doing,
                source: Box::new(source),
            },
        }
    }

    /// An error of the Parquet or Arrow library on one file; one that the file
    /// system caused is said as such.
    pub(crate) fn file(path: &Path, doing: &'static str, source: &(dyn Error + 'static)) -> Self {
        match find_io(source) {
            Some(source) => Self::Disk {
                path: path.to_path_buf(),
                doing,
                source,
            },
            None => Self::File {
                path: path.to_path_buf(),
                doing,
                problem: source.to_string(),
            },
        }
    }
}

/// The first file-system error in a chain of causes. It is rebuilt from its
/// number (or kind), because a cause can only be borrowed.
fn find_io(error: &(dyn Error + 'static)) -> Option<io::Error> {
    let mut next = Some(error);
    while let Some(error) = next {
        if let Some(io) = error.downcast_ref::<io::Error>() {
            return Some(match io.raw_os_error() {
                Some(code) => io::Error::from_raw_os_error(code),
                None => io::Error::new(io.kind(), io.to_string()),
            });
        }
        next = error.source();
    }
    None
}
