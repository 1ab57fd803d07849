//! Columns whose empty cells say what stands above them.

use super::assign::Assignment;
use super::facts::Facts;
use super::proposal::{Found, Proposal};

/// What is said above the header of logs that leave a cell empty while its value stays.
const UNCHANGED: &[&str] = &[
    "unchanged",
    "deadband",
    "dead band",
    "dead-band",
    "on change",
    "unverändert",
    "bei änderung",
    "inchangé",
    "sin cambio",
];

/// Names the columns of the key that are told once for all rows they hold for, and of a log that says so
/// those whose value stays until another stands there.
pub(super) fn set_fill_down(proposal: &mut Proposal, found: &Found<'_>, assignment: &Assignment) {
    if found.shape.is_transposed {
        return;
    }
    let key = &assignment.table.key;
    let placed = key.iter().filter_map(|name| assignment.find(name));
    // What tells the rows of a log apart stands in each of them.
    let shared = placed.filter(|placed| placed.fit.column != "at" || placed.uses.len() > 1);
    for idx in shared.flat_map(|placed| &placed.uses) {
        let Some(column) = found.columns.get(*idx) else {
            continue;
        };
        if is_told_once(&column.facts, *idx, &found.shape.rows) {
            proposal.note(
                "fill_down",
                format!(
                    "likely: empty cells of \"{}\" say what stands above them: check",
                    column.head.text
                ),
            );
            proposal.spec.fill_down.push(column.head.text.clone());
        }
    }
    set_unchanged(proposal, found, assignment);
}

/// As the lines above the header say: a cell is empty while its value stays.
fn set_unchanged(proposal: &mut Proposal, found: &Found<'_>, assignment: &Assignment) {
    let above = found.shape.head_text.to_lowercase();
    let Some(word) = UNCHANGED.iter().find(|word| above.contains(*word)) else {
        return;
    };
    let key = &assignment.table.key;
    let values = assignment.placed.iter();
    let values = values.filter(|placed| !key.contains(&placed.fit.column));
    let has_gaps = |facts: &Facts| {
        let n_empty = facts.cells.iter().filter(|cell| cell.is_empty()).count();
        n_empty > 0 && n_empty < facts.cells.len()
    };
    let mut names: Vec<String> = values
        .flat_map(|placed| &placed.uses)
        .filter_map(|idx| found.columns.get(*idx))
        .filter(|column| has_gaps(&column.facts))
        .map(|column| column.head.text.clone())
        .collect();
    names.dedup();
    if names.is_empty() {
        return;
    }
    let why = format!(
        "likely: the lines above the header say \"{word}\": an empty cell is what stands above it: check, a sensor that failed would go on for ever"
    );
    proposal.note("fill_down", why);
    proposal.spec.fill_down.extend(names);
}

/// Filled at the head and where it changes, empty in other rows that say something.
fn is_told_once(facts: &Facts, idx: usize, rows: &[Vec<String>]) -> bool {
    let told: Vec<&String> = facts.cells.iter().filter(|cell| !cell.is_empty()).collect();
    let n_changes = told
        .windows(2)
        .filter(|pair| matches!(pair, [a, b] if a != b))
        .count();
    let is_first = facts.cells.first().is_some_and(|cell| !cell.is_empty());
    let n_filled = |row: &Vec<String>| {
        let others = row.iter().enumerate();
        let others = others.filter(|(at, other)| *at != idx && !other.is_empty());
        others.count()
    };
    let both = || rows.iter().zip(&facts.cells);
    let of_told = both().filter(|(_, cell)| !cell.is_empty());
    let most = of_told.map(|(row, _)| n_filled(row)).max().unwrap_or(0);
    // A remark that goes on and the number of a page fill a cell of a line or two: they are no rows.
    let n_others = both()
        .filter(|(row, cell)| cell.is_empty() && n_filled(row) * 2 >= most.max(1))
        .count();
    is_first && n_others * 4 >= rows.len() && (n_changes + 1) * 2 >= told.len()
}
