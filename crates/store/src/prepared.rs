//! Data files on disk that nobody sees yet.

use std::fs;
use std::path::{Path, PathBuf};
use std::time::{SystemTime, UNIX_EPOCH};

use arrow::array::RecordBatch;
use deltalake_core::kernel::Add;
use serde_json::Value;
use uuid::Uuid;

use crate::datafile::{Sorted, pick_rows, publish_rows, to_sorted};
use crate::error::StoreError;
use crate::layout::Layout;
use crate::live::LiveFile;
use crate::spans::{parse_spans, to_stats};

/// Rows of one data file at most: about 100 MB of readings.
const MAX_ROWS_PER_FILE: usize = 2_000_000;

/// Rows checked, sorted and written, for a staged write to take. Dropped before, their files go.
#[derive(Debug, Default)]
pub struct Prepared {
    pub(crate) files: Vec<PreparedFile>,
}

#[derive(Debug)]
pub(crate) struct PreparedFile {
    pub(crate) path: PathBuf,
    pub(crate) add: Add,
    pub(crate) live: LiveFile,
}

/// Whether rows are new to the table or were checked when they came.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Checking {
    Checked,
    New,
}

impl Prepared {
    /// Writes rows to data files below `folder`, sorted by key, a set of files for each month.
    pub(crate) fn write(
        layout: &Layout,
        folder: &Path,
        batches: &[RecordBatch],
        checking: Checking,
    ) -> Result<Self, StoreError> {
        let mut prepared = Self::default();
        let mut columns = Vec::with_capacity(batches.len());
        for batch in batches {
            layout.check_months(batch)?;
            columns.push(layout.to_file_columns(batch)?);
        }
        let Sorted { rows, is_strict } = to_sorted(layout, &columns)?;
        drop(columns);
        if rows.num_rows() == 0 {
            return Ok(prepared);
        }
        for (month, picked) in layout.split_by_month(&rows)? {
            let part = pick_rows(layout, &rows, picked)?;
            let problems = match checking {
                Checking::New => layout.check_rows(&part, month.as_deref(), is_strict)?,
                Checking::Checked => Vec::new(),
            };
            if !problems.is_empty() {
                return Err(StoreError::BadRows {
                    table: layout.table.clone(),
                    problems,
                });
            }
            let mut start = 0;
            while start < part.num_rows() {
                let n_rows = MAX_ROWS_PER_FILE.min(part.num_rows() - start);
                let slice = part.slice(start, n_rows);
                prepared
                    .files
                    .push(write_file(layout, folder, month.as_deref(), &slice)?);
                start += n_rows;
            }
        }
        Ok(prepared)
    }
}

impl Drop for Prepared {
    fn drop(&mut self) {
        for file in &self.files {
            // What stays here is invisible; `prune` sweeps it up.
            let _ = fs::remove_file(&file.path);
        }
    }
}

fn write_file(
    layout: &Layout,
    folder: &Path,
    month: Option<&str>,
    rows: &RecordBatch,
) -> Result<PreparedFile, StoreError> {
    let name = format!("part-{}.zstd.parquet", Uuid::new_v4());
    let partition = layout.partition.as_ref().zip(month);
    let path = match partition {
        Some((partition, month)) => format!("{}={month}/{name}", partition.column),
        None => name,
    };
    let full = folder.join(&path);
    let stats = to_stats(layout, rows);
    let size = publish_rows(layout, &full, rows)?;
    let partition_values = partition
        .map(|(partition, month)| (partition.column.clone(), Some(month.to_owned())))
        .into_iter()
        .collect();
    Ok(PreparedFile {
        path: full,
        live: LiveFile {
            path: path.clone(),
            month: partition.map(|(_, month)| month.to_owned()),
            n_rows: rows.num_rows() as u64,
            size_bytes: size,
            spans: parse_spans(layout, &stats),
        },
        add: Add {
            path,
            partition_values,
            size: i64::try_from(size).unwrap_or(i64::MAX),
            modification_time: now_millis(),
            data_change: true,
            stats: Some(Value::to_string(&stats)),
            ..Add::default()
        },
    })
}

/// When a file was made, for the log only: no row and no decision hangs on it.
fn now_millis() -> i64 {
    SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .ok()
        .and_then(|since| i64::try_from(since.as_millis()).ok())
        .unwrap_or_default()
}
