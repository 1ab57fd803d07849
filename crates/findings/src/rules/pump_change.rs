//! A vacuum pump whose health row says alert or alarm.

use drydown_pumps::{
    Cause, DaysStatus, LimitOutlook, LimitStanding, PumpHealth, PumpState, PumpsConfig,
    mended_since,
};
use drydown_quantity::Stamp;
use drydown_runs::history::{MaintenanceAction, PumpKind};

use super::Rule;
use crate::case::{Case, FindingsConfig};
use crate::episode::Episode;
use crate::rows::{Kind, Severity};

/// Probability from which a cause is acted on without another look (common practice, no source).
const SURE_FROM: f64 = 0.6;

pub(super) const RULE: Rule = Rule {
    name: "pump_change",
    title: "vacuum pump changed",
    kind: Kind::Pump,
    watches: "Pump health at each run: alert (out of control at the designed false-alarm rate) or alarm (and near the limit). Days to the limit go down after the last run, so that an alert becomes one to act on without another.",
    replay,
};

fn replay(case: &Case<'_>, _: &FindingsConfig) -> Vec<Episode> {
    let mut episodes: Vec<Episode> = Vec::new();
    for rows in case.pump_health.chunk_by(|a, b| a.unit_id == b.unit_id) {
        let kind = rows
            .first()
            .and_then(|row| case.registers.unit(&row.unit_id))
            .and_then(|unit| unit.vacuum_pump_kind);
        let mut open: Option<Episode> = None;
        for row in rows {
            if matches!(row.state, PumpState::Alert | PumpState::Alarm) {
                let seen = open.get_or_insert_with(|| to_episode(row, kind));
                seen.last_seen = row.at;
                seen.severity = severity(row, row.at);
                // A later estimate that lies after the finding is one of what came on top.
                let onset = row.onset_at.filter(|at| *at <= seen.first_seen);
                seen.onset_at = onset.or(seen.onset_at);
                seen.evidence.clone_from(&row.evidence);
                seen.action = action(row, kind, row.at);
            } else if let Some(mut seen) = open.take() {
                seen.holds = false;
                episodes.push(seen);
            }
        }
        if let (Some(seen), Some(last)) = (open.as_mut(), rows.last()) {
            seen.severity = severity(last, case.as_of);
            seen.action = action(last, kind, case.as_of);
            step_down(seen, last, case);
        }
        episodes.extend(open);
    }
    episodes
}

/// What was done since the last run may have ended the change, and nobody has seen whether it did: to watch,
/// with no days counted from before.
fn step_down(seen: &mut Episode, last: &PumpHealth, case: &Case<'_>) {
    let work = case.registers.maintenance_of(&last.unit_id);
    if let Some((at, what)) = mended_since(work, last.at, last.cause) {
        let done = done(what);
        seen.severity = Severity::Watch;
        seen.evidence = format!(
            "{done} on {}, not run since. Before, at the run of {}: {}",
            at.day(),
            last.at.day(),
            without_days(&last.evidence)
        );
        seen.action = format!(
            "{done} on {}, not run since: test it before it goes (cold start, vent shut).",
            at.day()
        );
    }
}

/// Evidence without what it foretold of the pump as it was.
fn without_days(evidence: &str) -> &str {
    evidence
        .split_once("; with the vent shut it would hold")
        .map_or(evidence, |(before, _)| before)
}

/// What was done, as the beginning of a sentence.
const fn done(action: MaintenanceAction) -> &'static str {
    match action {
        MaintenanceAction::Rebuild => "Rebuilt",
        MaintenanceAction::Vanes => "New vanes",
        MaintenanceAction::PumpOil => "Pump oil changed",
        MaintenanceAction::PumpSwap => "Pump swapped",
        MaintenanceAction::LeakRepair => "Leak mended",
        MaintenanceAction::Filter => "Exhaust filter changed",
        MaintenanceAction::Gauge
        | MaintenanceAction::SensorSwap
        | MaintenanceAction::Calibration => "Pressure gauge worked on",
        MaintenanceAction::Heater | MaintenanceAction::Other => "Worked on",
    }
}

/// Alarm, or as near to the limit at a time as an alarm has it.
fn severity(row: &PumpHealth, as_of: Stamp) -> Severity {
    let limit = row.limit_as_of(as_of);
    let near = PumpsConfig::documented().alarm_days;
    if row.state == PumpState::Alarm
        || limit.is_passed()
        || limit.p10.is_some_and(|days| days <= near)
    {
        Severity::Act
    } else {
        Severity::Watch
    }
}

fn to_episode(row: &PumpHealth, kind: Option<PumpKind>) -> Episode {
    Episode {
        subject: row.unit_id.to_string(),
        severity: severity(row, row.at),
        onset_at: row.onset_at,
        first_seen: row.at,
        last_seen: row.at,
        holds: true,
        evidence: row.evidence.clone(),
        action: action(row, kind, row.at),
    }
}

