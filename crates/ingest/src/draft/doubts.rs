//! What a wide block would take for granted and the file contradicts: times and quality per column.

use super::assign::Assignment;
use super::proposal::Found;
use super::words::tokens;

/// Words of columns that say of the one before whether its values can be trusted.
const QUALITY: &[&str] = &[
    "status",
    "quality",
    "qualität",
    "qualitaet",
    "state",
    "zustand",
    "validity",
    "valid",
    "flag",
    "qc",
];
/// Values that are trusted; common practice, no source.
const GOOD: &[&str] = &[
    "", "good", "ok", "gut", "valid", "192", "0", "true", "gültig", "g", "normal", "g[good]",
];

/// Whether some part of the block reads a column.
fn is_placed(assignment: &Assignment, idx: usize) -> bool {
    let mut placed = assignment.placed.iter();
    placed.any(|placed| placed.uses.contains(&idx))
}

/// Warns of columns with times of their own, which a block reads at the time of another.
pub(super) fn other_times(found: &Found<'_>, assignment: &Assignment) -> Option<String> {
    let at = assignment.find("at")?;
    let own = match at.uses[..] {
        [only] => &found.columns.get(only)?.facts,
        _ => return None,
    };
    let others: Vec<String> = found
        .columns
        .iter()
        .enumerate()
        .filter(|(idx, column)| {
            let is_stamp = column
                .facts
                .stamp
                .as_ref()
                .is_some_and(|stamp| !stamp.is_number);
            let pairs = || {
                own.cells
                    .iter()
                    .zip(&column.facts.cells)
                    .filter(|(_, b)| !b.is_empty())
            };
            let n_other = pairs().filter(|(a, b)| a != b).count();
            !is_placed(assignment, *idx) && is_stamp && n_other * 20 > pairs().count()
        })
        .map(|(_, column)| format!("\"{}\"", column.head.text))
        .collect();
    (!others.is_empty()).then(|| {
        format!(
            "check: {} holds other times than \"at\" is read from: if the values behind it were taken then, they need a block of their own with the same files",
            others.join(" and ")
        )
    })
}

/// Warns of columns that say which values not to trust, which a wide block does not look at.
pub(super) fn unheeded_quality(found: &Found<'_>, assignment: &Assignment) -> Option<String> {
    let told: Vec<String> = found
        .columns
        .iter()
        .enumerate()
        .filter(|(idx, column)| {
            let is_quality = tokens(&column.head.text)
                .iter()
                .any(|word| QUALITY.contains(&word.as_str()));
            let words: Vec<String> = column
                .facts
                .distinct
                .keys()
                .map(|word| word.to_lowercase())
                .collect();
            let is_good = |word: &String| GOOD.contains(&word.as_str());
            !is_placed(assignment, *idx)
                && is_quality
                && words.len() <= 20
                && words.iter().any(is_good)
                && !words.iter().all(is_good)
        })
        .map(|(_, column)| format!("\"{}\"", column.head.text))
        .collect();
    (!told.is_empty()).then(|| {
        format!(
            "check: {} says of some values that they are not good, and a wide block takes them all the same: export a row per tag instead, with `quality`",
            told.join(" and ")
        )
    })
}
