//! Columns whose empty cells say what stands above them.

use super::assign::Assignment;
use super::facts::Facts;
use super::proposal::{Found, Proposal};

/// Names the columns of the key that are told once for all rows they hold for.
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
}

/// Filled at the head and where it changes, empty in other rows that say something.
fn is_told_once(facts: &Facts, idx: usize, rows: &[Vec<String>]) -> bool {
    let told: Vec<&String> = facts.cells.iter().filter(|cell| !cell.is_empty()).collect();
    let n_changes = told
        .windows(2)
        .filter(|pair| matches!(pair, [a, b] if a != b))
        .count();
    let is_first = facts.cells.first().is_some_and(|cell| !cell.is_empty());
    let n_others = rows
        .iter()
        .zip(&facts.cells)
        .filter(|(row, cell)| {
            let says = row
                .iter()
                .enumerate()
                .any(|(at, other)| at != idx && !other.is_empty());
            cell.is_empty() && says
        })
        .count();
    is_first && n_others * 4 >= rows.len() && (n_changes + 1) * 2 >= told.len()
}
