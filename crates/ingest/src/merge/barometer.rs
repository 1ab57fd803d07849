//! What a row does to the barometer of its key, and the barometer to the pressure in the chamber.
//!
//! A gauge reading is stored as an absolute pressure beside the barometer it was converted with
//! (`ambient_kpa`, and its `barometer_basis`), so that the reading is never lost. When another
//! barometer comes, the absolute pressure moves with it and the reading stays. Where an absolute
//! sensor gave the pressure there is no `barometer_basis`, and the pressure stands whatever the
//! barometer does. A measured barometer beats one taken from the registers, whichever came first.

use drydown_quantity::pressure::is_possible_kpa;

use super::apply::{Places, said};
use crate::rows::{Chamber, FileRows};
use crate::texts::{NULL, from_real, to_real};

/// How the cells of a row differ from what the row says.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Shifts {
    /// This place gets another cell than the row says.
    instead: Option<(usize, u64)>,
    /// The row does not speak for these places after all.
    silent: [Option<usize>; 2],
    /// Cells that change with the row, though the row does not speak for them.
    pub(super) beside: [Option<(usize, u64)>; 2],
    /// A gauge reading that the barometer makes impossible.
    pub(super) impossible: Option<Impossible>,
    /// The pressure was converted with the barometer that another line of the file gives.
    pub(super) is_settled: bool,
}

/// A gauge reading and the barometer that leaves less than nothing, or too much, in the chamber.
#[derive(Clone, Copy, Debug)]
pub(super) struct Impossible {
    gauge_kpa: f64,
    ambient_kpa: f64,
}

impl Impossible {
    /// What was read, for the reject entry.
    pub(super) fn raw(self) -> String {
        format!("{} kPa gauge", self.gauge_kpa)
    }

    /// Why it is kept out.
    pub(super) fn reason(self) -> String {
        format!(
            "at the measured barometer of {:.3} kPa that is {:.3} kPa absolute, which lies outside \
             0…{:.3}",
            self.ambient_kpa,
            self.ambient_kpa + self.gauge_kpa,
            1.05 * self.ambient_kpa
        )
    }
}

impl Shifts {
    /// The cell a place gets; None where the row does not speak for it after all.
    pub(super) fn cell(&self, place: usize, cell: u64) -> Option<u64> {
        if self.silent.contains(&Some(place)) {
            return None;
        }
        match self.instead {
            Some((shifted, other)) if shifted == place => Some(other),
            _ => Some(cell),
        }
    }
}

/// Pressure, barometer and basis of one key, as cells.
struct Held {
    chamber: Option<f64>,
    ambient: Option<f64>,
    basis: u64,
}

/// What a row changes beyond its own cells. `is_settled`: an earlier line of the same file and key
/// was converted with the file's own barometer.
pub(super) fn shifts(
    file: &FileRows,
    row: usize,
    places: &Places,
    state: &[u64],
    is_settled: bool,
) -> Shifts {
    let (Some(chamber), Some(ambient), Some(basis)) =
        (places.chamber, places.ambient, places.basis)
    else {
        return Shifts::default();
    };
    let cell = |place: usize| state.get(place).copied().unwrap_or(NULL);
    let held = Held {
        chamber: to_real(cell(chamber)),
        ambient: to_real(cell(ambient)),
        basis: cell(basis),
    };
    let place = [chamber, ambient, basis];
    let ambient_said = said(file, row, ambient);
    match said(file, row, chamber) {
        Some(pressure) => match file.chamber {
            Chamber::Absolute => absolute(pressure, ambient_said, &held, places, place),
            Chamber::Relative { derives: true } => {
                relative(pressure, ambient_said, &held, places, place)
            }
            Chamber::Relative { derives: false } | Chamber::Silent => Shifts::default(),
        },
        None => match ambient_said {
            Some(said) if !is_settled => barometer(to_real(said), &held, places, place),
            _ => Shifts::default(),
        },
    }
}

/// A row with the pressure of an absolute sensor: no barometer made it.
fn absolute(
    pressure: u64,
    ambient_said: Option<u64>,
    held: &Held,
    places: &Places,
    [_, ambient, basis]: [usize; 3],
) -> Shifts {
    if pressure == NULL {
        return Shifts::default();
    }
    // A barometer out of the registers was there for the gauge reading alone.
    let goes = ambient_said.is_none() && held.basis != NULL && held.basis != places.measured;
    Shifts {
        beside: [Some((basis, NULL)), goes.then_some((ambient, NULL))],
        ..Shifts::default()
    }
}

/// A row with a gauge reading from a file that has no barometer beside it.
fn relative(
    pressure: u64,
    ambient_said: Option<u64>,
    held: &Held,
    places: &Places,
    [chamber, ambient, basis]: [usize; 3],
) -> Shifts {
    let is_standard = held.basis != NULL && held.basis != places.measured;
    let measured = held.ambient.filter(|_| !is_standard);
    let Some(ambient_said) = ambient_said else {
        // A line of a tall file, converted with the barometer of another line.
        return Shifts {
            beside: [measured.map(|_| (basis, places.measured)), None],
            is_settled: true,
            ..Shifts::default()
        };
    };
    let Some(measured) = measured else {
        return Shifts::default();
    };
    let silent = [Some(ambient), Some(basis)];
    let Some((value, from)) = to_real(pressure).zip(to_real(ambient_said)) else {
        return Shifts {
            silent,
            ..Shifts::default()
        };
    };
    let (cell, impossible) = moved(value, from, measured);
    Shifts {
        instead: Some((chamber, cell)),
        silent,
        beside: [Some((basis, places.measured)), None],
        impossible,
        ..Shifts::default()
    }
}

/// A row with a barometer and no pressure.
fn barometer(
    said: Option<f64>,
    held: &Held,
    places: &Places,
    [chamber, ambient, basis]: [usize; 3],
) -> Shifts {
    let Some(value) = held.chamber else {
        return Shifts::default();
    };
    if held.basis == NULL {
        return Shifts {
            silent: [Some(basis), None],
            ..Shifts::default()
        };
    }
    match said.zip(held.ambient) {
        Some((said, from)) => {
            let (cell, impossible) = moved(value, from, said);
            Shifts {
                beside: [Some((chamber, cell)), Some((basis, places.measured))],
                impossible,
                ..Shifts::default()
            }
        }
        // An empty cell does not take away the barometer that a reading was converted with.
        None => Shifts {
            silent: [Some(ambient), Some(basis)],
            ..Shifts::default()
        },
    }
}

/// A pressure converted with another barometer; null, and said so, where a chamber cannot hold it.
fn moved(value: f64, from: f64, to: f64) -> (u64, Option<Impossible>) {
    let moved = value + (to - from);
    if is_possible_kpa(moved, to) {
        return (from_real(moved), None);
    }
    let impossible = Impossible {
        gauge_kpa: value - from,
        ambient_kpa: to,
    };
    (NULL, Some(impossible))
}
