//! A column of a wide file, read down the rows of a block.
//!
//! Most cells of a run log are texts that were read before. Those are looked up in one loop over the
//! column, which the processor does many of at a time; the rest, and all columns whose cells hang on
//! more than their text, go through [`CellReader::read_value`] one by one.

use std::borrow::Cow;

use drydown_quantity::PressureReference;

use super::cell::{CellReader, CellText, FLOW, Place, Standard, over_nameplate};
use super::header::{Part, Place as FieldPlace};
use super::memo::{Memo, Short};
use super::pressure::in_reference_of;
use super::record::untrimmed;
use crate::site::Barometer;
use crate::source::{CellKind, Column};
use crate::text::{Block, Record};
use crate::texts::{NULL, from_real, to_real};

/// A record of a block that has a key.
#[derive(Clone, Copy, Debug)]
pub(super) struct Row {
    /// Its place in the block, and that of its first field.
    pub(super) record: usize,
    pub(super) first_field: usize,
}

/// Rows of a block, and where the text of one column stands in them.
pub(super) struct Down<'d> {
    pub(super) block: &'d Block<'d>,
    /// The records that have a key; all have as many fields as the header.
    pub(super) rows: &'d [Row],
    /// Where and when they belong: apart, as most columns have no need of it.
    pub(super) places: &'d [Place<'d>],
    pub(super) at: &'d FieldPlace,
    /// Where the unit stands, where the source does not name it.
    pub(super) unit: Option<&'d Part>,
}

/// The columns that a file fills.
pub(super) struct Grid<'g> {
    /// Places in the table, and cells.
    pub(super) columns: &'g mut [(usize, Vec<u64>)],
    /// By slot of the source: which of the columns.
    pub(super) of_slot: &'g [Option<usize>],
    /// Rows before those of the block.
    pub(super) n_before: usize,
}

impl Grid<'_> {
    /// The block's cells of a slot; empty where the file does not fill it.
    fn cells(&mut self, slot: Option<usize>) -> &mut [u64] {
        self.place(slot)
            .and_then(|at| self.columns.get_mut(at))
            .and_then(|(_, cells)| cells.get_mut(self.n_before..))
            .unwrap_or(&mut [])
    }

    fn place(&self, slot: Option<usize>) -> Option<usize> {
        self.of_slot.get(slot?).copied().flatten()
    }

    /// Takes the whole column of a slot out; empty where the file does not fill it.
    fn take(&mut self, slot: Option<usize>) -> Vec<u64> {
        let column = self.place(slot).and_then(|at| self.columns.get_mut(at));
        column.map_or_else(Vec::new, |(_, cells)| std::mem::take(cells))
    }

    fn give_back(&mut self, slot: Option<usize>, cells: Vec<u64>) {
        if let Some((_, column)) = self.place(slot).and_then(|at| self.columns.get_mut(at)) {
            *column = cells;
        }
    }

    fn get(&self, slot: usize, row: usize) -> u64 {
        self.place(Some(slot))
            .and_then(|at| self.columns.get(at)?.1.get(self.n_before + row))
            .copied()
            .unwrap_or(NULL)
    }

    fn set(&mut self, slot: usize, row: usize, cell: u64) {
        if let Some(target) = self.cells(Some(slot)).get_mut(row) {
            *target = cell;
        }
    }
}

/// A cell that is kept out: its place among the rows, its text, and why.
pub(super) struct Refused<'d> {
    pub(super) row: usize,
    pub(super) raw: Cow<'d, str>,
    pub(super) why: String,
}

