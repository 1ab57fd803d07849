//! A deployment whose end the register does not have, though the unit has moved on.

use std::collections::BTreeMap;

use drydown_quantity::{Stamp, UnitId};
use drydown_runs::history::Deployment;

use super::Rule;
use crate::case::{Case, FindingsConfig};
use crate::episode::Episode;
use crate::rows::{Kind, Severity};

/// Hours by which two deployments may overlap: the hand-over of one day (common practice, no source).
const OVERLAP_H: f64 = 24.0;
/// Deployments named in one sentence; the others are counted.
const NAMED_MOST: usize = 3;

pub(super) const RULE: Rule = Rule {
    name: "open_deployment",
    title: "deployment without its end",
    kind: Kind::Data,
    watches: "A deployment without an end, or with one more than a day late, though the unit's next deployment has begun; the next one's beginning is taken as its end.",
    replay,
};

fn replay(case: &Case<'_>, _: &FindingsConfig) -> Vec<Episode> {
    let mut by_unit: BTreeMap<&UnitId, Vec<(&Deployment, &Deployment)>> = BTreeMap::new();
    for rows in case
        .registers
        .deployments
        .chunk_by(|a, b| a.unit_id == b.unit_id)
    {
        for (row, next) in rows.iter().zip(rows.iter().skip(1)) {
            let is_late = row
                .to_at
                .is_none_or(|to| to.hours_after(next.from_at) > OVERLAP_H);
            if is_late && row.reservoir_id != next.reservoir_id {
                by_unit.entry(&row.unit_id).or_default().push((row, next));
            }
        }
    }
    by_unit
        .into_iter()
        .filter_map(|(unit, pairs)| to_episode(unit, &pairs))
        .collect()
}

fn to_episode(unit: &UnitId, pairs: &[(&Deployment, &Deployment)]) -> Option<Episode> {
    let began: Vec<Stamp> = pairs.iter().map(|(_, next)| next.from_at).collect();
    // The latest first: it is the one that somebody still remembers.
    let named: Vec<String> = pairs
        .iter()
        .rev()
        .take(NAMED_MOST)
        .map(|(row, next)| {
            format!(
                "{} from {} ({}; to {} on {})",
                place(row),
                row.from_at.day(),
                row.to_at
                    .map_or_else(|| "no end".to_owned(), |to| format!("end {}", to.day())),
                place(next),
                next.from_at.day()
            )
        })
        .collect();
    let more = match pairs.len() - named.len() {
        0 => String::new(),
        n => format!(", and {n} more"),
    };
    Some(Episode {
        subject: unit.to_string(),
        severity: Severity::Info,
        onset_at: None,
        first_seen: began.iter().min().copied()?,
        last_seen: began.iter().max().copied()?,
        holds: true,
        evidence: format!(
            "The register does not end these where the next begins: {}{more}. The next one's beginning is taken as the end.",
            named.join(", ")
        ),
        action: "Enter the end in the register of deployments.".to_owned(),
    })
}

fn place(row: &Deployment) -> &str {
    row.reservoir_id
        .as_ref()
        .map_or("no reservoir", |id| id.as_str())
}
