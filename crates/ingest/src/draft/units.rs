//! The unit and the reference of a column of numbers, and whether its values keep the bounds with them.

mod reference;

use drydown_quantity::pressure::{SEA_LEVEL_KPA, absolute_kpa};
use drydown_quantity::{Dimension, PressureReference, Unit};
use drydown_schema::ColumnSpec;

use self::reference::{chamber_reference, gauge_reference};
use super::FILL_IN;
use super::facts::Facts;
use super::head::HeadUnit;
use super::judge::Asked;
use crate::source::PressureWord;

/// What was found.
pub(super) struct Judged {
    pub(super) unit: Option<Unit>,
    pub(super) reference: Option<PressureWord>,
    pub(super) score: f64,
    pub(super) must_check: bool,
    /// The unit of a pressure that nothing tells, or one that is written and not known: any factor is as likely.
    pub(super) is_unit_open: bool,
    /// What it is measured against is hardly more than a guess.
    pub(super) is_guess: bool,
    pub(super) why: Vec<String>,
}

/// The unit, the reference and the bounds of a column whose contract's unit is `own`.
///
/// The error says which of them speaks against the column.
pub(super) fn judge(
    asked: &Asked<'_>,
    name: &str,
    spec: &ColumnSpec,
    own: Unit,
) -> Result<Judged, String> {
    let head = asked.head;
    let fitting = head
        .units
        .iter()
        .find(|found| is_unit_of(asked, name, own, found.unit));
    let mut judged = Judged {
        unit: None,
        reference: None,
        score: 0.0,
        must_check: false,
        is_unit_open: false,
        is_guess: false,
        why: Vec::new(),
    };
    let is_stated = |found: &&HeadUnit| is_unit_of(asked, name, own, found.unit);
    let beside = head.beside.as_ref().filter(is_stated);
    match (fitting, beside) {
        (None, Some(found)) => {
            judged.unit = Some(found.unit);
            judged.why.push(format!(
                "its unit {} stands in the column beside it",
                found.written
            ));
        }
        (Some(found), _) => {
            judged.unit = Some(found.unit);
            judged.score += 1.0;
            judged
                .why
                .push(format!("its unit {} stands in the header", found.written));
        }
        (None, None) => {
            if let Some(other) = head.units.iter().find(|found| found.is_firm) {
                return Err(format!(
                    "its unit {} measures something else",
                    other.written
                ));
            }
            let (unit, why) = assumed_unit(asked, name, own);
            judged.unit = Some(unit);
            if name == "heater_kw" && !head.has("power") && is_near_setpoint(asked) {
                return Err(
                    "its values lie at the set point beside it: a temperature, no power".to_owned(),
                );
            }
            let is_too_dry = name == "water_ppm" && is_drier_than_oil(asked.facts);
            judged.is_unit_open = head.unknown_unit.is_some()
                || (own.dimension() == Dimension::Pressure && unit == own)
                || is_too_dry;
            // A heater's number may be its power, its current, its share or the oil's temperature.
            judged.is_guess |= name == "heater_kw" && !head.has("power");
            judged.score -= 0.5;
            // Where only one unit is in use nothing is assumed.
            judged.must_check = own.dimension() != Dimension::Saturation;
            judged.why.push(if judged.is_unit_open {
                match &head.unknown_unit {
                    Some(unknown) => {
                        format!("{FILL_IN}: \"{unknown}\" in its header is no unit that is known")
                    }
                    None if is_too_dry => format!(
                        "{FILL_IN}: its unit stands nowhere, and no oil is as dry as 1 mg/kg: % by mass, or a water activity"
                    ),
                    None => format!("{FILL_IN}: the unit of this pressure stands nowhere"),
                }
            } else {
                why
            });
        }
    }
    let unit = judged.unit.unwrap_or(own);
    if name == "water_activity" && unit.code() == "%" {
        judged.unit = Unit::parse("%RS");
    }
    let reference = if name == "chamber_pressure_kpa" {
        Some(chamber_reference(asked, unit, &mut judged))
    } else if spec.is_gauge {
        Some(gauge_reference(asked, unit, &mut judged))
    } else {
        None
    };
    judged.reference = reference.map(to_word);
    check_bounds(asked, name, spec, own, reference, &mut judged)?;
    Ok(judged)
}

/// Whether the column may be written in this unit.
fn is_unit_of(asked: &Asked<'_>, name: &str, own: Unit, unit: Unit) -> bool {
    use Dimension::{MassConcentration, MassFraction, Pressure, Ratio, Saturation, VolumeFraction};
    match (name, unit.dimension()) {
        ("chamber_pressure_kpa", Ratio) => asked.head.has("vacuum") && unit.code() == "%",
        ("water_activity", dimension) => matches!(dimension, Ratio | Saturation),
        (_, Saturation) => false,
        (_, VolumeFraction | MassConcentration) => {
            own.dimension() == MassFraction && name == "water_ppm"
        }
        (_, Ratio) if own.dimension() == MassFraction => asked.context.is_laboratory(asked.table),
        (_, Pressure) if own.dimension() == Pressure => true,
        (_, dimension) => dimension == own.dimension(),
    }
}

