//! How the forecasts of pumps came out: shares of the passings in the four parts of what was said.
//!
//! A passing that lies between two looks may belong to several parts, and a pump that was repaired, or holds so far, to
//! all that are left: the shares are the likeliest under all that is known of each (Turnbull 1976).

use std::collections::BTreeSet;

use drydown_stats::cells::{Cells, shares};

use crate::rows::Forecast;

/// The parts, by what was said of them: before the early end, to even odds, to the late end, after it.
pub const PARTS: [f64; 4] = [0.1, 0.4, 0.4, 0.1];

/// Forecasts that are known to belong to one part, below which no shares are told: the standard error of a share of one
/// half from ten is 16 % (common practice, no source).
const FEWEST_KNOWN: usize = 10;

/// The score of one kind of forecast that says days.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct PumpScore {
    /// Forecasts made.
    pub n: usize,
    /// Forecasts whose pump was seen to pass its limit.
    pub n_passed: usize,
    /// Pumps that were.
    pub n_pumps_passed: usize,
    /// Forecasts known to belong to one part, by part.
    pub n_known: [usize; 4],
    /// Forecasts that may belong to several: the pump was not looked at, is not there yet, or was repaired.
    pub n_open: usize,
    /// The likeliest shares of the parts; None where too few are known.
    pub shares: Option<[f64; 4]>,
}

/// The score of the forecasts of pumps.
#[must_use]
pub fn score_pumps(forecasts: &[Forecast]) -> PumpScore {
    let rows: Vec<&Forecast> = forecasts
        .iter()
        .filter(|row| row.kind == "pump_limit")
        .collect();
    let passed: Vec<&&Forecast> = rows.iter().filter(|row| has_passed(row)).collect();
    let pumps: BTreeSet<&str> = passed.iter().map(|row| row.subject.as_str()).collect();
    let cells: Vec<Cells> = rows.iter().map(|row| parts_of(row)).collect();
    let known = |part: usize| {
        cells
            .iter()
            .filter(|cells| cells.first == part && cells.last == part)
            .count()
    };
    let n_known = [known(0), known(1), known(2), known(3)];
    let n_told: usize = n_known.iter().sum();
    let shares = shares(&cells, &PARTS)
        .filter(|_| n_told >= FEWEST_KNOWN)
        .and_then(|shares| shares.try_into().ok());
    PumpScore {
        n: rows.len(),
        n_passed: passed.len(),
        n_pumps_passed: pumps.len(),
        n_known,
        n_open: rows.len() - n_told,
        shares,
    }
}

fn has_passed(row: &Forecast) -> bool {
    row.outcome.is_some_and(|outcome| outcome > 0.5)
}

/// The parts to which the passing may belong.
///
/// Days that were said to be over when the forecast was made are 0: a passing before it may belong to any of those.
fn parts_of(row: &Forecast) -> Cells {
    let edges = [row.p10, row.p50, row.p90].map(|days| days.unwrap_or(f64::INFINITY));
    let days = |at: drydown_quantity::Stamp| at.days_after(row.made_at);
    let first_with = |is: &dyn Fn(f64) -> bool| {
        let found = edges.iter().position(|edge| is(*edge));
        found.unwrap_or(edges.len())
    };
    let from = row.observed_from.map(days).filter(|from| *from >= 0.0);
    let first = from.map_or(0, |from| first_with(&|edge| edge > from));
    let last = match row.observed_to.map(days).filter(|_| has_passed(row)) {
        Some(to) if to > 0.0 => first_with(&|edge| edge >= to),
        Some(_) => first_with(&|edge| edge > 0.0),
        None => edges.len(),
    };
    Cells {
        first,
        last: last.max(first),
    }
}

#[cfg(test)]
mod tests {
    use drydown_quantity::Stamp;

    use super::*;
    use crate::rows::ForecastEnd;

    fn forecast(said: [Option<f64>; 3], from: Option<f64>, to: Option<f64>) -> Forecast {
        let made_at: Stamp = "2026-06-01".parse().unwrap();
        let [p10, p50, p90] = said;
        Forecast {
            forecast_id: String::new(),
            made_at,
            kind: "pump_limit".to_owned(),
            subject: "U-1".to_owned(),
            horizon_days: 365.0,
            probability: None,
            p10,
            p50,
            p90,
            outcome: to.map(|_| 1.0),
            observed_from: from.map(|days| made_at.plus_days(days)),
            observed_to: to.map(|days| made_at.plus_days(days)),
            ended_by: to.map(|_| ForecastEnd::Due),
        }
    }

    #[test]
    fn a_passing_may_belong_to_every_part_between_its_looks() {
        let said = [Some(20.0), Some(30.0), Some(40.0)];
        let over = [Some(0.0), Some(0.0), Some(12.0)];
        let far = [Some(200.0), None, None];
        for (said, from, to, first, last) in [
            (said, Some(21.0), Some(25.0), 1, 1),
            (said, Some(-5.0), Some(19.0), 0, 0),
            (said, Some(15.0), Some(35.0), 0, 2),
            (said, Some(41.0), Some(90.0), 3, 3),
            (said, None, Some(35.0), 0, 2),
            // It held so far, or to a repair: what comes later is open.
            (said, Some(31.0), None, 2, 3),
            (said, Some(-3.0), None, 0, 3),
            (said, None, None, 0, 3),
            // Passed before the forecast was made, as a later look bore out.
            (said, Some(-9.0), Some(-2.0), 0, 0),
            (over, Some(-9.0), Some(-2.0), 0, 2),
            (over, Some(-9.0), Some(30.0), 0, 3),
            (over, Some(1.0), Some(10.0), 2, 2),
            (far, Some(190.0), Some(210.0), 0, 1),
            (far, Some(210.0), None, 1, 3),
        ] {
            let found = parts_of(&forecast(said, from, to));
            assert_eq!((found.first, found.last), (first, last), "{from:?} {to:?}");
        }
    }

    #[test]
    fn what_is_open_does_not_count_as_late() {
        // Ten known early, ten that a repair ended before anything was to come: had those been dropped, all passings
        // would have been early; they stand where the known ones leave room.
        let said = [Some(20.0), Some(30.0), Some(40.0)];
        let mut rows: Vec<Forecast> = (0..10)
            .map(|_| forecast(said, Some(21.0), Some(25.0)))
            .collect();
        rows.extend((0..10).map(|_| forecast(said, Some(31.0), None)));
        let score = score_pumps(&rows);
        assert_eq!((score.n, score.n_passed, score.n_pumps_passed), (20, 10, 1));
        assert_eq!((score.n_known, score.n_open), ([0, 10, 0, 0], 10));
        let shares = score.shares.unwrap();
        assert!((shares[1] - 0.5).abs() < 1e-6, "{shares:?}");
        assert!((shares[2] + shares[3] - 0.5).abs() < 1e-6, "{shares:?}");
        assert_eq!(score_pumps(&rows[1..]).shares, None);
    }
}
