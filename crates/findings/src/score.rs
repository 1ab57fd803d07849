//! How past forecasts came out.
//!
//! A forecast speaks of the time in which no unit is sent. What passes its limit is soon known, what does not only after
//! the whole horizon, and in between units are sent, above all to what is wet: known outcomes by themselves say that
//! far too much came. So only forecasts whose horizon is over enter, and each known outcome stands for those like it that
//! were lost from sight (inverse probability of censoring, within bands of what was said). Where nearly all of a band were
//! lost before their time, nobody is left to stand for the good outcomes: such a band is not judged.

use drydown_stats::scores::weighted_mean;
use drydown_stats::survival::{TimeEnd, known_weights};

use crate::rows::{Forecast, ForecastEnd};

/// Outcomes below which a score says too little (design: "too few outcomes to judge").
pub const FEWEST_EVENTS: usize = 30;

/// A forecast stands for this many others at most.
const MOST_WEIGHT: f64 = 20.0;

/// Share of a band's forecasts that nobody stands for, above which the band is not judged: by so much may its share be
/// wrong (common practice, no source).
const MOST_UNRESOLVED: f64 = 0.1;

/// Effective number of outcomes below which a band's share is not told: the standard error of a share of one half from ten
/// is 16 % (common practice, no source).
const FEWEST_EFFECTIVE: f64 = 10.0;

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
    /// Mean probability, weighted like the share.
    pub mean_probability: Option<f64>,
    /// How many equally weighted outcomes say as much: (Σw)²/Σw² (Kish, Survey Sampling, 1965, from memory).
    pub n_effective: f64,
    /// The share that happened, those that were lost from sight stood for by those that were not; None where too few
    /// outcomes are left to judge by.
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
    /// Mean squared difference of probability and outcome over the bands that can be judged, known outcomes standing for those lost from sight.
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
        self.n_events >= FEWEST_EVENTS && self.brier.is_some()
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
    let due: Vec<Due> = rows
        .iter()
        .zip(forecast_weights(&rows))
        .filter_map(|(row, weight)| {
            Some(Due {
                probability: row.probability?,
                outcome: row.outcome?,
                weight,
            })
        })
        .collect();
    let count = |end: ForecastEnd| {
        rows.iter()
            .filter(|row| row.outcome.is_none() && row.ended_by == Some(end))
            .count()
    };
    let base = mean_of(&due, |row| row.outcome);
    let bins = bands()
        .map(|(from, to)| {
            let inside: Vec<Due> = due
                .iter()
                .filter(|row| is_within(row.probability, (from, to)))
                .copied()
                .collect();
            let n_effective = n_effective(&inside);
            ReliabilityBin {
                from,
                to,
                n: inside.len(),
                n_events: n_events(&inside),
                mean_probability: mean_of(&inside, |row| row.probability),
                n_effective,
                observed_share: mean_of(&inside, |row| row.outcome)
                    .filter(|_| n_effective >= FEWEST_EFFECTIVE),
            }
        })
        .collect();
    Score {
        kind: kind.to_owned(),
        n_due: due.len(),
        n_events: n_events(&due),
        n_treated: count(ForecastEnd::Treatment) + count(ForecastEnd::Repair),
        n_not_observed: count(ForecastEnd::NotObserved),
        n_pending: rows
            .iter()
            .filter(|row| row.outcome.is_none() && row.ended_by.is_none())
            .count(),
        brier: mean_of(&due, |row| (row.probability - row.outcome).powi(2)),
        brier_base_rate: base.map(|base| base * (1.0 - base)),
        bins,
    }
}

/// A forecast with a known outcome, and how many it stands for.
#[derive(Clone, Copy, Debug)]
struct Due {
    probability: f64,
    outcome: f64,
    weight: f64,
}

fn n_events(rows: &[Due]) -> usize {
    rows.iter().filter(|row| row.outcome > 0.5).count()
}

/// Kish's effective number; 0 where nothing has a weight.
fn n_effective(rows: &[Due]) -> f64 {
    let sum: f64 = rows.iter().map(|row| row.weight).sum();
    let squares: f64 = rows.iter().map(|row| row.weight.powi(2)).sum();
    if squares > 0.0 {
        sum * sum / squares
    } else {
        0.0
    }
}

