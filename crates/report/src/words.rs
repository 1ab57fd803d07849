//! Words for people in place of the words of the tables.

use drydown_findings::RULES;
use drydown_pumps::{Cause, DaysStatus, PumpState};
use drydown_quantity::Stamp;
use drydown_removal::{Basis, Regime, RemovalCoefficient, RunStatus};
use drydown_runs::history::MaintenanceAction;

/// What a rule's findings are called on the pages.
pub(crate) fn rule_title(rule: &str) -> String {
    RULES
        .iter()
        .find(|row| row.name == rule)
        .map_or_else(|| spaced(rule), |row| row.title.to_owned())
}

/// What explains a pump's change.
pub(crate) const fn cause(cause: Cause) -> &'static str {
    match cause {
        Cause::Wear => "wear",
        Cause::Leak => "air leak",
        Cause::WetOil => "water in the pump's oil",
        Cause::Restriction => "restriction",
        Cause::SealWater => "seal water",
        Cause::Unknown => "unknown",
        Cause::Vapour => "vapour load",
        Cause::Vent => "vent open",
        Cause::Gauge => "pressure gauge",
        Cause::Foam => "foam",
    }
}

/// A pump's state.
pub(crate) const fn pump_state(state: PumpState) -> &'static str {
    match state {
        PumpState::Unjudged => "not judged yet",
        PumpState::Normal => "normal",
        PumpState::Alert => "alert",
        PumpState::Alarm => "alarm",
    }
}

/// What stands in place of days to the limit.
pub(crate) const fn days_status(status: DaysStatus) -> &'static str {
    match status {
        DaysStatus::Within => "within a year",
        DaysStatus::Beyond => "more than a year away",
        DaysStatus::NotDegrading => "not getting worse",
        DaysStatus::Unjudged => "not judged yet",
    }
}

/// Whether a run could tell its rate.
pub(crate) const fn run_status(status: RunStatus) -> &'static str {
    match status {
        RunStatus::Identified => "rate found",
        RunStatus::OneSided => "rate bounded on one side only",
        RunStatus::NotIdentified => "the data fit too many rates",
        RunStatus::OnBoundary => "at the edge of what is possible",
        RunStatus::NoContrast => "water hardly changed",
        RunStatus::Saturated => "water sensor at its top",
        RunStatus::AtFloor => "oil already as dry as it gets",
        RunStatus::Spoiled => "data spoiled",
    }
}

/// Which law a run's water followed.
pub(crate) const fn regime(regime: Regime) -> &'static str {
    match regime {
        Regime::FirstOrder => "water falls in proportion to what is left",
        Regime::Capacity => "water falls at the unit's cap",
        Regime::Mixed => "water falls at the unit's cap, then in proportion to what is left",
        Regime::FreeWater => "free water leaves first",
        Regime::TwoCompartments => "a loop and a rest that mix slowly",
    }
}

/// Whose runs carry a coefficient; what is borrowed is called so.
pub(crate) fn basis(row: &RemovalCoefficient) -> &'static str {
    match row.basis {
        Basis::Cell if row.own_share < 0.5 => "mostly borrowed; some runs of its own",
        Basis::Cell => "its own runs",
        Basis::Unit => "borrowed: this unit on other oils",
        Basis::Oil => "borrowed: other units on this oil",
        Basis::Fleet => "borrowed: the fleet",
    }
}

/// What was done to a unit.
pub(crate) const fn maintenance(action: MaintenanceAction) -> &'static str {
    match action {
        MaintenanceAction::Rebuild => "rebuild",
        MaintenanceAction::Vanes => "new vanes",
        MaintenanceAction::PumpOil => "pump oil",
        MaintenanceAction::PumpSwap => "other pump",
        MaintenanceAction::LeakRepair => "leak mended",
        MaintenanceAction::Gauge => "gauge",
        MaintenanceAction::SensorSwap => "new sensor",
        MaintenanceAction::Calibration => "calibration",
        MaintenanceAction::Filter => "filter",
        MaintenanceAction::Heater => "heater",
        MaintenanceAction::Other => "other work",
    }
}

/// What a sensor check found.
pub(crate) fn sensor_state(state: &str) -> String {
    match state {
        "agrees" => "agrees".to_owned(),
        "offset" => "reads off by a constant".to_owned(),
        "drifting" => "drifts".to_owned(),
        "stuck" => "stands still".to_owned(),
        other => spaced(other),
    }
}

