//! The second block from a laboratory's long file: its tests as signals of `samples`.

use std::collections::BTreeSet;

use super::signals::signals_of;
use super::{Parts, as_signal, name_of};
use crate::draft::assign::assign;
use crate::draft::keys::fill_keys;
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
    let ignore = columns
        .iter()
        .enumerate()
        .filter(|(idx, _)| !placed_signals.contains(idx))
        .map(|(_, column)| format!("^{}$", regex::escape(&column.head.text)))
        .collect();
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
    settle(&mut proposal);
    Some(proposal)
}

fn is_measured(map: &ColumnMap) -> bool {
    map.unit.is_some()
}
