//! A reservoir whose runs imply more than all water per pass: its volume is likely wrong.

use std::collections::BTreeMap;

use super::Rule;
use crate::case::{Case, FindingsConfig};
use crate::episode::Episode;
use crate::rows::{Kind, Severity};

/// z for a one-sided 95 % bound.
const Z_95: f64 = 1.645;

pub(super) const RULE: Rule = Rule {
    name: "volume_suspect",
    title: "registered volume doubtful",
    kind: Kind::Data,
    watches: "Runs whose dried flow exceeds the oil flow beyond their own interval (more than all the water per pass): the registered volume is too large.",
    replay,
};

fn replay(case: &Case<'_>, _: &FindingsConfig) -> Vec<Episode> {
    let mut by_reservoir: BTreeMap<&str, Vec<(&drydown_runs::Run, f64)>> = BTreeMap::new();
    for (run, fit) in case.runs.iter().filter_map(|run| {
        case.removal_runs
            .binary_search_by(|row| row.run_id.cmp(&run.run_id))
            .ok()
            .and_then(|idx| case.removal_runs.get(idx))
            .map(|fit| (run, fit))
    }) {
        let (Some(reservoir), Some(flow), Some(dried)) =
            (&run.reservoir_id, run.flow_lpm, fit.dried_flow_lpm)
        else {
            continue;
        };
        let (Some(rate), Some(se)) = (fit.removal_rate_per_h, fit.removal_rate_se) else {
            continue;
        };
        if flow > 0.0 && rate > 0.0 {
            let lower = dried * (1.0 - Z_95 * se / rate).max(0.0);
            if lower > flow {
                by_reservoir
                    .entry(reservoir.as_str())
                    .or_default()
                    .push((run, dried / flow));
            }
        }
    }
    by_reservoir
        .into_iter()
        .filter_map(|(reservoir, rows)| to_episode(reservoir, &rows))
        .collect()
}

fn to_episode(reservoir: &str, rows: &[(&drydown_runs::Run, f64)]) -> Option<Episode> {
    let first_seen = rows.iter().map(|(run, _)| run.ended_at).min()?;
    let last_seen = rows.iter().map(|(run, _)| run.ended_at).max()?;
    let largest = rows.iter().map(|(_, ratio)| *ratio).fold(0.0, f64::max);
    Some(Episode {
        subject: reservoir.to_owned(),
        severity: Severity::Watch,
        onset_at: None,
        first_seen,
        last_seen,
        holds: true,
        evidence: format!(
            "{} took out more than all the water of the oil that passed, beyond the run's own interval (up to {largest:.2} times all of it), so the registered volume looks too large.",
            if rows.len() == 1 {
                "One run".to_owned()
            } else {
                format!("{} runs", rows.len())
            }
        ),
        action: "Dip or otherwise measure the oil volume and correct the register.".to_owned(),
    })
}