/// The flags of runs: word of the table, words for people, what it means.
const FLAGS: &[(&str, &str, &str)] = &[
    ("clock_jump", "clock jump", "the logger's clock jumped"),
    ("gap", "gap in the log", "time passed without a reading"),
    (
        "never_dried",
        "never dried",
        "no reading of the drying phase",
    ),
    (
        "no_pressure",
        "no pressure",
        "chamber pressure was not logged",
    ),
    (
        "no_reservoir",
        "reservoir not known",
        "neither deployment nor log names one",
    ),
    (
        "no_start_curve",
        "start not seen",
        "no usable fall of pressure after the start",
    ),
    ("no_water_sensor", "no water sensor", "water was not logged"),
    ("open", "still running", "the run had not ended"),
    (
        "outlet_sensor",
        "sensor at the outlet",
        "the sensor sees dried oil, not the reservoir's",
    ),
    (
        "pressure_stuck",
        "pressure stuck",
        "the chamber pressure stood still",
    ),
    (
        "refilled",
        "oil added or changed",
        "the water balance is not the machine's alone",
    ),
    (
        "reservoir_conflict",
        "reservoirs conflict",
        "log and deployment name different reservoirs; the deployment is used",
    ),
    (
        "sensor_saturated",
        "water sensor at its top",
        "it only says \"at least saturated\"",
    ),
    (
        "sensor_spiking",
        "water sensor spikes",
        "single readings jump",
    ),
    (
        "sensor_stuck",
        "water sensor stuck",
        "the water reading stood still for hours",
    ),
    ("single_reading", "single reading", "the run is one reading"),
];

/// A flag in words.
pub(crate) fn flag(word: &str) -> String {
    FLAGS
        .iter()
        .find(|(name, ..)| *name == word)
        .map_or_else(|| spaced(word), |(_, shown, _)| (*shown).to_owned())
}

/// What a flag means.
pub(crate) fn flag_meaning(word: &str) -> &'static str {
    FLAGS
        .iter()
        .find(|(name, ..)| *name == word)
        .map_or("", |(.., meaning)| meaning)
}

/// A word of a table with blanks for underscores.
pub(crate) fn spaced(word: &str) -> String {
    word.replace('_', " ")
}

/// Words of the tables that occur inside sentences.
const IN_SENTENCES: &[(&str, &str)] = &[
    ("wet_oil", "water in the pump's oil"),
    ("seal_water", "seal water"),
    ("not_degrading", "not getting worse"),
    ("pump_oil", "pump oil"),
    ("pump_swap", "other pump"),
    ("leak_repair", "leak mended"),
    ("rotary_vane", "rotary vane"),
    ("liquid_ring", "liquid ring"),
];

/// A sentence of another stage, for people: words for the words of the tables, no minus before a
/// zero, a capital first and a full stop last.
pub(crate) fn sentence(text: &str) -> String {
    let mut out = String::with_capacity(text.len() + 1);
    for piece in text.trim().split_inclusive(char::is_whitespace) {
        out.push_str(&plain(piece));
    }
    let mut chars = out.chars();
    let Some(first) = chars.next() else {
        return out;
    };
    let mut out: String = first.to_uppercase().chain(chars).collect();
    if !out.ends_with(['.', '!', '?']) {
        out.push('.');
    }
    out
}

/// One piece between blanks, its punctuation kept.
fn plain(piece: &str) -> String {
    let is_edge = |c: char| !c.is_alphanumeric() && c != '-';
    let core = piece.trim_matches(is_edge);
    let known = IN_SENTENCES
        .iter()
        .chain(
            FLAGS
                .iter()
                .map(|(word, shown, _)| (*word, *shown))
                .collect::<Vec<_>>()
                .iter(),
        )
        .find(|(word, _)| word.contains('_') && *word == core)
        .map(|(_, shown)| *shown);
    let is_minus_zero = core
        .strip_prefix('-')
        .is_some_and(|rest| rest.contains('0') && rest.chars().all(|c| c == '0' || c == '.'));
    match known {
        Some(shown) => piece.replacen(core, shown, 1),
        None if is_minus_zero => piece.replacen('-', "", 1),
        None => piece.to_owned(),
    }
}

/// `since about 2026-06-21`, or nothing.
pub(crate) fn began(onset_at: Option<Stamp>) -> String {
    onset_at.map_or_else(String::new, |at| format!("began about {}", at.day()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sentences_carry_words_for_people() {
        for (text, expected) in [
            (
                "speed -5.7 % over 29; cause: wear 96 %, wet_oil 3 %",
                "Speed -5.7 % over 29; cause: wear 96 %, water in the pump's oil 3 %.",
            ),
            (
                "Water moved -0 ppm, scatter 1 ppm.",
                "Water moved 0 ppm, scatter 1 ppm.",
            ),
            ("base -0.0 kPa (-0.00)", "Base 0.0 kPa (0.00)."),
            ("down by -0.4 and 10-0", "Down by -0.4 and 10-0."),
            ("on tank_7: (seal_water)", "On tank_7: (seal water)."),
            ("still open", "Still open."),
            ("", ""),
        ] {
            assert_eq!(sentence(text), expected);
        }
    }

    #[test]
    fn no_title_is_a_word_of_the_table() {
        for rule in RULES {
            let title = rule_title(rule.name);
            assert!(!title.contains('_') && !title.is_empty(), "{title}");
        }
        assert_eq!(rule_title("rule_of_tomorrow"), "rule of tomorrow");
        assert_eq!(flag("flag_of_tomorrow"), "flag of tomorrow");
        assert_eq!(sensor_state("too_few_pairs"), "too few pairs");
    }
}
