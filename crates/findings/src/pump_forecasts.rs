//! Forecasts of the day on which a pump no longer holds its limit, and what its own pressures showed of it.
//!
//! A forecast is counted from the day it was made, not from the run that it rests on. Whether the limit was passed is
//! told by gauges alone: a pressure at work at or below the limit says that it was not, and two such looks in a row
//! above it, with the vent shut, or a base above it, that it was; what the program reckons is no evidence of itself.
//! A unit is not looked at between its runs, so that a passing lies between two looks (interval censoring).

use drydown_pumps::{DaysStatus, LimitStanding, PumpHealth, mended_since};
use drydown_quantity::Stamp;
use drydown_runs::Run;
use drydown_runs::history::Maintenance;

use crate::case::Case;
use crate::forecasts::forecast_id;
use crate::rows::{Forecast, ForecastEnd};

/// Days within which a pump forecast speaks; a later crossing is 'beyond'.
const PUMP_HORIZON_DAYS: f64 = 365.0;
/// Opening up to which a vent counts as shut, % (common practice, no source); one that is not logged counts too.
const VENT_SHUT_PCT: f64 = 5.0;

/// The forecasts made at a time, one a pump whose limit lies ahead within the horizon.
///
/// None is made of a pump that was worked on since, and none of one that stands past its limit already.
pub(crate) fn pump_limits(case: &Case<'_>, made_at: Stamp) -> Vec<Forecast> {
    case.pump_health
        .chunk_by(|a, b| a.unit_id == b.unit_id)
        .filter_map(|rows| {
            let past = rows.get(..rows.partition_point(|row| row.at < made_at))?;
            pump_limit(case, past.last()?, made_at)
        })
        .collect()
}

fn pump_limit(case: &Case<'_>, row: &PumpHealth, made_at: Stamp) -> Option<Forecast> {
    if row.days_to_limit_status != DaysStatus::Within {
        return None;
    }
    // Days counted from before a repair are no forecast of the pump as it now is.
    let work = case.registers.maintenance_of(&row.unit_id);
    let (known, later) = work.split_at(work.partition_point(|done| done.at < made_at));
    if mended_since(known, row.at, row.cause).is_some() {
        return None;
    }
    let looks = looks(case, row, known);
    let (before, after) = looks.split_at(looks.partition_point(|look| look.at < made_at));
    let limit = row.limit_as_of(made_at);
    if is_past(before, limit.standing == LimitStanding::Passed) {
        return None;
    }
    let repaired = repaired(later, row);
    let until = repaired.unwrap_or(case.as_of);
    let after = after.get(..after.partition_point(|look| look.at < until))?;
    let seen = Seen::of((before, after), repaired, made_at, case.as_of);
    Some(Forecast {
        forecast_id: forecast_id("pump_limit", row.unit_id.as_str(), made_at),
        made_at,
        kind: "pump_limit".to_owned(),
        subject: row.unit_id.to_string(),
        horizon_days: PUMP_HORIZON_DAYS,
        probability: None,
        p10: limit.p10,
        p50: limit.p50,
        p90: limit.p90,
        outcome: seen.outcome,
        observed_from: seen.observed_from,
        observed_to: seen.observed_to,
        ended_by: seen.ended_by,
    })
}

/// Work after the forecast that may have ended what it rests on: what comes then is another pump's.
fn repaired(later: &[Maintenance], row: &PumpHealth) -> Option<Stamp> {
    later
        .iter()
        .find(|done| mended_since(std::slice::from_ref(*done), row.at, row.cause).is_some())
        .map(|done| done.at)
}

/// What a run's own pressures showed of the limit.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Look {
    at: Stamp,
    is_past: bool,
}

/// The unit's looks since the last work on its vacuum side that was known, in time.
fn looks(case: &Case<'_>, row: &PumpHealth, known: &[Maintenance]) -> Vec<Look> {
    let since = mended_since(known, Stamp::from_micros(i64::MIN), None).map(|(at, _)| at);
    case.runs
        .iter()
        .filter(|run| run.unit_id == row.unit_id && run.ended_at < case.as_of)
        .filter(|run| since.is_none_or(|at| run.started_at >= at))
        .filter_map(|run| look(run, case.pump_limit_kpa))
        .collect()
}

fn look(run: &Run, limit_kpa: f64) -> Option<Look> {
    let at = run.ended_at;
    // A base is measured with the vent shut and next to no load: above the limit it settles the matter.
    if run.pumpdown_base_kpa.is_some_and(|kpa| kpa > limit_kpa) {
        return Some(Look { at, is_past: true });
    }
    let steady_kpa = run.steady_kpa.filter(|_| !run.has_flag("pressure_stuck"))?;
    let is_past = steady_kpa > limit_kpa;
    let vent_is_shut = run.vent_open_pct.is_none_or(|pct| pct <= VENT_SHUT_PCT);
    (!is_past || vent_is_shut).then_some(Look { at, is_past })
}

/// Whether a pump stands past its limit: by its last two looks; where none says that it holds, by what is reckoned.
fn is_past(before: &[Look], is_reckoned: bool) -> bool {
    match before {
        [.., a, b] => b.is_past && (a.is_past || is_reckoned),
        [only] => only.is_past && is_reckoned,
        [] => is_reckoned,
    }
}

/// What became of a forecast.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Seen {
    outcome: Option<f64>,
    observed_from: Option<Stamp>,
    observed_to: Option<Stamp>,
    ended_by: Option<ForecastEnd>,
}

impl Seen {
    /// By the looks before and after it, up to a repair.
    fn of(
        (before, after): (&[Look], &[Look]),
        repaired: Option<Stamp>,
        made_at: Stamp,
        as_of: Stamp,
    ) -> Self {
        let all: Vec<Look> = before.iter().chain(after).copied().collect();
        let due = made_at.plus_days(PUMP_HORIZON_DAYS);
        if let Some(idx) = passing(&all, before.len(), repaired.is_some()) {
            return Self {
                outcome: Some(1.0),
                observed_from: all.iter().take(idx).next_back().map(|look| look.at),
                observed_to: all.get(idx).map(|look| look.at),
                ended_by: Some(ForecastEnd::Due),
            };
        }
        let held = all.iter().rfind(|look| !look.is_past).map(|look| look.at);
        let (outcome, observed_to, ended_by) = match (held, repaired) {
            (Some(at), _) if at >= due => (Some(0.0), Some(at), Some(ForecastEnd::Due)),
            (_, Some(at)) => (None, Some(at), Some(ForecastEnd::Repair)),
            _ => {
                let last = after.last().map(|look| look.at);
                let is_over = due <= as_of;
                (None, last, is_over.then_some(ForecastEnd::NotObserved))
            }
        };
        Self {
            outcome,
            observed_from: held,
            observed_to,
            ended_by,
        }
    }
}

/// The first look that shows the limit passed: the next one, at the earliest the first after the forecast, shows it
/// too, or work on the pump came before it, for one run may have had wetter oil than any other.
fn passing(all: &[Look], n_before: usize, is_repaired: bool) -> Option<usize> {
    let is_past = |idx: usize| all.get(idx).is_some_and(|look| look.is_past);
    (n_before.saturating_sub(1)..all.len()).find(|idx| {
        let next = idx + 1;
        let is_last = next == all.len() && *idx >= n_before;
        is_past(*idx) && (is_past(next) || (is_last && is_repaired))
    })
}
