//! A vacuum pump whose health row says alert or alarm.

use drydown_pumps::{Cause, DaysStatus, PumpHealth, PumpState};

use super::Rule;
use crate::case::{Case, FindingsConfig};
use crate::episode::Episode;
use crate::rows::{Kind, Severity};

pub(super) const RULE: Rule = Rule {
    name: "pump_change",
    title: "vacuum pump changed",
    kind: Kind::Pump,
    watches: "Pump health at each run: alert (out of control at the designed false-alarm rate) or alarm (and near the limit).",
    replay,
};

fn replay(case: &Case<'_>, _: &FindingsConfig) -> Vec<Episode> {
    let mut episodes: Vec<Episode> = Vec::new();
    for rows in case.pump_health.chunk_by(|a, b| a.unit_id == b.unit_id) {
        let mut open: Option<Episode> = None;
        for row in rows {
            if matches!(row.state, PumpState::Alert | PumpState::Alarm) {
                let seen = open.get_or_insert_with(|| to_episode(row));
                seen.last_seen = row.at;
                seen.severity = severity(row);
                seen.onset_at = row.onset_at.or(seen.onset_at);
                seen.evidence.clone_from(&row.evidence);
                seen.action = action(row);
            } else if let Some(mut seen) = open.take() {
                seen.holds = false;
                episodes.push(seen);
            }
        }
        episodes.extend(open);
    }
    episodes
}

fn severity(row: &PumpHealth) -> Severity {
    if row.state == PumpState::Alarm {
        Severity::Act
    } else {
        Severity::Watch
    }
}

fn to_episode(row: &PumpHealth) -> Episode {
    Episode {
        subject: row.unit_id.to_string(),
        severity: severity(row),
        onset_at: row.onset_at,
        first_seen: row.at,
        last_seen: row.at,
        holds: true,
        evidence: row.evidence.clone(),
        action: action(row),
    }
}

fn action(row: &PumpHealth) -> String {
    let step = match row.cause {
        Some(Cause::Wear) => "Plan vanes or a rebuild",
        Some(Cause::Leak) => {
            "Look for an air leak (rate-of-rise test with the pump isolated) before touching the pump"
        }
        Some(Cause::WetOil) => {
            "Run the pump hot on gas ballast or change its oil, then judge again"
        }
        Some(Cause::Restriction) => "Check exhaust filter, belt, valve and voltage",
        Some(Cause::SealWater) => "Check seal-water temperature and flow",
        _ => "Repeat a cold start with the vent shut and watch it",
    };
    let when = match (
        row.days_to_limit_status,
        row.days_to_limit_p10,
        row.days_to_limit_p50,
    ) {
        (DaysStatus::Within, Some(early), Some(middle)) => {
            format!(
                "; days until it cannot hold the limit: {early:.0} (1 in 10 sooner), {middle:.0} (even odds)"
            )
        }
        (DaysStatus::Beyond, ..) => "; the limit lies beyond a year".to_owned(),
        _ => String::new(),
    };
    format!("{step}{when}.")
}
