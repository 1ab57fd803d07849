//! Sensor values beside laboratory values.

use drydown_quantity::Stamp;
use drydown_runs::history::{Censor, Sample, SamplePoint, SensorPlace};
use drydown_runs::{Phase, Run};

use super::SensorInput;
use crate::config::RemovalConfig;
use crate::run::solubility_ppm;

const MICROS_PER_DAY: i64 = 86_400_000_000;

/// One sensor value beside one laboratory value.
#[derive(Clone, Copy, Debug)]
pub(super) struct Pair {
    pub(super) at: Stamp,
    pub(super) sensor_ppm: f64,
    pub(super) lab_ppm: f64,
    /// What the time between sample and sensor adds to the sd of the laboratory value's logarithm.
    pub(super) extra_log_sd: f64,
    /// Solubility at the oil's temperature, ppm.
    pub(super) solubility_ppm: Option<f64>,
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
    let mut pairs = Vec::new();
    for run in input.runs {
        let of_run = |sample: &Sample| {
            (sample.reservoir_id.is_some() && sample.reservoir_id == run.reservoir_id)
                || sample.unit_id.as_ref() == Some(&run.unit_id)
        };
        let samples = comparable.iter().filter(|sample| of_run(sample));
        let near: Vec<(Stamp, f64)> = samples
            .filter_map(|sample| Some((sample.taken_at?, sample.water_ppm?)))
            .filter(|(at, _)| {
                *at >= run.started_at.plus_hours(-config.sensor.pair_before_h)
                    && *at <= run.ended_at
            })
            .collect();
        if near.is_empty() {
            continue;
        }
        let bins: Vec<(Stamp, f64, Option<f64>)> = input
            .series
            .iter()
            .filter(|point| point.run_id == run.run_id && point.phase == Phase::Drying)
            .filter(|point| {
                point
                    .water_censor
                    .is_none_or(|censor| censor == Censor::Exact)
            })
            .filter_map(|point| Some((point.at, point.water_ppm?, point.oil_degc)))
            .collect();
        let oil = run
            .oil_type
            .as_ref()
            .and_then(|id| input.oils.iter().find(|oil| oil.oil_type == *id));
        let soluble = |degc: Option<f64>| solubility_ppm(oil, degc.or(run.oil_degc)?);
        for (at, lab_ppm) in near {
            pairs.extend(if at >= run.started_at {
                beside(&bins, at, config).map(|(sensor_ppm, degc)| Pair {
                    at,
                    sensor_ppm,
                    lab_ppm,
                    extra_log_sd: 0.0,
                    solubility_ppm: soluble(degc),
                })
            } else {
                let solubility_ppm = soluble(bins.first().and_then(|bin| bin.2));
                at_start(&bins, run, lab_ppm, solubility_ppm).map(|sensor_ppm| Pair {
                    at,
                    sensor_ppm,
                    lab_ppm,
                    extra_log_sd: (config.run.sample_log_sd_per_day
                        * run.started_at.hours_after(at)
                        / 24.0)
                        .hypot(AT_START_LOG_SD),
                    solubility_ppm,
                })
            });
        }
    }
    pairs.sort_by(|a, b| {
        a.at.cmp(&b.at)
            .then(a.lab_ppm.total_cmp(&b.lab_ppm))
            .then(a.sensor_ppm.total_cmp(&b.sensor_ppm))
    });
    pairs
}

/// A level with a time of day.
fn is_exact(sample: &Sample) -> bool {
    sample
        .water_censor
        .is_none_or(|censor| censor == Censor::Exact)
        && sample.water_ppm.is_some_and(|ppm| ppm > 0.0)
        && sample
            .taken_at
            .is_some_and(|at| at.micros().rem_euclid(MICROS_PER_DAY) != 0)
}

/// The sensor's value nearest in time, with the oil's temperature, among a run's drying bins.
fn beside(
    bins: &[(Stamp, f64, Option<f64>)],
    at: Stamp,
    config: &RemovalConfig,
) -> Option<(f64, Option<f64>)> {
    bins.iter()
        .map(|(time, water, degc)| (time.hours_after(at).abs(), *water, *degc))
        .filter(|(hours, _, _)| *hours <= config.sensor.pair_within_h)
        .min_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, water, degc)| (water, degc))
}

/// What carrying the first hour back to the start, and a reservoir that was not stirred before, add to the spread of a
/// pair's logarithm.
const AT_START_LOG_SD: f64 = 0.10;

/// What the sensor would have read at a run's start: the straight line through its first hour of drying, carried back.
///
/// None where drying began more than an hour after the start (heating comes first, and dries too), where the first hour
/// has too few values, or where the sample is too near solubility: the sensor does not see undissolved water.
fn at_start(
    bins: &[(Stamp, f64, Option<f64>)],
    run: &Run,
    lab_ppm: f64,
    solubility_ppm: Option<f64>,
) -> Option<f64> {
    const N_MIN: usize = 3;
    const OF_SOLUBILITY: f64 = 0.7;
    if lab_ppm > OF_SOLUBILITY * solubility_ppm? {
        return None;
    }
    let first = bins.first()?.0;
    if first.hours_after(run.started_at) > 1.0 {
        return None;
    }
    let points: Vec<(f64, f64)> = bins
        .iter()
        .map(|(at, water, _)| (at.hours_after(run.started_at), *water))
        .take_while(|(hours, _)| *hours <= first.hours_after(run.started_at) + 1.0)
        .collect();
    if points.len() < N_MIN {
        return None;
    }
    let n = points.len() as f64;
    let mean_h = points.iter().map(|point| point.0).sum::<f64>() / n;
    let mean_ppm = points.iter().map(|point| point.1).sum::<f64>() / n;
    let across: f64 = points.iter().map(|(h, _)| (h - mean_h).powi(2)).sum();
    let along: f64 = points
        .iter()
        .map(|(h, ppm)| (h - mean_h) * (ppm - mean_ppm))
        .sum();
    // Water does not rise by drying: a rising first hour is a sensor or a loop that is still settling.
    let slope = if across > 0.0 {
        (along / across).min(0.0)
    } else {
        0.0
    };
    let start = mean_ppm - slope * mean_h;
    (start.is_finite() && start > 0.0).then_some(start)
}
