//! What fills the key of the table where no column of the file does, and whether rows share it.

use std::collections::{BTreeMap, BTreeSet};

use super::FILL_IN;
use super::above::{after_start, day_above, unit_above};
use super::assign::Assignment;
use super::judge::Sure;
use super::locate::{day_in_name, unit_in_folder, unit_in_name, unit_in_preamble};
use super::proposal::{Found, Proposal, column_key};
use super::stamps::find_times;
use crate::source::{ColumnMap, OF_FILE_NAME, OneOrMany, Scalar};

/// Warns of rows that share their key, of which only the last would stay.
pub(super) fn same_keys(found: &Found<'_>, assignment: &Assignment) -> Option<String> {
    let key: Vec<&str> = assignment
        .table
        .key
        .iter()
        .map(String::as_str)
        .filter(|name| assignment.find(name).is_some())
        .collect();
    let uses: Vec<usize> = key
        .iter()
        .filter_map(|name| assignment.find(name))
        .flat_map(|placed| placed.uses.clone())
        .collect();
    // An identifier alone repeats in every log.
    if uses.is_empty()
        || key.len() + 1 < assignment.table.key.len()
        || (key.len() < assignment.table.key.len()
            && !key.contains(&"at")
            && !key.contains(&"sample_id"))
    {
        return None;
    }
    let mut rows: BTreeMap<Vec<&str>, BTreeSet<&[String]>> = BTreeMap::new();
    for row in &found.shape.rows {
        let key = uses
            .iter()
            .filter_map(|idx| row.get(*idx))
            .map(String::as_str)
            .collect();
        rows.entry(key).or_default().insert(row);
    }
    let n_lost: usize = rows.values().map(|rows| rows.len() - 1).sum();
    (n_lost > 0).then(|| {
        format!(
            "{n_lost} of {} rows looked at have the {} of another and would supersede it: is a column missing that tells them apart?",
            found.shape.rows.len(),
            key.join(" and ")
        )
    })
}

/// Fills what is missing of the key: from the file's name, from above the header, or left to a person.
pub(super) fn fill_keys(proposal: &mut Proposal, found: &Found<'_>, assignment: &Assignment) {
    for key in assignment.missing_keys() {
        let is_unit = key == "unit_id";
        if proposal.spec.columns.contains_key(key) {
            continue;
        }
        if is_unit && let Some(machines) = found.machines {
            let name = machines.names.first().cloned().unwrap_or_default();
            proposal.note(
                &column_key(key),
                format!(
                    "likely: the headers name the machines {}, and this block reads the columns of {name} alone: one more block for each of the others, with the same files",
                    machines.names.join(", ")
                ),
            );
            proposal.order.insert(0, key.to_owned());
            let map = ColumnMap {
                value: Some(Scalar::Text(name)),
                ..ColumnMap::default()
            };
            proposal.spec.columns.insert(key.to_owned(), map);
            continue;
        }
        let above = unit_in_preamble(found.shape).filter(|_| is_unit);
        // The same name otherwise written: machines are called as they call themselves.
        let is_other_case = |unit: &str| {
            above
                .as_deref()
                .is_some_and(|stated| stated != unit && stated.eq_ignore_ascii_case(unit))
        };
        if is_unit
            && let Some((pattern, unit)) = unit_in_name(found.path)
            && !is_other_case(&unit)
        {
            let agrees = unit_in_preamble(found.shape).is_some_and(|stated| stated == unit);
            let also = if agrees {
                ", and the lines above the header say so too"
            } else {
                ""
            };
            let sure = if agrees { Sure::Certain } else { Sure::Likely };
            proposal.note("file_name", format!("{}: the unit is \"{unit}\" by the file's name{also}: check other files of the source", sure.as_str()));
            proposal.spec.file_name = Some(pattern);
            continue;
        }
        if is_unit
            && above.is_none()
            && let Some((pattern, unit)) = unit_in_folder(found.path)
        {
            proposal.note(
                "file_name",
                format!(
                    "likely: the unit is \"{unit}\" by the folder or the archive of the file: check other files of the source, and let `files` match them all"
                ),
            );
            proposal.spec.file_name = Some(pattern);
            continue;
        }
        if key == "at"
            && (day_of_name(proposal, found)
                || day_above(proposal, found)
                || after_start(proposal, found))
        {
            continue;
        }
        if key == "sample_id" && found.shape.is_transposed && heads_of_columns(proposal, found) {
            continue;
        }
        let pattern = above
            .as_ref()
            .and_then(|unit| unit_above(found.shape, unit));
        if let (Some(unit), Some(pattern)) = (&above, pattern) {
            proposal.note(
                "preamble",
                format!("likely: the lines above the header name the unit (\"{unit}\")"),
            );
            proposal.spec.preamble.push(pattern);
            continue;
        }
        let (value, why) = match (is_unit, above) {
            (true, Some(unit)) => (unit, "guess: from the lines above the header of this file: check, other files name another".to_owned()),
            _ => (FILL_IN.to_owned(), missing_reason(key)),
        };
        proposal.note(&column_key(key), why);
        proposal.order.insert(0, key.to_owned());
        let map = ColumnMap {
            value: Some(Scalar::Text(value)),
            ..ColumnMap::default()
        };
        proposal.spec.columns.insert(key.to_owned(), map);
    }
}

