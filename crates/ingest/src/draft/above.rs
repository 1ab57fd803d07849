//! What the lines above the header tell: the unit, the day of its stamps, and when a count of time began.

use regex::Regex;

use super::Column;
use super::locate::start_in_name;
use super::proposal::{Found, Proposal, column_key};
use super::shape::Shape;
use super::stamps::{StampFound, find_one, find_times};
use super::words::{meanings, tokens};
use crate::source::{ColumnMap, OF_FILE_NAME, OF_PREAMBLE, OneOrMany};
use crate::stamps::ElapsedUnit;

/// Words for the begin of a recording, beyond those for time and date.
const START: &[&str] = &[
    "start",
    "started",
    "begin",
    "began",
    "beginn",
    "begonnen",
    "anfang",
    "startzeit",
    "startdatum",
    "début",
    "debut",
    "inicio",
    "inizio",
    "início",
    "trigger",
    "recording",
];
/// Words for a time that passes.
const ELAPSED: &[&str] = &[
    "elapsed",
    "duration",
    "dauer",
    "laufzeit",
    "relative",
    "rel",
    "runtime",
    "verstrichen",
    "durée",
    "duración",
    "t",
];
/// Words for its unit.
const UNITS: &[(&str, &str)] = &[
    ("s", "s"),
    ("sec", "s"),
    ("secs", "s"),
    ("second", "s"),
    ("seconds", "s"),
    ("sek", "s"),
    ("sekunden", "s"),
    ("ms", "ms"),
    ("msec", "ms"),
    ("milliseconds", "ms"),
    ("min", "min"),
    ("mins", "min"),
    ("minutes", "min"),
    ("minuten", "min"),
    ("h", "h"),
    ("hours", "h"),
    ("stunden", "h"),
];

/// A line `Label: value`.
struct Stated {
    label: String,
    value: String,
}

impl Stated {
    fn has(&self, known: &[&str]) -> bool {
        tokens(&self.label)
            .iter()
            .any(|word| known.contains(&word.as_str()))
    }

    fn is_of_time(&self) -> bool {
        self.has(START)
            || tokens(&self.label)
                .iter()
                .flat_map(|word| meanings(word))
                .any(|meaning| matches!(meaning, "time" | "date" | "taken"))
    }
}

/// The labelled values above the header.
fn stated(shape: &Shape) -> Vec<Stated> {
    let delimiter = char::from(shape.delimiter);
    let marks = [':', '=', ';', '\t', delimiter];
    let lines = shape.head_text.lines().filter_map(|line| {
        let (label, rest) = line.split_once(marks)?;
        let rest =
            rest.trim_start_matches(|c: char| marks.contains(&c) || c.is_whitespace() || c == '"');
        let value = rest
            .split(['"', ';', '\t', delimiter])
            .next()
            .unwrap_or(rest);
        Some(Stated {
            label: label
                .trim_matches(|c: char| c == '"' || c.is_whitespace())
                .to_owned(),
            value: value.trim().to_owned(),
        })
    });
    lines
        .filter(|stated| !stated.label.is_empty() && !stated.value.is_empty())
        .collect()
}

/// A pattern whose part of this name is the value; None where it would find another.
fn pattern_of(shape: &Shape, stated: &Stated, name: &str) -> Option<String> {
    let delimiter = match shape.delimiter {
        b';' | b'\t' => String::new(),
        other => regex::escape(&char::from(other).to_string()),
    };
    let pattern = format!(
        "(?m)^\"?{}\"?\\s*[:=;\\t{delimiter}][:=;\\t\" {delimiter}]*(?<{name}>[^\";\\t\\r\\n{delimiter}]+)",
        regex::escape(&stated.label)
    );
    let found = Regex::new(&pattern).ok()?;
    let found = found
        .captures(&shape.head_text)?
        .name(name)?
        .as_str()
        .trim()
        .to_owned();
    (found == stated.value).then_some(pattern)
}

/// A pattern that takes a unit, which the lines above the header name, from them.
pub(super) fn unit_above(shape: &Shape, unit: &str) -> Option<String> {
    stated(shape)
        .iter()
        .filter(|stated| stated.value == unit)
        .find_map(|stated| pattern_of(shape, stated, "unit_id"))
}

/// Stamps whose day stands above the header and whose time in a column; whether there are such.
pub(super) fn day_above(proposal: &mut Proposal, found: &Found<'_>) -> bool {
    let shape = found.shape;
    let all = stated(shape);
    let days = all
        .iter()
        .filter(|stated| stated.is_of_time())
        .filter_map(|stated| {
            let day = find_one(&stated.value, found.context).filter(|day| day.is_date_only)?;
            Some((stated, day, pattern_of(shape, stated, "day")?))
        });
    for (stated, day, pattern) in days {
        let times = found
            .columns
            .iter()
            .filter(|column| !column.is_nameless)
            .find_map(|column| {
                let times = find_times((&stated.value, &day.format), &column.facts, found.context)?;
                Some((column.head.text.clone(), times))
            });
        let Some((column, times)) = times else {
            continue;
        };
        let mut why = format!(
            "{}: \"{}\" above the header gives the day and \"{column}\" the time; a time that jumps back by more than half a day is taken to have passed midnight",
            sure_of(&day),
            stated.label
        );
        add_open(&mut why, &day);
        proposal.note(&column_key("at"), why);
        proposal.spec.preamble.push(pattern);
        set_at(
            proposal,
            vec![format!("{OF_PREAMBLE}day"), column],
            times.format,
            None,
        );
        return true;
    }
    false
}