fn mean_of(rows: &[Due], of: impl Fn(&Due) -> f64) -> Option<f64> {
    let values: Vec<f64> = rows.iter().map(of).collect();
    let weights: Vec<f64> = rows.iter().map(|row| row.weight).collect();
    weighted_mean(&values, &weights)
}

fn bands() -> impl Iterator<Item = (f64, f64)> {
    BIN_EDGES
        .windows(2)
        .filter_map(|edge| Some((*edge.first()?, *edge.get(1)?)))
}

fn is_within(p: f64, (from, to): (f64, f64)) -> bool {
    p >= from && (p < to || (to >= 1.0 && p <= 1.0))
}

/// How many forecasts of one kind each stands for: 0 where the outcome is not known, else 1 and its share of those of
/// its band that were lost from sight before its own time. 0 too in a band of which more than a tenth has nobody to stand
/// for it; what is not due yet is of no band.
#[must_use]
pub fn forecast_weights(rows: &[&Forecast]) -> Vec<f64> {
    let mut weights = vec![0.0; rows.len()];
    for band in bands() {
        let inside: Vec<(usize, f64, TimeEnd)> = rows
            .iter()
            .enumerate()
            .filter(|(_, row)| row.probability.is_some_and(|p| is_within(p, band)))
            .filter(|(_, row)| row.ended_by.is_some())
            .map(|(idx, row)| {
                let (days, end) = ended(row);
                (idx, days, end)
            })
            .collect();
        let days: Vec<f64> = inside.iter().map(|row| row.1).collect();
        let ends: Vec<TimeEnd> = inside.iter().map(|row| row.2).collect();
        let Ok(found) = known_weights(&days, &ends, 1.0 / MOST_WEIGHT) else {
            continue; // no number of days: nothing is known of any
        };
        let unresolved = inside.len() as f64 - found.iter().sum::<f64>();
        if unresolved > MOST_UNRESOLVED * inside.len() as f64 {
            continue;
        }
        for ((idx, ..), weight) in inside.iter().zip(found) {
            if let Some(slot) = weights.get_mut(*idx) {
                *slot = weight;
            }
        }
    }
    weights
}

