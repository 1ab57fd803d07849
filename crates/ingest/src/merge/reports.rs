//! Laboratory reports that amend each other: the one reported later holds.
//!
//! A file's name says nothing of when its report was written, and neither does the order in which
//! files arrive. Where a table has a column `reported_at`, rows of one key are taken by it; a report
//! that arrives after a later one was stored only tells what that one left open.

use std::borrow::Cow;

use drydown_schema::TableSpec;

use super::Entry;
use super::apply::{Places, said};
use crate::rows::FileRows;
use crate::texts::{NULL, to_whole};

/// Columns that say one thing together: a bound without its sign would be another result.
const TOGETHER: [&[&str]; 2] = [
    &["water_ppm", "water_censor"],
    &["iso4406_4um", "iso4406_6um", "iso4406_14um", "iso4406_note"],
];

/// Where a table's reports say when they were written, and what of them goes together.
#[derive(Clone, Debug)]
pub(super) struct Reports {
    reported_at: usize,
    together: Vec<Vec<usize>>,
}

impl Reports {
    /// None for tables without such a column.
    pub(super) fn of(table: &TableSpec) -> Option<Self> {
        let place = |name: &str| table.columns.iter().position(|column| column.name == name);
        let places = |names: &&[&str]| names.iter().filter_map(|name| place(name)).collect();
        Some(Self {
            reported_at: place("reported_at")?,
            together: TOGETHER.iter().map(places).collect(),
        })
    }

    /// When the report of a row was written, in microseconds; None where it does not say.
    fn stamp(&self, file: &FileRows, row: usize) -> Option<i64> {
        said(file, row, self.reported_at).and_then(to_whole)
    }

    /// For a report older than the one in the state: the places of which that one spoke, which it
    /// may not change. None for any other row.
    pub(super) fn closed(&self, file: &FileRows, row: usize, state: &[u64]) -> Option<Vec<bool>> {
        let held = state.get(self.reported_at).copied().and_then(to_whole)?;
        if self.stamp(file, row)? >= held {
            return None;
        }
        let mut closed: Vec<bool> = state.iter().map(|cell| *cell != NULL).collect();
        for places in &self.together {
            let is_held = |place: &usize| closed.get(*place) == Some(&true);
            if places.iter().any(is_held) {
                for place in places {
                    if let Some(slot) = closed.get_mut(*place) {
                        *slot = true;
                    }
                }
            }
        }
        Some(closed)
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
