//! Lays the rows of files over stored rows, cell by cell, and counts what became of each record.
//!
//! Rows are taken in the order of the files given, then by line; those of one laboratory report by
//! the stamp it was reported at, whichever came first. A wide row speaks for every column its
//! source maps, nulls included, a tall line for its own cell. A row that changes nothing is a
//! duplicate; otherwise it is kept, and has superseded something if it changed a cell that was not
//! null. The result carries the file and line that last changed each row.
//!
//! The work is cut into parts (months of a partitioned table), so that a caller holds the stored
//! rows of one part at a time.

mod append;
mod apply;
mod barometer;
mod columns;
mod order;
mod output;
mod reports;
mod share;
#[cfg(test)]
mod tests;

use std::collections::BTreeMap;

use arrow::array::RecordBatch;
use arrow::error::ArrowError;
use drydown_quantity::{Day, Stamp};
use drydown_schema::{ColumnKind, TableSpec};

use crate::rows::FileRows;
use crate::texts::{NULL, TextPool, from_whole, to_whole};
use apply::{Places, apply};
use columns::Stored;
use output::Output;
use share::share_texts;

/// No table has more columns in its key.
const MAX_KEY: usize = 3;
const MICROS_PER_DAY: i64 = 86_400_000_000;

/// A row's key, ordered as its values are.
type Key = [u64; MAX_KEY];

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
struct Entry {
    month: i32,
    key: Key,
    file: u32,
    row: u32,
}

/// Rows of many files, in the order in which they are to be taken.
#[derive(Debug)]
pub struct MergePlan {
    table: &'static TableSpec,
    files: Vec<FileRows>,
    pool: TextPool,
    entries: Vec<Entry>,
    /// Place of each text of the pool among the key's texts in order.
    ranks: Vec<u64>,
}

/// A slice of the plan that can be merged by itself.
#[derive(Clone, Debug)]
pub struct Part {
    /// `YYYY-MM` for tables partitioned by month.
    pub month: Option<String>,
    start: usize,
    end: usize,
    /// First column of the key, and the span of its stamps, where the key is a text and a stamp.
    spans: BTreeMap<String, (Stamp, Stamp)>,
}

impl Part {
    /// Rows in it.
    #[must_use]
    pub const fn n_rows(&self) -> usize {
        self.end - self.start
    }

    /// Whether two parts of one table may share a key.
    #[must_use]
    pub fn overlaps(&self, other: &Self) -> bool {
        if self.month != other.month {
            return false;
        }
        if self.spans.is_empty() || other.spans.is_empty() {
            return true;
        }
        self.spans.iter().any(|(text, (first, last))| {
            other
                .spans
                .get(text)
                .is_some_and(|(from, to)| first <= to && from <= last)
        })
    }

    /// Whether a stored file with these spans of the key may hold a row of this part.
    ///
    /// `texts` spans the first column of the key, `stamps` the stamp; None: not known.
    #[must_use]
    pub fn may_touch(&self, texts: Option<(&str, &str)>, stamps: Option<(Stamp, Stamp)>) -> bool {
        if self.spans.is_empty() {
            return true;
        }
        self.spans.iter().any(|(text, (first, last))| {
            let text_within =
                texts.is_none_or(|(min, max)| min <= text.as_str() && text.as_str() <= max);
            text_within && stamps.is_none_or(|(min, max)| *first <= max && min <= *last)
        })
    }
}

/// What merging one part gives.
#[derive(Debug)]
pub struct Merged {
    /// Rows whose key was not stored.
    pub added: Vec<RecordBatch>,
    /// All the stored rows that were given, with their changes; empty where nothing changed.
    pub rewritten: Vec<RecordBatch>,
    pub n_added: usize,
    pub n_changed: usize,
}

impl MergePlan {
    /// Orders the rows of `files`; all must belong to `table`.
    #[must_use]
    pub fn new(table: &'static TableSpec, mut files: Vec<FileRows>) -> Self {
        let mut pool = TextPool::default();
        for file in &mut files {
            share_texts(table, file, &mut pool);
            pool.cell(file.file_hash());
        }
        let ranks = order::to_ranks(table, &files, &pool);
        let mut plan = Self {
            table,
            files,
            pool,
            entries: Vec::new(),
            ranks,
        };
        plan.entries = order::sorted(plan.to_entries());
        plan
    }

