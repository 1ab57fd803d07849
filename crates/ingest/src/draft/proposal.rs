//! From the shape of a file to a `[[source]]` block with the reasons for each of its lines.

use std::collections::{BTreeMap, BTreeSet};

use super::assign::{Assignment, Placed, best_table};
use super::by_row::{set_density_of, set_units_by_row};
use super::doubts::{other_times, unheeded_quality};
use super::facts::Facts;
use super::keys::{fill_keys, same_keys};
use super::left::{kinds_of_codes, say_not_placed};
use super::locate::{ZoneHint, zone_hint};
use super::machines::Machines;
use super::mark::decimal_mark;
use super::order::{self, Order};
use super::repeats::set_fill_down;
use super::settle::settle;
use super::shape::Shape;
use super::{Column, Context, FILL_IN, read_columns, tall};
use crate::cells::DecimalMark;
use crate::source::{ColumnMap, Layout, OneOrMany, Scalar, SourceSpec, UnitOf};
use crate::stamps::StampFormat;

/// A block and what is to be said of it.
#[derive(Debug)]
pub(super) struct Proposal {
    pub(super) spec: SourceSpec,
    /// Above the block.
    pub(super) first: Vec<String>,
    /// Beside or above a key, by its name: `timezone`, `decimal`, …, or a column of the table.
    pub(super) notes: BTreeMap<String, Vec<String>>,
    /// The columns in the order they are written.
    pub(super) order: Vec<String>,
    /// Below the block: what is not placed.
    pub(super) last: Vec<String>,
    /// A second block from the same file, written as comments.
    pub(super) alternative: Option<Box<Self>>,
}

impl Proposal {
    pub(super) fn note(&mut self, key: &str, text: impl Into<String>) {
        self.notes
            .entry(key.to_owned())
            .or_default()
            .push(text.into());
    }

    pub(super) fn has_fill_in(&self) -> bool {
        let is_open = |map: &ColumnMap| {
            map.value == Some(Scalar::Text(FILL_IN.to_owned()))
                || map.unit == Some(UnitOf::Fixed(FILL_IN.to_owned()))
        };
        self.spec.timezone.as_deref() == Some(FILL_IN) || self.spec.columns.values().any(is_open)
    }
}

/// Where the notes of a column of the table stand.
pub(super) fn column_key(column: &str) -> String {
    format!("columns.{column}")
}

/// What the proposal is made from.
pub(super) struct Found<'a> {
    pub(super) path: &'a str,
    pub(super) shape: &'a Shape,
    pub(super) columns: &'a [Column],
    pub(super) context: &'a Context,
    pub(super) is_mark_open: bool,
    /// Where the header names several.
    pub(super) machines: Option<&'a Machines>,
}

/// The proposal for a file of this shape.
///
/// `others`: what other files say of the order of day and month.
pub(super) fn propose(path: &str, shape: &Shape, others: Option<Order>) -> Proposal {
    let (mark, is_mark_open) = decimal_mark(shape);
    let order = match order::of_file(path, shape) {
        Some(own) if own.is_sure || others.is_none() => Some(own),
        _ => others,
    };
    let (mut columns, context) = read_columns(shape, mark, order);
    let machines = Machines::of(&shape.header);
    if let Some(machines) = &machines {
        for (idx, column) in columns.iter_mut().enumerate() {
            column.is_nameless |= machines.is_of_another(idx);
        }
    }
    let found = Found {
        path,
        shape,
        columns: &columns,
        context: &context,
        is_mark_open,
        machines: machines.as_ref(),
    };
    if let Some(parts) = tall::detect(&columns) {
        return tall::propose(&found, &parts);
    }
    let mut proposal = match best_table(&columns, &context) {
        Some(assignment) => wide(&found, &assignment),
        None => bare(&found, "readings"),
    };
    if let Some(kinds) = kinds_of_codes(&found, &proposal) {
        proposal.last.push(kinds);
    }
    if proposal.spec.table == "results" {
        proposal.alternative = tall::laboratory(&found, &proposal.spec).map(Box::new);
    }
    proposal
}

