//! One row over the state of its key: which cells it changes.

use drydown_quantity::pressure::is_possible_kpa;
use drydown_schema::TableSpec;

use crate::rows::{Body, FileRows};
use crate::texts::{NULL, TextPool, from_real, to_real};

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
    chamber: Option<usize>,
    ambient: Option<usize>,
    basis: Option<usize>,
    /// The cell of the word `measured`.
    measured: u64,
}

impl Places {
    pub(super) fn of(table: &TableSpec, files: &[FileRows], pool: &mut TextPool) -> Self {
        let place = |name: &str| table.columns.iter().position(|column| column.name == name);
        Self {
            keys: table.key.iter().map(|name| place(name)).collect(),
            partition: table.partition.as_deref().and_then(place),
            hashes: files
                .iter()
                .map(|file| pool.cell(&file.file_hash))
                .collect(),
            file_hash: place("file_hash"),
            line: place("line"),
            chamber: place("chamber_pressure_kpa"),
            ambient: place("ambient_kpa"),
            basis: place("barometer_basis"),
            measured: pool.cell("measured"),
        }
    }
}

/// What a row did.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Change {
    pub(super) changed: bool,
    /// A cell that was not null became another.
    pub(super) superseded: bool,
}

/// Lays one row over the state.
pub(super) fn apply(file: &FileRows, row: usize, places: &Places, state: &mut [u64]) -> Change {
    let mut change = Change::default();
    let mut put = |place: usize, cell: u64, state: &mut [u64]| {
        if let Some(slot) = state.get_mut(place)
            && *slot != cell
        {
            change.changed = true;
            change.superseded |= *slot != NULL;
            *slot = cell;
        }
    };
    let shifts = barometer_shift(file, row, places, state);
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
    if let Some((place, cell)) = shifts.beside {
        put(place, cell, state);
    }
    change
}

/// What a better barometer does to the cells of a row.
#[derive(Clone, Copy, Debug, Default)]
struct Shifts {
    /// This place gets another cell than the row says.
    instead: Option<(usize, u64)>,
    /// The row does not speak for these places after all.
    silent: [Option<usize>; 2],
    /// A cell that changes with the row, though the row does not speak for it.
    beside: Option<(usize, u64)>,
}

impl Shifts {
    fn cell(&self, place: usize, cell: u64) -> Option<u64> {
        if self.silent.contains(&Some(place)) {
            return None;
        }
        match self.instead {
            Some((shifted, other)) if shifted == place => Some(other),
            _ => Some(cell),
        }
    }
}

/// A measured barometer beats one taken from the registers, whichever came first, and the
/// gauge reading (absolute less barometer) stays what it was.
fn barometer_shift(file: &FileRows, row: usize, places: &Places, state: &[u64]) -> Shifts {
    let none = Shifts::default();
    let (Some(chamber), Some(ambient), Some(basis)) =
        (places.chamber, places.ambient, places.basis)
    else {
        return none;
    };
    let held = |place: usize| state.get(place).copied().unwrap_or(NULL);
    let Some(old_kpa) = to_real(held(ambient)) else {
        return none;
    };
    let is_measured = held(basis) == places.measured;
    let Some(new_kpa) = said(file, row, ambient).and_then(to_real) else {
        // Without a pressure there was nothing to derive a barometer for.
        let keeps = file.derives_barometer && is_measured;
        return if keeps {
            Shifts {
                silent: [Some(ambient), Some(basis)],
                ..none
            }
        } else {
            none
        };
    };
    let shifted = |value: f64, from: f64, to: f64| {
        let moved = value + (to - from);
        is_possible_kpa(moved, to).then(|| from_real(moved))
    };
    if file.derives_barometer && is_measured && said(file, row, basis) != Some(places.measured) {
        let value = said(file, row, chamber).and_then(to_real);
        let Some(cell) = value.and_then(|value| shifted(value, new_kpa, old_kpa)) else {
            return none;
        };
        return Shifts {
            instead: Some((chamber, cell)),
            silent: [Some(ambient), Some(basis)],
            beside: None,
        };
    }
    let brings_measured = said(file, row, basis) == Some(places.measured);
    if brings_measured && !is_measured && said(file, row, chamber).is_none() {
        let value = to_real(held(chamber));
        let beside = value
            .and_then(|value| shifted(value, old_kpa, new_kpa))
            .map(|cell| (chamber, cell));
        return Shifts { beside, ..none };
    }
    none
}

/// The cell a row says for a place; None where it does not speak for it.
fn said(file: &FileRows, row: usize, place: usize) -> Option<u64> {
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
