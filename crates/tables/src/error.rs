//! Why a table cannot be read or a batch cannot be made.

use arrow::error::ArrowError;

/// A broken promise between store, schema and records. All of these mean "cannot go on".
#[derive(Debug, thiserror::Error)]
pub enum TableError {
    /// A column has another type than the contract says.
    #[error("{table}.{column}: found the type {found}, expected {expected}")]
    Mistyped {
        table: &'static str,
        column: &'static str,
        found: String,
        expected: &'static str,
    },
    /// A text that is no word of a closed vocabulary, or no quarter.
    #[error("{table}.{column}, row {row}: found \"{found}\", expected {expected}")]
    Unreadable {
        table: &'static str,
        column: &'static str,
        row: usize,
        found: String,
        expected: String,
    },
    /// A null where no record can do without a value.
    #[error("{table}.{column}, row {row}: found null, expected a value")]
    Missing {
        table: &'static str,
        column: &'static str,
        row: usize,
    },
    /// Two rows of one key.
    #[error("{table}: found two rows of the key {key}")]
    DuplicateKey { table: &'static str, key: String },
    /// A record and the contract disagree on the columns of a table.
    #[error("{table}.{column}: the record and data-schema/{table}.json disagree on this column")]
    Uncontracted { table: &'static str, column: String },
    /// Arrow refuses the batch, for example for a null in a key.
    #[error("{table}: {source}")]
    Refused {
        table: &'static str,
        source: ArrowError,
    },
}