/// Days until the outcome was known, or until the forecast was lost from sight: a unit was sent, or nobody looked again.
fn ended(row: &Forecast) -> (f64, TimeEnd) {
    let seen_days = row
        .observed_to
        .map_or(0.0, |at| at.days_after(row.made_at).max(0.0));
    match row.outcome {
        Some(outcome) if outcome > 0.5 => (seen_days, TimeEnd::Known),
        Some(_) => (row.horizon_days, TimeEnd::Known),
        None => (seen_days.min(row.horizon_days), TimeEnd::Lost),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn forecast(day: i32, probability: f64, outcome: Option<f64>, seen_days: f64) -> Forecast {
        let made_at = drydown_quantity::Stamp::from_seconds(0).plus_days(f64::from(day));
        Forecast {
            forecast_id: format!("water_limit:R-{day}"),
            made_at,
            kind: "water_limit".to_owned(),
            subject: format!("R-{day}"),
            horizon_days: 60.0,
            probability: Some(probability),
            p10: None,
            p50: None,
            p90: None,
            outcome,
            observed_from: None,
            observed_to: Some(made_at.plus_days(seen_days)),
            ended_by: Some(match outcome {
                Some(_) => ForecastEnd::Due,
                None => ForecastEnd::Treatment,
            }),
        }
    }

    /// Ten of forty pass their limit, all soon; of the others twenty are treated half way. Counted by themselves half of
    /// the known outcomes passed; a quarter did.
    #[test]
    fn a_unit_that_was_sent_hides_no_good_outcome() {
        let mut rows = Vec::new();
        for day in 0..40 {
            rows.push(match day {
                0..10 => forecast(day, 0.25, Some(1.0), 10.0),
                10..30 => forecast(day, 0.25, None, 30.0),
                _ => forecast(day, 0.25, Some(0.0), 55.0),
            });
        }
        let found = score(&rows);
        let [score] = found.as_slice() else {
            panic!("one kind: {found:?}")
        };
        assert_eq!((score.n_due, score.n_events, score.n_treated), (20, 10, 20));
        let bin = score.bins.iter().find(|bin| bin.n > 0).unwrap();
        assert!(
            (bin.observed_share.unwrap() - 0.25).abs() < 1e-12,
            "{bin:?}"
        );
        assert!((score.brier.unwrap() - 0.25 * 0.75).abs() < 1e-12);
        assert!((score.brier_base_rate.unwrap() - 0.25 * 0.75).abs() < 1e-12);
    }

    #[test]
    fn without_losses_every_forecast_counts_once() {
        let rows = [
            forecast(0, 0.9, Some(1.0), 5.0),
            forecast(1, 0.1, Some(0.0), 58.0),
            forecast(2, 0.6, Some(0.0), 40.0),
        ];
        let each: Vec<&Forecast> = rows.iter().collect();
        assert!(
            forecast_weights(&each)
                .iter()
                .all(|w| (w - 1.0).abs() < 1e-12)
        );
    }

    /// Forecasts that are right, and units sent the sooner the higher the chance: rate of the event from the chance that
    /// is said, rate of treatment in proportion to that chance, both from nothing else. One row a forecast.
    fn simulated(n: i32, treated_per_chance: f64, seed: u64) -> (Vec<Forecast>, f64) {
        let mut draws = drydown_stats::rng::seeded(seed, "forecasts");
        let mut uniform = || drydown_stats::rng::uniform(&mut draws);
        let (mut rows, mut brier) = (Vec::new(), 0.0);
        for day in 0..n {
            let p = 0.95 * uniform().powi(2);
            let rate = -(1.0 - p).ln() / 60.0;
            let event = -uniform().ln() / rate.max(1e-12);
            let sent = -uniform().ln() / (treated_per_chance * p / 60.0).max(1e-12);
            brier += (p - f64::from(u8::from(event < 60.0))).powi(2) / f64::from(n);
            rows.push(if event < 60.0 && event < sent {
                forecast(day, p, Some(1.0), event)
            } else if sent < 60.0 {
                forecast(day, p, None, sent)
            } else {
                forecast(day, p, Some(0.0), 58.0)
            });
        }
        (rows, brier)
    }

    #[test]
    fn units_sent_by_the_forecast_do_not_spoil_its_score() {
        let (rows, true_brier) = simulated(6000, 3.0, 11);
        let found = score(&rows);
        let known: Vec<&Forecast> = rows.iter().filter(|row| row.outcome.is_some()).collect();
        let naive =
            known.iter().filter(|row| row.outcome == Some(1.0)).count() as f64 / known.len() as f64;
        let mut n_judged = 0;
        for bin in &found[0].bins {
            let Some(share) = bin.observed_share else {
                continue;
            };
            n_judged += 1;
            let said = bin.mean_probability.unwrap();
            let se = (said * (1.0 - said) / bin.n_effective).sqrt();
            assert!(
                (share - said).abs() < 3.0 * se + 0.02,
                "{bin:?} (naive, all: {naive})"
            );
        }
        assert!(n_judged >= 3, "{:?}", found[0].bins);
        // Over the bands that can be judged; the band left out holds the least certain forecasts.
        let skill = 1.0 - found[0].brier.unwrap() / found[0].brier_base_rate.unwrap();
        assert!(
            skill > 0.1 && found[0].brier.unwrap() < true_brier + 0.02,
            "{:?}",
            found[0]
        );
    }

    #[test]
    fn a_band_in_which_only_bad_outcomes_are_known_is_not_judged() {
        // Units went to nearly all before their time: two of forty passed first, nobody was left to the end.
        let mut rows: Vec<Forecast> = (0..38).map(|day| forecast(day, 0.05, None, 20.0)).collect();
        rows.extend((38..40).map(|day| forecast(day, 0.05, Some(1.0), 5.0)));
        let found = score(&rows);
        assert_eq!(found[0].bins[0].n, 2);
        assert_eq!(found[0].bins[0].observed_share, None);
        assert_eq!((found[0].brier, found[0].is_judged()), (None, false));
        // Few but all known: scored, and no share told of them.
        let rows: Vec<Forecast> = (0..5)
            .map(|day| forecast(day, 0.05, Some(0.0), 58.0))
            .collect();
        let found = score(&rows);
        assert_eq!(found[0].bins[0].observed_share, None);
        assert!(found[0].brier.is_some());
    }
}
