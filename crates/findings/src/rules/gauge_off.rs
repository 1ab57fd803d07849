//! A vacuum gauge that reads off at rest.

use drydown_pumps::{Cause, PumpHealth, PumpState, mended_since};
use drydown_quantity::Stamp;

use super::Rule;
use crate::case::{Case, FindingsConfig};
use crate::episode::Episode;
use crate::rows::{Kind, Severity};

pub(super) const RULE: Rule = Rule {
    name: "gauge_off",
    title: "vacuum gauge reads off",
    kind: Kind::Sensor,
    watches: "Pump health at each run: pressures that rose by as much as the gauge reads off at rest, where a vented chamber holds the barometer.",
    replay,
};

fn replay(case: &Case<'_>, _: &FindingsConfig) -> Vec<Episode> {
    let mut episodes: Vec<Episode> = Vec::new();
    for rows in case.pump_health.chunk_by(|a, b| a.unit_id == b.unit_id) {
        let mut open: Option<Episode> = None;
        for row in rows {
            match row.gauge_off_kpa.zip(row.gauge_off_since_at) {
                Some((kpa, since)) => {
                    let seen = open.get_or_insert_with(|| to_episode(row, kpa, since));
                    seen.last_seen = row.at;
                    seen.evidence = evidence(kpa, since);
                }
                // A run that was not judged says nothing of the gauge.
                None if row.state == PumpState::Unjudged => {}
                None => {
                    if let Some(mut seen) = open.take() {
                        seen.holds = false;
                        episodes.push(seen);
                    }
                }
            }
        }
        if let (Some(seen), Some(last)) = (open.as_mut(), rows.last()) {
            step_down(seen, last, case);
        }
        episodes.extend(open);
    }
    episodes
}

fn to_episode(row: &PumpHealth, kpa: f64, since: Stamp) -> Episode {
    Episode {
        subject: row.unit_id.to_string(),
        severity: Severity::Watch,
        onset_at: Some(since),
        first_seen: row.at,
        last_seen: row.at,
        holds: true,
        evidence: evidence(kpa, since),
        action: "Hold it against a barometer with the chamber vented, set it right or change it, and enter the work as `gauge` in the maintenance register: else every pressure of the unit goes on being off by that.".to_owned(),
    }
}

fn evidence(kpa: f64, since: Stamp) -> String {
    format!(
        "The vacuum gauge reads {kpa:+.1} kPa off with the chamber at rest since {}, and the pressures at work rose with it: that is the gauge, not the pump.",
        since.day()
    )
}

/// Work on the gauge since the last run, of which no run has shown whether it set it right.
fn step_down(seen: &mut Episode, last: &PumpHealth, case: &Case<'_>) {
    let work = case.registers.maintenance_of(&last.unit_id);
    if let Some((at, _)) = mended_since(work, last.at, Some(Cause::Gauge)) {
        seen.severity = Severity::Info;
        seen.action = format!(
            "Gauge work on {}, not run since: the next starts will show whether it is right.",
            at.day()
        );
    }
}
