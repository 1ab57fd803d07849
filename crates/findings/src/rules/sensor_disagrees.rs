//! A water sensor that disagrees with the laboratory.

use super::Rule;
use crate::case::{Case, FindingsConfig};
use crate::episode::Episode;
use crate::rows::{Kind, Severity};

pub(super) const RULE: Rule = Rule {
    name: "sensor_disagrees",
    title: "sensor and laboratory disagree",
    kind: Kind::Sensor,
    watches: "A unit's water sensor against the laboratory over its life: offset or drift that leaves agreement out even at 95 %.",
    replay,
};

fn replay(case: &Case<'_>, _: &FindingsConfig) -> Vec<Episode> {
    case.sensor_checks
        .iter()
        .filter(|row| matches!(row.state.as_str(), "offset" | "drifting"))
        .filter_map(|row| {
            let last = case.runs.iter().filter(|run| run.unit_id == row.unit_id).map(|run| run.ended_at).max()?;
            let first = case.runs.iter().filter(|run| run.unit_id == row.unit_id).map(|run| run.started_at).min()?;
            let range = match (row.lower_90, row.upper_90) {
                (Some(lower), Some(upper)) => format!(" (90 % interval {lower:+.0} to {upper:+.0} ppm)"),
                _ => String::new(),
            };
            Some(Episode {
                subject: row.unit_id.to_string(),
                severity: Severity::Info,
                onset_at: Some(first),
                first_seen: last,
                last_seen: last,
                holds: true,
                evidence: format!(
                    "Sensor minus laboratory: {}{range} over {} pairs; a wrong solubility or a laboratory bias would look the same.",
                    row.offset.map_or("unknown".to_owned(), |offset| format!("{offset:+.0} ppm")),
                    row.n_pairs
                ),
                action: "Calibrate the sensor, or have one sample measured by both laboratories.".to_owned(),
            })
        })
        .collect()
}
