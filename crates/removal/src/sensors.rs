//! A unit's water sensor against the laboratory: offset, gain and drift, each with what the pairs can bear.
//!
//! A pair is a sample drawn while the unit ran, beside the sensor's bin nearest in time. The laboratory's
//! scatter is much the larger, so the laboratory is regressed on the sensor, not the other way round.
//! Pairs count from the sensor's last swap or calibration.

use drydown_quantity::{Interval, Stamp};
use drydown_runs::history::{
    Censor, Maintenance, MaintenanceAction, Sample, SamplePoint, SensorPlace, Unit,
};
use drydown_runs::{Phase, Run, SeriesPoint};
use drydown_stats::linear::{Design, least_squares};
use drydown_stats::{normal, robust};

use crate::config::RemovalConfig;
use crate::rows::SensorCheck;

const MICROS_PER_DAY: i64 = 86_400_000_000;
const DAYS_PER_YEAR: f64 = 365.25;

/// Everything about one unit's sensor.
#[derive(Clone, Copy, Debug)]
pub struct SensorInput<'a> {
    pub unit: &'a Unit,
    /// The unit's runs, by start.
    pub runs: &'a [&'a Run],
    /// Their bins, by run and time.
    pub series: &'a [SeriesPoint],
    /// Samples of the reservoirs the unit worked on, or of the unit itself.
    pub samples: &'a [&'a Sample],
    /// The unit's maintenance.
    pub maintenance: &'a [Maintenance],
}

/// One sensor value beside one laboratory value.
#[derive(Clone, Copy, Debug)]
struct Pair {
    at: Stamp,
    sensor_ppm: f64,
    lab_ppm: f64,
}

/// Checks a unit's water sensor: one row where the unit logs water, none where it does not.
#[must_use]
pub fn check_sensors(input: &SensorInput<'_>, config: &RemovalConfig) -> Vec<SensorCheck> {
    let logged = input.series.iter().find(|point| point.water_ppm.is_some());
    let Some(first) = logged else { return Vec::new() };
    let sensor = if first.from_activity { "water_activity" } else { "water_ppm" };
    let since = input
        .maintenance
        .iter()
        .filter(|row| {
            matches!(row.action, MaintenanceAction::SensorSwap | MaintenanceAction::Calibration)
        })
        .map(|row| row.at)
        .max();
    let pairs: Vec<Pair> = find_pairs(input, config)
        .into_iter()
        .filter(|pair| since.is_none_or(|since| pair.at >= since))
        .collect();
    let stuck = input.runs.last().is_some_and(|run| run.flags.iter().any(|flag| flag == "sensor_stuck"));
    let mut row = SensorCheck {
        unit_id: input.unit.unit_id.clone(),
        sensor: sensor.to_owned(),
        offset: None,
        gain: None,
        drift_per_year: None,
        lower_90: None,
        upper_90: None,
        n_pairs: i64::try_from(pairs.len()).unwrap_or(i64::MAX),
        state: if stuck { "stuck" } else { "too_few_pairs" }.to_owned(),
    };
    if pairs.len() >= config.sensor.n_pairs_min.max(1)
        && let Some(fit) = fit_pairs(&pairs, config)
    {
        row.offset = Some(fit.offset);
        row.gain = fit.gain;
        row.drift_per_year = fit.drift.map(|(slope, _)| slope);
        row.lower_90 = Some(fit.interval.lower);
        row.upper_90 = Some(fit.interval.upper);
        if !stuck {
            row.state = to_state(&fit, config).to_owned();
        }
    }
    vec![row]
}

fn find_pairs(input: &SensorInput<'_>, config: &RemovalConfig) -> Vec<Pair> {
    let outlet = input.unit.water_sensor_place == Some(SensorPlace::Outlet);
    let comparable = |sample: &Sample| match sample.sample_point {
        Some(SamplePoint::UnitOutlet) => outlet,
        Some(SamplePoint::ReservoirMid | SamplePoint::Line | SamplePoint::UnitInlet) => !outlet,
        _ => false,
    };
    let mut pairs = Vec::new();
    for run in input.runs {
        for sample in input.samples.iter().copied().filter(|sample| comparable(sample)) {
            let of_run = (sample.reservoir_id.is_some() && sample.reservoir_id == run.reservoir_id)
                || sample.unit_id.as_ref() == Some(&run.unit_id);
            let (Some(at), Some(lab_ppm)) = (sample.taken_at, sample.water_ppm) else { continue };
            let day_only = at.micros().rem_euclid(MICROS_PER_DAY) == 0;
            let exact = sample.water_censor.is_none_or(|censor| censor == Censor::Exact);
            if !of_run || day_only || !exact || lab_ppm <= 0.0 || at < run.started_at || at > run.ended_at {
                continue;
            }
            if let Some(sensor_ppm) = nearest(input.series, run, at, config.sensor.pair_within_h) {
                pairs.push(Pair { at, sensor_ppm, lab_ppm });
            }
        }
    }
    pairs.sort_by(|a, b| {
        a.at.cmp(&b.at)
            .then(a.lab_ppm.total_cmp(&b.lab_ppm))
            .then(a.sensor_ppm.total_cmp(&b.sensor_ppm))
    });
    pairs
}

