//! A unit in the logs that the register does not have: most often another spelling of one it has.

use std::collections::BTreeMap;

use drydown_quantity::UnitId;
use drydown_runs::Run;

use super::Rule;
use crate::case::{Case, FindingsConfig};
use crate::episode::Episode;
use crate::rows::{Kind, Severity};

pub(super) const RULE: Rule = Rule {
    name: "unknown_unit",
    title: "unit that the register does not have",
    kind: Kind::Data,
    watches: "Runs of a unit that is not in the register of units, where there is a register.",
    replay,
};

fn replay(case: &Case<'_>, _: &FindingsConfig) -> Vec<Episode> {
    let known = &case.registers.units;
    if known.is_empty() {
        return Vec::new();
    }
    let mut strangers: BTreeMap<&UnitId, Vec<&Run>> = BTreeMap::new();
    for run in case.runs {
        if !known.iter().any(|unit| unit.unit_id == run.unit_id) {
            strangers.entry(&run.unit_id).or_default().push(run);
        }
    }
    strangers
        .into_iter()
        .filter_map(|(unit_id, runs)| {
            let first = runs.iter().map(|run| run.started_at).min()?;
            let last = runs.iter().map(|run| run.ended_at).max()?;
            let meant = known
                .iter()
                .find(|unit| letters(unit.unit_id.as_str()) == letters(unit_id.as_str()));
            let (hint, action) = match meant {
                Some(unit) => (
                    format!(" The register has {}.", unit.unit_id),
                    format!(
                        "Map \"{unit_id}\" to \"{}\" in the source and ingest it again, or correct the export.",
                        unit.unit_id
                    ),
                ),
                None => (
                    String::new(),
                    "Add the unit to the register, or correct its name in the export.".to_owned(),
                ),
            };
            Some(Episode {
                subject: unit_id.to_string(),
                severity: Severity::Watch,
                onset_at: Some(first),
                first_seen: first,
                last_seen: last,
                holds: true,
                evidence: format!(
                    "{} from {} to {} name the unit {unit_id}, which is not in the register: its reservoir, site and barometer are not known.{hint}",
                    count(runs.len()),
                    first.day(),
                    last.day(),
                ),
                action,
            })
        })
        .collect()
}

/// Letters and digits alone: what two spellings of one name share.
fn letters(name: &str) -> String {
    name.chars()
        .filter(|c| c.is_alphanumeric())
        .flat_map(char::to_lowercase)
        .collect()
}

fn count(n: usize) -> String {
    if n == 1 {
        "One run".to_owned()
    } else {
        format!("{n} runs")
    }
}
