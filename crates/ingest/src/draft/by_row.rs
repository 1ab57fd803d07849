//! Units that another column states row by row, and water stated by volume.

use drydown_quantity::{Dimension, Unit};

use super::Column;
use super::assign::{Assignment, Placed};
use super::head::unit_of;
use super::proposal::{Found, Proposal, column_key};
use super::tall::states_units;
use crate::source::{UnitColumn, UnitOf};

/// What a mineral oil weighs, kg/m³; common practice, no source.
const USUAL_KGM3: f64 = 870.0;

/// Gives numbers whose header states no unit the column that states it in each row; the places of
/// those columns.
pub(super) fn set_units_by_row(
    proposal: &mut Proposal,
    found: &Found<'_>,
    assignment: &Assignment,
) -> Vec<usize> {
    let mut used = Vec::new();
    for (idx, column) in found.columns.iter().enumerate() {
        let is_free = !column.is_nameless
            && assignment
                .placed
                .iter()
                .all(|placed| !placed.uses.contains(&idx));
        if !is_free || !states_units(&column.facts) {
            continue;
        }
        let stated: Vec<Unit> = column
            .facts
            .distinct
            .keys()
            .filter_map(|text| unit_of(text))
            .collect();
        let Some(placed) = told_by(&stated, idx, found, assignment) else {
            continue;
        };
        let name = &placed.fit.column;
        if let Some(map) = proposal.spec.columns.get_mut(name) {
            map.unit = Some(UnitOf::Column(UnitColumn {
                from: column.head.text.clone(),
            }));
        }
        let key = column_key(name);
        for note in proposal.notes.get_mut(&key).into_iter().flatten() {
            let kept: Vec<&str> = note
                .split("; ")
                .filter(|part| !part.contains("no unit in the header"))
                .collect();
            *note = kept.join("; ");
        }
        let shown: Vec<String> = column
            .facts
            .distinct
            .keys()
            .map(|text| format!("\"{text}\""))
            .collect();
        proposal.note(
            &key,
            format!(
                "likely: \"{}\" states its unit row by row ({})",
                column.head.text,
                shown.join(", ")
            ),
        );
        if stated.iter().any(|unit| is_by_volume(*unit)) {
            set_density(proposal);
        }
        used.push(idx);
    }
    used
}

/// Tells pressures without a unit the one that the column to their right states in every row.
pub(super) fn set_units_beside(columns: &mut [Column]) {
    let stated: Vec<Option<String>> = columns
        .iter()
        .skip(1)
        .map(|column| {
            let is_unit = !column.is_nameless && states_units(&column.facts);
            let mut written = column.facts.distinct.keys();
            let only = written.next().filter(|_| is_unit)?;
            written.next().is_none().then(|| only.clone())
        })
        .collect();
    for (column, written) in columns.iter_mut().zip(stated) {
        if let Some(written) = written {
            column.head.set_beside(&written);
        }
    }
}

/// The number that a column of units speaks for: the next to its left, or the only one.
fn told_by<'a>(
    stated: &[Unit],
    idx: usize,
    found: &Found<'_>,
    assignment: &'a Assignment,
) -> Option<&'a Placed> {
    let fits = |placed: &&Placed| {
        let head = match placed.uses[..] {
            [only] => found.columns.get(only).map(|column| &column.head),
            _ => None,
        };
        let own = assignment
            .table
            .column(&placed.fit.column)
            .and_then(|spec| spec.ucum.as_deref())
            .and_then(Unit::parse);
        // Without one unit the reference of a pressure could not be judged.
        let is_judged = head.is_some_and(|head| head.beside.is_some());
        // A few rows of another quantity are rejected, they do not make the column another.
        let becomes = |own: Unit| {
            let n_fit = stated.iter().filter(|unit| {
                unit.converts_to(own)
                    || (is_by_volume(**unit) && own.dimension() == Dimension::MassFraction)
            });
            let n_fit = n_fit.count();
            match own.dimension() {
                Dimension::Pressure => is_judged && n_fit == stated.len(),
                _ => n_fit * 10 >= stated.len() * 7,
            }
        };
        placed.fit.map.unit.is_some()
            && head.is_some_and(|head| head.units.is_empty())
            && own.is_some_and(becomes)
    };
    let fitting: Vec<&Placed> = assignment.placed.iter().filter(fits).collect();
    let left = fitting
        .iter()
        .filter(|placed| placed.uses.iter().all(|at| *at < idx))
        .max_by_key(|placed| placed.uses.first().copied());
    match (left, &fitting[..]) {
        (Some(left), _) => Some(left),
        (None, [only]) => Some(only),
        _ => None,
    }
}

/// Water by volume needs the density of the oil.
pub(super) fn set_density_of(proposal: &mut Proposal, assignment: &Assignment, columns: &[Column]) {
    let is_needed = assignment.placed.iter().any(|placed| {
        placed.fit.column == "water_ppm"
            && placed
                .uses
                .iter()
                .filter_map(|idx| columns.get(*idx)?.head.units.first())
                .any(|found| is_by_volume(found.unit))
    });
    if is_needed {
        set_density(proposal);
    }
}

fn is_by_volume(unit: Unit) -> bool {
    matches!(
        unit.dimension(),
        Dimension::VolumeFraction | Dimension::MassConcentration
    )
}

fn set_density(proposal: &mut Proposal) {
    if proposal.spec.density_kgm3.is_none() {
        proposal.spec.density_kgm3 = Some(USUAL_KGM3);
        proposal.note(
            "density_kgm3",
            "guess: the water is stated by volume and is stored by mass: write the density of the oil that was sampled, kg/m³ (a wrong one moves every value in proportion; oils of other densities want a source of their own)",
        );
    }
}
