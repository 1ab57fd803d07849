//! Collects the rows of one file, and settles at the end which pass of a repeated hour they belong to.

use std::collections::BTreeSet;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::sync::Arc;

use super::FileHead;
use super::series::ToldLines;
use crate::rows::{Body, Chamber, Counts, FileRows, Reject, Scope, shortened};
use crate::source::{Layout, Source};
use crate::stamps::{FoldRow, LocalTime, Seen, Told, resolve_folds};
use crate::texts::{NULL, TextPool, from_whole};

/// Why a row of the repeated hour without a neighbour is kept out.
const ALONE: &str =
    "the clock showed this hour twice and no row of the unit within two hours tells which";
/// Why a row of the repeated hour is kept out where the order of the file does not tell its pass.
const DISORDERED: &str = "the clock showed this hour twice and the order of the unit's rows does not tell which: export it with UTC stamps, or in the order of time";
/// Why a row of the repeated hour is kept out where an hour is missing around it.
const PARTED: &str = "the clock showed this hour twice and one of its passes is missing, at a place that the unit's rows do not tell: export it with UTC stamps";

/// Rows in the making.
#[derive(Debug)]
pub(crate) struct Builder {
    pub(crate) keys: Vec<Vec<u64>>,
    pub(crate) lines: Vec<u64>,
    pub(crate) body: Body,
    pub(crate) rejects: Vec<Reject>,
    pub(crate) counts: Counts,
    pub(crate) notes: Vec<String>,
    /// One per row, for sources with a local clock and a stamp in the key.
    times: Vec<FoldRow>,
    /// Rows whose hour the clock showed twice, with their text.
    doubtful: Vec<(usize, String)>,
    /// The last rows of each series in the piece before this one.
    before: Vec<FoldRow>,
    /// What rows of a repeated hour became, in the pieces before this one and in it.
    seen: Seen,
    /// What rows of a repeated hour mean, where it is known before they are read.
    told: Option<Arc<ToldLines>>,
}

impl Builder {
    /// `spoken`: places in the table of the columns a wide row speaks for.
    pub(crate) fn new(n_keys: usize, layout: Layout, spoken: &[usize]) -> Self {
        let body = match layout {
            Layout::Wide | Layout::Transposed | Layout::Json => Body::Wide {
                columns: spoken.iter().map(|place| (*place, Vec::new())).collect(),
            },
            Layout::Tall => Body::Tall {
                ends: Vec::new(),
                columns: Vec::new(),
                cells: Vec::new(),
            },
        };
        Self {
            keys: vec![Vec::new(); n_keys],
            lines: Vec::new(),
            body,
            rejects: Vec::new(),
            counts: Counts::default(),
            notes: Vec::new(),
            times: Vec::new(),
            doubtful: Vec::new(),
            before: Vec::new(),
            seen: Seen::new(),
            told: None,
        }
    }

    /// Gives what the stamps of a repeated hour mean: rows are no neighbours of each other then.
    pub(crate) fn set_told(&mut self, told: Arc<ToldLines>) {
        self.told = Some(told);
    }

    /// Makes room for about so many rows of a wide file.
    pub(crate) fn reserve(&mut self, n_rows: usize) {
        self.keys.iter_mut().for_each(|cells| cells.reserve(n_rows));
        self.lines.reserve(n_rows);
        self.times.reserve(n_rows);
        if let Body::Wide { columns } = &mut self.body {
            columns
                .iter_mut()
                .for_each(|(_, cells)| cells.reserve(n_rows));
        }
    }

    /// Gives the neighbours that stand before the first row of each series, and what rows of a
    /// repeated hour have become there.
    pub(crate) fn set_before(&mut self, before: Vec<FoldRow>, seen: Seen) {
        self.before = before;
        self.seen = seen;
    }

