//! One header taken apart: its meanings, its units, what it says of a pressure's reference.

use drydown_quantity::pressure::hinted_reference;
use drydown_quantity::{Dimension, PressureReference, Unit, all_units};

use super::facts::Facts;
use super::words::{is_filler, meanings, tokens};

/// Spellings that only headers use, beyond those a source may write, and the unit they stand for.
const SPELLINGS: &[(&str, &str)] = &[
    ("%rf", "%RS"),
    ("%relf", "%RS"),
    ("%relfeuchte", "%RS"),
    ("rf%", "%RS"),
    ("%rsat", "%RS"),
    ("%relsat", "%RS"),
    ("%aw", "%RS"),
    ("rs", "%RS"),
    ("%vac", "%"),
    ("%vacuum", "%"),
    ("%vakuum", "%"),
    ("vac%", "%"),
    ("%open", "%"),
    ("barü", "bar"),
    ("mbarü", "mbar"),
    ("kw", "kW"),
    ("kv", "kV"),
    ("hz", "Hz"),
    ("kpa", "kPa"),
    ("hpa", "hPa"),
    ("mbar", "mbar"),
    ("bar", "bar"),
    ("m3/h", "m3/h"),
    ("psid", "psi"),
    ("u/min", "rpm"),
    ("gradc", "°C"),
    ("lt/min", "L/min"),
    ("ltr./min", "L/min"),
    ("gallons", "gal"),
    ("litres", "L"),
    ("liters", "L"),
    ("feet", "ft"),
];

/// A unit found in a header.
#[derive(Clone, Debug)]
pub(super) struct HeadUnit {
    pub(super) unit: Unit,
    /// As it stands there.
    pub(super) written: String,
    /// It cannot be another word: in brackets, or of more than one letter.
    pub(super) is_firm: bool,
}

/// One header.
#[derive(Clone, Debug)]
pub(super) struct Head {
    pub(super) text: String,
    pub(super) meanings: Vec<&'static str>,
    /// What a firm unit says beside the words: degrees are of a temperature.
    pub(super) implied: Vec<&'static str>,
    /// What stands in brackets like a unit and is none that is known.
    pub(super) unknown_unit: Option<String>,
    /// Words of no known meaning.
    pub(super) n_unknown: usize,
    /// The surest first.
    pub(super) units: Vec<HeadUnit>,
    pub(super) reference: Option<PressureReference>,
    /// The one unit of a pressure that the column beside it states in every row.
    pub(super) beside: Option<HeadUnit>,
    /// Its unit stands there with a minus (`Vac (-kPa)`): it counts down from the barometer.
    pub(super) is_minus: bool,
}

impl Head {
    /// `unit_row`: what stands under the header in a row of units, else empty.
    pub(super) fn of(text: &str, unit_row: &str) -> Self {
        let (plain, bracketed) = split_brackets(text);
        let mut units: Vec<HeadUnit> = Vec::new();
        let mut unknown_unit = None;
        let (plain, mut is_minus) = without_minus(&plain);
        let mut words = tokens(&plain);
        for inner in bracketed
            .iter()
            .map(String::as_str)
            .chain((!unit_row.is_empty()).then_some(unit_row))
        {
            if matches!(inner.trim(), "-" | "−" | "–" | "neg" | "negative") {
                is_minus = true;
                continue;
            }
            let (inner, has_minus) = without_minus(inner);
            let inner = &inner;
            is_minus |= has_minus;
            match unit_of(inner) {
                Some(unit) => units.push(HeadUnit {
                    unit,
                    written: inner.clone(),
                    is_firm: true,
                }),
                None => {
                    let says_nothing = tokens(inner)
                        .iter()
                        .all(|word| meanings(word).is_empty() && !is_filler(word));
                    if says_nothing && inner.chars().count() <= 10 {
                        unknown_unit = Some(inner.clone());
                    }
                    words.extend(tokens(inner));
                }
            }
        }
        let found_in_plain = plain_units(&plain);
        let unit_words: Vec<String> = found_in_plain
            .iter()
            .flat_map(|found| tokens(&found.written))
            .collect();
        units.extend(found_in_plain);
        let mut found: Vec<&'static str> = Vec::new();
        let mut n_unknown: usize = 0;
        for word in &words {
            let known = meanings(word);
            let is_unit = unit_words.contains(word);
            if known.is_empty() && !is_filler(word) && !is_unit {
                n_unknown += 1;
            }
            // `C` or `psi` behind the name is a unit; `amps` and `ppm` are unit and name.
            if is_unit && word.chars().count() == 1 && words.len() > 1 {
                continue;
            }
            for meaning in known {
                if !found.contains(&meaning) {
                    found.push(meaning);
                }
            }
        }
        // `T_ein` is where the oil comes in; `Pumpe ein` is a pump that runs.
        for (word, meaning) in [("ein", "inlet"), ("aus", "outlet")] {
            let is_said = found.contains(&"temp") && words.iter().any(|other| other == word);
            if is_said && !found.contains(&meaning) {
                found.push(meaning);
                n_unknown = n_unknown.saturating_sub(1);
            }
        }
        // `P_Heiz [kW]`: the letter of a power.
        if units
            .iter()
            .any(|found| found.is_firm && found.unit.dimension() == Dimension::Power)
            && words.iter().any(|word| word == "p")
        {
            found.retain(|meaning| *meaning != "pressure");
        }
        Self {
            text: text.to_owned(),
            reference: reference_of(&words, &units),
            implied: units
                .iter()
                .filter(|unit| unit.is_firm)
                .filter_map(|unit| quantity_of(unit.unit))
                .collect(),
            is_minus,
            beside: None,
            unknown_unit,
            meanings: found,
            n_unknown,
            units,
        }
    }

