//! Reading whole tables: a polars scan over the live files only.

use std::collections::BTreeSet;
use std::sync::Arc;

use polars::prelude::{
    DataFrame, IntoLazy, LazyFrame, PlRefPath, PolarsError, ScanArgsParquet, ScanSources, Schema,
    UnionArgs, col, concat, lit,
};

use crate::error::StoreError;
use crate::layout::Layout;
use crate::live::LiveFile;
use crate::store::Store;

impl Store {
    /// The table's rows at `version` (`None`: now), of `months` only where given, in the
    /// contract's columns. Columns newer than a file are null; a table never written is
    /// an empty frame.
    ///
    /// Rows come by month, then file by file; whoever needs an order sorts by key. The
    /// frame is bound to the version it was made from, whatever is published later.
    ///
    /// # Errors
    /// An unknown table or version; a log that cannot be read; a file that is gone; a
    /// stored table that does not fit the contract.
    pub fn scan(
        &self,
        table: &str,
        version: Option<i64>,
        months: Option<&[String]>,
    ) -> Result<LazyFrame, StoreError> {
        self.scan_in(&Layout::of(table)?, version, months)
    }

    pub(crate) fn scan_in(
        &self,
        layout: &Layout,
        version: Option<i64>,
        months: Option<&[String]>,
    ) -> Result<LazyFrame, StoreError> {
        let schema = layout.polars_schema()?;
        let empty = || DataFrame::empty_with_schema(&schema).lazy();
        let Some(handle) = self.at_version(&layout.table, version)? else {
            return Ok(empty());
        };
        let file_schema = self.stored_schema(layout, &handle)?;
        let wanted: Option<BTreeSet<&str>> =
            months.map(|months| months.iter().map(String::as_str).collect());
        let mut files = self.live_of(layout, &handle)?;
        files.retain(|file| match (&wanted, &file.month) {
            (Some(wanted), Some(month)) => wanted.contains(month.as_str()),
            _ => true,
        });
        let mut parts = Vec::new();
        for group in files.chunk_by(|a, b| a.month == b.month) {
            parts.push(self.scan_group(layout, &file_schema, group)?);
        }
        let frame = match parts.len() {
            0 => Ok(empty()),
            1 => parts.pop().map_or_else(|| Ok(empty()), Ok),
            _ => concat(parts, UnionArgs::default()),
        };
        frame.map_err(|e| self.polars_error(layout, &e))
    }

    /// Files of one month as one scan with the month as a constant.
    fn scan_group(
        &self,
        layout: &Layout,
        file_schema: &Arc<Schema>,
        group: &[LiveFile],
    ) -> Result<LazyFrame, StoreError> {
        let mut paths = Vec::with_capacity(group.len());
        for file in group {
            let path = self.present(&layout.table, file)?;
            paths.push(PlRefPath::try_from_path(&path).map_err(|e| self.polars_error(layout, &e))?);
        }
        let args = ScanArgsParquet {
            schema: Some(Arc::clone(file_schema)),
            allow_missing_columns: true,
            hive_options: polars::io::HiveOptions::new_disabled(),
            glob: false,
            cache: false,
            ..ScanArgsParquet::default()
        };
        let scan =
            LazyFrame::scan_parquet_sources(ScanSources::Paths(paths.into_iter().collect()), args)
                .map_err(|e| self.polars_error(layout, &e))?;
        let month = group.first().and_then(|file| file.month.clone());
        let columns: Vec<_> = layout
            .schema
            .fields()
            .iter()
            .map(|field| match &month {
                Some(month) if layout.is_partition(field.name()) => {
                    lit(month.as_str()).alias(field.name().as_str())
                }
                _ => col(field.name().as_str()),
            })
            .collect();
        Ok(scan.select(columns))
    }

    /// What the files of this version may hold: the contract's columns, and those of a
    /// later program that this one passes over.
    fn stored_schema(
        &self,
        layout: &Layout,
        handle: &deltalake_core::DeltaTable,
    ) -> Result<Arc<Schema>, StoreError> {
        let folder = self.table_folder(&layout.table);
        let state = handle
            .snapshot()
            .map_err(|e| StoreError::delta(&folder, "read the table's log", e))?;
        let stored = state.schema();
        let problems = layout.check_stored(stored.as_ref());
        if !problems.is_empty() {
            return Err(StoreError::Misfit {
                table: layout.table.clone(),
                problems,
            });
        }
        let mut schema = layout.polars_file_schema()?;
        for field in stored.fields() {
            if !schema.contains(field.name()) && !layout.is_partition(field.name()) {
                let kind = layout.polars_type_of_stored(field)?;
                schema.insert(field.name().as_str().into(), kind);
            }
        }
        Ok(Arc::new(schema))
    }

    fn polars_error(&self, layout: &Layout, error: &PolarsError) -> StoreError {
        StoreError::file(&self.table_folder(&layout.table), "scan the table", error)
    }
}
