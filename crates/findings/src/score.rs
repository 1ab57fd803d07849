//! How past forecasts came out.

use crate::rows::{Forecast, ForecastEnd};

/// Outcomes below which a score says too little (design: "too few outcomes to judge").
pub const FEWEST_EVENTS: usize = 30;

/// Edges of the probability bins of the reliability table.
const BIN_EDGES: [f64; 6] = [0.0, 0.1, 0.3, 0.5, 0.8, 1.0];

/// One bin of the reliability table.
#[derive(Clone, Debug, PartialEq)]
pub struct ReliabilityBin {
    /// Probabilities from here …
    pub from: f64,
    /// … up to here.
    pub to: f64,
    /// Forecasts in the bin that came due.
    pub n: usize,
    /// Of those, the events.
    pub n_events: usize,
    /// Their mean probability.
    pub mean_probability: Option<f64>,
    /// The share of them that happened.
    pub observed_share: Option<f64>,
}

/// The score of one kind of forecast. Brier score: Brier, Monthly Weather Review 78 (1950).
#[derive(Clone, Debug, PartialEq)]
pub struct Score {
    /// Kind of forecast.
    pub kind: String,
    /// Forecasts that came due with a known outcome.
    pub n_due: usize,
    /// Of those, the events.
    pub n_events: usize,
    /// Forecasts ended by a treatment or repair.
    pub n_treated: usize,
    /// Forecasts whose outcome nobody looked at.
    pub n_not_observed: usize,
    /// Forecasts not yet due.
    pub n_pending: usize,
    /// Mean squared difference of probability and outcome.
    pub brier: Option<f64>,
    /// The same for the base rate alone.
    pub brier_base_rate: Option<f64>,
    /// Reliability by bin.
    pub bins: Vec<ReliabilityBin>,
}

impl Score {
    /// Whether there are enough outcomes to judge by.
    #[must_use]
    pub fn is_judged(&self) -> bool {
        self.n_events >= FEWEST_EVENTS
    }
}

/// Scores every kind of forecast that states a probability.
#[must_use]
pub fn score(forecasts: &[Forecast]) -> Vec<Score> {
    let mut kinds: Vec<&str> = forecasts
        .iter()
        .filter(|row| row.probability.is_some())
        .map(|row| row.kind.as_str())
        .collect();
    kinds.sort_unstable();
    kinds.dedup();
    kinds
        .into_iter()
        .map(|kind| score_kind(kind, forecasts))
        .collect()
}

fn score_kind(kind: &str, forecasts: &[Forecast]) -> Score {
    let rows: Vec<&Forecast> = forecasts.iter().filter(|row| row.kind == kind).collect();
    let due: Vec<(f64, f64)> = rows
        .iter()
        .filter_map(|row| Some((row.probability?, row.outcome?)))
        .collect();
    let count = |end: ForecastEnd| {
        rows.iter()
            .filter(|row| row.outcome.is_none() && row.ended_by == Some(end))
            .count()
    };
    let n_events = due.iter().filter(|(_, outcome)| *outcome > 0.5).count();
    let mean = |values: &[f64]| {
        (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
    };
    let brier = mean(&due.iter().map(|(p, y)| (p - y).powi(2)).collect::<Vec<_>>());
    let base = n_events as f64 / due.len().max(1) as f64;
    let bins = BIN_EDGES
        .windows(2)
        .filter_map(|edge| Some((*edge.first()?, *edge.get(1)?)))
        .map(|(from, to)| {
            let inside: Vec<(f64, f64)> = due
                .iter()
                .copied()
                .filter(|(p, _)| *p >= from && (*p < to || (to >= 1.0 && *p <= 1.0)))
                .collect();
            ReliabilityBin {
                from,
                to,
                n: inside.len(),
                n_events: inside.iter().filter(|(_, outcome)| *outcome > 0.5).count(),
                mean_probability: mean(&inside.iter().map(|(p, _)| *p).collect::<Vec<_>>()),
                observed_share: mean(&inside.iter().map(|(_, y)| *y).collect::<Vec<_>>()),
            }
        })
        .collect();
    Score {
        kind: kind.to_owned(),
        n_due: due.len(),
        n_events,
        n_treated: count(ForecastEnd::Treatment) + count(ForecastEnd::Repair),
        n_not_observed: count(ForecastEnd::NotObserved),
        n_pending: rows
            .iter()
            .filter(|row| row.outcome.is_none() && row.ended_by.is_none())
            .count(),
        brier,
        brier_base_rate: (!due.is_empty()).then_some(base * (1.0 - base)),
        bins,
    }
}