    /// The table of the rows.
    #[must_use]
    pub const fn table(&self) -> &'static TableSpec {
        self.table
    }

    /// The parts, by month.
    #[must_use]
    pub fn parts(&self) -> Vec<Part> {
        let mut parts = Vec::new();
        let mut start = 0;
        for chunk in self.entries.chunk_by(|a, b| a.month == b.month) {
            let end = start + chunk.len();
            let month = chunk
                .first()
                .filter(|_| self.table.partition.is_some())
                .map(month_text);
            parts.push(Part {
                month,
                start,
                end,
                spans: self.spans(chunk),
            });
            start = end;
        }
        parts
    }

    /// Merges one part with the stored rows that may share its keys.
    ///
    /// # Errors
    /// Stored rows whose columns are not those of the table.
    pub fn merge_part(
        &mut self,
        part: &Part,
        stored: &[RecordBatch],
    ) -> Result<Merged, ArrowError> {
        let mut known: Vec<(Key, usize, usize)> = Vec::new();
        let mut batches = Vec::with_capacity(stored.len());
        for (idx, batch) in stored.iter().enumerate() {
            let rows = Stored::new(self.table, batch)?;
            for row in 0..batch.num_rows() {
                if let Some(key) = self.stored_key(&rows, row) {
                    known.push((key, idx, row));
                }
            }
            batches.push(rows);
        }
        known.sort_unstable();
        if !self.has_hit(part, &known)
            && let Some(merged) = self.append_part(part)?
        {
            return Ok(merged);
        }
        let mut output = Output::new(self.table, stored);
        let places = Places::of(self.table, &self.files, &mut self.pool);
        let entries = self
            .entries
            .get(part.start..part.end)
            .unwrap_or(&[])
            .to_vec();
        let mut state = vec![NULL; self.table.columns.len()];
        let mut at = 0;
        for group in entries.chunk_by(|a, b| a.key == b.key) {
            let Some(first) = group.first() else { continue };
            while known.get(at).is_some_and(|(key, ..)| *key < first.key) {
                at += 1;
            }
            let hit = known.get(at).filter(|(key, ..)| *key == first.key).copied();
            match hit.and_then(|(_, batch, row)| Some((batches.get(batch)?, row))) {
                Some((rows, row)) => rows.load(row, &mut self.pool, &mut state),
                None => self.fresh(first, &places, &mut state),
            }
            let changed = self.take(group, hit.is_none(), &places, &mut state);
            match hit {
                None => output.add(&state),
                Some((_, batch, row)) if changed => output.change(batch, row, &state),
                Some(_) => {}
            }
        }
        output.finish(self.table, &self.pool, stored)
    }

    /// Whether a stored row has the key of a row of the part.
    fn has_hit(&self, part: &Part, known: &[(Key, usize, usize)]) -> bool {
        let entries = self.entries.get(part.start..part.end).unwrap_or(&[]);
        known
            .iter()
            .any(|(key, ..)| entries.binary_search_by(|entry| entry.key.cmp(key)).is_ok())
    }

    /// The files with their final counts, once every part was merged.
    #[must_use]
    pub fn into_files(self) -> Vec<FileRows> {
        self.files
    }

    /// Takes the rows of one key in their order; whether any changed the state.
    fn take(&mut self, group: &[Entry], is_new: bool, places: &Places, state: &mut [u64]) -> bool {
        let mut exists = !is_new;
        let mut any = false;
        let mut settled_by = None;
        let group = reports::in_order(&self.files, places, group);
        let reports = places.reports.as_ref();
        let mut dates = reports.map(|reports| reports.read(state, &self.pool));
        for entry in group.iter() {
            let Some(file) = self.files.get_mut(entry.file as usize) else {
                continue;
            };
            let is_settled = settled_by == Some(entry.file);
            let hash = places.hashes.get(entry.file as usize).copied();
            // Whose row it was: that of a piece before counts as the same file's.
            let before = places.file_hash.and_then(|place| state.get(place)).copied();
            let own = exists && hash.is_some() && hash == before;
            let change = apply(
                file,
                entry.row as usize,
                places,
                is_settled,
                &mut dates,
                state,
            );
            if change.is_settled {
                settled_by = Some(entry.file);
            }
            if let Some(impossible) = change.impossible {
                file.reject_pressure(entry.row as usize, impossible.raw(), impossible.reason());
            }
            if exists && !change.changed {
                file.counts.rows_duplicate += 1;
                continue;
            }
            exists = true;
            any = true;
            file.counts.rows_kept += 1;
            file.counts.rows_superseded += u64::from(change.superseded);
            file.counts.rows_superseded_by_own += u64::from(change.superseded && own);
            let line = file
                .lines
                .get(entry.row as usize)
                .copied()
                .unwrap_or_default();
            set(state, places.file_hash, hash.unwrap_or(NULL));
            set(
                state,
                places.line,
                from_whole(i64::try_from(line).unwrap_or(i64::MAX)),
            );
        }
        if let (Some(reports), Some(dates)) = (reports, dates) {
            any |= reports.write(&dates, state, &mut self.pool);
        }
        any
    }

    /// A row of nothing but its key.
    fn fresh(&mut self, entry: &Entry, places: &Places, state: &mut [u64]) {
        state.fill(NULL);
        let Some(file) = self.files.get(entry.file as usize) else {
            return;
        };
        for (place, cells) in places.keys.iter().zip(&file.keys) {
            let cell = cells.get(entry.row as usize).copied().unwrap_or(NULL);
            set(state, *place, cell);
        }
        if places.partition.is_some() {
            let cell = self.pool.cell(&month_text(entry));
            set(state, places.partition, cell);
        }
    }

    fn to_entries(&self) -> Vec<Entry> {
        let n_rows = self.files.iter().map(FileRows::n_rows).sum();
        let mut entries = Vec::with_capacity(n_rows);
        let stamp = self.table.partition.as_ref().and_then(|_| {
            self.table.key.iter().position(|name| {
                self.table
                    .column(name)
                    .is_some_and(|column| column.kind == ColumnKind::Stamp)
            })
        });
        let is_text = self.text_keys();
        let mut last_day = (i64::MIN, 0);
        for (file_idx, file) in self.files.iter().enumerate() {
            for row in 0..file.n_rows() {
                let mut key: Key = [0; MAX_KEY];
                for (place, cells) in file.keys.iter().enumerate().take(MAX_KEY) {
                    let cell = cells.get(row).copied().unwrap_or(NULL);
                    let ordered = if is_text.get(place) == Some(&true) {
                        self.rank(cell)
                    } else {
                        cell
                    };
                    if let Some(slot) = key.get_mut(place) {
                        *slot = ordered;
                    }
                }
                let micros = stamp.and_then(|at| to_whole(*file.keys.get(at)?.get(row)?));
                let month = micros.map_or(0, |micros| {
                    let day = micros.div_euclid(MICROS_PER_DAY);
                    if last_day.0 != day {
                        last_day = (day, month_of(day));
                    }
                    last_day.1
                });
                let (Ok(file), Ok(row)) = (u32::try_from(file_idx), u32::try_from(row)) else {
                    continue;
                };
                entries.push(Entry {
                    month,
                    key,
                    file,
                    row,
                });
            }
        }
        entries
    }

    fn rank(&self, cell: u64) -> u64 {
        usize::try_from(cell)
            .ok()
            .and_then(|at| self.ranks.get(at))
            .copied()
            .unwrap_or(NULL)
    }

    fn text_keys(&self) -> Vec<bool> {
        let is_text = |name: &String| {
            self.table
                .column(name)
                .is_some_and(|column| column.kind == ColumnKind::Text)
        };
        self.table.key.iter().map(is_text).collect()
    }

    /// The key of a stored row; None where no row of the plan can share it.
    fn stored_key(&self, rows: &Stored<'_>, row: usize) -> Option<Key> {
        let mut key: Key = [0; MAX_KEY];
        for (place, slot) in (0..self.table.key.len()).zip(key.iter_mut()) {
            *slot = match rows.key_text(place, row) {
                Some(text) => {
                    let rank = self.rank(self.pool.find(text)?);
                    if rank == NULL {
                        return None;
                    }
                    rank
                }
                None => rows.key_cell(place, row)?,
            };
        }
        Some(key)
    }

    /// Spans of the stamps of each unit, for keys of a text and a stamp.
    fn spans(&self, entries: &[Entry]) -> BTreeMap<String, (Stamp, Stamp)> {
        let mut spans = BTreeMap::new();
        let kinds: Vec<Option<ColumnKind>> = self
            .table
            .key
            .iter()
            .map(|name| self.table.column(name).map(|c| c.kind))
            .collect();
        if kinds.get(..2) != Some(&[Some(ColumnKind::Text), Some(ColumnKind::Stamp)]) {
            return spans;
        }
        for unit in entries.chunk_by(|a, b| a.key[0] == b.key[0]) {
            let (Some(first), Some(last)) = (unit.first(), unit.last()) else {
                continue;
            };
            let text = self
                .files
                .get(first.file as usize)
                .and_then(|file| file.keys.first()?.get(first.row as usize))
                .and_then(|cell| self.pool.get(*cell));
            let stamp = |entry: &Entry| to_whole(entry.key[1]).map(Stamp::from_micros);
            if let (Some(text), Some(from), Some(to)) = (text, stamp(first), stamp(last)) {
                spans.insert(text.to_owned(), (from, to));
            }
        }
        spans
    }
}

fn set(state: &mut [u64], place: Option<usize>, cell: u64) {
    if let Some(slot) = place.and_then(|place| state.get_mut(place)) {
        *slot = cell;
    }
}

/// The month of a row, as a partition is called.
fn month_text(entry: &Entry) -> String {
    format!(
        "{:04}-{:02}",
        entry.month.div_euclid(12),
        entry.month.rem_euclid(12) + 1
    )
}

/// Months since year 0 of a day.
fn month_of(day: i64) -> i32 {
    let (year, month, _) = Day::from_number(i32::try_from(day).unwrap_or(0)).civil();
    i32::from(year) * 12 + i32::from(month) - 1
}
