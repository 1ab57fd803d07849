//! The unit and the reference of a column of numbers, and whether its values keep the bounds with them.

use drydown_quantity::pressure::{SEA_LEVEL_KPA, absolute_kpa};
use drydown_quantity::{Dimension, PressureReference, Unit};
use drydown_schema::ColumnSpec;

use super::FILL_IN;
use super::facts::Facts;
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
        why: Vec::new(),
    };
    match fitting {
        Some(found) => {
            judged.unit = Some(found.unit);
            judged.score += 1.0;
            judged
                .why
                .push(format!("its unit {} stands in the header", found.written));
        }
        None => {
            if let Some(other) = head.units.iter().find(|found| found.is_firm) {
                return Err(format!(
                    "its unit {} measures something else",
                    other.written
                ));
            }
            let (unit, why) = assumed_unit(asked, name, own);
            judged.unit = Some(unit);
            judged.is_unit_open = head.unknown_unit.is_some()
                || (own.dimension() == Dimension::Pressure && unit == own);
            judged.score -= 0.5;
            // Where only one unit is in use nothing is assumed.
            judged.must_check = own.dimension() != Dimension::Saturation;
            judged.why.push(if judged.is_unit_open {
                head.unknown_unit.as_ref().map_or_else(
                    || format!("{FILL_IN}: the unit of this pressure stands nowhere"),
                    |unknown| {
                        format!("{FILL_IN}: \"{unknown}\" in its header is no unit that is known")
                    },
                )
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
    use Dimension::{MassFraction, Pressure, Ratio, Saturation, VolumeFraction};
    match (name, unit.dimension()) {
        ("chamber_pressure_kpa", Ratio) => asked.head.has("vacuum") && unit.code() == "%",
        ("water_activity", dimension) => matches!(dimension, Ratio | Saturation),
        (_, Saturation) => false,
        (_, VolumeFraction) => own.dimension() == MassFraction && name == "water_ppm",
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

/// The reference of the chamber's pressure: from the header, from the pump's state, from the range.
fn chamber_reference(asked: &Asked<'_>, unit: Unit, judged: &mut Judged) -> PressureReference {
    if unit.dimension() == Dimension::Ratio {
        judged
            .why
            .push("a share of the barometer that was removed".to_owned());
        return PressureReference::PercentVacuum;
    }
    if asked.head.is_minus && asked.head.reference != Some(PressureReference::Absolute) {
        return of_minus(asked, judged);
    }
    if let Some(reference) = asked.head.reference {
        // A stated vacuum may still be written with a sign.
        let n_negative = asked
            .facts
            .known_numbers()
            .filter(|value| *value < 0.0)
            .count();
        if reference == PressureReference::Vacuum && n_negative * 2 > asked.facts.n_numbers {
            judged
                .why
                .push("a vacuum written below zero is a gauge pressure".to_owned());
            return PressureReference::Gauge;
        }
        judged
            .why
            .push(format!("the header says {}", reference.as_str()));
        return reference;
    }
    let (reference, why, is_told) = by_values(asked, unit, judged.is_unit_open);
    judged.must_check |= !is_told;
    let check = if is_told { "" } else { ": check" };
    judged.why.push(format!(
        "read as {} because {why}{check}",
        reference.as_str()
    ));
    reference
}

/// The reference of a pressure whose unit stands with a minus: the values have the sign, or leave it to
/// the header.
fn of_minus(asked: &Asked<'_>, judged: &mut Judged) -> PressureReference {
    let n_negative = asked
        .facts
        .known_numbers()
        .filter(|value| *value < 0.0)
        .count();
    judged.must_check = true;
    if n_negative * 2 > asked.facts.n_numbers {
        judged.why.push(
            "its unit stands with a minus, and so do its values: read as gauge: check".to_owned(),
        );
        return PressureReference::Gauge;
    }
    judged.why.push(
        "its unit stands with a minus and its values without: read as so much below the barometer: check"
            .to_owned(),
    );
    PressureReference::Vacuum
}

/// Reference, why, and whether the pump's state tells it.
fn by_values(
    asked: &Asked<'_>,
    unit: Unit,
    is_unit_open: bool,
) -> (PressureReference, &'static str, bool) {
    use PressureReference::{Absolute, Gauge, Vacuum};
    let facts = asked.facts;
    if facts.n_numbers == 0 {
        return if asked.head.has("vacuum") {
            (Vacuum, "it is called a vacuum and no value tells", false)
        } else {
            (Absolute, "nothing tells", false)
        };
    }
    if let (Some(on), Some(off)) = (
        while_pump(asked, unit, true),
        while_pump(asked, unit, false),
    ) {
        if off.abs() < 20.0 && on < off - 20.0 {
            return (
                Gauge,
                "it is about 0 with the pump stopped and negative with it running",
                true,
            );
        }
        if off.abs() < 20.0 && on > off + 20.0 {
            return (
                Vacuum,
                "it is about 0 with the pump stopped and positive with it running",
                true,
            );
        }
        if off > 50.0 && on < off - 10.0 {
            return (
                Absolute,
                "it is about the barometer with the pump stopped and less with it running",
                true,
            );
        }
    }
    let only_stopped = while_pump(asked, unit, true).is_none();
    let stopped = while_pump(asked, unit, false).filter(|_| only_stopped);
    if stopped.is_some_and(|kpa| (80.0..115.0).contains(&kpa)) {
        let why = "it is about the barometer, and the pump never ran";
        return (Absolute, why, false);
    }
    let known = |share: f64| {
        facts
            .quantile(share)
            .map_or(0.0, |value| unit.to_base(value))
    };
    let (low, middle, high) = (known(0.02), known(0.5), known(0.98));
    if middle < -1.0 || low < -20.0 {
        return (Gauge, "its values are negative", false);
    }
    let is_vacuum_word = asked.head.has("vacuum");
    // Absolute pressures are never below zero; a gauge vented shows either side of it.
    if low < -0.01 && high > 20.0 {
        return (Vacuum, "it goes a little below 0 and well above", false);
    }
    if low < -0.01 {
        return (Gauge, "it goes below 0", false);
    }
    if high > 103.0 {
        return (Absolute, "it goes above a barometer", false);
    }
    let inches = unit.code().starts_with("[in_i'Hg]");
    if is_vacuum_word && (inches || middle > 50.0 || is_unit_open) {
        return (Vacuum, "it is called a vacuum", false);
    }
    if inches && high <= 103.0 && middle > 50.0 {
        return (Vacuum, "it is in inches of mercury and high", false);
    }
    (Absolute, "its values are positive", false)
}

/// Median in kPa of the rows in which the pump ran or stood.
fn while_pump(asked: &Asked<'_>, unit: Unit, runs: bool) -> Option<f64> {
    let states = &asked.context.pump_runs;
    let values = asked
        .facts
        .numbers
        .iter()
        .zip(states)
        .filter(|(value, state)| **state == Some(runs) && !value.is_nan());
    median(values.map(|(value, _)| unit.to_base(*value)).collect())
}

fn gauge_reference(asked: &Asked<'_>, unit: Unit, judged: &mut Judged) -> PressureReference {
    if asked.head.is_minus && asked.head.reference != Some(PressureReference::Absolute) {
        return of_minus(asked, judged);
    }
    if let Some(reference) = asked
        .head
        .reference
        .filter(|found| *found != PressureReference::PercentVacuum)
    {
        judged
            .why
            .push(format!("the header says {}", reference.as_str()));
        return reference;
    }
    let stopped = while_pump(asked, unit, false);
    if stopped.is_some_and(|kpa| (60.0..115.0).contains(&kpa)) {
        judged.must_check = true;
        judged.why.push(
            "read as absolute because it is about the barometer with the pump stopped: check"
                .to_owned(),
        );
        return PressureReference::Absolute;
    }
    if stopped.is_some_and(|kpa| kpa.abs() < 15.0) {
        judged
            .why
            .push("read as gauge because it is about 0 with the pump stopped".to_owned());
        return PressureReference::Gauge;
    }
    judged
        .why
        .push("gauge assumed, as such gauges are: check".to_owned());
    PressureReference::Gauge
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

fn is_below(facts: &Facts, limit: f64) -> bool {
    facts.n_numbers >= 5
        && facts.known_numbers().all(|value| value <= limit)
        && facts.known_numbers().any(|value| value > 0.0)
}

fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied()
}