    /// The last row of each series of a wide file, in the order of the series.
    pub(crate) fn last_rows(&self) -> Vec<FoldRow> {
        // The series of a wide file are the cells of its units, which are small numbers.
        let mut last: Vec<Option<FoldRow>> = Vec::new();
        for row in self.before.iter().chain(&self.times) {
            let place = usize::try_from(row.series >> 32).unwrap_or(0);
            if last.len() <= place {
                last.resize(place + 1, None);
            }
            if let Some(slot) = last.get_mut(place) {
                let n_same = slot
                    .filter(|last| last.shows_same(row))
                    .map_or(row.n_same, |last| last.n_same.saturating_add(1));
                *slot = Some(FoldRow { n_same, ..*row });
            }
        }
        last.into_iter().flatten().collect()
    }

    /// Whether some row's hour was shown twice.
    pub(crate) fn is_doubtful(&self) -> bool {
        !self.doubtful.is_empty()
    }

    /// Keeps a record out whole.
    pub(crate) fn reject_row(&mut self, line: u64, raw: &str, reason: impl Into<String>) {
        self.counts.rows_rejected += 1;
        self.rejects.push(Reject {
            line,
            column: String::new(),
            scope: Scope::Row,
            raw: shortened(raw),
            reason: reason.into(),
        });
    }

    /// Keeps one cell out.
    pub(crate) fn reject_cell(&mut self, line: u64, column: &str, raw: &str, reason: String) {
        self.rejects.push(Reject {
            line,
            column: column.to_owned(),
            scope: Scope::Cell,
            raw: shortened(raw),
            reason,
        });
    }

    /// Adds the key of a row whose cells are added beside.
    pub(crate) fn push_key(&mut self, key: &[u64], time: Option<FoldRow>, line: u64, raw: &str) {
        if let Some(mut time) = time {
            if matches!(time.time, LocalTime::Twice(..)) {
                time.content = content_of(raw);
                self.doubtful.push((self.lines.len(), shortened(raw)));
            }
            if self.told.is_none() {
                self.times.push(time);
            }
        }
        for (column, cell) in self.keys.iter_mut().zip(key) {
            column.push(*cell);
        }
        self.lines.push(line);
    }

    /// Adds cells of one column of the key, of rows that are no doubtful ones.
    pub(crate) fn push_cells(&mut self, column: usize, cells: impl Iterator<Item = u64>) {
        if let Some(column) = self.keys.get_mut(column) {
            column.extend(cells);
        }
    }

    /// Adds the stamps of such rows, for sources with a local clock.
    pub(crate) fn push_times(&mut self, times: impl Iterator<Item = FoldRow>) {
        if self.told.is_none() {
            self.times.extend(times);
        }
    }

    /// The columns of a wide file, each with a null cell for every row that has a key.
    pub(crate) fn wide_columns(&mut self) -> &mut [(usize, Vec<u64>)] {
        match &mut self.body {
            Body::Wide { columns } => {
                for (_, cells) in columns.iter_mut() {
                    cells.resize(self.lines.len(), NULL);
                }
                columns
            }
            Body::Tall { .. } => &mut [],
        }
    }

    /// Adds the cells a tall line speaks for: places in the table and values.
    pub(crate) fn push_tall(&mut self, spoken: impl Iterator<Item = (usize, u64)>) {
        if let Body::Tall {
            ends,
            columns,
            cells,
        } = &mut self.body
        {
            for (place, cell) in spoken {
                if let Ok(place) = u16::try_from(place) {
                    columns.push(place);
                    cells.push(cell);
                }
            }
            ends.push(cells.len());
        }
    }

    /// Settles doubtful stamps now rather than when the rows are finished, and gives what they became.
    pub(crate) fn settled(&mut self, stamp_key: Option<usize>) -> &Seen {
        if let Some(stamp_key) = stamp_key
            && !self.doubtful.is_empty()
        {
            self.settle(stamp_key);
        }
        &self.seen
    }