/// How sure it is what a stamp above the header means.
const fn sure_of(found: &StampFound) -> &'static str {
    match found.is_guess {
        true => "guess",
        false => "likely",
    }
}

fn add_open(why: &mut String, found: &StampFound) {
    if let Some(open) = &found.open {
        why.push_str("; ");
        why.push_str(open);
    }
}

/// Stamps that count the time passed since a start that stands above the header or in the file's name;
/// whether there are such.
pub(super) fn after_start(proposal: &mut Proposal, found: &Found<'_>) -> bool {
    let counted = found
        .columns
        .iter()
        .find_map(|column| Some((column, elapsed_unit(column)?)));
    let Some((column, unit)) = counted else {
        return false;
    };
    let name = column.head.text.clone();
    if let Some((labels, patterns, start)) = start_above(found) {
        let mut why = format!(
            "{}: \"{name}\" counts the time passed since the start that {} above the header tells",
            sure_of(&start),
            labels.join(" and ")
        );
        add_open(&mut why, &start);
        proposal.note(&column_key("at"), why);
        let mut from: Vec<String> = match patterns.len() {
            1 => vec![format!("{OF_PREAMBLE}start")],
            _ => vec![format!("{OF_PREAMBLE}day"), format!("{OF_PREAMBLE}start")],
        };
        proposal.spec.preamble.extend(patterns);
        from.push(name);
        set_at(proposal, from, start.format, Some(unit));
        return true;
    }
    if let Some(start) = start_in_name(found.path, proposal.spec.file_name.is_some()) {
        proposal.note(
            &column_key("at"),
            format!(
                "likely: \"{name}\" counts the time passed since the start that the file's name tells ({}): check",
                start.day
            ),
        );
        proposal.spec.file_name = Some(start.pattern);
        let from = vec![format!("{OF_FILE_NAME}start"), name];
        set_at(proposal, from, start.format.to_owned(), Some(unit));
        return true;
    }
    proposal.note(
        &column_key("at"),
        format!(
            "\"{name}\" seems to count the time passed, and no start was found: with one from file_name or preamble, from = [\"file_name:start\", \"{name}\"], its format, and elapsed = \"{unit}\""
        ),
    );
    false
}

fn set_at(proposal: &mut Proposal, from: Vec<String>, format: String, elapsed: Option<&str>) {
    proposal.order.push("at".to_owned());
    let map = ColumnMap {
        from: Some(OneOrMany::Many(from)),
        format: Some(format),
        elapsed: elapsed.map(str::to_owned),
        ..ColumnMap::default()
    };
    proposal.spec.columns.insert("at".to_owned(), map);
}

/// The lines that tell when the recording began, their patterns, and how the start is written.
fn start_above(found: &Found<'_>) -> Option<(Vec<String>, Vec<String>, StampFound)> {
    let shape = found.shape;
    let all = stated(shape);
    // A start by name before any other time: files also tell when they were exported.
    let by_name = all.iter().filter(|stated| stated.has(START));
    let others = all
        .iter()
        .filter(|stated| stated.is_of_time() && !stated.has(START));
    let told: Vec<&Stated> = by_name.chain(others).collect();
    let quoted = |stated: &Stated| format!("\"{}\"", stated.label);
    let whole = told.iter().find_map(|stated| {
        let start = find_one(&stated.value, found.context).filter(|start| !start.is_date_only)?;
        let pattern = pattern_of(shape, stated, "start")?;
        Some((vec![quoted(stated)], vec![pattern], start))
    });
    whole.or_else(|| {
        told.iter().find_map(|day| {
            find_one(&day.value, found.context).filter(|day| day.is_date_only)?;
            told.iter().find_map(|time| {
                let joined = format!("{} {}", day.value, time.value);
                let start = find_one(&joined, found.context).filter(|start| !start.is_date_only)?;
                let patterns = vec![
                    pattern_of(shape, day, "day")?,
                    pattern_of(shape, time, "start")?,
                ];
                Some((vec![quoted(day), quoted(time)], patterns, start))
            })
        })
    })
}

/// The unit of a column that counts the time passed; None for others.
fn elapsed_unit(column: &Column) -> Option<&'static str> {
    let words = tokens(&column.head.text);
    let has = |known: &[&str]| words.iter().any(|word| known.contains(&word.as_str()));
    let is_time = has(ELAPSED) || column.head.has("time");
    if column.is_nameless || !is_time {
        return None;
    }
    let facts = &column.facts;
    let cells: Vec<&String> = facts.cells.iter().filter(|cell| !cell.is_empty()).collect();
    if !cells.is_empty() && cells.iter().all(|cell| cell.contains(':')) {
        let reads = |unit: ElapsedUnit| {
            let mark = crate::cells::DecimalMark::Point;
            cells.iter().all(|cell| unit.read(cell, mark).is_some())
        };
        let is_clock = reads(ElapsedUnit::HoursAndMinutes) && has(ELAPSED);
        return is_clock.then_some("h:min:s");
    }
    // From about nothing upwards.
    let first = facts.known_numbers().next()?;
    let last = facts.known_numbers().last()?;
    if !facts.is_numeric() || !facts.is_rising() || first.abs() * 3.0 > last {
        return None;
    }
    UNITS
        .iter()
        .find(|(word, _)| words.iter().skip(1).any(|other| other == word))
        .map(|(_, unit)| *unit)
}
