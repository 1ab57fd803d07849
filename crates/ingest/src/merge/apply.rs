//! One row over the state of its key: which cells it changes.

use drydown_schema::TableSpec;

use super::barometer::{Impossible, shifts};
use super::reports::{CellDates, Reports};
use crate::rows::{Body, FileRows};
use crate::texts::{NULL, TextPool};

/// Columns that the merge itself looks at, as places in the table.
#[derive(Clone, Debug)]
pub(super) struct Places {
    /// The columns of the key.
    pub(super) keys: Vec<Option<usize>>,
    pub(super) partition: Option<usize>,
    /// The cell of each file's hash.
    pub(super) hashes: Vec<u64>,
    pub(super) file_hash: Option<usize>,
    pub(super) line: Option<usize>,
    pub(super) chamber: Option<usize>,
    pub(super) ambient: Option<usize>,
    pub(super) basis: Option<usize>,
    /// The cell of the word `measured`.
    pub(super) measured: u64,
    /// For tables of laboratory reports.
    pub(super) reports: Option<Reports>,
}

impl Places {
    pub(super) fn of(table: &TableSpec, files: &[FileRows], pool: &mut TextPool) -> Self {
        let place = |name: &str| table.columns.iter().position(|column| column.name == name);
        Self {
            keys: table.key.iter().map(|name| place(name)).collect(),
            partition: table.partition.as_deref().and_then(place),
            hashes: files
                .iter()
                .map(|file| pool.cell(file.file_hash()))
                .collect(),
            file_hash: place("file_hash"),
            line: place("line"),
            chamber: place("chamber_pressure_kpa"),
            ambient: place("ambient_kpa"),
            basis: place("barometer_basis"),
            measured: pool.cell("measured"),
            reports: Reports::of(table),
        }
    }
}

/// What a row did.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Change {
    pub(super) changed: bool,
    /// A cell that was not null became another.
    pub(super) superseded: bool,
    /// A gauge reading that the barometer makes impossible: its cell is null now.
    pub(super) impossible: Option<Impossible>,
    /// The row's pressure was converted with a barometer on another line of its file.
    pub(super) is_settled: bool,
}

/// Lays one row over the state. `is_settled`: an earlier row of the file and key said so; `dates`:
/// those of the state's cells, in a table of reports.
pub(super) fn apply(
    file: &FileRows,
    row: usize,
    places: &Places,
    is_settled: bool,
    dates: &mut Option<CellDates>,
    state: &mut [u64],
) -> Change {
    let shifts = shifts(file, row, places, state, is_settled);
    let mut change = Change {
        impossible: shifts.impossible,
        is_settled: shifts.is_settled,
        ..Change::default()
    };
    let reports = places.reports.as_ref();
    let stamp = reports.and_then(|reports| reports.stamp(file, row));
    let mut put = |place: usize, cell: u64, state: &mut [u64]| {
        if let Some(dates) = dates
            && !dates.take(place, stamp)
        {
            return;
        }
        if let Some(slot) = state.get_mut(place)
            && *slot != cell
        {
            change.changed = true;
            change.superseded |= *slot != NULL;
            *slot = cell;
        }
    };
    match &file.body {
        Body::Wide { columns } => {
            for (place, cells) in columns {
                let cell = cells.get(row).copied().unwrap_or(NULL);
                if let Some(cell) = shifts.cell(*place, cell) {
                    put(*place, cell, state);
                }
            }
        }
        Body::Tall {
            ends,
            columns,
            cells,
        } => {
            let start = row
                .checked_sub(1)
                .and_then(|last| ends.get(last))
                .copied()
                .unwrap_or(0);
            let end = ends.get(row).copied().unwrap_or(start);
            let places = columns.get(start..end).unwrap_or(&[]);
            for (place, cell) in places.iter().zip(cells.get(start..end).unwrap_or(&[])) {
                if let Some(cell) = shifts.cell(usize::from(*place), *cell) {
                    put(usize::from(*place), cell, state);
                }
            }
        }
    }
    for (place, cell) in shifts.beside.into_iter().flatten() {
        put(place, cell, state);
    }
    change
}

/// The cell a row says for a place; None where it does not speak for it.
pub(super) fn said(file: &FileRows, row: usize, place: usize) -> Option<u64> {
    match &file.body {
        Body::Wide { columns } => {
            let (_, cells) = columns.iter().find(|(known, _)| *known == place)?;
            cells.get(row).copied()
        }
        Body::Tall {
            ends,
            columns,
            cells,
        } => {
            let start = row
                .checked_sub(1)
                .and_then(|last| ends.get(last))
                .copied()
                .unwrap_or(0);
            let end = ends.get(row).copied()?;
            let at = columns
                .get(start..end)?
                .iter()
                .position(|known| usize::from(*known) == place)?;
            cells.get(start + at).copied()
        }
    }
}
