//! Sensor values beside laboratory values.

use std::collections::BTreeMap;

use drydown_quantity::{ReservoirId, Stamp};
use drydown_runs::history::{Censor, Oil, Sample, SamplePoint, SensorPlace};
use drydown_runs::{Phase, Run};

use super::SensorInput;
use super::level::{Track, Window};
use crate::config::RemovalConfig;
use crate::run::solubility_ppm;

const MICROS_PER_DAY: i64 = 86_400_000_000;

/// One sensor value beside one laboratory value.
#[derive(Clone, Debug)]
pub(super) struct Pair {
    pub(super) at: Stamp,
    pub(super) sensor_ppm: f64,
    pub(super) lab_ppm: f64,
    /// What the time between sample and sensor adds to the sd of the laboratory value's logarithm.
    pub(super) extra_log_sd: f64,
    /// What the hours in which the sample may have been drawn add to the sd of the difference, ppm.
    pub(super) time_sd_ppm: f64,
    /// Solubility at the oil's temperature, ppm.
    pub(super) solubility_ppm: Option<f64>,
    /// Which of the unit's runs, and on which reservoir.
    pub(super) run_idx: usize,
    pub(super) reservoir_id: Option<ReservoirId>,
}

/// The pairs of a unit's sensor, by time.
pub(super) fn find_pairs(input: &SensorInput<'_>, config: &RemovalConfig) -> Vec<Pair> {
    let outlet = input.unit.water_sensor_place == Some(SensorPlace::Outlet);
    let comparable = |sample: &Sample| match sample.sample_point {
        Some(SamplePoint::UnitOutlet) => outlet,
        Some(SamplePoint::ReservoirMid | SamplePoint::Line | SamplePoint::UnitInlet) => !outlet,
        _ => false,
    };
    let comparable: Vec<&Sample> = input
        .samples
        .iter()
        .copied()
        .filter(|sample| comparable(sample) && is_exact(sample))
        .collect();
    let mut best: BTreeMap<(&str, &str), Pair> = BTreeMap::new();
    for (run_idx, run) in input.runs.iter().enumerate() {
        let of_run = |sample: &Sample| {
            (sample.reservoir_id.is_some() && sample.reservoir_id == run.reservoir_id)
                || sample.unit_id.as_ref() == Some(&run.unit_id)
        };
        let near: Vec<(&Sample, Window)> = comparable
            .iter()
            .filter(|sample| of_run(sample))
            .filter_map(|sample| Some((*sample, window(sample, run, config)?)))
            .filter(|(_, window)| !other_run_within(input.runs, run, window))
            .collect();
        if near.is_empty() {
            continue;
        }
        let oil = run
            .oil_type
            .as_ref()
            .and_then(|id| input.oils.iter().find(|oil| oil.oil_type == *id));
        let track = to_track(input, run, oil, config);
        for (sample, window) in &near {
            let Some(pair) = to_pair(sample, window, &track, (run_idx, run), oil, config) else {
                continue;
            };
            // Between two runs a sample speaks once, for the nearer.
            let key = (sample.lab.as_str(), sample.sample_id.as_str());
            if best
                .get(&key)
                .is_none_or(|kept| spread_ppm(&pair) < spread_ppm(kept))
            {
                best.insert(key, pair);
            }
        }
    }
    let mut pairs: Vec<Pair> = best.into_values().collect();
    pairs.sort_by(|a, b| {
        a.at.cmp(&b.at)
            .then(a.lab_ppm.total_cmp(&b.lab_ppm))
            .then(a.sensor_ppm.total_cmp(&b.sensor_ppm))
    });
    pairs
}

/// What stands between sample and sensor besides the laboratory's own scatter, ppm.
fn spread_ppm(pair: &Pair) -> f64 {
    (pair.extra_log_sd * pair.lab_ppm).hypot(pair.time_sd_ppm)
}

/// A level above nothing that the laboratory could state.
fn is_exact(sample: &Sample) -> bool {
    sample
        .water_censor
        .is_none_or(|censor| censor == Censor::Exact)
        && sample.water_ppm.is_some_and(|ppm| ppm > 0.0)
}

