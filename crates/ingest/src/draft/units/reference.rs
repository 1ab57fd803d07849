//! What a pressure is measured against: by its header, by the pump's state, by its values.

use drydown_quantity::{Dimension, PressureReference, Unit};

use super::Judged;
use crate::draft::judge::{Asked, Sure};

/// The reference of the chamber's pressure: from the header, from the pump's state, from the range.
pub(super) fn chamber_reference(
    asked: &Asked<'_>,
    unit: Unit,
    judged: &mut Judged,
) -> PressureReference {
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
        if reference == PressureReference::Vacuum
            && !judged.is_unit_open
            && is_drawn_down(asked, unit)
        {
            judged.is_guess = true;
            judged.why.push(
                "check: it starts at about the barometer and falls, as an absolute pressure does"
                    .to_owned(),
            );
        }
        return reference;
    }
    let told = by_values(asked, unit, judged.is_unit_open);
    judged.must_check |= told.sure < Sure::Certain;
    judged.is_guess |= told.sure == Sure::Guess;
    let check = match told.sure {
        Sure::Certain => "",
        _ => ": check",
    };
    judged.why.push(format!(
        "read as {} because {}{check}",
        told.reference.as_str(),
        told.why
    ));
    told.reference
}

/// What the values tell, why, and how surely: the pump's state makes it certain.
struct Told {
    reference: PressureReference,
    why: &'static str,
    sure: Sure,
}

/// Whether the first values are about the barometer, and later ones far below and none above.
fn is_drawn_down(asked: &Asked<'_>, unit: Unit) -> bool {
    let kpa = || asked.facts.known_numbers().map(|value| unit.to_base(value));
    let (Some(first), Some(last)) = (kpa().next(), kpa().last()) else {
        return false;
    };
    let low = kpa().fold(f64::INFINITY, f64::min);
    let high = kpa().fold(f64::NEG_INFINITY, f64::max);
    // From the barometer of a high site up to that of the sea.
    (80.0..=106.0).contains(&first)
        && high <= first + 3.0
        && low < 0.7 * first
        && last < first - 3.0
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

/// What the values tell of the reference.
fn by_values(asked: &Asked<'_>, unit: Unit, is_unit_open: bool) -> Told {
    use PressureReference::{Absolute, Gauge, Vacuum};
    let told = |reference, why, sure| Told {
        reference,
        why,
        sure,
    };
    let facts = asked.facts;
    if facts.n_numbers == 0 {
        return if asked.head.has("vacuum") {
            told(
                Vacuum,
                "it is called a vacuum and no value tells",
                Sure::Guess,
            )
        } else {
            told(Absolute, "nothing tells", Sure::Guess)
        };
    }
    if is_unit_open {
        return without_unit(asked, unit);
    }
    if let (Some(on), Some(off)) = (
        while_pump(asked, unit, true),
        while_pump(asked, unit, false),
    ) {
        if off.abs() < 20.0 && on < off - 20.0 {
            let why = "it is about 0 with the pump stopped and negative with it running";
            return told(Gauge, why, Sure::Certain);
        }
        if off.abs() < 20.0 && on > off + 20.0 {
            let why = "it is about 0 with the pump stopped and positive with it running";
            return told(Vacuum, why, Sure::Certain);
        }
        if off > 50.0 && on < off - 10.0 {
            let why = "it is about the barometer with the pump stopped and less with it running";
            return told(Absolute, why, Sure::Certain);
        }
    }
    let only_stopped = while_pump(asked, unit, true).is_none();
    let stopped = while_pump(asked, unit, false).filter(|_| only_stopped);
    if stopped.is_some_and(|kpa| (80.0..115.0).contains(&kpa)) {
        let why = "it is about the barometer, and the pump never ran";
        return told(Absolute, why, Sure::Likely);
    }
    let known = |share: f64| {
        facts
            .quantile(share)
            .map_or(0.0, |value| unit.to_base(value))
    };
    let (low, middle, high) = (known(0.02), known(0.5), known(0.98));
    if middle < -1.0 || low < -20.0 {
        return told(Gauge, "its values are negative", Sure::Likely);
    }
    // Absolute pressures are never below zero; a gauge vented shows either side of it.
    if low < -0.01 && high > 20.0 {
        let why = "it goes a little below 0 and well above";
        return told(Vacuum, why, Sure::Likely);
    }
    if low < -0.01 {
        return told(Gauge, "it goes below 0", Sure::Likely);
    }
    if high > 103.0 {
        return told(Absolute, "it goes above a barometer", Sure::Likely);
    }
    let inches = unit.code().starts_with("[in_i'Hg]");
    let is_vacuum_word = asked.head.has("vacuum");
    if is_drawn_down(asked, unit) {
        // Inches of mercury called a vacuum may be a chamber that was vented.
        let sure = match inches && is_vacuum_word {
            true => Sure::Guess,
            false => Sure::Likely,
        };
        let why = "it starts at about the barometer and falls";
        return told(Absolute, why, sure);
    }
    if is_vacuum_word && (inches || middle > 50.0) {
        // A rough vacuum read either way is one that a machine may hold.
        let sure = match inches || middle > 75.0 {
            true => Sure::Likely,
            false => Sure::Guess,
        };
        return told(Vacuum, "it is called a vacuum", sure);
    }
    if inches && middle > 50.0 {
        let why = "it is in inches of mercury and high";
        return told(Vacuum, why, Sure::Likely);
    }
    // Called a vacuum, neither low enough for a deep one nor high enough for much of a barometer.
    let sure = match is_vacuum_word && middle > 25.0 {
        true => Sure::Guess,
        false => Sure::Likely,
    };
    told(Absolute, "its values are positive", sure)
}

/// What the values tell where the size of their unit is not known: their sign, and how those of a
/// running pump lie to those of a stopped one.
fn without_unit(asked: &Asked<'_>, unit: Unit) -> Told {
    if let (Some(on), Some(off)) = (
        while_pump(asked, unit, true),
        while_pump(asked, unit, false),
    ) {
        let by_pump = if off.abs() < 0.2 * on.abs() && on < 0.0 {
            Some((
                PressureReference::Gauge,
                "it is about 0 with the pump stopped and negative with it running",
            ))
        } else if off.abs() < 0.2 * on.abs() {
            Some((
                PressureReference::Vacuum,
                "it is about 0 with the pump stopped and positive with it running",
            ))
        } else if on >= 0.0 && off > 1.3 * on {
            Some((
                PressureReference::Absolute,
                "it is far higher with the pump stopped than with it running",
            ))
        } else {
            None
        };
        if let Some((reference, why)) = by_pump {
            return Told {
                reference,
                why,
                sure: Sure::Likely,
            };
        }
    }
    let known = |share: f64| asked.facts.quantile(share).unwrap_or(0.0);
    let (reference, why) = if known(0.5) < 0.0 {
        (PressureReference::Gauge, "its values are negative")
    } else if asked.head.has("vacuum") {
        (PressureReference::Vacuum, "it is called a vacuum")
    } else {
        (
            PressureReference::Absolute,
            "its values are positive and its unit is not known",
        )
    };
    Told {
        reference,
        why,
        sure: Sure::Guess,
    }
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

pub(super) fn gauge_reference(
    asked: &Asked<'_>,
    unit: Unit,
    judged: &mut Judged,
) -> PressureReference {
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

fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied()
}