    /// The finished rows. `stamp_key`: which column of the key is the stamp.
    pub(crate) fn finish(mut self, finish: Finish<'_>) -> FileRows {
        self.settled(finish.stamp_key);
        self.rejects
            .sort_by(|a, b| (a.line, &a.column).cmp(&(b.line, &b.column)));
        self.rejects.dedup_by(|later, earlier| {
            later.line == earlier.line && later.column == earlier.column
        });
        FileRows {
            table: finish.source.table,
            source: finish.source.name.clone(),
            file: finish.file.name.to_owned(),
            hashes: finish.file.hashes.clone(),
            pool: finish.pool,
            keys: self.keys,
            lines: self.lines,
            body: self.body,
            chamber: finish.chamber,
            rejects: self.rejects,
            counts: self.counts,
            notes: self.notes,
        }
    }

    /// Replaces doubtful stamps by their pass; rows that cannot be told are rejected.
    fn settle(&mut self, stamp_key: usize) {
        let found = match &self.told {
            Some(told) => self.lines.iter().map(|line| told.of_line(*line)).collect(),
            None => {
                let n_before = self.before.len();
                let all: Vec<FoldRow> = self.before.iter().chain(&self.times).copied().collect();
                resolve_folds(&all, &mut self.seen).split_off(n_before)
            }
        };
        let (mut dropped, mut kept_out) = (BTreeSet::new(), BTreeSet::new());
        let mut untold = Vec::new();
        for (row, raw) in std::mem::take(&mut self.doubtful) {
            let why = match found.get(row) {
                Some(Told::At(at)) => {
                    if let Some(cell) = self
                        .keys
                        .get_mut(stamp_key)
                        .and_then(|key| key.get_mut(row))
                    {
                        *cell = from_whole(at.micros());
                    }
                    continue;
                }
                Some(Told::Disordered) => DISORDERED,
                Some(Told::Parted) => PARTED,
                Some(Told::Alone) | None => ALONE,
            };
            let line = self.lines.get(row).copied().unwrap_or_default();
            dropped.insert(row);
            kept_out.insert(line);
            untold.push((line, raw, why));
        }
        if !dropped.is_empty() {
            self.rejects
                .retain(|reject| !kept_out.contains(&reject.line));
            for (line, raw, why) in untold {
                self.reject_row(line, &raw, why);
            }
            self.drop_rows(&dropped);
        }
    }

    fn drop_rows(&mut self, dropped: &BTreeSet<usize>) {
        let keep = |cells: &mut Vec<u64>| {
            let mut row = 0;
            cells.retain(|_| {
                row += 1;
                !dropped.contains(&(row - 1))
            });
        };
        self.keys.iter_mut().for_each(keep);
        keep(&mut self.lines);
        match &mut self.body {
            Body::Wide { columns } => columns.iter_mut().for_each(|(_, cells)| keep(cells)),
            Body::Tall {
                ends,
                columns,
                cells,
            } => {
                let (old_columns, old_cells) = (std::mem::take(columns), std::mem::take(cells));
                let old_ends = std::mem::take(ends);
                let mut start = 0;
                for (row, end) in old_ends.into_iter().enumerate() {
                    if !dropped.contains(&row) {
                        columns.extend(old_columns.get(start..end).unwrap_or(&[]));
                        cells.extend(old_cells.get(start..end).unwrap_or(&[]));
                        ends.push(cells.len());
                    }
                    start = end;
                }
            }
        }
    }
}

/// [`FoldRow::content`] of a record.
pub(super) fn content_of(raw: &str) -> u64 {
    let mut hasher = DefaultHasher::new();
    raw.hash(&mut hasher);
    hasher.finish()
}

/// What a file's rows need to be complete.
#[derive(Debug)]
pub(crate) struct Finish<'a> {
    pub(crate) source: &'a Source,
    pub(crate) file: FileHead<'a>,
    pub(crate) pool: TextPool,
    pub(crate) stamp_key: Option<usize>,
    pub(crate) chamber: Chamber,
}
