//! The common case: rows of wide files, no two with one key and none of them stored yet.
//!
//! Nothing can be a duplicate or be superseded, so whole columns move instead of single cells.
//! The rows and counts are those that going through them one by one would give.

use arrow::array::{Array, ArrayRef, Int64Array, RecordBatch, new_null_array};
use arrow::error::ArrowError;
use drydown_schema::{ColumnKind, arrow_schema};
use std::sync::Arc;

use super::columns::{picked, repeated_text, to_array};
use super::reports::Reports;
use super::{Entry, MergePlan, Merged, Part, month_text};
use crate::rows::{Body, FileRows};
use crate::texts::{NULL, from_whole};

/// Rows of one batch: the texts of a column must not pass two gigabytes.
const MAX_ROWS: usize = 1 << 20;

impl MergePlan {
    /// The rows of the part as new rows; None where it takes going through them one by one.
    pub(super) fn append_part(&mut self, part: &Part) -> Result<Option<Merged>, ArrowError> {
        let entries = self.entries.get(part.start..part.end).unwrap_or(&[]);
        let is_wide = |file: &FileRows| matches!(file.body, Body::Wide { .. });
        let distinct = entries.windows(2).all(|pair| match pair {
            [a, b] => a.key < b.key,
            _ => true,
        });
        let is_of_reports = Reports::of(self.table).is_some();
        if is_of_reports || !distinct || !self.files.iter().all(is_wide) {
            return Ok(None);
        }
        let mut added = Vec::new();
        for rows in entries.chunks(MAX_ROWS) {
            added.push(self.to_batch(rows)?);
        }
        let n_added = entries.len();
        if let [file] = &mut self.files[..] {
            file.counts.rows_kept += n_added as u64;
        } else {
            for entry in entries {
                if let Some(file) = self.files.get_mut(entry.file as usize) {
                    file.counts.rows_kept += 1;
                }
            }
        }
        Ok(Some(Merged {
            added,
            rewritten: Vec::new(),
            n_added,
            n_changed: 0,
        }))
    }

    fn to_batch(&self, entries: &[Entry]) -> Result<RecordBatch, ArrowError> {
        let schema = Arc::new(arrow_schema(self.table));
        let rows = Rows::of(entries, self.files.len());
        let mut arrays: Vec<ArrayRef> = Vec::with_capacity(self.table.columns.len());
        // Columns that no file fills share one array of nulls for each kind.
        let mut nulls: Vec<ArrayRef> = Vec::new();
        for (place, spec) in self.table.columns.iter().enumerate() {
            let array = match self.column(place, spec.kind, entries, &rows) {
                Column::Array(array) => array,
                Column::Cells(cells) => to_array(spec.kind, &self.pool, cells),
                Column::Same(text) => repeated_text(&text, entries.len()),
                Column::Null => {
                    let kind = schema.field(place).data_type();
                    let known = nulls.iter().find(|array| array.data_type() == kind);
                    let array =
                        known.map_or_else(|| new_null_array(kind, entries.len()), Arc::clone);
                    nulls.push(Arc::clone(&array));
                    array
                }
            };
            arrays.push(array);
        }
        RecordBatch::try_new(schema, arrays)
    }

    fn column(&self, place: usize, kind: ColumnKind, entries: &[Entry], rows: &Rows) -> Column {
        let name = self
            .table
            .columns
            .get(place)
            .map_or("", |spec| spec.name.as_str());
        if let Some(key) = self.table.key.iter().position(|key| key == name) {
            return self.gathered(kind, entries, rows, |file| {
                file.keys.get(key).map(Vec::as_slice)
            });
        }
        if self.table.partition.as_deref() == Some(name) {
            return Column::Same(entries.first().map_or_else(String::new, month_text));
        }
        match name {
            "line" => self.lines(entries, rows),
            "file_hash" => self.file_hashes(entries),
            _ => self.gathered(kind, entries, rows, |file| match &file.body {
                Body::Wide { columns } => columns
                    .iter()
                    .find(|(known, _)| *known == place)
                    .map(|(_, cells)| cells.as_slice()),
                Body::Tall { .. } => None,
            }),
        }
    }

    /// The cells of one column; null where a file does not speak for it.
    fn gathered<'a>(
        &'a self,
        kind: ColumnKind,
        entries: &[Entry],
        rows: &Rows,
        of_file: impl Fn(&'a FileRows) -> Option<&'a [u64]>,
    ) -> Column {
        let columns: Vec<Option<&[u64]>> = self.files.iter().map(of_file).collect();
        if columns.iter().all(Option::is_none) {
            return Column::Null;
        }
        if let Rows::OfOne(file, rows) = rows {
            let cells = columns.get(*file).copied().flatten().unwrap_or(&[]);
            if let Some(array) = picked(kind, cells, rows) {
                return Column::Array(array);
            }
            let cell = |row: &u32| cells.get(*row as usize).copied().unwrap_or(NULL);
            return Column::Cells(rows.iter().map(cell).collect());
        }
        let cell = |entry: &Entry| {
            let cells = columns.get(entry.file as usize).copied().flatten()?;
            cells.get(entry.row as usize).copied()
        };
        Column::Cells(
            entries
                .iter()
                .map(|entry| cell(entry).unwrap_or(NULL))
                .collect(),
        )
    }

    fn lines(&self, entries: &[Entry], rows: &Rows) -> Column {
        let number = |line: &u64| i64::try_from(*line).unwrap_or(i64::MAX);
        if let Rows::OfOne(file, rows) = rows {
            let lines = self.files.get(*file).map_or(&[][..], |file| &file.lines);
            let found = rows.iter().map(|row| lines.get(*row as usize).map(number));
            if let Some(numbers) = found.collect::<Option<Vec<i64>>>() {
                return Column::Array(Arc::new(Int64Array::from(numbers)));
            }
        }
        let cells = entries.iter().map(|entry| {
            let file = self.files.get(entry.file as usize);
            let line = file.and_then(|file| file.lines.get(entry.row as usize));
            line.map_or(NULL, |line| from_whole(number(line)))
        });
        Column::Cells(cells.collect())
    }

    fn file_hashes(&self, entries: &[Entry]) -> Column {
        let hash = |entry: &Entry| {
            self.files
                .get(entry.file as usize)
                .map_or("", FileRows::file_hash)
        };
        let first = entries.first().map_or("", hash);
        if self.files.iter().all(|file| file.file_hash() == first) {
            return Column::Same(first.to_owned());
        }
        let cells = self
            .files
            .iter()
            .map(|file| self.pool.find(file.file_hash()).unwrap_or(NULL))
            .collect::<Vec<u64>>();
        Column::Cells(
            entries
                .iter()
                .map(|entry| cells.get(entry.file as usize).copied().unwrap_or(NULL))
                .collect(),
        )
    }
}

/// Where the rows come from. Those of one file are gathered column by column: a list of places is
/// far shorter than the entries, and stays in a core's own cache.
enum Rows {
    OfOne(usize, Vec<u32>),
    Mixed,
}

impl Rows {
    fn of(entries: &[Entry], n_files: usize) -> Self {
        let is_of = |file: u32| n_files == 1 || entries.iter().all(|entry| entry.file == file);
        match entries.first() {
            Some(first) if is_of(first.file) => Self::OfOne(
                first.file as usize,
                entries.iter().map(|entry| entry.row).collect(),
            ),
            _ => Self::Mixed,
        }
    }
}

/// One column of the appended rows.
enum Column {
    Array(ArrayRef),
    Cells(Vec<u64>),
    Same(String),
    Null,
}