fn action(row: &PumpHealth, kind: Option<PumpKind>, as_of: Stamp) -> String {
    let step = match row.cause {
        // Liquid rings and claws or screws have no vanes.
        Some(Cause::Wear) => match kind {
            Some(PumpKind::LiquidRing | PumpKind::Dry) => "plan a rebuild",
            _ => "plan vanes or a rebuild",
        },
        Some(Cause::Leak) => {
            "look for an air leak (rate-of-rise test with the pump isolated) before touching the pump"
        }
        Some(Cause::WetOil) => {
            "run the pump hot on gas ballast or change its oil, then judge again"
        }
        Some(Cause::Restriction) => "check exhaust filter, belt, valve and voltage",
        Some(Cause::SealWater) => "check seal-water temperature and flow",
        _ => "judge again",
    };
    let is_sure = row.cause_probability.is_some_and(|p| p >= SURE_FROM);
    let step = if is_sure && row.cause != Some(Cause::Unknown) {
        let mut letters = step.chars();
        letters.next().map_or_else(String::new, |first| {
            first.to_uppercase().chain(letters).collect()
        })
    } else {
        format!("Repeat a cold start with the vent shut to tell the cause, then {step}")
    };
    format!("{step}{}", when(&row.limit_as_of(as_of)))
}

/// What is known of the time left, as the end of the sentence.
fn when(limit: &LimitOutlook) -> String {
    let said = limit
        .said()
        .map_or_else(String::new, |said| format!("; {said}"));
    let then = match limit.standing {
        LimitStanding::Passed => ", so send it to no job",
        LimitStanding::PassedSince | LimitStanding::LikelySince => {
            ", so look at it before its next job"
        }
        LimitStanding::NoDay(DaysStatus::Unjudged) => ", so look at every run",
        _ => "",
    };
    format!("{said}{then}.")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(
        cause: Cause,
        probability: f64,
        status: DaysStatus,
        days: Option<(f64, f64)>,
        kind: Option<PumpKind>,
    ) -> String {
        action(
            &PumpHealth {
                run_id: "U-1@20260901T000000Z".into(),
                unit_id: "U-1".into(),
                at: Stamp::from_micros(0),
                indicator: None,
                expected: None,
                lower_90: None,
                upper_90: None,
                state: PumpState::Alert,
                cause: Some(cause),
                cause_probability: Some(probability),
                days_to_limit_p10: days.map(|days| days.0),
                days_to_limit_p50: days.map(|days| days.1),
                days_to_limit_p90: None,
                days_to_limit_status: status,
                onset_at: None,
                gauge_off_kpa: None,
                gauge_off_since_at: None,
                evidence: String::new(),
            },
            kind,
            Stamp::from_micros(0).plus_days(5.0),
        )
    }

    #[test]
    fn what_to_do_follows_how_sure_the_cause_is_and_how_near_the_limit() {
        for (cause, p, status, days, expected) in [
            (
                Cause::Wear,
                0.95,
                DaysStatus::Within,
                Some((20.0, 30.0)),
                "Plan vanes or a rebuild; it ceases to hold the limit in 15 days or later, not before 1970-01-21 (1 in 10 sooner; even odds by 1970-01-31).",
            ),
            (
                Cause::Wear,
                0.42,
                DaysStatus::Unjudged,
                None,
                "Repeat a cold start with the vent shut to tell the cause, then plan vanes or a rebuild; how long it will hold the limit is not known, so look at every run.",
            ),
            (
                Cause::Unknown,
                0.69,
                DaysStatus::Within,
                Some((0.0, 0.0)),
                "Repeat a cold start with the vent shut to tell the cause, then judge again; it can no longer hold the limit, so send it to no job.",
            ),
            (
                Cause::SealWater,
                0.9,
                DaysStatus::Beyond,
                None,
                "Check seal-water temperature and flow; it holds the limit until 1971-01-01 at least (1 in 10 sooner).",
            ),
        ] {
            assert_eq!(
                told(cause, p, status, days, Some(PumpKind::RotaryVane)),
                expected
            );
        }
    }

    #[test]
    fn a_pump_without_vanes_is_told_of_none() {
        for (kind, expected) in [
            (Some(PumpKind::Dry), "Plan a rebuild; it holds"),
            (Some(PumpKind::LiquidRing), "Plan a rebuild; it holds"),
            (None, "Plan vanes or a rebuild; it holds"),
        ] {
            let found = told(Cause::Wear, 0.9, DaysStatus::Beyond, None, kind);
            assert!(found.starts_with(expected), "{found}");
        }
    }
}