/// When a sample was drawn: within an hour or so of the time it states, or at any time of the day it states; None where
/// that is too far from the run.
///
/// A sample at the unit needs oil that circulates. One from a reservoir is as often drawn just before a start as after it.
fn window(sample: &Sample, run: &Run, config: &RemovalConfig) -> Option<Window> {
    let at = sample.taken_at?;
    let at_unit = sample.sample_point != Some(SamplePoint::ReservoirMid);
    let day_only = at.micros().rem_euclid(MICROS_PER_DAY) == 0;
    let margin = config.sensor.sample_time_h;
    let (mut from, mut to, reach) = if day_only {
        (at, at.plus_hours(24.0), config.sensor.pair_day_h)
    } else {
        (
            at.plus_hours(-margin),
            at.plus_hours(margin),
            config.sensor.pair_before_h,
        )
    };
    if at_unit {
        (from, to) = (from.max(run.started_at), to.min(run.ended_at));
    }
    let far = (from < run.started_at && run.started_at.hours_after(from) > reach + margin)
        || (to > run.ended_at && to.hours_after(run.ended_at) > reach + margin);
    (from <= to && !far).then_some(Window { from, to })
}

/// Whether the unit ran on the same reservoir in or just around the window in another run.
fn other_run_within(runs: &[&Run], run: &Run, window: &Window) -> bool {
    let (from, to) = (window.from.min(run.started_at), window.to.max(run.ended_at));
    runs.iter().any(|other| {
        other.run_id != run.run_id
            && other.reservoir_id == run.reservoir_id
            && other.started_at < to
            && other.ended_at > from
    })
}

/// What the sensor showed over a run, without values that are only a bound.
fn to_track(
    input: &SensorInput<'_>,
    run: &Run,
    oil: Option<&Oil>,
    config: &RemovalConfig,
) -> Track {
    /// A sensor this near to solubility may see only part of the water.
    const OF_SOLUBILITY: f64 = 0.9;
    let of_run: Vec<_> = input
        .series
        .iter()
        .filter(|point| point.run_id == run.run_id)
        .collect();
    let coldest_degc = of_run
        .iter()
        .filter_map(|point| point.oil_degc)
        .min_by(f64::total_cmp);
    let bins = of_run
        .iter()
        .filter(|point| point.phase == Phase::Drying)
        .filter_map(|point| {
            let ppm = point.water_ppm?;
            let exact = point
                .water_censor
                .is_none_or(|censor| censor == Censor::Exact);
            let soluble = solubility_ppm(oil, point.oil_degc.or(run.oil_degc).unwrap_or(f64::NAN));
            let dissolved = soluble.is_none_or(|soluble| ppm < OF_SOLUBILITY * soluble);
            let ppm = (exact && dissolved && ppm > 0.0).then_some(ppm);
            Some((point.at, ppm, point.oil_degc))
        })
        .collect();
    Track::new(run, bins, coldest_degc, config.sensor.pair_within_h)
}

/// What a reservoir that was not stirred adds to the spread of a pair's logarithm.
const STILL_LOG_SD: f64 = 0.10;

fn to_pair(
    sample: &Sample,
    window: &Window,
    track: &Track,
    (run_idx, run): (usize, &Run),
    oil: Option<&Oil>,
    config: &RemovalConfig,
) -> Option<Pair> {
    /// A sample from before a start that is wetter than this share of solubility in the cold tank may stand on settled
    /// water, or hold some that the sensor does not see.
    const OF_SOLUBILITY: f64 = 0.7;
    let (at, lab_ppm) = (sample.taken_at?, sample.water_ppm?);
    let soluble = |degc: Option<f64>| solubility_ppm(oil, degc.or(run.oil_degc)?);
    let before = window.from < run.started_at;
    if before && lab_ppm > OF_SOLUBILITY * soluble(track.coldest_degc)? {
        return None;
    }
    let level = track.over(window)?;
    // Where the level moved by more than the laboratory can tell, the hour of drawing decides what is compared.
    let allowed = (2.0 * config.run.lab_sd_ppm).max(2.0 * config.run.lab_cv * lab_ppm);
    if level.high_ppm - level.low_ppm + level.carried_ppm > allowed {
        return None;
    }
    let middle = window
        .from
        .plus_hours(0.5 * window.to.hours_after(window.from));
    let still_days = run
        .started_at
        .hours_after(middle)
        .max(middle.hours_after(run.ended_at))
        .max(0.0)
        / 24.0;
    let outside = before || window.to > run.ended_at;
    let extra_log_sd = if outside {
        (config.run.sample_log_sd_per_day * still_days).hypot(STILL_LOG_SD)
    } else {
        0.0
    };
    // Uniform over the range; what was carried over counts whole.
    let time_sd_ppm = ((level.high_ppm - level.low_ppm) / 12f64.sqrt())
        .hypot(level.carried_ppm)
        .hypot(config.sensor.still_sd_ppm_per_day * still_days);
    Some(Pair {
        at,
        sensor_ppm: 0.5 * (level.low_ppm + level.high_ppm),
        lab_ppm,
        extra_log_sd,
        time_sd_ppm,
        solubility_ppm: soluble(level.oil_degc),
        run_idx,
        reservoir_id: run.reservoir_id.clone(),
    })
}
