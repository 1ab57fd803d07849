//! A vacuum pump that cannot hold its limit, or by now may not, though nothing about it changed.

use drydown_pumps::{LimitStanding, PumpHealth, PumpState, mended_since};
use drydown_quantity::Stamp;

use super::Rule;
use crate::case::{Case, FindingsConfig};
use crate::episode::Episode;
use crate::rows::{Kind, Severity};

pub(super) const RULE: Rule = Rule {
    name: "pump_past_limit",
    title: "vacuum pump past its limit",
    kind: Kind::Pump,
    watches: "A pump that is not out of control and yet cannot hold its limit: at its last run, or by even odds since. One in alert or alarm is told by pump_change.",
    replay,
};

fn replay(case: &Case<'_>, _: &FindingsConfig) -> Vec<Episode> {
    let mut episodes: Vec<Episode> = Vec::new();
    for rows in case.pump_health.chunk_by(|a, b| a.unit_id == b.unit_id) {
        let mut open: Option<Episode> = None;
        // What a row says stands until the next run.
        for (row, next) in rows.iter().zip(rows.iter().skip(1)) {
            step(&mut open, &mut episodes, case, (row, next.at));
        }
        if let Some(last) = rows.last() {
            step(&mut open, &mut episodes, case, (last, case.as_of));
        }
        episodes.extend(open);
    }
    episodes
}

/// One row as it stands at a time: what holds goes on, what held ends.
fn step(
    open: &mut Option<Episode>,
    done: &mut Vec<Episode>,
    case: &Case<'_>,
    (row, at): (&PumpHealth, Stamp),
) {
    match seen(case, row, at) {
        Some(now) => {
            let first = open.take();
            *open = Some(Episode {
                first_seen: first.map_or(now.first_seen, |first| first.first_seen),
                ..now
            });
        }
        None => {
            if let Some(mut ended) = open.take() {
                ended.holds = false;
                done.push(ended);
            }
        }
    }
}

fn seen(case: &Case<'_>, row: &PumpHealth, at: Stamp) -> Option<Episode> {
    let limit = row.limit_as_of(at);
    if row.state != PumpState::Normal || !limit.is_passed() {
        return None;
    }
    let work = case.registers.maintenance_of(&row.unit_id);
    let known = work.get(..work.partition_point(|done| done.at < at))?;
    if mended_since(known, row.at, None).is_some() {
        return None;
    }
    // What the gauge of that very run showed goes before what is reckoned.
    let held = case
        .runs
        .iter()
        .find(|run| run.run_id == row.run_id)
        .and_then(|run| run.steady_kpa)
        .filter(|kpa| *kpa <= case.pump_limit_kpa);
    let is_now = limit.standing == LimitStanding::Passed;
    let (severity, action) = match (is_now, held) {
        (true, None) => (
            Severity::Act,
            "Send it to no job: test the pump (cold start, vent shut), then mend it or give it lighter work.".to_owned(),
        ),
        (true, Some(kpa)) => (
            Severity::Watch,
            format!("Test the pump before its next job (cold start, vent shut): by speed, base and load it could not hold the limit, and yet its last run held {kpa:.0} kPa."),
        ),
        (false, _) => (
            Severity::Watch,
            "Test the pump before its next job (cold start, vent shut).".to_owned(),
        ),
    };
    // When the date of even odds was over, where that came after the run.
    let since = limit.p50_at.unwrap_or(row.at).max(row.at).min(at);
    let said = limit.said().unwrap_or_default();
    Some(Episode {
        subject: row.unit_id.to_string(),
        severity,
        onset_at: None,
        first_seen: since,
        last_seen: since.max(row.at),
        holds: true,
        evidence: format!("Nothing changed, but {said}: {}", row.evidence),
        action,
    })
}
