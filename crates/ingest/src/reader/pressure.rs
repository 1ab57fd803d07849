//! Pressures to the reference the tables use: absolute in the chamber, gauge after the pumps.
//!
//! The barometer is the row's own where the source has one, else the standard atmosphere at the
//! altitude of the unit's site (ISO 2533), else that of sea level; what was used is kept beside.

use drydown_quantity::pressure::{absolute_kpa, is_possible_kpa};
use drydown_quantity::{PressureReference, Unit};

use super::cell::{CellReader, CellText, Place, put};
use crate::site::{Barometer, UnitSite, standard_barometer};
use crate::source::{Column, UnitRule};
use crate::texts::{from_real, to_real};

/// The barometer of a row, and whether the file measured it.
fn barometer(reader: &CellReader<'_>, place: &Place<'_>, row: &[u64]) -> (Barometer, bool) {
    let own = reader
        .ambient_slot
        .and_then(|slot| row.get(slot))
        .and_then(|cell| to_real(*cell));
    match own.or(place.measured_kpa) {
        Some(kpa) => (
            Barometer {
                kpa,
                basis: "measured",
            },
            true,
        ),
        None => {
            let altitude = place
                .unit
                .zip(place.at)
                .and_then(|(unit, at)| UnitSite::altitude_m(unit, at));
            (standard_barometer(altitude), false)
        }
    }
}

/// Reads a pressure with its reference into the column's slots.
pub(crate) fn read_pressure(
    reader: &mut CellReader<'_>,
    column: &Column,
    (text, cell): (&str, &CellText<'_>),
    (rule, reference): (&UnitRule, PressureReference),
    place: &Place<'_>,
    row: &mut [u64],
) -> Result<(), String> {
    let value = stated(reader, text, cell, rule, reference)?;
    let (barometer, measured) = barometer(reader, place, row);
    let absolute = absolute_kpa(value, reference, barometer.kpa);
    if column.spec.is_gauge {
        let gauge = absolute - barometer.kpa;
        if !column.spec.bounds().admit(gauge) {
            return Err(format!(
                "{gauge} kPa gauge lies outside {}",
                column.spec.bounds()
            ));
        }
        put(row, column, 0, from_real(gauge));
        return Ok(());
    }
    if !is_possible_kpa(absolute, barometer.kpa) || !column.spec.bounds().admit(absolute) {
        return Err(format!(
            "{absolute:.3} kPa absolute lies outside 0…{:.3} at a barometer of {:.3} kPa ({})",
            1.05 * barometer.kpa,
            barometer.kpa,
            barometer.basis
        ));
    }
    put(row, column, 0, from_real(absolute));
    if reference != PressureReference::Absolute && !measured {
        put(row, column, 1, from_real(barometer.kpa));
        let basis = reader.pool.cell(barometer.basis);
        put(row, column, 2, basis);
    }
    Ok(())
}

/// The stated number: kPa, or a share 0..1 for percent vacuum.
fn stated(
    reader: &CellReader<'_>,
    text: &str,
    cell: &CellText<'_>,
    rule: &UnitRule,
    reference: PressureReference,
) -> Result<f64, String> {
    if reference != PressureReference::PercentVacuum {
        return reader.pressure_value(text, cell, rule, Unit::parse("kPa"));
    }
    let percent = Unit::parse("%").map_or(UnitRule::Own, UnitRule::Fixed);
    let rule = if *rule == UnitRule::Own {
        &percent
    } else {
        rule
    };
    reader.pressure_value(text, cell, rule, Unit::parse("1"))
}
