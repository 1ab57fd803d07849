//! Forecasts made at each snapshot, and what became of those that are due.
//!
//! A forecast speaks of the time in which no unit is sent, so a run that starts within its
//! horizon ends it: such a forecast is censored ('treatment'), unless the event was seen before.
//! Nothing is said of a forecast of water before its horizon is over, whatever was seen by then.

use drydown_quantity::{ReservoirId, Stamp};
use drydown_reservoirs::ReservoirRisk;
use drydown_runs::history::Censor;

use crate::case::{Case, Snapshot};
use crate::pump_forecasts::pump_limits;
use crate::rows::{Forecast, ForecastEnd};

/// Every forecast of every snapshot, scored with what is known at `case.as_of`.
#[must_use]
pub fn forecasts(case: &Case<'_>) -> Vec<Forecast> {
    let mut rows = Vec::new();
    for snapshot in case.snapshots {
        for risk in &snapshot.risks {
            rows.extend(water_limit(case, snapshot, risk));
        }
        rows.extend(pump_limits(case, snapshot.as_of));
    }
    rows.sort_by(|a, b| a.forecast_id.cmp(&b.forecast_id));
    rows
}

fn water_limit(case: &Case<'_>, snapshot: &Snapshot, risk: &ReservoirRisk) -> Option<Forecast> {
    let probability = risk.p_water_limit?;
    let limit = risk.water_limit_ppm?;
    let seen = observe_water(
        case,
        &risk.reservoir_id,
        limit,
        snapshot.as_of,
        risk.horizon_days,
    );
    Some(Forecast {
        forecast_id: forecast_id("water_limit", risk.reservoir_id.as_str(), snapshot.as_of),
        made_at: snapshot.as_of,
        kind: "water_limit".to_owned(),
        subject: risk.reservoir_id.to_string(),
        horizon_days: risk.horizon_days,
        probability: Some(probability),
        p10: None,
        p50: None,
        p90: None,
        outcome: seen.outcome,
        observed_from: None,
        observed_to: seen.observed_to,
        ended_by: seen.ended_by,
    })
}

struct Seen {
    outcome: Option<f64>,
    observed_to: Option<Stamp>,
    ended_by: Option<ForecastEnd>,
}

/// What samples and run starts showed between a forecast and its end.
fn observe_water(
    case: &Case<'_>,
    id: &ReservoirId,
    limit_ppm: f64,
    made_at: Stamp,
    horizon_days: f64,
) -> Seen {
    let due = made_at.plus_days(horizon_days);
    let treated = case
        .runs
        .iter()
        .filter(|run| {
            run.reservoir_id.as_ref() == Some(id)
                && run.started_at >= made_at
                && run.started_at < due
        })
        .map(|run| (run.started_at, run.water_first_ppm))
        .min_by_key(|(at, _)| *at);
    let until = treated.map_or(due, |(at, _)| at).min(case.as_of);
    let is_due = due <= case.as_of;
    let mut sights: Vec<(Stamp, bool)> = case
        .samples
        .iter()
        .filter(|row| row.reservoir_id.as_ref() == Some(id) && row.informs_reservoir())
        .filter_map(|row| {
            let at = row.taken_at.filter(|at| *at >= made_at && *at <= until)?;
            let ppm = row.water_ppm?;
            let above = match row.water_censor {
                Some(Censor::Below) => false,
                _ => ppm > limit_ppm,
            };
            Some((at, above))
        })
        .collect();
    if let Some((at, Some(ppm))) = treated.filter(|(at, _)| *at <= case.as_of) {
        sights.push((at, ppm > limit_ppm));
    }
    sights.sort();
    let last = sights.last().map(|(at, _)| *at);
    if !is_due {
        // What passed is known at once and what did not only at the end: told before it, the bad outcomes
        // of the youngest forecasts would stand alone.
        return Seen {
            outcome: None,
            observed_to: last,
            ended_by: None,
        };
    }
    if let Some((at, _)) = sights.iter().find(|(_, above)| *above) {
        return Seen {
            outcome: Some(1.0),
            observed_to: Some(*at),
            ended_by: Some(ForecastEnd::Due),
        };
    }
    if let Some((at, _)) = treated {
        return Seen {
            outcome: None,
            observed_to: Some(at),
            ended_by: Some(ForecastEnd::Treatment),
        };
    }
    match last {
        // A last look in the second half of the horizon is taken as "did not happen"; an
        // earlier one says too little about the rest.
        Some(at) if at >= made_at.plus_days(horizon_days / 2.0) => Seen {
            outcome: Some(0.0),
            observed_to: Some(at),
            ended_by: Some(ForecastEnd::Due),
        },
        _ => Seen {
            outcome: None,
            observed_to: last,
            ended_by: Some(ForecastEnd::NotObserved),
        },
    }
}

pub(crate) fn forecast_id(kind: &str, subject: &str, made_at: Stamp) -> String {
    format!("{kind}:{subject}@{}", made_at.compact())
}
