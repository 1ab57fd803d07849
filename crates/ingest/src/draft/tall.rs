//! Files with a row per tag and time: which column is what, how the tags split, what the signals are.

mod laboratory;
mod tags;

pub(super) use laboratory::laboratory;

use std::collections::{BTreeMap, BTreeSet};

use regex::Regex;

use self::tags::split_of;
use super::assign::{Assignment, Placed, assign};
use super::facts::Facts;
use super::head::{Head, unit_of};
use super::proposal::{
    Found, Proposal, bare, fill_keys, place, say_not_placed, set_nulls, set_zone, single_from,
    summary, values_shown,
};
use super::settle::settle;
use super::words::tokens;
use super::{Column, Context};
use crate::source::{Layout, OneOrMany, Quality, TallSpec, UnitColumn, UnitOf};

/// Different tags of a file at most; more are free text.
const MAX_TAGS: usize = 500;
/// Columns of a tall file at most.
const MAX_COLUMNS: usize = 9;
/// What historians write beside a value to trust; common practice, no source.
const GOOD: &[&str] = &[
    "good", "ok", "gut", "valid", "192", "true", "gültig", "g", "normal",
];
/// Places of the columns of a tall file.
pub(super) struct Parts {
    tag: usize,
    value: usize,
    quality: Option<usize>,
    /// States the unit of measure of each row.
    unit: Option<usize>,
}

/// The columns of a tall run log; None where the file is not one.
pub(super) fn detect(columns: &[Column]) -> Option<Parts> {
    if columns.len() > MAX_COLUMNS || columns.len() < 3 {
        return None;
    }
    let is_tag = |column: &Column| {
        let n_distinct = column.facts.distinct.len();
        !column.is_nameless
            && !column.facts.is_numeric()
            && (1..=MAX_TAGS).contains(&n_distinct)
            && n_distinct * 2 <= column.facts.n_filled.max(4)
            && column.facts.stamp.is_none()
            && ["tag", "analyte", "name", "point", "probe"]
                .iter()
                .any(|word| column.head.has(word))
    };
    let is_value = |column: &Column| {
        !column.is_nameless
            && ["value", "result"].iter().any(|word| column.head.has(word))
            && column.facts.n_numbers * 10 >= column.facts.n_filled * 8
            && column.facts.n_numbers > 0
    };
    let tag = columns.iter().position(is_tag)?;
    let value = columns.iter().position(is_value)?;
    // Without a moment on every row it is no log; a laboratory's long file has its reports instead.
    let has_moment = columns.iter().any(|column| {
        column
            .facts
            .stamp
            .as_ref()
            .is_some_and(|found| !found.is_date_only)
    }) || columns
        .iter()
        .any(|column| super::stamps::is_time_of_day(&column.facts));
    let is_laboratory = columns.iter().any(|column| {
        ["report", "sample", "taken", "method", "lab"]
            .iter()
            .any(|word| column.head.has(word))
    });
    if !has_moment || is_laboratory || tag == value {
        return None;
    }
    let others = || {
        columns
            .iter()
            .enumerate()
            .filter(|(idx, column)| *idx != tag && *idx != value && !column.is_nameless)
    };
    let quality = others()
        .find(|(_, column)| column.head.has("quality") && column.facts.distinct.len() <= 20)
        .map(|(idx, _)| idx);
    let unit = others()
        .find(|(_, column)| states_units(&column.facts))
        .map(|(idx, _)| idx);
    Some(Parts {
        tag,
        value,
        quality,
        unit,
    })
}

fn states_units(facts: &Facts) -> bool {
    let n_units = facts
        .distinct
        .keys()
        .filter(|value| unit_of(value).is_some())
        .count();
    n_units > 0 && n_units * 2 >= facts.distinct.len() && !facts.is_numeric()
}

/// The rows of each signal.
type Signals = BTreeMap<String, Vec<usize>>;