impl CellReader<'_> {
    /// Reads the cells of the source's value `idx` into the block's rows of the grid, which are null
    /// before.
    ///
    /// As [`Self::read_value`] on row after row.
    pub(super) fn read_down<'d>(
        &mut self,
        idx: usize,
        column: &Column,
        down: &Down<'d>,
        grid: &mut Grid<'_>,
        row: &mut [u64],
    ) -> Vec<Refused<'d>> {
        let mut refused = Vec::new();
        for n in self.look_up(idx, column, down, grid) {
            let Some((record, place)) = down.record(n) else {
                continue;
            };
            let raw = untrimmed(record, down.at, column, None);
            for slot in column.slots.iter().chain(&self.ambient_slot) {
                if let Some(cell) = row.get_mut(*slot) {
                    *cell = grid.get(*slot, n);
                }
            }
            let cell = CellText {
                raw: &raw,
                unit: down.unit.map(|part| part.text_in(record)),
            };
            match self.read_value(idx, column, cell, &place, row) {
                Ok(()) => {
                    for slot in &column.slots {
                        grid.set(*slot, n, row.get(*slot).copied().unwrap_or(NULL));
                    }
                }
                Err(why) => refused.push(Refused { row: n, raw, why }),
            }
        }
        refused
    }

    /// Fills the cells whose texts are known; gives the rows that are left.
    fn look_up(
        &self,
        idx: usize,
        column: &Column,
        down: &Down<'_>,
        grid: &mut Grid<'_>,
    ) -> Vec<usize> {
        let (Some(memo), Some(field)) = (self.memo(idx), down.at.single()) else {
            return (0..down.rows.len()).collect();
        };
        let finder = Finder {
            memo,
            block: down.block,
            field,
        };
        if let CellKind::Pressure(_, reference) = column.kind {
            let law = PressureLaw {
                column,
                reference,
                ambient_slot: self.ambient_slot,
            };
            return law.put_all(&finder, down, grid);
        }
        let mut left = Vec::new();
        let cells = grid.cells(column.slots.first().copied());
        if column.name == FLOW {
            let rows = down.rows.iter().zip(down.places);
            for (n, ((row, place), target)) in rows.zip(cells).enumerate() {
                match finder
                    .find(row)
                    .filter(|cell| !over_nameplate(*cell, place))
                {
                    Some(cell) => *target = cell,
                    None => left.push(n),
                }
            }
        } else {
            for (n, (row, target)) in down.rows.iter().zip(cells).enumerate() {
                match finder.find(row) {
                    Some(cell) => *target = cell,
                    None => left.push(n),
                }
            }
        }
        left
    }
}

/// Looks the texts of one field up.
struct Finder<'f> {
    memo: &'f Memo,
    block: &'f Block<'f>,
    field: usize,
}

impl Finder<'_> {
    /// Inlined always: a call for each cell takes as long as the search.
    #[inline(always)]
    fn find(&self, row: &Row) -> Option<u64> {
        let (bytes, length) = self.block.field_on(row.first_field, self.field)?;
        self.memo.get(Short::of_first(bytes, length)?)
    }
}

impl<'d> Down<'d> {
    fn record(&self, n: usize) -> Option<(Record<'d>, Place<'d>)> {
        let row = self.rows.get(n)?;
        Some((self.block.record(row.record)?, *self.places.get(n)?))
    }
}

/// How a stated pressure becomes that of the table.
struct PressureLaw<'c> {
    column: &'c Column,
    reference: PressureReference,
    ambient_slot: Option<usize>,
}

impl PressureLaw<'_> {
    /// Puts the pressures that the contract admits; gives the rows that are left to
    /// [`CellReader::read_value`], as is what to say of them.
    fn put_all(&self, finder: &Finder<'_>, down: &Down<'_>, grid: &mut Grid<'_>) -> Vec<usize> {
        let slots = [0, 1, 2].map(|at| self.column.slots.get(at).copied());
        // The barometer stands in the same column whether it was measured or is put here.
        let ambient = self.ambient_slot.or(slots[1]);
        let [mut own, mut barometers, mut bases] =
            [slots[0], ambient, slots[2]].map(|slot| grid.take(slot));
        let mut left = Vec::new();
        for (n, (row, place)) in down.rows.iter().zip(down.places).enumerate() {
            let cell = finder.find(row);
            let at = grid.n_before + n;
            let measured = barometers.get(at).and_then(|cell| to_real(*cell));
            let Some(found) = cell.and_then(|cell| self.converted(cell, measured, place)) else {
                left.push(n);
                continue;
            };
            if let Some(target) = own.get_mut(at) {
                *target = found.own;
            }
            if let (Some(used), true) = (found.used, slots[1].is_some()) {
                if let Some(target) = barometers.get_mut(at) {
                    *target = from_real(used.barometer.kpa);
                }
                if let Some(target) = bases.get_mut(at) {
                    *target = used.basis;
                }
            }
        }
        for (slot, cells) in [(slots[0], own), (ambient, barometers), (slots[2], bases)] {
            grid.give_back(slot, cells);
        }
        left
    }

    /// None for a pressure that is to be refused.
    fn converted(&self, stated: u64, measured: Option<f64>, place: &Place<'_>) -> Option<Found> {
        let Some(value) = to_real(stated) else {
            return Some(Found {
                own: NULL,
                used: None,
            });
        };
        let barometer = match (measured, place.standard) {
            (Some(kpa), _) => Barometer {
                kpa,
                basis: "measured",
            },
            (None, standard) => standard?.barometer,
        };
        let own = in_reference_of(self.column, (value, self.reference), &barometer).ok()?;
        let is_used = !self.column.spec.is_gauge
            && self.reference != PressureReference::Absolute
            && measured.is_none();
        Some(Found {
            own: from_real(own),
            used: place.standard.filter(|_| is_used),
        })
    }
}

/// A pressure as it is stored, and the barometer that is stored beside it.
struct Found {
    own: u64,
    used: Option<Standard>,
}