/// Samples that stand side by side, told apart by what heads their columns; whether they are.
fn heads_of_columns(proposal: &mut Proposal, found: &Found<'_>) -> bool {
    let Some(column) = found.columns.first() else {
        return false;
    };
    let facts = &column.facts;
    if column.head.text.is_empty() || facts.distinct.len() != facts.cells.len() {
        return false;
    }
    proposal.note(
        &column_key("sample_id"),
        format!(
            "likely: \"{}\": what heads the columns tells the samples apart",
            column.head.text
        ),
    );
    proposal.order.insert(0, "sample_id".to_owned());
    let map = ColumnMap {
        from: Some(OneOrMany::One(column.head.text.clone())),
        ..ColumnMap::default()
    };
    proposal.spec.columns.insert("sample_id".to_owned(), map);
    true
}

/// Stamps whose day stands in the file's name and whose time in a column; whether there are such.
fn day_of_name(proposal: &mut Proposal, found: &Found<'_>) -> bool {
    let takes_unit = proposal.spec.file_name.is_some();
    let Some(of_name) = day_in_name(found.path, takes_unit) else {
        return false;
    };
    let times = found.columns.iter().find_map(|column| {
        let named = (!column.is_nameless).then_some(column)?;
        let found = find_times((&of_name.day, of_name.format), &named.facts, found.context)?;
        Some((named.head.text.clone(), found))
    });
    let Some((column, stamps)) = times else {
        return false;
    };
    proposal.note(
        &column_key("at"),
        format!(
            "likely: the file's name gives the day ({}) and \"{column}\" the time; a time that jumps back by more than half a day is taken to have passed midnight: check",
            of_name.day
        ),
    );
    proposal.spec.file_name = Some(of_name.pattern);
    proposal.order.push("at".to_owned());
    let map = ColumnMap {
        from: Some(OneOrMany::Many(vec![format!("{OF_FILE_NAME}day"), column])),
        format: Some(stamps.format),
        ..ColumnMap::default()
    };
    proposal.spec.columns.insert("at".to_owned(), map);
    true
}

/// What to say of a column of the key that nothing fills.
pub(super) fn missing_reason(key: &str) -> String {
    match key {
        "lab" => format!("{FILL_IN}: the file does not say which laboratory it is from"),
        _ => format!(
            "{FILL_IN}: no column was found for it; name the column, give a value, or name a part of file_name after it"
        ),
    }
}
