//! The second block from a laboratory's long file: its tests as signals of `samples`.

use std::collections::BTreeSet;

use super::signals::signals_of;
use super::{Parts, as_signal, name_of};
use crate::draft::Column;
use crate::draft::assign::assign;
use crate::draft::by_row::set_density_of;
use crate::draft::keys::fill_keys;
use crate::draft::left::values_shown;
use crate::draft::proposal::{Found, Proposal, bare, place, set_zone, single_from};
use crate::draft::settle::settle;
use crate::source::{ColumnMap, Layout, SourceSpec, TallSpec};

/// A second block from a laboratory's long file: its own columns of `samples`, tests as signals.
pub(in crate::draft) fn laboratory(found: &Found<'_>, results: &SourceSpec) -> Option<Proposal> {
    let place_of = |column: &str| {
        let name = single_from(results.columns.get(column)?)?;
        found
            .columns
            .iter()
            .position(|other| other.head.text == name)
    };
    let parts = Parts {
        tag: place_of("analyte")?,
        value: place_of("value")?,
        quality: None,
        unit: place_of("unit"),
    };
    let samples = drydown_schema::table("samples")?;
    let keys = assign(samples, &parts.rest(found.columns), found.context);
    let columns = signals_of(found, &parts, None).columns;
    let mut assignment = assign(samples, &columns, found.context);
    assignment.placed.retain(|placed| {
        matches!(
            placed.fit.column.as_str(),
            "water_ppm" | "iso4406" | "viscosity_40c_mm2s" | "acid_mgkoh_g" | "breakdown_kv"
        )
    });
    if assignment.placed.is_empty() {
        return None;
    }
    let mut proposal = bare(found, "samples");
    proposal.spec.name = format!("{}-samples", proposal.spec.name);
    proposal.spec.layout = Layout::Tall;
    let placed_signals: BTreeSet<usize> = assignment
        .placed
        .iter()
        .flat_map(|placed| placed.uses.iter().copied())
        .collect();
    let (asked, ignored): (Vec<_>, Vec<_>) = columns
        .iter()
        .enumerate()
        .filter(|(idx, _)| !placed_signals.contains(idx))
        .partition(|(_, column)| may_be_wanted(column));
    let ignore = ignored
        .iter()
        .map(|(_, column)| format!("^{}$", regex::escape(&column.head.text)))
        .collect();
    for (idx, column) in asked {
        let closest = assignment
            .refused
            .iter()
            .filter(|refused| refused.file_column == idx)
            .max_by(|a, b| a.strength.total_cmp(&b.strength))
            .map_or_else(String::new, |refused| {
                format!(": it may be {}, but {}", refused.column, refused.why)
            });
        proposal.last.push(format!(
            "check: the test \"{}\" ({}) is neither mapped nor ignored, and its lines are rejected until it is{closest}",
            column.head.text,
            values_shown(&column.facts)
        ));
    }
    proposal.spec.tall = Some(TallSpec {
        tag: name_of(found, parts.tag),
        value: name_of(found, parts.value),
        quality: None,
        pattern: None,
        ignore,
    });
    proposal.note(
        "ignore",
        "tests that `samples` has no column for; the block above stores them",
    );
    proposal.first.push("the same file for the table samples, which the analyses read: uncomment it as a second block".to_owned());
    for placed in keys
        .placed
        .iter()
        .filter(|placed| !is_measured(&placed.fit.map))
    {
        place(&mut proposal, placed);
    }
    for placed in &assignment.placed {
        if let Some(signal) = as_signal(placed, parts.unit.map(|idx| name_of(found, idx)), &columns)
        {
            place(&mut proposal, &signal);
        }
    }
    fill_keys(&mut proposal, found, &keys);
    set_zone(&mut proposal, found);
    set_density_of(&mut proposal, &assignment, &columns);
    settle(&mut proposal);
    Some(proposal)
}

/// Whether a test's name speaks of what the analyses read: it must not be ignored without a word.
fn may_be_wanted(column: &Column) -> bool {
    let is_other = column.head.has("100") || column.head.has("kv100");
    let is_spoken = [
        "water",
        "kf",
        "humidity",
        "acid",
        "viscosity",
        "kv40",
        "breakdown",
        "cleanliness",
    ]
    .iter()
    .any(|meaning| column.head.has(meaning));
    is_spoken && !is_other
}

fn is_measured(map: &ColumnMap) -> bool {
    map.unit.is_some()
}
