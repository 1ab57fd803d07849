//! How the tags of a tall file split into a unit and a signal.

use std::collections::BTreeSet;

use regex::Regex;

use crate::draft::head::Head;

/// What may stand between the unit and the signal of a tag, the likeliest first.
const SEPARATORS: &[&str] = &["/", "\\", ".", ":", "|", "!", "-", "_", " "];

/// Those that stand in no name of a machine or a signal.
const HARD: &[&str] = &["/", "\\", ":", "|", "!"];

/// The pattern that splits the tags into a unit and a signal; None where they have no such form.
pub(super) fn split_of(tags: &BTreeSet<String>) -> Option<Regex> {
    let mut best: Option<(f64, String)> = None;
    for separator in SEPARATORS {
        let escaped = regex::escape(separator);
        let not = format!("[^{escaped}]");
        let forms = [
            format!("^(?<unit_id>{not}+){escaped}(?<signal>.+)$"),
            format!("^(?:.+{escaped})?(?<unit_id>{not}+){escaped}(?<signal>{not}+)$"),
            format!("^(?<unit_id>.+){escaped}(?<signal>{not}+)$"),
            // Below a yard, or a plant and an area of it: `YARD.VD1.PT101.PV`.
            format!("^{not}+{escaped}(?<unit_id>{not}+){escaped}(?<signal>.+)$"),
            format!("^{not}+{escaped}{not}+{escaped}(?<unit_id>{not}+){escaped}(?<signal>.+)$"),
        ];
        for form in forms {
            let Some(score) = Regex::new(&form)
                .ok()
                .and_then(|pattern| split_score(&pattern, separator, tags))
            else {
                continue;
            };
            if best.as_ref().is_none_or(|(other, _)| score > *other + 1e-9) {
                best = Some((score, form));
            }
        }
    }
    best.and_then(|(_, form)| Regex::new(&form).ok())
}

/// How well the tags are all pairs of a few units and more signals; None where they are not.
fn split_score(pattern: &Regex, separator: &str, tags: &BTreeSet<String>) -> Option<f64> {
    let mut units = BTreeSet::new();
    let mut signals = BTreeSet::new();
    let mut n_split = 0_usize;
    for tag in tags {
        let Some(found) = pattern.captures(tag) else {
            continue;
        };
        units.insert(found.name("unit_id")?.as_str().to_owned());
        signals.insert(found.name("signal")?.as_str().to_owned());
        n_split += 1;
    }
    // A full grid of numbered machines and signals is no accident, whatever the signals are called.
    let is_grid =
        HARD.contains(&separator) && units.len() > 1 && n_split == units.len() * signals.len();
    let has_digit = units
        .iter()
        .filter(|unit| unit.chars().any(|c| c.is_ascii_digit()))
        .count();
    let meant = signals
        .iter()
        .filter(|signal| !Head::of(signal, "").meanings.is_empty())
        .count();
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
    Some(full + few + 0.5 * meant as f64 / signals.len() as f64)
}
