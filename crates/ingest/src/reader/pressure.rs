//! Pressures to the reference the tables use: absolute in the chamber, gauge after the pumps.
//!
//! The barometer is the row's own where the source has one, else the standard atmosphere at the
//! altitude of the unit's site (ISO 2533), else that of sea level; what was used is kept beside.

use drydown_quantity::pressure::{absolute_kpa, is_possible_kpa};
use drydown_quantity::{PressureReference, Unit};

use super::cell::{CellReader, CellText, Place, put};
use crate::site::{Barometer, standard_barometer};
use crate::source::{Column, UnitRule, contradicted};
use crate::texts::{from_real, to_real};

/// The barometer of a row, and the cell of its basis where the file did not measure it.
fn barometer(
    reader: &mut CellReader<'_>,
    place: &Place<'_>,
    row: &[u64],
) -> (Barometer, Option<u64>) {
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
            None,
        ),
        None => match place.standard {
            Some(standard) => (standard.barometer, Some(standard.basis)),
            None => {
                let barometer = standard_barometer(None);
                (barometer, Some(reader.pool.cell(barometer.basis)))
            }
        },
    }
}

/// Puts a stated pressure (kPa, or a share 0..1 of the atmosphere) into the column's slots, in the
/// reference of the column.
pub(super) fn put_pressure(
    reader: &mut CellReader<'_>,
    column: &Column,
    (value, reference): (f64, PressureReference),
    place: &Place<'_>,
    row: &mut [u64],
) -> Result<(), String> {
    let (barometer, basis) = barometer(reader, place, row);
    let pressure = in_reference_of(column, (value, reference), &barometer)?;
    put(row, column, 0, from_real(pressure));
    if !column.spec.is_gauge
        && reference != PressureReference::Absolute
        && let Some(basis) = basis
    {
        put(row, column, 1, from_real(barometer.kpa));
        put(row, column, 2, basis);
    }
    Ok(())
}

/// A stated pressure in the reference of the column, if the contract admits it.
pub(super) fn in_reference_of(
    column: &Column,
    (value, reference): (f64, PressureReference),
    barometer: &Barometer,
) -> Result<f64, String> {
    let bounds = column.spec.bounds();
    if column.spec.is_gauge {
        let gauge = gauge_kpa(value, reference, barometer.kpa);
        if !bounds.admit(gauge) {
            return Err(format!("{gauge} kPa gauge lies outside {bounds}"));
        }
        return Ok(gauge);
    }
    let absolute = absolute_kpa(value, reference, barometer.kpa);
    if !is_possible_kpa(absolute, barometer.kpa) || !bounds.admit(absolute) {
        return Err(format!(
            "{absolute:.3} kPa absolute lies outside 0…{:.3} at a barometer of {:.3} kPa ({})",
            1.05 * barometer.kpa,
            barometer.kpa,
            barometer.basis
        ));
    }
    Ok(absolute)
}

/// Gauge pressure of a stated value. A gauge reading stays the number it was: by way of the
/// absolute pressure it would come back with another last digit.
fn gauge_kpa(value: f64, reference: PressureReference, ambient_kpa: f64) -> f64 {
    match reference {
        PressureReference::Gauge => value,
        PressureReference::Vacuum => -value,
        PressureReference::Absolute | PressureReference::PercentVacuum => {
            absolute_kpa(value, reference, ambient_kpa) - ambient_kpa
        }
    }
}

/// Refuses a value whose unit says another reference (`0.5 barg`) than the column's.
pub(super) fn check_reference(
    reference: PressureReference,
    texts: [Option<&str>; 2],
) -> Result<(), String> {
    let stated = texts.into_iter().flatten().find_map(|text| {
        let unit = text.trim_start_matches(|c: char| !c.is_alphabetic() && c != '%');
        contradicted(reference, unit)
    });
    match stated {
        Some(stated) => Err(format!(
            "its unit says {}, and the source says {}",
            stated.as_str(),
            reference.as_str()
        )),
        None => Ok(()),
    }
}

/// The stated number: kPa, or a share 0..1 for percent vacuum.
pub(super) fn stated(
    reader: &CellReader<'_>,
    text: &str,
    cell: &CellText<'_>,
    rule: &UnitRule,
    reference: PressureReference,
) -> Result<f64, String> {
    let unit = cell.unit.filter(|_| matches!(rule, UnitRule::Column(_)));
    check_reference(reference, [Some(text), unit])?;
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
