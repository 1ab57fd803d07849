//! The live data files of a table at one version.

use std::collections::BTreeMap;
use std::path::PathBuf;

use deltalake_core::DeltaTable;
use drydown_quantity::Stamp;
use serde_json::Value;

use crate::datafile::{load_n_rows, load_rows};
use crate::error::StoreError;
use crate::layout::Layout;
use crate::spans::{KeyValue, Span, parse_spans};
use crate::store::Store;
use arrow::array::RecordBatch;

/// One live data file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LiveFile {
    /// Below the table's folder.
    pub path: String,
    /// The month it holds; `None` for tables without partitions.
    pub month: Option<String>,
    /// Rows in it.
    pub n_rows: u64,
    /// Bytes on disk.
    pub size_bytes: u64,
    /// Least and greatest value of its key and time columns, where known.
    pub spans: BTreeMap<String, Span>,
}

impl LiveFile {
    /// The span of a text column (such as `unit_id`), where known.
    #[must_use]
    pub fn text_span(&self, column: &str) -> Option<(&str, &str)> {
        match self.spans.get(column) {
            Some(Span {
                min: KeyValue::Text(min),
                max: KeyValue::Text(max),
            }) => Some((min, max)),
            _ => None,
        }
    }

    /// The span of a time column (such as `at`), widened to milliseconds, where known.
    #[must_use]
    pub fn stamp_span(&self, column: &str) -> Option<(Stamp, Stamp)> {
        match self.spans.get(column) {
            Some(Span {
                min: KeyValue::At(min),
                max: KeyValue::At(max),
            }) => Some((*min, *max)),
            _ => None,
        }
    }
}

impl Store {
    /// The table's newest version; `None` where it was never written.
    ///
    /// # Errors
    /// An unknown table; a log that cannot be read.
    pub fn table_version(&self, table: &str) -> Result<Option<i64>, StoreError> {
        Layout::of(table)?;
        let handle = self.newest(table)?;
        Ok(handle
            .as_ref()
            .and_then(DeltaTable::version)
            .and_then(|v| i64::try_from(v).ok()))
    }

    /// The live files at `version` (`None`: now), by month, then by least key. A table
    /// never written has none.
    ///
    /// # Errors
    /// An unknown table or version; a log that cannot be read; a table changed by
    /// another program into something this one cannot read.
    pub fn live_files(
        &self,
        table: &str,
        version: Option<i64>,
    ) -> Result<Vec<LiveFile>, StoreError> {
        let layout = Layout::of(table)?;
        self.live_in(&layout, version)
    }

    pub(crate) fn live_in(
        &self,
        layout: &Layout,
        version: Option<i64>,
    ) -> Result<Vec<LiveFile>, StoreError> {
        match self.at_version(&layout.table, version)? {
            Some(handle) => self.live_of(layout, &handle),
            None => Ok(Vec::new()),
        }
    }

    /// The live files of a loaded table.
    pub(crate) fn live_of(
        &self,
        layout: &Layout,
        handle: &DeltaTable,
    ) -> Result<Vec<LiveFile>, StoreError> {
        let folder = self.table_folder(&layout.table);
        let state = handle
            .snapshot()
            .map_err(|e| StoreError::delta(&folder, "read the table's log", e))?;
        let views = state.snapshot().log_data();
        let mut files = Vec::with_capacity(views.num_files());
        for view in views {
            if view.deletion_vector_descriptor().is_some() {
                let feature = "deletion vectors";
                return Err(StoreError::Feature {
                    table: layout.table.clone(),
                    feature,
                });
            }
            let path = view.path().into_owned();
            let stats: Value = view
                .stats()
                .and_then(|text| serde_json::from_str(&text).ok())
                .unwrap_or(Value::Null);
            let n_rows = match stats.get("numRecords").and_then(Value::as_u64) {
                Some(n_rows) => n_rows,
                None => load_n_rows(&folder.join(&path))?,
            };
            let month = layout.partition.as_ref().and_then(|partition| {
                view.partition_values_map()
                    .remove(&partition.column)
                    .flatten()
            });
            let size_bytes = u64::try_from(view.size()).unwrap_or_default();
            let spans = parse_spans(layout, &stats);
            files.push(LiveFile {
                path,
                month,
                n_rows,
                size_bytes,
                spans,
            });
        }
        // Paths are random, so they decide last: the order of rows must not hang on them.
        files.sort_by_cached_key(|file| {
            let keys: Vec<Option<KeyValue>> = layout
                .sort
                .iter()
                .map(|key| file.spans.get(key).map(|span| span.min.clone()))
                .collect();
            (file.month.clone(), keys, file.n_rows, file.path.clone())
        });
        Ok(files)
    }

    /// Where a live file lies; fails if it is gone.
    pub(crate) fn present(&self, table: &str, file: &LiveFile) -> Result<PathBuf, StoreError> {
        let path = self.table_folder(table).join(&file.path);
        if path.exists() {
            Ok(path)
        } else {
            Err(StoreError::FileGone {
                table: table.to_owned(),
                path,
            })
        }
    }

    /// Reads the rows of live files as Arrow batches in the contract's columns
    /// (columns newer than a file are null), files in the order given. For the few
    /// files a correction touches; whole tables are read with [`Store::scan`].
    ///
    /// # Errors
    /// An unknown table, a file that is gone or cannot be read.
    pub fn load_files(
        &self,
        table: &str,
        files: &[LiveFile],
    ) -> Result<Vec<RecordBatch>, StoreError> {
        let layout = Layout::of(table)?;
        self.load_in(&layout, files)
    }

    pub(crate) fn load_in(
        &self,
        layout: &Layout,
        files: &[LiveFile],
    ) -> Result<Vec<RecordBatch>, StoreError> {
        let mut batches = Vec::new();
        for file in files {
            let path = self.present(&layout.table, file)?;
            for batch in load_rows(&path)? {
                batches.push(layout.to_full_columns(&batch, file.month.as_deref())?);
            }
        }
        Ok(batches)
    }
}
