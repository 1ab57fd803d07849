//! Laboratory reports that amend each other: of each cell the report that was written last holds.
//!
//! A file's name says nothing of when its report was written, and neither does the order in which
//! files arrive. Where a table has a column `reported_at`, a cell is taken by it: the last report
//! that spoke of the cell tells it, with a value or with none, whichever arrived first. So it must
//! be known of each cell which report told it, of empty ones as well: the column `reports` keeps it.

use std::borrow::Cow;
use std::collections::BTreeMap;

use drydown_quantity::Stamp;
use drydown_schema::TableSpec;

use super::Entry;
use super::apply::{Places, said};
use crate::rows::FileRows;
use crate::texts::{NULL, TextPool, to_whole};

/// Stands for the date of reports without one.
const NO_DATE: &str = "-";
/// A report without a date is laid over whatever is there, and anything over it.
const UNDATED: i64 = i64::MIN;

/// Where a table's reports say when they were written.
#[derive(Clone, Debug)]
pub(super) struct Reports {
    reported_at: usize,
    /// What [`CellDates`] are kept in.
    kept: usize,
    /// Columns that a report tells; None: part of the key, or filled by the merge.
    names: Vec<Option<String>>,
}

/// When the report was written that each cell of a row is from, by place, microseconds.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct CellDates(Vec<i64>);

impl CellDates {
    /// Whether a report of this date tells the cell; from now on it is the report's.
    pub(super) fn take(&mut self, place: usize, stamp: Option<i64>) -> bool {
        let Some(date) = self.0.get_mut(place) else {
            return true;
        };
        let holds = stamp.is_none_or(|stamp| stamp >= *date);
        if holds {
            *date = stamp.unwrap_or(UNDATED);
        }
        holds
    }
}

impl Reports {
    /// None for tables without such columns.
    pub(super) fn of(table: &TableSpec) -> Option<Self> {
        let place = |name: &str| table.columns.iter().position(|column| column.name == name);
        let is_told = |name: &str| {
            !table.is_key(name) && table.source_columns().any(|column| column.name == name)
        };
        let names = table.columns.iter().map(|column| &column.name);
        Some(Self {
            reported_at: place("reported_at")?,
            kept: place("reports")?,
            names: names
                .map(|name| is_told(name).then(|| name.clone()))
                .collect(),
        })
    }

    /// When the report of a row was written, in microseconds; None where it does not say.
    pub(super) fn stamp(&self, file: &FileRows, row: usize) -> Option<i64> {
        said(file, row, self.reported_at).and_then(to_whole)
    }

    /// Reads the dates of a row's cells.
    ///
    /// A row of an earlier version has none: all its cells are its last report's then, the empty
    /// ones too, for nobody knows which of them it spoke of.
    pub(super) fn read(&self, state: &[u64], pool: &TextPool) -> CellDates {
        let cell = |place: usize| state.get(place).copied().unwrap_or(NULL);
        let newest = to_whole(cell(self.reported_at)).unwrap_or(UNDATED);
        let Some(text) = pool.get(cell(self.kept)) else {
            return CellDates(vec![newest; state.len()]);
        };
        let mut dates: Vec<i64> = state
            .iter()
            .map(|cell| if *cell == NULL { UNDATED } else { newest })
            .collect();
        for report in text.split("; ") {
            let mut words = report.split(' ');
            let date = words.next().and_then(|word| word.parse::<Stamp>().ok());
            for name in words {
                let is_named = |known: &Option<String>| known.as_deref() == Some(name);
                let place = self.names.iter().position(is_named);
                if let Some(slot) = place.and_then(|place| dates.get_mut(place)) {
                    *slot = date.map_or(UNDATED, Stamp::micros);
                }
            }
        }
        CellDates(dates)
    }

    /// Writes the dates of a row's cells: its reports, the newest first, and behind each the
    /// columns that are not a value of the newest. Whether they are others than before.
    pub(super) fn write(&self, dates: &CellDates, state: &mut [u64], pool: &mut TextPool) -> bool {
        let cell = |place: usize| state.get(place).copied().unwrap_or(NULL);
        let newest = to_whole(cell(self.reported_at)).unwrap_or(UNDATED);
        let mut reports: BTreeMap<i64, Vec<&str>> = BTreeMap::from([(newest, Vec::new())]);
        for (place, (date, name)) in dates.0.iter().zip(&self.names).enumerate() {
            let Some(name) = name else { continue };
            let is_plain = match cell(place) {
                NULL => *date == UNDATED,
                _ => *date == newest,
            };
            if !is_plain {
                reports.entry(*date).or_default().push(name);
            }
        }
        let shown: Vec<String> = reports
            .iter()
            .rev()
            .map(|(date, names)| {
                let date = match *date {
                    UNDATED => NO_DATE.to_owned(),
                    micros => Stamp::from_micros(micros).rfc3339(),
                };
                std::iter::once(date.as_str())
                    .chain(names.iter().copied())
                    .collect::<Vec<&str>>()
                    .join(" ")
            })
            .collect();
        let text = pool.cell(&shown.join("; "));
        match state.get_mut(self.kept) {
            Some(slot) if *slot != text => {
                *slot = text;
                true
            }
            _ => false,
        }
    }
}

/// The rows of one key in the order in which they are to be taken.
///
/// Rows that do not say when they were reported keep their place: what stands behind them is laid
/// over them, as in every other table.
pub(super) fn in_order<'a>(
    files: &[FileRows],
    places: &Places,
    group: &'a [Entry],
) -> Cow<'a, [Entry]> {
    let Some(reports) = places.reports.as_ref().filter(|_| group.len() > 1) else {
        return Cow::Borrowed(group);
    };
    let mut dated: Vec<(Option<i64>, Entry)> = group
        .iter()
        .map(|entry| {
            let file = files.get(entry.file as usize);
            let stamp = file.and_then(|file| reports.stamp(file, entry.row as usize));
            (stamp, *entry)
        })
        .collect();
    for run in dated.chunk_by_mut(|(a, _), (b, _)| a.is_some() && b.is_some()) {
        run.sort_by_key(|(stamp, _)| *stamp);
    }
    Cow::Owned(dated.into_iter().map(|(_, entry)| entry).collect())
}
