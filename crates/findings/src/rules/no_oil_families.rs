//! Units of which the register does not say what oil they may take.

use super::Rule;
use crate::case::{Case, FindingsConfig};
use crate::episode::Episode;
use crate::rows::{Kind, Severity};

/// Units named in the evidence; the others are counted.
const MOST_NAMED: usize = 8;

pub(super) const RULE: Rule = Rule {
    name: "no_oil_families",
    title: "units barred for want of a register entry",
    kind: Kind::Data,
    watches: "Units whose register entry does not say which oil families they may take: sizing bars them from every job, for unknown is not yes.",
    replay,
};

fn replay(case: &Case<'_>, _: &FindingsConfig) -> Vec<Episode> {
    let units = &case.registers.units;
    let silent: Vec<&str> = units
        .iter()
        .filter(|unit| unit.oil_families_allowed.is_empty())
        .map(|unit| unit.unit_id.as_str())
        .collect();
    // Since the first of them worked: a finding keeps its beginning from one analysis to the next.
    let Some(first_seen) = case
        .runs
        .iter()
        .filter(|run| silent.contains(&run.unit_id.as_str()))
        .map(|run| run.started_at)
        .min()
    else {
        return Vec::new();
    };
    let named = if silent.len() == units.len() {
        "all of them".to_owned()
    } else {
        let first = silent.iter().take(MOST_NAMED).copied().collect::<Vec<_>>();
        match silent.len().saturating_sub(MOST_NAMED) {
            0 => first.join(", "),
            more => format!("{} and {more} more", first.join(", ")),
        }
    };
    vec![Episode {
        subject: "units".to_owned(),
        severity: Severity::Watch,
        onset_at: None,
        first_seen,
        last_seen: case.as_of,
        holds: true,
        evidence: format!(
            "oil_families_allowed is empty for {} of {} units ({named}): sizing bars them from every job.",
            silent.len(),
            units.len()
        ),
        action: "Enter for each unit the oil families it may take.".to_owned(),
    }]
}