/// The unit of a column whose header has none, and why that one.
fn assumed_unit(asked: &Asked<'_>, name: &str, own: Unit) -> (Unit, String) {
    let low = asked.facts.quantile(0.02).unwrap_or(0.0);
    let high = asked.facts.quantile(0.98).unwrap_or(0.0);
    let is_us = asked.context.is_us;
    let parsed = |code: &str| Unit::parse(code).unwrap_or(own);
    if asked.facts.n_numbers == 0 {
        return (
            own,
            format!("no unit in the header, the contract's ({own}) assumed: check"),
        );
    }
    let (unit, why) = match own.dimension() {
        Dimension::Ratio if name == "water_activity" => {
            if high <= 1.05 {
                (parsed("1"), "its values lie within 0 and 1")
            } else {
                (parsed("%RS"), "its values lie within 0 and 100")
            }
        }
        Dimension::Ratio if !name.ends_with("_pct") => return (own, "it has no unit".to_owned()),
        Dimension::Ratio if high <= 1.0 && !asked.facts.is_whole() => {
            (parsed("1"), "its values lie within 0 and 1")
        }
        Dimension::Ratio => (parsed("%"), "its values lie within 0 and 100"),
        Dimension::Pressure => {
            let largest = high.abs().max(low.abs());
            if is_us && largest <= 31.0 {
                let (code, why) = if name == "chamber_pressure_kpa" {
                    ("inHg", "by its range, among US units")
                } else {
                    ("psi", "among US units")
                };
                (parsed(code), why)
            } else if is_us && name != "chamber_pressure_kpa" && largest <= 300.0 {
                (parsed("psi"), "among US units")
            } else if (600.0..=800.0).contains(&largest) && name == "chamber_pressure_kpa" {
                (parsed("Torr"), "by its range")
            } else if (800.0..=1150.0).contains(&largest) {
                (parsed("mbar"), "by its range")
            } else if largest <= 1.2 && largest > 0.0
                || (name != "chamber_pressure_kpa" && largest <= 16.0)
            {
                (parsed("bar"), "by its range")
            } else {
                (own, "the contract's")
            }
        }
        Dimension::Temperature if own.code() != "Cel" => (own, "the contract's"),
        // Oils flash at 130 to 300 °C (from memory): the same numbers are flash points in °F.
        Dimension::Temperature if name == "flash_degc" => (own, "the contract's"),
        Dimension::Temperature if is_us && high > 60.0 => (parsed("°F"), "among US units"),
        Dimension::Temperature if high > 115.0 => (parsed("°F"), "by its range"),
        Dimension::VolumeFlow if is_us => (parsed("gpm"), "among US units"),
        Dimension::Volume if is_us => (parsed("gal"), "among US units"),
        _ => (own, "the contract's"),
    };
    (
        unit,
        format!("no unit in the header: {unit} assumed ({why}): check"),
    )
}

const fn to_word(reference: PressureReference) -> PressureWord {
    match reference {
        PressureReference::Absolute => PressureWord::Absolute,
        PressureReference::Gauge => PressureWord::Gauge,
        PressureReference::Vacuum => PressureWord::Vacuum,
        PressureReference::PercentVacuum => PressureWord::PercentVacuum,
    }
}

fn check_bounds(
    asked: &Asked<'_>,
    name: &str,
    spec: &ColumnSpec,
    own: Unit,
    reference: Option<PressureReference>,
    judged: &mut Judged,
) -> Result<(), String> {
    let unit = judged.unit.unwrap_or(own);
    let bounds = spec.bounds();
    let to_own = |value: f64| match reference {
        Some(reference) if spec.is_gauge && reference != PressureReference::Gauge => {
            absolute_kpa(unit.to_base(value), reference, SEA_LEVEL_KPA) - SEA_LEVEL_KPA
        }
        Some(reference) if !spec.is_gauge => {
            let kpa = absolute_kpa(unit.to_base(value), reference, SEA_LEVEL_KPA);
            // Noise about a vented or an empty chamber.
            if (-2.0..0.0).contains(&kpa) { 0.0 } else { kpa }
        }
        _ => unit.convert(value, own).unwrap_or(value),
    };
    let values: Vec<f64> = asked.facts.known_numbers().map(to_own).collect();
    let n_outside = values.iter().filter(|value| !bounds.admit(**value)).count();
    if n_outside * 20 > values.len() {
        return Err(format!(
            "{n_outside} of its {} values lie outside the bounds of {name} in {unit}",
            values.len()
        ));
    }
    if n_outside > 0 {
        judged.why.push(format!(
            "{n_outside} of {} values lie outside its bounds and would be left empty",
            values.len()
        ));
    }
    // A share in percent that never passes 1 would be read a hundred times too low.
    if name == "water_activity" && unit.to_base(1.0) < 0.5 && is_below(asked.facts, 1.05) {
        judged.must_check = true;
        judged
            .why
            .push("all values are at most 1, as of a fraction: check the unit".to_owned());
    }
    Ok(())
}

/// Whether all water is below 1 mg/kg, which no oil in service is; common practice, no source.
fn is_drier_than_oil(facts: &Facts) -> bool {
    let high = facts.quantile(1.0).unwrap_or(0.0);
    high > 0.0 && high < 1.0
}

/// Whether the values lie at a set point of the file, as the temperature does that it is for.
fn is_near_setpoint(asked: &Asked<'_>) -> bool {
    let middle = asked.facts.quantile(0.5).unwrap_or(0.0);
    let mut setpoints = asked.context.setpoints.iter();
    setpoints.any(|setpoint| *setpoint > 30.0 && (middle - setpoint).abs() < 0.25 * setpoint)
}

fn is_below(facts: &Facts, limit: f64) -> bool {
    facts.n_numbers >= 5
        && facts.known_numbers().all(|value| value <= limit)
        && facts.known_numbers().any(|value| value > 0.0)
}
