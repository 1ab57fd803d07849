//! Runs dated before their unit existed: a controller whose clock was reset.

use std::collections::BTreeMap;

use drydown_quantity::{Stamp, UnitId};
use drydown_runs::Run;

use super::Rule;
use crate::case::{Case, FindingsConfig};
use crate::episode::Episode;
use crate::rows::{Kind, Severity};

/// The first day that no controller can have logged before: older stamps are a clock at its zero.
const NO_LOGGER_BEFORE: &str = "1990-01-01";
/// Days between a run and nearly all others of the fleet from which its clock is doubted rather than
/// the fleet's history: a controller that lost its battery begins at a year of its own.
const FAR_BEFORE_DAYS: f64 = 1096.0;
/// Share of the fleet's runs that may be dated so.
const FEW_RUNS: f64 = 0.05;

pub(super) const RULE: Rule = Rule {
    name: "before_commissioning",
    title: "runs dated before the unit was built",
    kind: Kind::Data,
    watches: "Runs that begin before the unit's commissioning date, before 1990, or three years before 95 in 100 of the fleet's runs.",
    replay,
};

/// Since when runs of the fleet may be dated, whatever their unit; None where nothing tells.
pub(super) fn earliest(case: &Case<'_>) -> Option<Stamp> {
    let mut starts: Vec<Stamp> = case.runs.iter().map(|run| run.started_at).collect();
    starts.sort_unstable();
    let n_few = (FEW_RUNS * starts.len() as f64) as usize;
    let of_fleet = starts
        .get(n_few)
        .filter(|_| n_few > 0)
        .map(|start| start.plus_days(-FAR_BEFORE_DAYS));
    of_fleet.max(NO_LOGGER_BEFORE.parse().ok())
}

fn replay(case: &Case<'_>, _: &FindingsConfig) -> Vec<Episode> {
    let earliest = earliest(case);
    let mut early: BTreeMap<&UnitId, Vec<&Run>> = BTreeMap::new();
    for run in case.runs {
        let built = case
            .registers
            .units
            .iter()
            .find(|unit| unit.unit_id == run.unit_id)
            .and_then(|unit| unit.commissioned_on)
            .map(|day| day.start());
        if built
            .max(earliest)
            .is_some_and(|from| run.started_at < from)
        {
            early.entry(&run.unit_id).or_default().push(run);
        }
    }
    early
        .into_iter()
        .filter_map(|(unit_id, runs)| {
            let first = runs.first()?;
            Some(Episode {
                subject: unit_id.to_string(),
                severity: Severity::Watch,
                onset_at: Some(first.started_at),
                first_seen: first.started_at,
                last_seen: runs.last()?.ended_at,
                holds: true,
                evidence: format!(
                    "{} dated before the unit, or nearly all of its fleet, was at work, the first {} UTC: the controller's clock was wrong, and when they really were is not known.",
                    if runs.len() == 1 {
                        "One run is".to_owned()
                    } else {
                        format!("{} runs are", runs.len())
                    },
                    first.started_at.minute()
                ),
                action: "Set the controller's clock; correct the stamps in the export or leave the file out, and ingest the source again.".to_owned(),
            })
        })
        .collect()
}
