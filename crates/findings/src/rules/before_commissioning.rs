//! Runs dated before their unit existed: a controller whose clock was reset.

use std::collections::BTreeMap;

use drydown_quantity::UnitId;
use drydown_runs::Run;

use super::Rule;
use crate::case::{Case, FindingsConfig};
use crate::episode::Episode;
use crate::rows::{Kind, Severity};

/// The first day that no controller can have logged before: older stamps are a clock at its zero.
const NO_LOGGER_BEFORE: &str = "1990-01-01";

pub(super) const RULE: Rule = Rule {
    name: "before_commissioning",
    title: "runs dated before the unit was built",
    kind: Kind::Data,
    watches: "Runs that begin before the unit's commissioning date, or before 1990.",
    replay,
};

fn replay(case: &Case<'_>, _: &FindingsConfig) -> Vec<Episode> {
    let zero = NO_LOGGER_BEFORE.parse().ok();
    let mut early: BTreeMap<&UnitId, Vec<&Run>> = BTreeMap::new();
    for run in case.runs {
        let built = case
            .registers
            .units
            .iter()
            .find(|unit| unit.unit_id == run.unit_id)
            .and_then(|unit| unit.commissioned_on)
            .map(|day| day.start());
        if built.max(zero).is_some_and(|from| run.started_at < from) {
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
                    "{} dated before the unit was commissioned, the first {} UTC: the controller's clock was wrong, and when they really were is not known.",
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
