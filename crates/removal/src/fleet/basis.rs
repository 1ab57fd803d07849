//! Whose data carry a coefficient, and whether unit and oil can be told apart.

use std::collections::BTreeSet;

use super::design::Fleet;
use crate::rows::Basis;

/// Own share from which a cell stands on its own data.
const OWN_SHARE_MIN: f64 = 0.5;

/// Whose data carry the coefficient of a cell with this share of its own.
pub(super) fn to_basis(fleet: &Fleet, unit: usize, oil: usize, own_share: f64) -> Basis {
    let cell = fleet
        .rows
        .iter()
        .any(|row| row.unit == unit && row.oil == oil);
    let by_unit = fleet
        .rows
        .iter()
        .any(|row| row.unit == unit && row.oil != oil);
    let by_oil = fleet
        .rows
        .iter()
        .any(|row| row.oil == oil && row.unit != unit);
    match (cell, by_unit, by_oil) {
        (true, _, _) if own_share >= OWN_SHARE_MIN => Basis::Cell,
        (true, false, false) => Basis::Cell,
        (_, true, _) => Basis::Unit,
        (_, false, true) => Basis::Oil,
        (false, false, false) => Basis::Fleet,
    }
}

/// The connected parts of the graph of units and oils that runs span: (units, oils) of each.
pub(super) fn parts(fleet: &Fleet) -> Vec<(BTreeSet<usize>, BTreeSet<usize>)> {
    let mut parts: Vec<(BTreeSet<usize>, BTreeSet<usize>)> = Vec::new();
    for (unit, oil) in &fleet.cells {
        let (mut units, mut oils) = (BTreeSet::from([*unit]), BTreeSet::from([*oil]));
        parts.retain(|(other_units, other_oils)| {
            let joined = other_units.contains(unit) || other_oils.contains(oil);
            if joined {
                units.extend(other_units);
                oils.extend(other_oils);
            }
            !joined
        });
        parts.push((units, oils));
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
