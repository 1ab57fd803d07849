//! The signals of a tall file, laid beside each other as the columns of a wide one.

use std::collections::BTreeMap;

use regex::Regex;

use super::{Parts, good_words};
use crate::draft::facts::Facts;
use crate::draft::head::Head;
use crate::draft::proposal::Found;
use crate::draft::{Column, Context, pump_runs, setpoints};

/// Signals whose rows are laid beside each other; more take too much room.
const MAX_ALIGNED: usize = 60;
/// The signals of a tall file as the columns of a wide one.
pub(super) struct Signals {
    /// Splits the tag; None where it is the signal.
    pub(super) pattern: Option<Regex>,
    pub(super) columns: Vec<Column>,
}

/// A column per signal, with the unit that its rows state most often. Rows of one unit and time are
/// one row, so that the state of the pump tells what a pressure is measured against.
pub(super) fn signals_of(found: &Found<'_>, parts: &Parts, pattern: Option<Regex>) -> Signals {
    let used = parts.used();
    let good = parts
        .quality
        .and_then(|idx| found.columns.get(idx))
        .map(|column| good_words(&column.facts))
        .unwrap_or_default();
    let mut moments: BTreeMap<Vec<&str>, usize> = BTreeMap::new();
    let mut by_signal: BTreeMap<&str, Vec<(usize, &Vec<String>)>> = BTreeMap::new();
    for cells in &found.shape.rows {
        let Some(tag) = cells.get(parts.tag).filter(|tag| !tag.is_empty()) else {
            continue;
        };
        let (unit, signal) = match &pattern {
            None => ("", tag.as_str()),
            Some(pattern) => {
                let Some(split) = pattern.captures(tag) else {
                    continue;
                };
                let part = |name| split.name(name).map_or("", |part| part.as_str().trim());
                (part("unit_id"), part("signal"))
            }
        };
        let others = cells
            .iter()
            .enumerate()
            .filter(|(idx, _)| !used.contains(idx));
        let moment: Vec<&str> = std::iter::once(unit)
            .chain(others.map(|(_, cell)| cell.as_str()))
            .collect();
        let next = moments.len();
        let at = *moments.entry(moment).or_insert(next);
        by_signal.entry(signal).or_default().push((at, cells));
    }
    let is_aligned = by_signal.len() <= MAX_ALIGNED;
    let columns = by_signal
        .iter()
        .map(|(signal, rows)| {
            let n_rows = if is_aligned {
                moments.len()
            } else {
                rows.len()
            };
            signal_column(found, parts, signal, rows, &good, n_rows)
        })
        .collect();
    Signals { pattern, columns }
}

fn signal_column(
    found: &Found<'_>,
    parts: &Parts,
    signal: &str,
    rows: &[(usize, &Vec<String>)],
    good: &[String],
    n_rows: usize,
) -> Column {
    let mut cells = vec![String::new(); n_rows];
    let mut stated: BTreeMap<&str, usize> = BTreeMap::new();
    for (at, row) in rows {
        let cell = |idx: usize| row.get(idx).map_or("", String::as_str);
        if let Some(unit) = parts.unit {
            *stated.entry(cell(unit)).or_default() += 1;
        }
        // What is not to be trusted says nothing of the range.
        let is_trusted = parts
            .quality
            .is_none_or(|idx| good.is_empty() || good.iter().any(|word| word == cell(idx)));
        if let (true, Some(place)) = (is_trusted, cells.get_mut(*at)) {
            *place = cell(parts.value).to_owned();
        }
    }
    let unit = stated
        .into_iter()
        .max_by_key(|(_, n)| *n)
        .map_or("", |(unit, _)| unit);
    Column {
        head: Head::of(signal, unit),
        facts: Facts::of(cells.into_iter(), found.context),
        is_nameless: false,
    }
}

/// The context of a log with the units that the signals name and the state of the pump among them.
pub(super) fn context_of(context: &Context, columns: &[Column]) -> Context {
    let has = |code: &str| {
        columns
            .iter()
            .flat_map(|column| &column.head.units)
            .any(|found| found.is_firm && found.unit.code() == code)
    };
    let fahrenheit = columns
        .iter()
        .flat_map(|column| &column.head.units)
        .any(|found| found.unit.code() == "[degF]");
    let is_us = fahrenheit || has("[gal_us]/min") || has("[psi]");
    Context {
        is_us,
        is_metric: has("L/min") || has("mbar"),
        is_log: true,
        pump_runs: pump_runs(columns),
        setpoints: setpoints(columns),
        ..context.clone()
    }
}