    /// With the unit that the values state, where the header states none.
    pub(super) fn with_unit_of(mut self, facts: &Facts) -> Self {
        if let Some(unit) = facts.unit.filter(|_| self.units.is_empty()) {
            self.units.push(HeadUnit {
                unit,
                written: unit.code().to_owned(),
                is_firm: true,
            });
            self.implied.extend(quantity_of(unit));
        }
        self
    }

    /// With the unit of a pressure that the column beside states, and what that says of its reference.
    pub(super) fn set_beside(&mut self, written: &str) {
        let unit = unit_of(written).filter(|unit| unit.dimension() == Dimension::Pressure);
        let Some(unit) = unit.filter(|_| self.units.is_empty()) else {
            return;
        };
        let found = HeadUnit {
            unit,
            written: written.to_owned(),
            is_firm: true,
        };
        if self.reference.is_none() {
            self.reference = reference_of(&tokens(written), std::slice::from_ref(&found));
        }
        self.beside = Some(found);
    }

    /// Strength of the strongest rule that holds, and the meanings it rests on.
    pub(super) fn strength(
        &self,
        rules: &'static [(&'static [&'static str], f64)],
    ) -> Option<(f64, &'static [&'static str])> {
        let says =
            |meaning: &&str| self.meanings.contains(meaning) || self.implied.contains(meaning);
        rules
            .iter()
            .filter(|(wanted, _)| wanted.iter().all(says))
            .map(|(wanted, weight)| {
                let beyond = self
                    .meanings
                    .iter()
                    .filter(|meaning| !wanted.contains(meaning))
                    .count();
                let strength = weight - 1.6 * beyond as f64 - 0.7 * self.n_unknown as f64;
                (strength, *wanted)
            })
            .max_by(|a, b| a.0.total_cmp(&b.0))
    }

    /// No word of a known meaning; the number of an instrument (`FIT-100`) is none.
    pub(super) fn says_nothing(&self) -> bool {
        self.meanings
            .iter()
            .all(|meaning| matches!(*meaning, "40" | "100"))
    }

    pub(super) fn has(&self, meaning: &str) -> bool {
        self.meanings.contains(&meaning)
    }
}

/// The text without its bracketed parts, and those.
fn split_brackets(text: &str) -> (String, Vec<String>) {
    let mut plain = String::new();
    let mut parts = Vec::new();
    let mut rest = text;
    while let Some(open) = rest.find(['(', '[', '{']) {
        let closing = match rest.get(open..=open) {
            Some("(") => ')',
            Some("[") => ']',
            _ => '}',
        };
        let inner = rest.get(open + 1..).unwrap_or("");
        let Some(close) = inner.find(closing) else {
            break;
        };
        plain.push_str(rest.get(..open).unwrap_or(""));
        plain.push(' ');
        parts.push(inner.get(..close).unwrap_or("").trim().to_owned());
        rest = inner.get(close + 1..).unwrap_or("");
    }
    plain.push_str(rest);
    parts.retain(|part| !part.is_empty());
    (plain, parts)
}

/// Without the minus before a unit of pressure or the word for it behind (`-kPa`, `bar neg`), and whether
/// one stood there.
fn without_minus(text: &str) -> (String, bool) {
    let is_pressure =
        |word: &str| unit_of(word).is_some_and(|unit| unit.dimension() == Dimension::Pressure);
    let mut has_minus = false;
    let mut words: Vec<&str> = Vec::new();
    for word in text.split(' ') {
        let bare = word
            .strip_prefix(['-', '−', '–'])
            .filter(|bare| is_pressure(bare));
        let is_said = matches!(word, "neg" | "neg." | "negative")
            && words.last().is_some_and(|last| is_pressure(last));
        has_minus |= bare.is_some() || is_said;
        if !is_said {
            words.push(bare.unwrap_or(word));
        }
    }
    match has_minus {
        true => (words.join(" "), true),
        false => (text.to_owned(), false),
    }
}