/// The proposal for a tall run log.
pub(super) fn propose(found: &Found<'_>, parts: &Parts) -> Proposal {
    let used: Vec<usize> = [
        Some(parts.tag),
        Some(parts.value),
        parts.quality,
        parts.unit,
    ]
    .into_iter()
    .flatten()
    .collect();
    // The tag, the value and the quality are spoken for; the rest may be the time, the unit, the tank.
    let rest: Vec<Column> = found
        .columns
        .iter()
        .enumerate()
        .map(|(idx, column)| Column {
            is_nameless: column.is_nameless || used.contains(&idx),
            ..column.clone()
        })
        .collect();
    let Some(readings) = drydown_schema::table("readings") else {
        return bare(found, "readings");
    };
    let mut keys = assign(readings, &rest, found.context);
    let is_of_record = |placed: &Placed| {
        matches!(
            placed.fit.column.as_str(),
            "at" | "unit_id" | "reservoir_id" | "alarm"
        )
    };
    keys.placed.retain(is_of_record);
    let mut proposal = bare(found, "readings");
    let tag_name = |idx: usize| {
        found
            .columns
            .get(idx)
            .map_or_else(String::new, |column| column.head.text.clone())
    };
    let tags: BTreeSet<String> = found
        .columns
        .get(parts.tag)
        .map(|column| column.facts.distinct.keys().cloned().collect())
        .unwrap_or_default();
    let pattern = if keys.find("unit_id").is_some() {
        None
    } else {
        split_of(&tags)
    };
    if let Some(pattern) = &pattern {
        let units: BTreeSet<String> = tags
            .iter()
            .filter_map(|tag| Some(pattern.captures(tag)?.name("unit_id")?.as_str().to_owned()))
            .collect();
        let shown: Vec<&str> = units.iter().take(6).map(String::as_str).collect();
        proposal.note(
            "pattern",
            format!(
                "likely: it splits {} tags into the units {}",
                tags.len(),
                shown.join(", ")
            ),
        );
    }
    let signals = signals_of(found, parts, pattern.as_ref());
    let columns = signal_columns(found, parts, &signals);
    let context = Context {
        pump_runs: Vec::new(),
        is_log: true,
        ..units_of(found.context, &columns)
    };
    let assignment = assign(readings, &columns, &context);
    let value_facts: Vec<Facts> = columns.iter().map(|column| column.facts.clone()).collect();
    // Keys that the record gives stay; the rest comes from the signals.
    proposal.spec.layout = Layout::Tall;
    proposal.spec.tall = Some(TallSpec {
        tag: tag_name(parts.tag),
        value: tag_name(parts.value),
        quality: parts
            .quality
            .and_then(|idx| quality_of(found, idx, &mut proposal)),
        pattern: pattern.as_ref().map(|pattern| pattern.as_str().to_owned()),
        ignore: ignored(&signals),
    });
    let all = Assignment {
        placed: keys.placed.clone(),
        ..keys.clone()
    };
    for placed in &keys.placed {
        place(&mut proposal, placed);
    }
    for placed in assignment
        .placed
        .iter()
        .filter(|placed| !is_of_record(placed) || placed.fit.column == "alarm")
    {
        if let Some(signal) = as_signal(placed, parts.unit.map(tag_name), &columns) {
            place(&mut proposal, &signal);
        }
    }
    set_nulls(&mut proposal, value_facts.iter());
    if pattern.is_none() {
        fill_keys(&mut proposal, found, &all);
    } else {
        let without_unit = Assignment {
            table: readings,
            placed: all.placed.clone(),
            refused: Vec::new(),
            score: 0.0,
        };
        fill_keys_but_unit(&mut proposal, found, &without_unit);
    }
    summary_of(
        &mut proposal,
        found,
        &all,
        &used,
        &assignment,
        signals.len(),
    );
    say_signals(&mut proposal, &assignment, &columns);
    say_not_placed(&mut proposal, found, &all, &used);
    set_zone(&mut proposal, found);
    settle(&mut proposal);
    proposal
}

fn fill_keys_but_unit(proposal: &mut Proposal, found: &Found<'_>, assignment: &Assignment) {
    if assignment.find("at").is_none() {
        fill_keys(proposal, found, assignment);
        proposal.spec.columns.remove("unit_id");
        proposal.order.retain(|name| name != "unit_id");
        proposal.spec.file_name = None;
    }
}

/// The first comments, with the columns that make a tall file counted as placed.
fn summary_of(
    proposal: &mut Proposal,
    found: &Found<'_>,
    keys: &Assignment,
    used: &[usize],
    signals: &Assignment,
    n_signals: usize,
) {
    let mut counted = keys.clone();
    if let (Some(first), false) = (counted.placed.first().cloned(), used.is_empty()) {
        counted.placed.push(Placed {
            uses: used.to_vec(),
            ..first
        });
    }
    summary(proposal, found, &counted, "tall (a row per tag and time)");
    let n_placed = signals
        .placed
        .iter()
        .filter(|placed| !matches!(placed.fit.column.as_str(), "at" | "unit_id"))
        .count();
    let doubt = if n_placed * 2 < n_signals {
        "fewer than half of the signals fit: "
    } else {
        ""
    };
    proposal
        .first
        .push(format!("{doubt}{n_placed} of {n_signals} signals placed"));
}

/// The pair as a signal of the tag.
fn as_signal(placed: &Placed, unit_column: Option<String>, columns: &[Column]) -> Option<Placed> {
    let mut placed = placed.clone();
    let name = single_from(&placed.fit.map)?.to_owned();
    let is_number = placed.fit.map.unit.is_some();
    let has_unit = placed
        .uses
        .first()
        .and_then(|idx| columns.get(*idx))
        .is_some_and(|column| !column.head.units.is_empty());
    let map = &mut placed.fit.map;
    map.from = None;
    map.signal = Some(OneOrMany::One(name));
    if let (Some(from), true) = (unit_column, is_number && has_unit) {
        map.unit = Some(UnitOf::Column(UnitColumn { from }));
    }
    Some(placed)
}

