//! Words of closed lists as files write them, and what they likely stand for.

use std::collections::BTreeMap;

use super::facts::Facts;
use super::words::tokens;
use crate::cells::to_known_word;

/// Words of a column and what they likely stand for, the first that fit; an empty meaning: nothing is
/// known. Common practice, no source.
const GUESSES: &[(&str, &[&str], &str)] = &[
    ("action", &["ölwechsel", "pumpe"], "pump_oil"),
    ("action", &["ölwechsel", "vakuumpumpe"], "pump_oil"),
    ("action", &["oil", "pump"], "pump_oil"),
    ("action", &["pumpenöl"], "pump_oil"),
    ("action", &["vanes"], "vanes"),
    ("action", &["schieber"], "vanes"),
    ("action", &["overhaul"], "rebuild"),
    ("action", &["überholung"], "rebuild"),
    ("action", &["revision"], "rebuild"),
    ("action", &["rebuild"], "rebuild"),
    ("action", &["pumpentausch"], "pump_swap"),
    ("action", &["pump", "replaced"], "pump_swap"),
    // The water of a liquid ring, its cooler and its flushing: no seal was mended.
    ("action", &["seal", "water"], ""),
    ("action", &["seal", "fluid"], ""),
    ("action", &["seal", "liquid"], ""),
    ("action", &["seal"], "leak_repair"),
    ("action", &["leak"], "leak_repair"),
    ("action", &["dichtung"], "leak_repair"),
    ("action", &["leck"], "leak_repair"),
    ("action", &["undicht"], "leak_repair"),
    ("action", &["gauge"], "gauge"),
    ("action", &["manometer"], "gauge"),
    ("action", &["sensor"], "sensor_swap"),
    ("action", &["calibration"], "calibration"),
    ("action", &["kalibrierung"], "calibration"),
    ("action", &["filter"], "filter"),
    ("action", &["filterwechsel"], "filter"),
    ("action", &["heater"], "heater"),
    ("action", &["nachfüllung"], "top_up"),
    ("action", &["nachgefüllt"], "top_up"),
    ("action", &["top"], "top_up"),
    ("action", &["ölwechsel"], "oil_change"),
    ("action", &["oil", "change"], "oil_change"),
    ("action", &["entwässert"], "bottom_drain"),
    ("action", &["drain"], "bottom_drain"),
    ("action", &["breather"], "breather"),
    ("sample_point", &["mid"], "reservoir_mid"),
    ("sample_point", &["middle"], "reservoir_mid"),
    ("sample_point", &["mitte"], "reservoir_mid"),
    ("sample_point", &["m"], "reservoir_mid"),
    ("sample_point", &["bottom"], "reservoir_bottom"),
    ("sample_point", &["boden"], "reservoir_bottom"),
    ("sample_point", &["sumpf"], "reservoir_bottom"),
    ("sample_point", &["b"], "reservoir_bottom"),
    ("sample_point", &["line"], "line"),
    ("sample_point", &["leitung"], "line"),
    ("sample_point", &["l"], "line"),
    ("sample_point", &["inlet"], "unit_inlet"),
    ("sample_point", &["eintritt"], "unit_inlet"),
    ("sample_point", &["outlet"], "unit_outlet"),
    ("sample_point", &["austritt"], "unit_outlet"),
    ("sample_point", &["drum"], "drum"),
    ("sample_point", &["fass"], "drum"),
    ("kind", &["start"], "start"),
    ("kind", &["stop"], "stop"),
    ("kind", &["trip"], "trip"),
    ("kind", &["on"], "alarm_on"),
    ("kind", &["off"], "alarm_off"),
    ("water_sensor_place", &["inlet"], "inlet"),
    ("water_sensor_place", &["in"], "inlet"),
    ("water_sensor_place", &["outlet"], "outlet"),
    ("water_sensor_place", &["out"], "outlet"),
    ("water_sensor_place", &["eintritt"], "inlet"),
    ("water_sensor_place", &["einlass"], "inlet"),
    ("water_sensor_place", &["austritt"], "outlet"),
    ("water_sensor_place", &["auslass"], "outlet"),
    ("water_sensor_place", &["beipass"], "bypass"),
    ("vacuum_pump_kind", &["vane"], "rotary_vane"),
    ("vacuum_pump_kind", &["drehschieber"], "rotary_vane"),
    ("vacuum_pump_kind", &["liquid"], "liquid_ring"),
    ("vacuum_pump_kind", &["flüssigkeitsring"], "liquid_ring"),
    ("vacuum_pump_kind", &["wasserring"], "liquid_ring"),
    ("vacuum_pump_kind", &["water", "ring"], "liquid_ring"),
    ("vacuum_pump_kind", &["screw"], "dry"),
    ("vacuum_pump_kind", &["trocken"], "dry"),
    ("vacuum_pump_kind", &["trockenläufer"], "dry"),
    ("pcb_status", &["free"], "none"),
    ("pcb_status", &["no"], "none"),
    ("volume_basis", &["dipped"], "dip"),
    ("volume_basis", &["measured"], "dip"),
    ("volume_basis", &["estimate"], "guess"),
    ("volume_basis", &["estimated"], "guess"),
    ("volume_basis", &["plate"], "nameplate"),
    ("yes_no", &["läuft"], "true"),
    ("yes_no", &["steht"], "false"),
    ("yes_no", &["aktiv"], "true"),
    ("yes_no", &["inaktiv"], "false"),
    ("yes_no", &["active"], "true"),
    ("yes_no", &["inactive"], "false"),
    ("yes_no", &["enabled"], "true"),
    ("yes_no", &["disabled"], "false"),
    ("yes_no", &["start"], "true"),
    ("yes_no", &["idle"], "false"),
];

/// The words of a column, against a closed list.
pub(super) struct Known {
    /// Words that only a map explains.
    pub(super) map: BTreeMap<String, String>,
    /// Different words that nothing explains, at most eight.
    pub(super) unknown: Vec<String>,
    /// Values that are explained.
    pub(super) n_known: usize,
}

/// Holds the values of a column against the words of its list.
pub(super) fn known_words(column: &str, words: &[String], facts: &Facts) -> Known {
    let mut known = Known {
        map: BTreeMap::new(),
        unknown: Vec::new(),
        n_known: 0,
    };
    for (value, n) in &facts.distinct {
        if to_known_word(value, words).is_some()
            || (column == "yes_no" && crate::cells::parse_yes_no(value).is_some())
        {
            known.n_known += n;
        } else if let Some(guess) =
            guess_word(column, value).filter(|guess| words.iter().any(|word| word == guess))
        {
            known.n_known += n;
            known.map.insert(value.clone(), guess.to_owned());
        } else if known.unknown.len() < 8 {
            known.unknown.push(format!("\"{value}\""));
        }
    }
    known
}

/// What a word of this column likely stands for.
pub(super) fn guess_word(column: &str, value: &str) -> Option<&'static str> {
    let words = tokens(value);
    GUESSES
        .iter()
        .filter(|(of, _, _)| *of == column)
        .find(|(_, wanted, _)| {
            wanted
                .iter()
                .all(|word| words.iter().any(|have| have == word))
        })
        .map(|(_, _, meaning)| *meaning)
        .filter(|meaning| !meaning.is_empty())
}