/// The unit of a spelling, with those only headers use.
pub(super) fn unit_of(text: &str) -> Option<Unit> {
    if let Some(unit) = Unit::parse(text) {
        return Some(unit);
    }
    let folded: String = text
        .chars()
        .filter(|c| !c.is_whitespace() && !matches!(c, '.' | ',' | '_'))
        .flat_map(char::to_lowercase)
        .collect();
    let known = SPELLINGS
        .iter()
        .find(|(spelling, _)| *spelling == folded)
        .and_then(|(_, unit)| Unit::parse(unit));
    let known = known.or_else(|| Unit::parse(&folded)).or_else(|| {
        // `l/s`, `MBAR`: a code in other letters, where it is only one.
        let mut codes = all_units()
            .iter()
            .filter(|row| row.code.len() > 2 && row.code.eq_ignore_ascii_case(text.trim()));
        match (codes.next(), codes.next()) {
            (Some(row), None) => Unit::parse(row.code),
            _ => None,
        }
    });
    // `mbar abs`, `psi rel`, `inHg vac`: the reference is told elsewhere.
    known.or_else(|| {
        [
            " abs",
            " absolute",
            " gauge",
            " rel",
            " vac",
            " vacuum",
            " g",
            " a",
        ]
        .iter()
        .find_map(|tail| {
            text.to_lowercase()
                .strip_suffix(tail)
                .and_then(|head| Unit::parse(head.trim()))
        })
    })
}

/// The quantity that a unit is of, where it is the same in every column.
fn quantity_of(unit: Unit) -> Option<&'static str> {
    match unit.dimension() {
        Dimension::Temperature => Some("temp"),
        Dimension::Pressure => Some("pressure"),
        Dimension::VolumeFlow => Some("flow"),
        Dimension::Current => Some("current"),
        Dimension::Frequency => Some("frequency"),
        Dimension::Power => Some("power"),
        // Seconds count from the start of a recording, no counter shows them.
        Dimension::Time if unit.code() == "h" => Some("hours"),
        _ => None,
    }
}

/// Units among the words: the last words first, two words before one.
fn plain_units(plain: &str) -> Vec<HeadUnit> {
    let words: Vec<&str> = plain
        .split(|c: char| c.is_whitespace() || matches!(c, '_' | ',' | ';' | ':'))
        .filter(|word| !word.is_empty())
        .collect();
    let mut found: Vec<HeadUnit> = Vec::new();
    for end in (1..=words.len()).rev() {
        for n_words in [2, 1] {
            let Some(part) = end
                .checked_sub(n_words)
                .and_then(|start| words.get(start..end))
            else {
                continue;
            };
            let written = part.join(" ");
            let is_one_letter = written.chars().filter(|c| c.is_alphanumeric()).count() == 1;
            if is_word(&written) || (n_words == 2 && is_one_letter && !written.contains('%')) {
                continue;
            }
            // A name that is one letter is no unit (`A`, `B` of a solubility line).
            if words.len() == 1 && is_one_letter && written != "%" {
                continue;
            }
            if let Some(unit) = unit_of(&written) {
                let is_firm = !is_one_letter || written.contains(['%', '°']);
                if !found.iter().any(|other| other.unit == unit) {
                    found.push(HeadUnit {
                        unit,
                        written,
                        is_firm,
                    });
                }
                break;
            }
        }
    }
    // `MoisturePPM`: the last word of a name in camel case.
    let last = tokens(plain)
        .pop()
        .filter(|last| found.is_empty() && last.chars().count() > 1);
    if let Some((unit, written)) = last.and_then(|last| Some((unit_of(&last)?, last)))
        && !is_word(&written)
    {
        found.push(HeadUnit {
            unit,
            written,
            is_firm: true,
        });
    }
    found
}

/// Whether a spelling of a unit is a word first: `in` is the way in, `at` is a word, before they are
/// inches or atmospheres.
fn is_word(written: &str) -> bool {
    matches!(
        written.to_lowercase().as_str(),
        "in" | "at"
            | "min"
            | "day"
            | "days"
            | "hour"
            | "activity"
            | "aw"
            | "rs"
            | "ratio"
            | "t"
            | "p"
            | "q"
            | "no"
    )
}

fn reference_of(words: &[String], units: &[HeadUnit]) -> Option<PressureReference> {
    if let Some(hint) = units.iter().find_map(|unit| {
        let lower = unit.written.to_lowercase();
        if lower.ends_with("rel") || lower.ends_with('ü') {
            return Some(PressureReference::Gauge);
        }
        hinted_reference(&lower)
    }) {
        return Some(hint);
    }
    let has = |known: &[&str]| words.iter().any(|word| known.contains(&word.as_str()));
    // Words for a pressure below the atmosphere and for nothing else.
    const BELOW: &[&str] = &[
        "dépression",
        "depression",
        "unterdruck",
        "depresión",
        "depresion",
        "depressione",
        "depressão",
        "undertryk",
        "undertrykk",
        "undertryck",
        "onderdruk",
        "underpressure",
    ];
    // Also as a part of a compound: `Kammerunterdruck`.
    if words
        .iter()
        .any(|word| BELOW.iter().any(|known| word.contains(known)))
    {
        return Some(PressureReference::Vacuum);
    }
    if has(&["abs", "absolute", "absolut"]) {
        return Some(PressureReference::Absolute);
    }
    if has(&["rel", "relative", "relativ", "überdruck"]) {
        return Some(PressureReference::Gauge);
    }
    None
}