/// The sensor's value nearest in time, of the run's drying bins.
fn nearest(series: &[SeriesPoint], run: &Run, at: Stamp, within_h: f64) -> Option<f64> {
    series
        .iter()
        .filter(|point| point.run_id == run.run_id && point.phase == Phase::Drying)
        .filter(|point| point.water_censor.is_none_or(|censor| censor == Censor::Exact))
        .filter_map(|point| Some((point.at.hours_after(at).abs(), point.water_ppm?)))
        .filter(|(hours, _)| *hours <= within_h)
        .min_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, water)| water)
}

struct PairFit {
    /// Sensor less laboratory now, at the median level.
    offset: f64,
    interval: Interval,
    level_ppm: f64,
    gain: Option<f64>,
    /// ppm a year, and whether its interval leaves zero out.
    drift: Option<(f64, bool)>,
}

/// Regresses laboratory less sensor on level and time, with weak priors and robust weights.
fn fit_pairs(pairs: &[Pair], config: &RemovalConfig) -> Option<PairFit> {
    let levels: Vec<f64> = pairs.iter().map(|pair| pair.sensor_ppm).collect();
    let level_ppm = robust::median(&levels)?;
    let (first, last) = (pairs.first()?.at, pairs.last()?.at);
    let with_drift = pairs.len() >= config.sensor.n_pairs_drift
        && last.days_after(first) >= config.sensor.drift_span_days;
    let row = |pair: &Pair| {
        let years = if with_drift { pair.at.days_after(last) / DAYS_PER_YEAR } else { 0.0 };
        vec![1.0, (pair.sensor_ppm - level_ppm) / 100.0, years]
    };
    let mut rows: Vec<Vec<f64>> = pairs.iter().map(row).collect();
    let mut y: Vec<f64> = pairs.iter().map(|pair| pair.lab_ppm - pair.sensor_ppm).collect();
    // Priors as two further observations: the gain near 1, the drift near 0.
    rows.extend([vec![0.0, 1.0, 0.0], vec![0.0, 0.0, 1.0]]);
    y.extend([0.0, 0.0]);
    let run = &config.run;
    let own_sd: Vec<f64> = pairs
        .iter()
        .map(|pair| run.lab_sd_ppm.hypot(run.lab_cv * pair.sensor_ppm.max(pair.lab_ppm * 0.5)).max(1e-6))
        .chain([100.0 * config.sensor.gain_log_sd, config.sensor.drift_sd_ppm_per_year])
        .collect();
    let design = Design::from_rows(&rows).ok()?;
    let mut robust_weights = vec![1.0; y.len()];
    let mut fit = None;
    for _ in 0..20 {
        let weights: Vec<f64> =
            own_sd.iter().zip(&robust_weights).map(|(sd, weight)| weight / (sd * sd)).collect();
        let now = least_squares(&design, &y, Some(&weights)).ok()?;
        for ((weight, sd), (x, y)) in
            robust_weights.iter_mut().zip(&own_sd).zip(rows.iter().zip(&y)).take(pairs.len())
        {
            let (fitted, _) = now.predict(x).ok()?;
            *weight = robust::huber_weight((y - fitted) / sd, 1.345);
        }
        fit = Some(now);
    }
    let fit = fit?;
    // Scatter beyond what the laboratory is known for widens everything; less scatter narrows nothing.
    let scale = fit.residual_sd.max(1e-9);
    let known = |column: usize| fit.standard_errors.get(column).map(|se| se / scale * scale.max(1.0));
    let z = normal::student_t_quantile(0.5 + 0.5 * run.level, (pairs.len() as f64 - 1.0).max(2.0));
    let offset = -*fit.coefficients.first()?;
    let half = z * known(0)?;
    let per_level = 1.0 + fit.coefficients.get(1)? / 100.0;
    let drift = -*fit.coefficients.get(2)?;
    let drift_half = z * known(2)?;
    Some(PairFit {
        offset,
        interval: Interval::new(run.level, offset - half, offset + half),
        level_ppm,
        gain: (per_level > 0.05).then(|| 1.0 / per_level),
        drift: with_drift.then(|| (drift, drift.abs() > drift_half)),
    })
}

fn to_state(fit: &PairFit, config: &RemovalConfig) -> &'static str {
    let matters =
        config.sensor.offset_matters_ppm.max(config.sensor.offset_matters_share * fit.level_ppm);
    if fit.drift.is_some_and(|(slope, clear)| clear && slope.abs() >= config.sensor.offset_matters_ppm) {
        return "drifting";
    }
    if !fit.interval.contains(0.0) && fit.offset.abs() >= matters {
        return "offset";
    }
    "agrees"
}
