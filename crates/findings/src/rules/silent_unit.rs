//! A deployed unit that has not been heard from: silence is not health.

use super::Rule;
use crate::case::{Case, FindingsConfig};
use crate::episode::Episode;
use crate::rows::{Kind, Severity};

pub(super) const RULE: Rule = Rule {
    name: "silent_unit",
    title: "unit not heard from",
    kind: Kind::Data,
    watches: "A deployed unit without a reading for the configured hours (36).",
    replay,
};

fn replay(case: &Case<'_>, config: &FindingsConfig) -> Vec<Episode> {
    case.registers
        .units
        .iter()
        .filter_map(|unit| {
            let deployment = case.registers.deployed_at(&unit.unit_id, case.as_of)?;
            let heard = case.last_heard_of(&unit.unit_id);
            let since = heard.unwrap_or(deployment.from_at).max(deployment.from_at);
            let silent_h = case.as_of.hours_after(since);
            (silent_h >= config.silent_unit_h).then(|| Episode {
                subject: unit.unit_id.to_string(),
                severity: Severity::Watch,
                onset_at: Some(since),
                first_seen: since.plus_hours(config.silent_unit_h),
                last_seen: case.as_of,
                holds: true,
                evidence: format!(
                    "Deployed since {} and not heard for {silent_h:.0} h ({}).",
                    deployment.from_at.day(),
                    heard.map_or("never heard".to_owned(), |at| format!(
                        "last reading {} UTC",
                        at.minute()
                    ))
                ),
                action: "Ask whether it runs; its state is unknown, not good. If it has left, enter the deployment's end.".to_owned(),
            })
        })
        .collect()
}
