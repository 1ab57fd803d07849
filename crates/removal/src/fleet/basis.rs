//! Whose data carry a coefficient, and whether unit and oil can be told apart.

use std::collections::{BTreeMap, BTreeSet};

use super::design::Fleet;
use crate::rows::Basis;

/// Own share from which a cell stands on its own data.
const OWN_SHARE_MIN: f64 = 0.5;

/// Which runs there are of each cell, unit and oil, and whether one came near the reference conditions.
#[derive(Debug, Default)]
pub(super) struct Told {
    /// Rows of each cell, by time.
    by_cell: BTreeMap<(usize, usize), Vec<usize>>,
    /// Numbers of runs.
    by_unit: BTreeMap<usize, usize>,
    by_oil: BTreeMap<usize, usize>,
    near_cells: BTreeSet<(usize, usize)>,
    near_units: BTreeSet<usize>,
    near_oils: BTreeSet<usize>,
}

impl Told {
    pub(super) fn of(fleet: &Fleet) -> Self {
        let mut told = Self::default();
        for (idx, row) in fleet.rows.iter().enumerate() {
            let cell = (row.unit, row.oil);
            told.by_cell.entry(cell).or_default().push(idx);
            *told.by_unit.entry(row.unit).or_default() += 1;
            *told.by_oil.entry(row.oil).or_default() += 1;
            if row.near {
                told.near_cells.insert(cell);
                told.near_units.insert(row.unit);
                told.near_oils.insert(row.oil);
            }
        }
        told
    }

    /// Rows of a cell, by time.
    pub(super) fn rows_of(&self, cell: (usize, usize)) -> &[usize] {
        self.by_cell.get(&cell).map_or(&[], Vec::as_slice)
    }

    /// Whose data carry the coefficient of a cell with this share of its own.
    pub(super) fn basis(&self, unit: usize, oil: usize, own_share: f64) -> Basis {
        let own = self.rows_of((unit, oil)).len();
        let beside = |n: Option<&usize>| n.is_some_and(|n| *n > own);
        let by_unit = beside(self.by_unit.get(&unit));
        let by_oil = beside(self.by_oil.get(&oil));
        match (own > 0, by_unit, by_oil) {
            (true, _, _) if own_share >= OWN_SHARE_MIN => Basis::Cell,
            (true, false, false) => Basis::Cell,
            (_, true, _) => Basis::Unit,
            (_, false, true) => Basis::Oil,
            (false, false, false) => Basis::Fleet,
        }
    }

    /// Whether a run that carries the coefficient came near the reference conditions.
    pub(super) fn came_near(&self, unit: usize, oil: usize, basis: Basis) -> bool {
        match basis {
            _ if !self.rows_of((unit, oil)).is_empty() => self.near_cells.contains(&(unit, oil)),
            Basis::Cell | Basis::Unit => self.near_units.contains(&unit),
            Basis::Oil => self.near_oils.contains(&oil),
            Basis::Fleet => !self.near_oils.is_empty(),
        }
    }
}

/// The connected parts of the graph of units and oils that runs span: (units, oils) of each.
pub(super) fn parts(fleet: &Fleet) -> Vec<(BTreeSet<usize>, BTreeSet<usize>)> {
    let mut parts: Vec<(BTreeSet<usize>, BTreeSet<usize>)> = Vec::new();
    for (unit, oil) in &fleet.cells {
        let (joined, mut others): (Vec<_>, Vec<_>) = parts
            .into_iter()
            .partition(|(units, oils)| units.contains(unit) || oils.contains(oil));
        let mut joined = joined.into_iter();
        let (mut units, mut oils) = joined.next().unwrap_or_default();
        for (other_units, other_oils) in joined {
            units.extend(other_units);
            oils.extend(other_oils);
        }
        units.insert(*unit);
        oils.insert(*oil);
        others.push((units, oils));
        parts = others;
    }
    parts
}

/// Whether what belongs to the unit can be told from what belongs to the oil.
///
/// Both must lie in one part of the graph of runs, and that part must hold more than one of each: a unit that has
/// only ever seen one oil, which no other unit has seen, cannot be told from it.
pub(super) fn is_separable(
    parts: &[(BTreeSet<usize>, BTreeSet<usize>)],
    unit: usize,
    oil: usize,
) -> bool {
    parts.iter().any(|(units, oils)| {
        units.contains(&unit) && oils.contains(&oil) && units.len() > 1 && oils.len() > 1
    })
}
