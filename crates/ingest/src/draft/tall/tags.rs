//! How the tags of a tall file split into a unit and a signal.

use std::collections::BTreeSet;

use regex::Regex;

use crate::draft::head::Head;

/// What may stand between the unit and the signal of a tag, the likeliest first.
const SEPARATORS: &[&str] = &["/", "\\", ".", ":", "|", "!", "-", "_", " "];

/// Those that stand in no name of a machine or a signal.
const HARD: &[&str] = &["/", "\\", ":", "|", "!"];

/// What stands last in a tag that names a loop and one of its values; common practice, no source.
const ATTRIBUTES: &[&str] = &[
    "pv", "sp", "op", "mv", "cv", "out", "val", "value", "pos", "run", "cmd", "fb", "mode", "alm",
    "hi", "lo", "raw", "act", "set", "status", "sts", "state", "f_cv", "y", "sv",
];

/// Levels of a tag that may stand before the unit.
const MAX_BEFORE: usize = 3;

/// Splits whose marks are closer than this could each be meant.
const CLEAR: f64 = 0.3;

/// How tags split.
pub(super) struct Split {
    pub(super) pattern: Regex,
    /// The names of units that it makes.
    pub(super) units: BTreeSet<String>,
    /// The units that another split would make, where that is nearly as likely.
    pub(super) other: Option<BTreeSet<String>>,
}

/// The pattern that splits the tags into a unit and a signal; None where they have no such form.
pub(super) fn split_of(tags: &BTreeSet<String>) -> Option<Split> {
    let mut found: Vec<(f64, Split)> = Vec::new();
    for separator in SEPARATORS {
        for form in forms(separator) {
            let split = Regex::new(&form)
                .ok()
                .and_then(|pattern| split_score(pattern, separator, tags));
            found.extend(split);
        }
    }
    // The first of equal ones.
    found.sort_by(|a, b| b.0.total_cmp(&a.0));
    let mut found = found.into_iter();
    let (best, mut split) = found.next()?;
    split.other = found
        .take_while(|(score, _)| best - score < CLEAR)
        .find(|(_, other)| other.units != split.units)
        .map(|(_, other)| other.units);
    Some(split)
}

/// The forms that a tag may have: the unit first, or behind some levels, or the last but one.
fn forms(separator: &str) -> Vec<String> {
    let escaped = regex::escape(separator);
    let not = format!("[^{escaped}]");
    let mut forms = vec![
        format!("^(?<unit_id>{not}+){escaped}(?<signal>.+)$"),
        format!("^(?:.+{escaped})?(?<unit_id>{not}+){escaped}(?<signal>{not}+)$"),
        format!("^(?<unit_id>.+){escaped}(?<signal>{not}+)$"),
    ];
    // Below a yard, or a plant and an area of it: `YARD.VD1.PT101.PV`.
    forms.extend((1..=MAX_BEFORE).map(|n| {
        let before = format!("{not}+{escaped}").repeat(n);
        format!("^{before}(?<unit_id>{not}+){escaped}(?<signal>.+)$")
    }));
    forms
}

/// How well the tags are all pairs of a few units and more signals; None where they are not.
fn split_score(pattern: Regex, separator: &str, tags: &BTreeSet<String>) -> Option<(f64, Split)> {
    let mut units = BTreeSet::new();
    let mut signals = BTreeSet::new();
    let mut both = BTreeSet::new();
    let mut n_split = 0_usize;
    for tag in tags {
        let Some(found) = pattern.captures(tag) else {
            continue;
        };
        let unit = found.name("unit_id")?.as_str().to_owned();
        let signal = found.name("signal")?.as_str().to_owned();
        both.insert((unit.clone(), signal.clone()));
        units.insert(unit);
        signals.insert(signal);
        n_split += 1;
    }
    // Two tags of one name would be read as one signal.
    if both.len() < n_split {
        return None;
    }
    // A full grid of numbered machines and signals is no accident, whatever the signals are called.
    let is_grid =
        HARD.contains(&separator) && units.len() > 1 && n_split == units.len() * signals.len();
    let count = |names: &BTreeSet<String>, is: &dyn Fn(&str) -> bool| {
        names.iter().filter(|name| is(name)).count()
    };
    let has_digit = count(&units, &|unit| unit.chars().any(|c| c.is_ascii_digit()));
    let meant = count(&signals, &|signal| {
        !Head::of(signal, "").meanings.is_empty()
    });
    if n_split * 10 < tags.len() * 9
        || signals.len() < 2
        || has_digit * 2 < units.len()
        || (meant * 3 < signals.len() && !is_grid)
    {
        return None;
    }
    let full = n_split as f64 / (units.len() * signals.len()) as f64;
    // One unit alone splits at anything: it must at least be short beside its signals.
    let few = signals.len() as f64 / (signals.len() + units.len()) as f64;
    let mut score = full + few + 0.5 * meant as f64 / signals.len() as f64;
    // The level that comes again with the same signals is the machine, and not the place it stands at.
    if units.len() > 1 && full >= 0.8 {
        score += 0.6;
    }
    if count(&units, &|unit| Head::of(unit, "").has("machine")) * 2 > units.len() {
        score += 0.3;
    }
    // `PT101` and `PV`: an instrument and one of its values.
    if count(&units, &is_instrument) * 2 > units.len() {
        score -= 1.0;
    }
    let is_attribute = |signal: &str| ATTRIBUTES.contains(&signal.to_lowercase().as_str());
    if count(&signals, &is_attribute) * 2 > signals.len() {
        score -= 0.5;
    }
    let split = Split {
        pattern,
        units,
        other: None,
    };
    Some((score, split))
}

/// Whether a name is that of an instrument or its loop: what it measures, what it does, a number.
fn is_instrument(name: &str) -> bool {
    const MEASURED: &str = "AFHLMPQTXZ";
    const DOES: &str = "ACDEGIRSTVYZ";
    let letters: Vec<char> = name
        .chars()
        .take_while(|c| c.is_ascii_alphabetic())
        .map(|c| c.to_ascii_uppercase())
        .collect();
    let rest = name.get(letters.len()..).unwrap_or("");
    let digits = rest.trim_start_matches(['-', '_']);
    let (Some(first), Some(does)) = (letters.first(), letters.get(1..)) else {
        return false;
    };
    MEASURED.contains(*first)
        && (1..=3).contains(&does.len())
        && does.iter().all(|c| DOES.contains(*c))
        && (2..=5).contains(&digits.len())
        && digits.chars().all(|c| c.is_ascii_digit())
}