fn signals_of(found: &Found<'_>, parts: &Parts, pattern: Option<&Regex>) -> Signals {
    let mut signals: Signals = BTreeMap::new();
    for (row, cells) in found.shape.rows.iter().enumerate() {
        let Some(tag) = cells.get(parts.tag).filter(|tag| !tag.is_empty()) else {
            continue;
        };
        let signal = match pattern {
            None => Some(tag.as_str()),
            Some(pattern) => pattern
                .captures(tag)
                .and_then(|found| found.name("signal"))
                .map(|part| part.as_str().trim()),
        };
        if let Some(signal) = signal {
            signals.entry(signal.to_owned()).or_default().push(row);
        }
    }
    signals
}

/// A column per signal, with the unit that its rows state most often.
fn signal_columns(found: &Found<'_>, parts: &Parts, signals: &Signals) -> Vec<Column> {
    signals
        .iter()
        .map(|(signal, rows)| {
            let cell = |row: &usize, idx: usize| {
                found
                    .shape
                    .rows
                    .get(*row)
                    .and_then(|cells| cells.get(idx))
                    .cloned()
                    .unwrap_or_default()
            };
            let mut stated: BTreeMap<String, usize> = BTreeMap::new();
            for unit in parts
                .unit
                .iter()
                .flat_map(|idx| rows.iter().map(|row| cell(row, *idx)))
            {
                *stated.entry(unit).or_default() += 1;
            }
            let unit = stated
                .into_iter()
                .max_by_key(|(_, n)| *n)
                .map_or_else(String::new, |(unit, _)| unit);
            // What is not to be trusted says nothing of the range.
            let trusted = |row: &&usize| {
                parts.quality.is_none_or(|idx| {
                    let words = found
                        .columns
                        .get(idx)
                        .map(|column| good_words(&column.facts))
                        .unwrap_or_default();
                    words.is_empty() || words.contains(&cell(row, idx))
                })
            };
            let cells: Vec<String> = rows
                .iter()
                .filter(trusted)
                .map(|row| cell(row, parts.value))
                .collect();
            Column {
                head: Head::of(signal, &unit),
                facts: Facts::of(cells.into_iter(), found.context),
                is_nameless: false,
            }
        })
        .collect()
}

/// The context with the units that the signals name.
fn units_of(context: &Context, columns: &[Column]) -> Context {
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
        ..context.clone()
    }
}

fn good_words(facts: &Facts) -> Vec<String> {
    facts
        .distinct
        .keys()
        .filter(|word| GOOD.contains(&word.to_lowercase().as_str()))
        .cloned()
        .collect()
}

fn quality_of(found: &Found<'_>, idx: usize, proposal: &mut Proposal) -> Option<Quality> {
    let column = found.columns.get(idx)?;
    let mut good = good_words(&column.facts);
    let seen: Vec<String> = column
        .facts
        .distinct
        .iter()
        .map(|(word, n)| format!("\"{word}\" {n} times"))
        .collect();
    if good.is_empty() {
        good = column
            .facts
            .distinct
            .iter()
            .max_by_key(|(_, n)| **n)
            .map(|(word, _)| vec![word.clone()])
            .unwrap_or_default();
        proposal.note(
            "quality",
            format!(
                "guess: the word that stands there most often: check; found {}",
                seen.join(", ")
            ),
        );
    } else {
        proposal.note(
            "quality",
            format!(
                "likely: any other word means no value and a reject entry; found {}",
                seen.join(", ")
            ),
        );
    }
    Some(Quality {
        from: column.head.text.clone(),
        good,
    })
}

/// Patterns for signals that say themselves that they are not wired.
fn ignored(signals: &Signals) -> Vec<String> {
    let is_spare = |signal: &&String| {
        tokens(signal).iter().any(|word| {
            matches!(
                word.trim_end_matches(|c: char| c.is_ascii_digit()),
                "spare" | "reserve" | "unused"
            )
        })
    };
    signals
        .keys()
        .filter(is_spare)
        .map(|signal| format!("{}$", regex::escape(signal)))
        .collect()
}

fn say_signals(proposal: &mut Proposal, assignment: &Assignment, columns: &[Column]) {
    let ignored: Vec<String> = proposal
        .spec
        .tall
        .as_ref()
        .map(|tall| tall.ignore.clone())
        .unwrap_or_default();
    for (idx, column) in columns.iter().enumerate() {
        if assignment
            .placed
            .iter()
            .any(|placed| placed.uses.contains(&idx))
        {
            continue;
        }
        let name = &column.head.text;
        if ignored.contains(&format!("{}$", regex::escape(name))) {
            proposal.note("ignore", format!("\"{name}\" says that it is not wired"));
            continue;
        }
        let closest = assignment
            .refused
            .iter()
            .filter(|refused| refused.file_column == idx)
            .max_by(|a, b| a.strength.total_cmp(&b.strength));
        let guess = closest.map_or_else(
            || "no column of the table is close".to_owned(),
            |refused| format!("closest is {}, but {}", refused.column, refused.why),
        );
        proposal.last.push(format!(
            "signal not placed, its lines are rejected until it is mapped or ignored: \"{name}\" ({}): {guess}",
            values_shown(&column.facts)
        ));
    }
}
