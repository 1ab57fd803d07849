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
    let Some(first) = logged else {
        return Vec::new();
    };
    let sensor = if first.from_activity {
        "water_activity"
    } else {
        "water_ppm"
    };
    let since = input
        .maintenance
        .iter()
        .filter(|row| {
            matches!(
                row.action,
                MaintenanceAction::SensorSwap | MaintenanceAction::Calibration
            )
        })
        .map(|row| row.at)
        .max();
    let pairs: Vec<Pair> = find_pairs(input, config)
        .into_iter()
        .filter(|pair| since.is_none_or(|since| pair.at >= since))
        .collect();
    let stuck = input
        .runs
        .last()
        .is_some_and(|run| run.flags.iter().any(|flag| flag == "sensor_stuck"));
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
        for sample in input
            .samples
            .iter()
            .copied()
            .filter(|sample| comparable(sample))
        {
            let of_run = (sample.reservoir_id.is_some() && sample.reservoir_id == run.reservoir_id)
                || sample.unit_id.as_ref() == Some(&run.unit_id);
            let (Some(at), Some(lab_ppm)) = (sample.taken_at, sample.water_ppm) else {
                continue;
            };
            let day_only = at.micros().rem_euclid(MICROS_PER_DAY) == 0;
            let exact = sample
                .water_censor
                .is_none_or(|censor| censor == Censor::Exact);
            if !of_run
                || day_only
                || !exact
                || lab_ppm <= 0.0
                || at < run.started_at
                || at > run.ended_at
            {
                continue;
            }
            if let Some(sensor_ppm) = nearest(input.series, run, at, config.sensor.pair_within_h) {
                pairs.push(Pair {
                    at,
                    sensor_ppm,
                    lab_ppm,
                });
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
        .filter(|point| {
            point
                .water_censor
                .is_none_or(|censor| censor == Censor::Exact)
        })
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
        let years = if with_drift {
            pair.at.days_after(last) / DAYS_PER_YEAR
        } else {
            0.0
        };
        vec![1.0, (pair.sensor_ppm - level_ppm) / 100.0, years]
    };
    let mut rows: Vec<Vec<f64>> = pairs.iter().map(row).collect();
    let mut y: Vec<f64> = pairs
        .iter()
        .map(|pair| pair.lab_ppm - pair.sensor_ppm)
        .collect();
    // Priors as two further observations: the gain near 1, the drift near 0.
    rows.extend([vec![0.0, 1.0, 0.0], vec![0.0, 0.0, 1.0]]);
    y.extend([0.0, 0.0]);
    let run = &config.run;
    let own_sd: Vec<f64> = pairs
        .iter()
        .map(|pair| {
            run.lab_sd_ppm
                .hypot(run.lab_cv * pair.sensor_ppm.max(pair.lab_ppm * 0.5))
                .max(1e-6)
        })
        .chain([
            100.0 * config.sensor.gain_log_sd,
            config.sensor.drift_sd_ppm_per_year,
        ])
        .collect();
    let design = Design::from_rows(&rows).ok()?;
    let mut robust_weights = vec![1.0; y.len()];
    let mut fit = None;
    for _ in 0..20 {
        let weights: Vec<f64> = own_sd
            .iter()
            .zip(&robust_weights)
            .map(|(sd, weight)| weight / (sd * sd))
            .collect();
        let now = least_squares(&design, &y, Some(&weights)).ok()?;
        for ((weight, sd), (x, y)) in robust_weights
            .iter_mut()
            .zip(&own_sd)
            .zip(rows.iter().zip(&y))
            .take(pairs.len())
        {
            let (fitted, _) = now.predict(x).ok()?;
            *weight = robust::huber_weight((y - fitted) / sd, 1.345);
        }
        fit = Some(now);
    }
    let fit = fit?;
    // Scatter beyond what the laboratory is known for widens everything; less scatter narrows nothing.
    let scale = fit.residual_sd.max(1e-9);
    let known = |column: usize| {
        fit.standard_errors
            .get(column)
            .map(|se| se / scale * scale.max(1.0))
    };
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
    let matters = config
        .sensor
        .offset_matters_ppm
        .max(config.sensor.offset_matters_share * fit.level_ppm);
    if fit
        .drift
        .is_some_and(|(slope, clear)| clear && slope.abs() >= config.sensor.offset_matters_ppm)
    {
        return "drifting";
    }
    if !fit.interval.contains(0.0) && fit.offset.abs() >= matters {
        return "offset";
    }
    "agrees"
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::samples_for_tests::{bin, run, sample, unit};
    use drydown_stats::rng;

    /// Truth of one sensor.
    #[derive(Clone, Copy)]
    struct Sensor {
        offset_ppm: f64,
        gain: f64,
        drift_ppm_per_year: f64,
    }

    /// Pairs `days` apart, one in each run of ten hours; laboratory values with a coefficient of variation of 10 %.
    fn check(n: usize, days: f64, sensor: Sensor, seed: &str) -> SensorCheck {
        let mut rng = rng::seeded(9, seed);
        let (mut runs, mut series, mut samples) = (Vec::new(), Vec::new(), Vec::new());
        for idx in 0..n {
            let day = idx as f64 * days;
            let mut one = run(10.0);
            one.run_id = format!("U-1@{idx}").as_str().into();
            (one.started_at, one.ended_at) =
                (one.started_at.plus_days(day), one.ended_at.plus_days(day));
            let truth = 150.0 * (0.7 * rng::standard_normal(&mut rng)).exp();
            let years = (day - (n as f64 - 1.0) * days) / DAYS_PER_YEAR;
            let reads = sensor.offset_ppm + sensor.gain * truth + sensor.drift_ppm_per_year * years;
            let mut point = bin(
                day * 24.0 + 5.0,
                reads + rng::standard_normal(&mut rng),
                Censor::Exact,
            );
            point.run_id = one.run_id.clone();
            series.push(point);
            let lab = truth * (0.1 * rng::standard_normal(&mut rng)).exp();
            samples.push(sample(day * 24.0 + 5.5, lab, Censor::Exact));
            runs.push(one);
        }
        let unit = unit();
        let input = SensorInput {
            unit: &unit,
            runs: &runs.iter().collect::<Vec<_>>(),
            series: &series,
            samples: &samples.iter().collect::<Vec<_>>(),
            maintenance: &[],
        };
        check_sensors(&input, &RemovalConfig::documented())
            .into_iter()
            .next()
            .unwrap()
    }

    #[test]
    fn each_state_has_its_sensor() {
        let good = Sensor {
            offset_ppm: 0.0,
            gain: 1.0,
            drift_ppm_per_year: 0.0,
        };
        assert_eq!(check(12, 30.0, good, "good").state, "agrees");
        assert_eq!(check(2, 30.0, good, "few").state, "too_few_pairs");
        assert_eq!(check(2, 30.0, good, "few").offset, None);
        let high = check(
            12,
            5.0,
            Sensor {
                offset_ppm: 60.0,
                ..good
            },
            "high",
        );
        assert_eq!(high.state, "offset");
        assert!((high.offset.unwrap() - 60.0).abs() < 20.0, "{high:?}");
        let drifting = check(
            30,
            20.0,
            Sensor {
                drift_ppm_per_year: 60.0,
                ..good
            },
            "drift",
        );
        assert_eq!(drifting.state, "drifting", "{drifting:?}");
        let steep = check(40, 3.0, Sensor { gain: 1.5, ..good }, "steep");
        assert!((steep.gain.unwrap() - 1.5).abs() < 0.15, "{steep:?}");
    }

    #[test]
    fn a_ninety_percent_interval_of_the_offset_holds_the_truth_as_often() {
        let held = (0..300)
            .filter(|trial| {
                let sensor = Sensor {
                    offset_ppm: 12.0,
                    gain: 1.0,
                    drift_ppm_per_year: 0.0,
                };
                let row = check(8, 10.0, sensor, &format!("trial {trial}"));
                row.lower_90.unwrap() <= 12.0 && 12.0 <= row.upper_90.unwrap()
            })
            .count();
        let coverage = held as f64 / 300.0;
        println!("offset of a sensor, 8 pairs: coverage {coverage:.3}");
        assert!((0.85..=0.97).contains(&coverage), "{coverage}");
    }

    #[test]
    fn an_outlet_sensor_is_not_held_against_the_reservoir() {
        let (run, point, lab) = (
            run(10.0),
            bin(5.0, 80.0, Censor::Exact),
            sample(5.0, 200.0, Censor::Exact),
        );
        let mut unit = unit();
        unit.water_sensor_place = Some(SensorPlace::Outlet);
        let input = SensorInput {
            unit: &unit,
            runs: &[&run],
            series: &[point],
            samples: &[&lab],
            maintenance: &[],
        };
        assert_eq!(
            check_sensors(&input, &RemovalConfig::documented())[0].n_pairs,
            0
        );
    }
}
