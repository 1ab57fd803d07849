//! Yes and no, and the words of the contract's closed lists, as people write them.
//!
//! The synonyms are common practice, no source; `map` in the configuration adds more.

/// What stands for yes, in the languages of Europe; `-1` is how some databases store it.
const YES: &[&str] = &[
    "1",
    "1.0",
    "1,0",
    "-1",
    "true",
    "t",
    "yes",
    "y",
    "on",
    "running",
    "run",
    "open",
    "x",
    "active",
    "ja",
    "j",
    "wahr",
    "ein",
    "an",
    "läuft",
    "offen",
    "oui",
    "vrai",
    "marche",
    "ouvert",
    "sí",
    "si",
    "sì",
    "verdadero",
    "vero",
    "encendido",
    "acceso",
    "aperto",
    "abierto",
    "sim",
    "verdadeiro",
    "ligado",
    "waar",
    "aan",
    "sand",
    "sant",
    "til",
    "på",
    "tændt",
    "tak",
    "prawda",
    "ano",
    "pravda",
    "igen",
    "igaz",
    "kyllä",
    "tosi",
    "päällä",
    "evet",
    "da",
    "да",
    "истина",
    "вкл",
];

/// What stands for no.
const NO: &[&str] = &[
    "0",
    "0.0",
    "0,0",
    "false",
    "f",
    "no",
    "n",
    "off",
    "stopped",
    "stop",
    "closed",
    "inactive",
    "nein",
    "falsch",
    "aus",
    "steht",
    "geschlossen",
    "non",
    "faux",
    "arrêt",
    "arret",
    "fermé",
    "falso",
    "apagado",
    "spento",
    "chiuso",
    "cerrado",
    "não",
    "nao",
    "desligado",
    "nee",
    "onwaar",
    "uit",
    "nej",
    "nei",
    "falsk",
    "usann",
    "falskt",
    "fra",
    "av",
    "slukket",
    "nie",
    "fałsz",
    "ne",
    "nepravda",
    "nem",
    "hamis",
    "ei",
    "epätosi",
    "pois",
    "hayır",
    "nu",
    "нет",
    "ложь",
    "выкл",
];

/// A yes/no cell; None where it is neither.
pub(crate) fn parse_yes_no(text: &str) -> Option<bool> {
    let folded = text.trim().to_lowercase();
    if YES.contains(&folded.as_str()) {
        return Some(true);
    }
    NO.contains(&folded.as_str()).then_some(false)
}

/// Words that mean the one of a valve and the other of a switch: a closed contactor is on.
const OF_VALVES: &[&str] = &[
    "open",
    "offen",
    "ouvert",
    "aperto",
    "abierto",
    "closed",
    "geschlossen",
    "fermé",
    "chiuso",
    "cerrado",
];

/// Whether a cell says yes or no of a valve only.
pub(crate) fn is_valve_word(text: &str) -> bool {
    OF_VALVES.contains(&text.trim().to_lowercase().as_str())
}

