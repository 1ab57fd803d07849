//! The only crate that knows how tables lie on disk.
//!
//! A store is a folder with one Delta Lake table in each subfolder. Ingested rows and
//! the records of a stage are published as Arrow batches and read back as polars scans:
//! the stored table is where the two meet, and nobody converts between them.
//!
//! ```text
//! let store = Store::open_or_create("store")?;
//! let guard = store.lock("ingest", Some(Duration::from_secs(60)))?;
//! let version = store.append(&guard, "readings", batches, CommitNote::new(ledger))?;
//! let frame = store.scan("readings", Some(version), None)?;
//! ```
//!
//! What holds:
//! * A commit is all or nothing, and nothing half-written is ever visible: data files
//!   first, then one log entry. Files without an entry are swept up by [`Store::prune`].
//! * One writer at a time ([`Store::lock`]), any number of readers beside it; a reader's
//!   frame stays bound to the version it was made from.
//! * A write counts on top of exactly the version it started from, or fails as
//!   [`StoreError::LostRace`]; nothing is retried in silence.
//! * Nothing but [`Store::prune`] deletes history: any version can be read again by its
//!   number. Versions are found by number, never by file times.
//! * Rows are checked against the data contract before they are published, columns and
//!   types again when they are read.
//! * File names are random; the same rows are the same only as sorted rows, never as bytes.

mod coded;
mod compact;
mod datafile;
mod error;
mod layout;
mod live;
mod lock;
mod log;
mod months;
mod prepared;
mod prune;
mod publish;
mod scan;
mod spans;
mod store;

#[cfg(test)]
mod tests;

pub use compact::CompactRule;
pub use error::StoreError;
pub use live::LiveFile;
pub use lock::{LockHolder, WriteGuard};
pub use log::CommitInfo;
pub use prepared::Prepared;
pub use prune::Pruned;
pub use publish::{CommitNote, Staged};
pub use spans::{KeyValue, Span};
pub use store::Store;
