//! Files with a row per tag and time: which column is what, how the tags split, what the signals are.

mod laboratory;
mod signals;
mod tags;

pub(super) use laboratory::laboratory;

use std::collections::BTreeSet;

use regex::Regex;

use self::signals::{context_of, signals_of};
use self::tags::split_of;
use super::Column;
use super::assign::{Assignment, Placed, assign};
use super::by_row::set_density_of;
use super::facts::Facts;
use super::head::unit_of;
use super::keys::fill_keys;
use super::left::{say_not_placed, shortened, values_shown};
use super::proposal::{Found, Proposal, bare, place, set_nulls, set_zone, single_from, summary};
use super::settle::settle;
use super::words::tokens;
use crate::source::{Layout, OneOrMany, Quality, TallSpec, UnitColumn, UnitOf};

/// Different tags of a file at most; more are free text.
const MAX_TAGS: usize = 500;
/// Columns of a tall file at most.
const MAX_COLUMNS: usize = 9;
/// What historians write beside a value to trust; common practice, no source.
const GOOD: &[&str] = &[
    "good", "ok", "gut", "valid", "192", "true", "gültig", "g", "normal",
];
/// What they write beside one not to trust; common practice, no source.
const BAD: &[&str] = &[
    "bad",
    "uncertain",
    "questionable",
    "suspect",
    "invalid",
    "stale",
    "schlecht",
    "ungültig",
    "unsicher",
    "mauvais",
    "malo",
    "substituted",
    "timeout",
    "comm fail",
    "no data",
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
    let named = others()
        .find(|(_, column)| column.head.has("quality") && column.facts.distinct.len() <= 20);
    let quality = named
        .or_else(|| others().find(|(_, column)| speaks_of_quality(&column.facts)))
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

/// Whether every value is a word for how far to trust another, whatever the header says.
fn speaks_of_quality(facts: &Facts) -> bool {
    let mut words = facts.distinct.keys().map(|word| word.to_lowercase());
    !facts.is_numeric()
        && !good_words(facts).is_empty()
        && words.all(|word| {
            let is_yes_no = matches!(word.as_str(), "true" | "g");
            BAD.contains(&word.as_str()) || (GOOD.contains(&word.as_str()) && !is_yes_no)
        })
}

/// Whether most of a column's values are units of measure.
pub(super) fn states_units(facts: &Facts) -> bool {
    let n_units = facts
        .distinct
        .keys()
        .filter(|value| unit_of(value).is_some())
        .count();
    n_units > 0 && n_units * 2 >= facts.distinct.len() && !facts.is_numeric()
}

impl Parts {
    /// The columns that are spoken for.
    fn used(&self) -> Vec<usize> {
        let parts = [Some(self.tag), Some(self.value), self.quality, self.unit];
        parts.into_iter().flatten().collect()
    }

    /// The columns with those that are spoken for hidden: the rest may be the time, the unit, the tank.
    fn rest(&self, columns: &[Column]) -> Vec<Column> {
        let used = self.used();
        let hide = |(idx, column): (usize, &Column)| Column {
            is_nameless: column.is_nameless || used.contains(&idx),
            ..column.clone()
        };
        columns.iter().enumerate().map(hide).collect()
    }
}

/// What every line says beside its signal, as opposed to what the signals measure.
fn is_of_record(placed: &Placed) -> bool {
    matches!(
        placed.fit.column.as_str(),
        "at" | "unit_id" | "reservoir_id"
    )
}

/// The proposal for a tall run log.
pub(super) fn propose(found: &Found<'_>, parts: &Parts) -> Proposal {
    let mut proposal = bare(found, "readings");
    let Some(readings) = drydown_schema::table("readings") else {
        return proposal;
    };
    let mut keys = assign(readings, &parts.rest(found.columns), found.context);
    keys.placed.retain(is_of_record);
    let pattern = match keys.find("unit_id") {
        Some(_) => None,
        None => pattern_of(found, parts, &mut proposal),
    };
    let signals = signals_of(found, parts, pattern);
    let mut assignment = assign(
        readings,
        &signals.columns,
        &context_of(found.context, &signals.columns),
    );
    assignment.placed.retain(|placed| !is_of_record(placed));
    proposal.spec.layout = Layout::Tall;
    proposal.spec.tall = Some(TallSpec {
        tag: name_of(found, parts.tag),
        value: name_of(found, parts.value),
        quality: parts
            .quality
            .and_then(|idx| quality_of(found, idx, &mut proposal)),
        pattern: signals
            .pattern
            .as_ref()
            .map(|pattern| pattern.as_str().to_owned()),
        ignore: ignored(&signals.columns),
    });
    for placed in &keys.placed {
        place(&mut proposal, placed);
    }
    let unit_column = parts.unit.map(|idx| name_of(found, idx));
    for placed in &assignment.placed {
        if let Some(signal) = as_signal(placed, unit_column.clone(), &signals.columns) {
            place(&mut proposal, &signal);
        }
    }
    set_nulls(
        &mut proposal,
        signals.columns.iter().map(|column| &column.facts),
    );
    if signals.pattern.is_none() {
        fill_keys(&mut proposal, found, &keys);
    } else {
        fill_keys_but_unit(&mut proposal, found, &keys);
    }
    summary_of(
        &mut proposal,
        found,
        &keys,
        &parts.used(),
        &assignment,
        signals.columns.len(),
    );
    say_signals(&mut proposal, &assignment, &signals.columns);
    say_not_placed(&mut proposal, found, &keys, &parts.used());
    set_zone(&mut proposal, found);
    set_density_of(&mut proposal, &assignment, &signals.columns);
    settle(&mut proposal);
    proposal
}

fn name_of(found: &Found<'_>, idx: usize) -> String {
    found
        .columns
        .get(idx)
        .map_or_else(String::new, |column| column.head.text.clone())
}

/// The pattern that splits the tags, and what it makes of them.
fn pattern_of(found: &Found<'_>, parts: &Parts, proposal: &mut Proposal) -> Option<Regex> {
    let tags: BTreeSet<String> = found
        .columns
        .get(parts.tag)?
        .facts
        .distinct
        .keys()
        .cloned()
        .collect();
    let split = split_of(&tags)?;
    let shown = |units: &BTreeSet<String>| {
        let shown: Vec<&str> = units.iter().take(6).map(String::as_str).collect();
        shown.join(", ")
    };
    let n_tags = tags.len();
    let units = shown(&split.units);
    let note = match &split.other {
        None => format!("likely: it splits {n_tags} tags into the units {units}"),
        Some(other) => format!(
            "guess: it splits {n_tags} tags into the units {units}; check: the units may as well be {}",
            shown(other)
        ),
    };
    proposal.note("pattern", note);
    Some(split.pattern)
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
        .map(|(word, n)| format!("\"{}\" {n} times", shortened(word)))
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
fn ignored(columns: &[Column]) -> Vec<String> {
    let is_spare = |signal: &str| {
        tokens(signal).iter().any(|word| {
            let word = word.trim_end_matches(|c: char| c.is_ascii_digit());
            matches!(word, "spare" | "reserve" | "unused")
        })
    };
    columns
        .iter()
        .map(|column| column.head.text.as_str())
        .filter(|signal| is_spare(signal))
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
