//! Rows of the journals: `loads`, one per file, and `rejects`, one per record or cell kept out.

use std::sync::Arc;

use arrow::array::{ArrayRef, Int64Array, RecordBatch, StringArray, TimestampMicrosecondArray};
use arrow::datatypes::Schema;
use arrow::error::ArrowError;
use drydown_quantity::Stamp;
use serde::{Deserialize, Serialize};

use crate::reader::FileHead;
use crate::rows::{Counts, FileRows};

/// One row of `loads`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct LoadRow {
    pub source: String,
    pub file_hash: String,
    /// None in rows of earlier versions, which did not keep it.
    #[serde(default)]
    pub bytes_hash: Option<String>,
    pub file: String,
    pub source_hash: String,
    /// Microseconds UTC.
    pub loaded_at: i64,
    pub rows_in: u64,
    pub rows_kept: u64,
    pub rows_duplicate: u64,
    pub rows_superseded: u64,
    /// None in rows of earlier versions, which did not count it.
    #[serde(default)]
    pub rows_superseded_by_own: Option<u64>,
    pub rows_rejected: u64,
    pub rows_ignored: u64,
}

impl LoadRow {
    /// The ledger row of a file whose rows were merged.
    #[must_use]
    pub fn of(rows: &FileRows, source_hash: &str, loaded_at: Stamp) -> Self {
        let file = FileHead {
            name: rows.file(),
            hashes: rows.hashes(),
            loaded_at,
        };
        Self::of_file(rows.source(), file, source_hash, rows.counts())
    }

    /// The ledger row of a file whose rows were merged in pieces; the counts are those of the whole.
    #[must_use]
    pub fn of_file(source: &str, file: FileHead<'_>, source_hash: &str, counts: Counts) -> Self {
        Self {
            source: source.to_owned(),
            file_hash: file.hashes.of_rows.clone(),
            bytes_hash: Some(file.hashes.of_bytes.clone()),
            file: file.name.to_owned(),
            source_hash: source_hash.to_owned(),
            loaded_at: file.loaded_at.micros(),
            rows_in: counts.rows_in,
            rows_kept: counts.rows_kept,
            rows_duplicate: counts.rows_duplicate,
            rows_superseded: counts.rows_superseded,
            rows_superseded_by_own: Some(counts.rows_superseded_by_own),
            rows_rejected: counts.rows_rejected,
            rows_ignored: counts.rows_ignored,
        }
    }
}

/// A batch of `loads`.
///
/// # Errors
/// A data contract without these columns.
pub fn loads_batch(rows: &[LoadRow]) -> Result<RecordBatch, ArrowError> {
    let text = |get: fn(&LoadRow) -> &str| -> ArrayRef {
        Arc::new(
            rows.iter()
                .map(|row| Some(get(row)))
                .collect::<StringArray>(),
        )
    };
    let bytes_hashes: StringArray = rows.iter().map(|row| row.bytes_hash.as_deref()).collect();
    let whole = |get: fn(&LoadRow) -> Option<u64>| -> ArrayRef {
        Arc::new(
            rows.iter()
                .map(|row| get(row).and_then(|n| i64::try_from(n).ok()))
                .collect::<Int64Array>(),
        )
    };
    let loaded_at: TimestampMicrosecondArray = rows.iter().map(|row| Some(row.loaded_at)).collect();
    in_contract(
        "loads",
        vec![
            ("source", text(|row| &row.source)),
            ("file_hash", text(|row| &row.file_hash)),
            ("bytes_hash", Arc::new(bytes_hashes)),
            ("file", text(|row| &row.file)),
            ("source_hash", text(|row| &row.source_hash)),
            ("loaded_at", Arc::new(loaded_at.with_timezone("UTC"))),
            ("rows_in", whole(|row| Some(row.rows_in))),
            ("rows_kept", whole(|row| Some(row.rows_kept))),
            ("rows_duplicate", whole(|row| Some(row.rows_duplicate))),
            ("rows_superseded", whole(|row| Some(row.rows_superseded))),
            (
                "rows_superseded_by_own",
                whole(|row| row.rows_superseded_by_own),
            ),
            ("rows_rejected", whole(|row| Some(row.rows_rejected))),
            ("rows_ignored", whole(|row| Some(row.rows_ignored))),
        ],
    )
}

/// A batch of `rejects` for the files.
///
/// # Errors
/// A data contract without these columns.
pub fn rejects_batch(files: &[FileRows]) -> Result<RecordBatch, ArrowError> {
    let all: Vec<_> = files
        .iter()
        .flat_map(|file| file.rejects.iter().map(move |reject| (file, reject)))
        .collect();
    let text = |get: &dyn Fn(usize) -> Option<String>| -> ArrayRef {
        Arc::new((0..all.len()).map(get).collect::<StringArray>())
    };
    let of_file = |get: fn(&FileRows) -> &str| -> ArrayRef {
        Arc::new(
            all.iter()
                .map(|(file, _)| Some(get(file)))
                .collect::<StringArray>(),
        )
    };
    let lines: Int64Array = all
        .iter()
        .map(|(_, reject)| i64::try_from(reject.line).ok())
        .collect();
    in_contract(
        "rejects",
        vec![
            ("source", of_file(FileRows::source)),
            ("file_hash", of_file(FileRows::file_hash)),
            ("line", Arc::new(lines)),
            ("column", text(&|idx| Some(all.get(idx)?.1.column.clone()))),
            ("file", of_file(FileRows::file)),
            (
                "scope",
                text(&|idx| Some(all.get(idx)?.1.scope.as_str().to_owned())),
            ),
            ("raw", text(&|idx| Some(all.get(idx)?.1.raw.clone()))),
            ("reason", text(&|idx| Some(all.get(idx)?.1.reason.clone()))),
        ],
    )
}

/// Columns in the order of the contract.
fn in_contract(table: &str, columns: Vec<(&str, ArrayRef)>) -> Result<RecordBatch, ArrowError> {
    let spec = drydown_schema::table(table)
        .ok_or_else(|| ArrowError::SchemaError(format!("the contract has no table \"{table}\"")))?;
    let schema: Schema = drydown_schema::arrow_schema(spec);
    let mut arrays = Vec::with_capacity(columns.len());
    for field in schema.fields() {
        let found = columns.iter().find(|(name, _)| name == field.name());
        let (_, array) = found.ok_or_else(|| {
            ArrowError::SchemaError(format!(
                "\"{table}\" has an unknown column \"{}\"",
                field.name()
            ))
        })?;
        arrays.push(Arc::clone(array));
    }
    RecordBatch::try_new(Arc::new(schema), arrays)
}