fn wide(found: &Found<'_>, assignment: &Assignment) -> Proposal {
    let mut proposal = bare(found, &assignment.table.name);
    for placed in &assignment.placed {
        place(&mut proposal, placed);
    }
    set_nulls(
        &mut proposal,
        assignment
            .placed
            .iter()
            .flat_map(|placed| facts_of(found, placed)),
    );
    fill_keys(&mut proposal, found, assignment);
    set_fill_down(&mut proposal, found, assignment);
    let layout = if found.shape.is_transposed {
        "a column per record"
    } else {
        "a column per quantity"
    };
    summary(&mut proposal, found, assignment, layout);
    proposal.first.extend(same_keys(found, assignment));
    proposal.first.extend(other_times(found, assignment));
    proposal.first.extend(unheeded_quality(found, assignment));
    let by_row = set_units_by_row(&mut proposal, found, assignment);
    set_density_of(&mut proposal, assignment, found.columns);
    say_not_placed(&mut proposal, found, assignment, &by_row);
    set_zone(&mut proposal, found);
    settle(&mut proposal);
    proposal
}

fn facts_of<'a>(found: &Found<'a>, placed: &Placed) -> Vec<&'a Facts> {
    placed
        .uses
        .iter()
        .filter_map(|idx| found.columns.get(*idx))
        .map(|column| &column.facts)
        .collect()
}

/// A block with the shape of the text and no columns.
pub(super) fn bare(found: &Found<'_>, table: &str) -> Proposal {
    let shape = found.shape;
    let is_comma = found.context.mark == DecimalMark::Comma;
    let is_single = shape.dialect.quote == Some(b'\'');
    let spec = SourceSpec {
        name: source_name(found.path),
        table: table.to_owned(),
        files: vec![found.path.to_owned()],
        layout: match (shape.is_transposed, shape.is_json) {
            (true, _) => Layout::Transposed,
            (false, true) => Layout::Json,
            (false, false) => Layout::Wide,
        },
        encoding: shape.encoding.to_owned(),
        delimiter: char::from(shape.delimiter).to_string(),
        decimal: if is_comma { "," } else { "." }.to_owned(),
        skip_lines: shape.skip_lines + u64::from(shape.needs_names),
        skip_until: None,
        quote: is_single.then(|| "'".to_owned()),
        widths: shape.dialect.widths.as_deref().map(<[usize]>::to_vec),
        packed: false,
        header_lines: (shape.header_lines > 1).then_some(shape.header_lines),
        preamble: Vec::new(),
        ignore_lines: Vec::new(),
        fill_down: Vec::new(),
        header: shape.needs_names.then(|| shape.header.clone()),
        sheet: shape.sheet.clone(),
        null: vec![String::new()],
        density_kgm3: None,
        timezone: None,
        file_name: None,
        columns: BTreeMap::new(),
        tall: None,
    };
    let mut proposal = Proposal {
        spec,
        first: Vec::new(),
        notes: BTreeMap::new(),
        order: Vec::new(),
        last: Vec::new(),
        alternative: None,
    };
    if shape.needs_names {
        proposal.note(
            "header",
            "the file's own header is one field short: its lines end in a delimiter",
        );
    }
    if shape.is_transposed {
        proposal.note(
            "layout",
            "the first column holds the names, and each of the others a record; `line` is then the number of the column",
        );
    }
    if shape.dialect.widths.is_some() {
        proposal.note(
            "widths",
            "check: by the blanks of the lines looked at; a line whose values stand across the end of a column is rejected",
        );
    }
    if found.is_mark_open {
        proposal.note(
            "decimal",
            "check: the numbers looked at leave it open or speak for both",
        );
    }
    proposal.note(
        "files",
        "the one file looked at: widen it to a pattern such as \"folder/*.csv\"",
    );
    proposal
}

fn source_name(path: &str) -> String {
    let base = path.rsplit('/').next().unwrap_or(path);
    let stem = base.split('.').next().unwrap_or(base);
    let plain: String = stem
        .chars()
        .map(|c| {
            if c.is_ascii_alphanumeric() {
                c.to_ascii_lowercase()
            } else {
                '-'
            }
        })
        .collect();
    let plain = plain.trim_matches('-');
    if plain.is_empty() {
        "source".to_owned()
    } else {
        plain.to_owned()
    }
}