/// What people write for the maintenance actions.
const ACTIONS: &[(&str, &str)] = &[
    ("overhaul", "rebuild"),
    ("pump_rebuild", "rebuild"),
    ("pump_overhaul", "rebuild"),
    ("vacuum_pump_rebuild", "rebuild"),
    ("rebuilt", "rebuild"),
    ("vane", "vanes"),
    ("vane_change", "vanes"),
    ("vanes_replaced", "vanes"),
    ("new_vanes", "vanes"),
    ("vacuum_pump_oil", "pump_oil"),
    ("pump_oil_change", "pump_oil"),
    ("oil_change_pump", "pump_oil"),
    ("pump_oil_changed", "pump_oil"),
    ("pump_oil_replaced", "pump_oil"),
    ("new_pump_oil", "pump_oil"),
    ("pumpenöl", "pump_oil"),
    ("pumpenölwechsel", "pump_oil"),
    ("pump_replaced", "pump_swap"),
    ("pump_replacement", "pump_swap"),
    ("pump_exchange", "pump_swap"),
    ("new_pump", "pump_swap"),
    ("leak", "leak_repair"),
    ("leak_fixed", "leak_repair"),
    ("leak_repaired", "leak_repair"),
    ("gauge_replaced", "gauge"),
    ("gauge_change", "gauge"),
    ("sensor", "sensor_swap"),
    ("sensor_replaced", "sensor_swap"),
    ("sensor_change", "sensor_swap"),
    ("calibrated", "calibration"),
    ("cal", "calibration"),
    ("filter_change", "filter"),
    ("filter_replaced", "filter"),
    ("new_filter", "filter"),
    ("filters", "filter"),
    ("heater_repair", "heater"),
    ("heater_replaced", "heater"),
    ("topup", "top_up"),
    ("topped_up", "top_up"),
    ("oil_changed", "oil_change"),
    ("ölwechsel", "oil_change"),
    // The only oil of its own that a unit has is its vacuum pump's.
    ("oil_change", "pump_oil"),
    ("oil_changed", "pump_oil"),
    ("ölwechsel", "pump_oil"),
    ("drain", "bottom_drain"),
    ("drained", "bottom_drain"),
    ("water_drained", "bottom_drain"),
    ("breather_change", "breather"),
    ("breather_replaced", "breather"),
];

/// The word of a closed list that `text` stands for; None where it is not on the list.
///
/// Case, blanks and hyphens do not matter; then the synonyms are tried.
pub(crate) fn to_known_word<'w>(text: &str, known: &'w [String]) -> Option<&'w str> {
    if let Some(word) = known.iter().find(|word| word.as_str() == text) {
        return Some(word);
    }
    let folded: String = text
        .trim()
        .to_lowercase()
        .chars()
        .map(|c| {
            if c.is_whitespace() || c == '-' {
                '_'
            } else {
                c
            }
        })
        .collect();
    let find = |wanted: &str| {
        known
            .iter()
            .map(String::as_str)
            .find(|word| *word == wanted)
    };
    find(&folded).or_else(|| {
        ACTIONS
            .iter()
            .filter(|(said, _)| *said == folded)
            .find_map(|(_, word)| find(word))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn yes_and_no() {
        let cases = [
            ("1", Some(true)),
            ("ON", Some(true)),
            ("Nein", Some(false)),
            ("WAHR", Some(true)),
            ("Faux", Some(false)),
            ("Sí", Some(true)),
            ("NÃO", Some(false)),
            ("på", Some(true)),
            ("av", Some(false)),
            ("Нет", Some(false)),
            ("-1", Some(true)),
            ("2", None),
            ("OK", None),
        ];
        for (text, expected) in cases {
            assert_eq!(parse_yes_no(text), expected, "{text}");
        }
    }

    #[test]
    fn no_word_is_both() {
        assert!(super::YES.iter().all(|word| !super::NO.contains(word)));
        let folded = |words: &[&str]| words.iter().all(|word| *word == word.to_lowercase());
        assert!(folded(super::YES) && folded(super::NO));
    }

    #[test]
    fn words_of_a_closed_list() {
        let known: Vec<String> = ["rebuild", "vanes", "pump_oil", "top_up", "other"]
            .map(str::to_owned)
            .to_vec();
        let cases = [
            ("rebuild", Some("rebuild")),
            ("Pump oil", Some("pump_oil")),
            ("Pump-oil change", Some("pump_oil")),
            ("Overhaul", Some("rebuild")),
            ("Pump oil changed", Some("pump_oil")),
            ("oil change", Some("pump_oil")),
            ("Ölwechsel", Some("pump_oil")),
            ("Pumpenölwechsel", Some("pump_oil")),
            ("TOP UP", Some("top_up")),
            ("gauge", None),
            ("gauge change", None),
        ];
        for (text, expected) in cases {
            assert_eq!(to_known_word(text, &known), expected, "{text}");
        }
        // Of a reservoir it is the oil of the reservoir.
        let known = ["top_up", "oil_change"].map(str::to_owned);
        for text in ["Oil changed", "Ölwechsel", "oil change"] {
            assert_eq!(to_known_word(text, &known), Some("oil_change"), "{text}");
        }
    }
}
