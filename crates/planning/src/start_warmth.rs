//! How warm a reservoir's oil is before a unit is sent, from the first oil of its earlier runs.

use drydown_quantity::{ReservoirId, Stamp};
use drydown_runs::{Run, SeriesPoint};
use drydown_stats::robust;

/// Last runs that speak.
const LAST_RUNS: usize = 5;
/// Runs of the same season are those within so many days of the same day of another year …
const SEASON_DAYS: i32 = 45;
/// … and there must be so many, else all seasons speak.
const LEAST_OF_SEASON: usize = 3;
/// A first reading is no better than this of the reservoir's oil, K: the pipe to the unit stands at the air's
/// temperature, and oil warms within minutes (common practice, no source).
const LEAST_SD_K: f64 = 3.0;
/// Sd between runs where one run alone speaks, K (common practice, no source).
const ALONE_SD_K: f64 = 8.0;

/// Median and standard deviation, °C and K, of the first oil temperature, while oil flowed where a flow is
/// logged, of the last runs on a reservoir before `as_of`; None where no run logged one.
///
/// `runs` and `series` may be in any order; a run's series is in time.
#[must_use]
pub fn start_warmth(
    runs: &[Run],
    series: &[SeriesPoint],
    reservoir: &ReservoirId,
    as_of: Stamp,
) -> Option<(f64, f64)> {
    let first_degc = |run: &Run| {
        series
            .iter()
            .filter(|point| point.run_id == run.run_id)
            .find(|point| point.oil_degc.is_some() && point.flow_lpm.is_none_or(|lpm| lpm > 0.0))
            .and_then(|point| point.oil_degc)
    };
    let mut there: Vec<(Stamp, f64)> = runs
        .iter()
        .filter(|run| run.reservoir_id.as_ref() == Some(reservoir) && run.started_at < as_of)
        .filter_map(|run| Some((run.started_at, first_degc(run)?)))
        .collect();
    there.sort_by_key(|(at, _)| std::cmp::Reverse(*at));
    let of_season = |at: Stamp| {
        let apart = (at.day().day_of_year() - as_of.day().day_of_year()).abs();
        apart.min(365 - apart.min(365)) <= SEASON_DAYS
    };
    let season: Vec<f64> = there
        .iter()
        .filter(|(at, _)| of_season(*at))
        .map(|(_, degc)| *degc)
        .take(LAST_RUNS)
        .collect();
    let degc = if season.len() >= LEAST_OF_SEASON {
        season
    } else {
        there
            .iter()
            .map(|(_, degc)| *degc)
            .take(LAST_RUNS)
            .collect()
    };
    let middle = robust::median(&degc)?;
    let sd = if degc.len() < 2 {
        ALONE_SD_K
    } else {
        robust::variance(&degc).map_or(ALONE_SD_K, f64::sqrt)
    };
    Some((middle, sd.max(LEAST_SD_K)))
}