/// The first comments: what was found, how much of it is placed, and what is wrong with it.
pub(super) fn summary(
    proposal: &mut Proposal,
    found: &Found<'_>,
    assignment: &Assignment,
    layout: &str,
) {
    let shape = found.shape;
    let n_placed: usize = assignment
        .placed
        .iter()
        .map(|placed| placed.uses.len())
        .sum();
    let n_columns = shape.header.len();
    let is_open = |key: &&str| {
        let open = proposal
            .spec
            .columns
            .get(*key)
            .is_some_and(|map| map.value == Some(Scalar::Text(FILL_IN.to_owned())));
        *key != "lab" && open
    };
    let missing: Vec<&str> = assignment
        .missing_keys()
        .into_iter()
        .filter(is_open)
        .collect();
    let doubt = if n_placed == 0 {
        "nothing in it is known: probably no export that can be ingested. ".to_owned()
    } else if n_placed * 2 < n_columns {
        "fewer than half of the columns fit: the table may be the wrong one. ".to_owned()
    } else {
        String::new()
    };
    let no_key = match missing[..] {
        [] => String::new(),
        _ => format!("no column was found for the key ({}). ", missing.join(", ")),
    };
    proposal.first.push(format!(
        "{doubt}{no_key}Proposed for {}: table {}, {layout}, {n_placed} of {n_columns} columns placed; read every line before use",
        found.path, assignment.table.name
    ));
    let mut shown = format!(
        "header on line {}, {} rows below it looked at",
        shape.skip_lines + 1,
        shape.rows.len()
    );
    if shape.n_odd > 0 {
        shown.push_str(&format!(
            "; {} lines with another number of fields would be rejected",
            shape.n_odd
        ));
    }
    if shape.n_repeated > 0 {
        shown.push_str(&format!(
            "; the header stands there {} times more, counted and rejected",
            shape.n_repeated
        ));
    }
    if shape.header_lines > 1 {
        shown.push_str(&format!(
            "; the header has {} lines, whose cells one below the other make a name",
            shape.header_lines
        ));
    }
    proposal.first.push(shown);
}

/// Writes one placed pair and its reasons.
pub(super) fn place(proposal: &mut Proposal, placed: &Placed) {
    let fit = &placed.fit;
    let shown = match (&fit.map.from, &fit.map.signal) {
        (Some(from), _) | (None, Some(from)) => from
            .to_names()
            .iter()
            .map(|name| format!("\"{name}\""))
            .collect::<Vec<_>>()
            .join(" and "),
        _ => String::new(),
    };
    proposal.note(
        &column_key(&fit.column),
        format!("{}: {shown}: {}", fit.sure.as_str(), fit.why.join("; ")),
    );
    proposal.order.push(fit.column.clone());
    proposal
        .spec
        .columns
        .insert(fit.column.clone(), fit.map.clone());
}

/// What stands for a missing value in the columns that are placed.
pub(super) fn set_nulls<'a>(proposal: &mut Proposal, facts: impl Iterator<Item = &'a Facts>) {
    let words: BTreeSet<String> = facts
        .flat_map(|facts| facts.missing.iter().cloned())
        .collect();
    if !words.is_empty() {
        proposal.note("null", "found among the numbers");
        proposal.spec.null.extend(words);
    }
}

/// The zone, where a placed stamp needs one.
pub(super) fn set_zone(proposal: &mut Proposal, found: &Found<'_>) {
    let is_open = |map: &ColumnMap| {
        map.from.is_some()
            && map
                .format
                .as_deref()
                .and_then(|text| StampFormat::parse(text).ok())
                .is_some_and(|format| !format.carries_offset())
    };
    if !proposal.spec.columns.values().any(is_open) {
        return;
    }
    match zone_hint(found.shape) {
        ZoneHint::Stated(zone) => {
            proposal.spec.timezone = Some(zone);
            proposal.note("timezone", "likely: the file names it");
        }
        ZoneHint::Said(said) => {
            proposal.spec.timezone = Some(FILL_IN.to_owned());
            proposal.note("timezone", format!("{FILL_IN}: {said}"));
        }
        ZoneHint::Nothing => {
            proposal.spec.timezone = Some(FILL_IN.to_owned());
            proposal.note("timezone", format!("{FILL_IN}: the stamps carry no offset; the zone of the clock that wrote them, such as Europe/Berlin or America/Chicago, or UTC"));
        }
    }
}

/// Where a placed pair reads from, if it is one column.
pub(super) fn single_from(map: &ColumnMap) -> Option<&str> {
    match map.from.as_ref()? {
        OneOrMany::One(name) => Some(name),
        OneOrMany::Many(_) => None,
    }
}
