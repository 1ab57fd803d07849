//! A unit's water sensor against the laboratory: offset, gain and drift, each with what the pairs can bear.
//!
//! A pair is a sample drawn while the unit ran, beside the sensor's bin nearest in time, or one drawn in the hours before
//! a start, beside the run's first hour carried back to it. The laboratory's scatter is much the larger, so the
//! laboratory is regressed on the sensor, not the other way round. A sensor's zero is an activity: where the oils'
//! solubilities are known, the offset counts as one. Pairs count from the sensor's last swap or calibration.

mod pairs;

use drydown_quantity::Interval;
use drydown_runs::history::{Maintenance, MaintenanceAction, Oil, Sample, Unit};
use drydown_runs::{Run, SeriesPoint};
use drydown_stats::linear::{Design, least_squares};
use drydown_stats::{normal, robust};

use crate::config::RemovalConfig;
use crate::rows::SensorCheck;
use pairs::{Pair, find_pairs};

const DAYS_PER_YEAR: f64 = 365.25;
/// Where a pair's residual is cut: 95 % efficiency for normal errors (Huber 1981).
const HUBER: f64 = 1.345;

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
    /// The register of oils.
    pub oils: &'a [Oil],
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
    // An offset of one activity is worth more ppm in an oil that holds more water.
    let known: Vec<f64> = pairs
        .iter()
        .filter_map(|pair| pair.solubility_ppm)
        .collect();
    let typical = robust::median(&known).filter(|ppm| *ppm > 0.0);
    let scale = |pair: &Pair| match (pair.solubility_ppm, typical) {
        (Some(own), Some(typical)) => (own / typical).clamp(0.2, 5.0),
        _ => 1.0,
    };
    let row = |pair: &Pair| {
        let years = if with_drift {
            pair.at.days_after(last) / DAYS_PER_YEAR
        } else {
            0.0
        };
        let scale = scale(pair);
        vec![scale, (pair.sensor_ppm - level_ppm) / 100.0, years * scale]
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
    let own_sd = standard_deviations(pairs, config);
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
            *weight = robust::huber_weight((y - fitted) / sd, HUBER);
        }
        fit = Some(now);
    }
    let fit = fit?;
    let standardised: Vec<f64> = rows
        .iter()
        .zip(&y)
        .zip(&own_sd)
        .take(pairs.len())
        .filter_map(|((x, y), sd)| Some((y - fit.predict(x).ok()?.0) / sd))
        .collect();
    let scale = fit.residual_sd.max(1e-9);
    let growth = huber_growth(&standardised);
    let known = |column: usize| {
        fit.standard_errors
            .get(column)
            .map(|se| se / scale * growth)
    };
    let z = normal::student_t_quantile(0.5 + 0.5 * run.level, (pairs.len() as f64 - 1.0).max(2.0));
    let offset = -*fit.coefficients.first()?;
    // What one laboratory does to all its values alike, no number of pairs takes away.
    let shared = normal::quantile(0.5 + 0.5 * run.level) * config.sensor.lab_bias_cv * level_ppm;
    let half = (z * known(0)?).hypot(shared);
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

/// Standard deviation of each pair's difference, ppm, and of the two priors that follow them.
fn standard_deviations(pairs: &[Pair], config: &RemovalConfig) -> Vec<f64> {
    let run = &config.run;
    let own_cv = (run.lab_cv.powi(2) - config.sensor.lab_bias_cv.powi(2))
        .max(0.0)
        .sqrt();
    pairs
        .iter()
        .map(|pair| {
            let level = pair.sensor_ppm.max(pair.lab_ppm * 0.5);
            run.lab_sd_ppm
                .hypot(own_cv.hypot(pair.extra_log_sd) * level)
                .max(1e-6)
        })
        .chain([
            100.0 * config.sensor.gain_log_sd,
            config.sensor.drift_sd_ppm_per_year,
        ])
        .collect()
}

/// By how much standard errors grow for scatter beyond what the laboratory is known for, 1 and up: Huber's root mean
/// square of the cut residuals over the share that is not cut (Huber 1981, Robust Statistics, section 7.6). Less scatter
/// narrows nothing.
fn huber_growth(standardised: &[f64]) -> f64 {
    let n = standardised.len() as f64;
    let cut: f64 = standardised
        .iter()
        .map(|z| z.clamp(-HUBER, HUBER).powi(2))
        .sum();
    let inside = standardised.iter().filter(|z| z.abs() < HUBER).count() as f64;
    ((cut / (n - 1.0).max(1.0)).sqrt() / (inside / n).max(0.2)).max(1.0)
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
    use crate::samples_for_tests::{bin, oil, run, sample, unit};
    use drydown_runs::history::{Censor, SensorPlace};
    use drydown_stats::rng;

    /// Truth of one sensor.
    #[derive(Clone, Copy)]
    struct Sensor {
        offset_ppm: f64,
        gain: f64,
        drift_ppm_per_year: f64,
    }

    /// Pairs `days` apart, one in each run of ten hours; laboratory values with a coefficient of variation of 10 %,
    /// half of which (a quarter of the variance) all of them share, and 5 ppm.
    fn check(n: usize, days: f64, sensor: Sensor, seed: &str) -> SensorCheck {
        let mut rng = rng::seeded(9, seed);
        let (mut runs, mut series, mut samples) = (Vec::new(), Vec::new(), Vec::new());
        let shared = 0.05 * rng::standard_normal(&mut rng);
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
            let lab = (truth * (shared + 0.0866 * rng::standard_normal(&mut rng)).exp()
                + 5.0 * rng::standard_normal(&mut rng))
            .max(1.0);
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
            oils: &[],
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
            oils: &[],
        };
        assert_eq!(
            check_sensors(&input, &RemovalConfig::documented())[0].n_pairs,
            0
        );
    }

    /// A run of ten hours from 300 ppm at 0.1/h by a sensor that reads 20 ppm too high, sampled before its start.
    fn started_from(lab_ppm: f64, hours_before: f64) -> SensorCheck {
        let mut register = oil();
        register.oil_type = "mineral".into();
        let (mut runs, mut series, mut samples) = (Vec::new(), Vec::new(), Vec::new());
        for idx in 0..4 {
            let day = f64::from(idx) * 10.0;
            let mut one = run(10.0);
            one.run_id = format!("U-1@{idx}").as_str().into();
            (one.started_at, one.ended_at) =
                (one.started_at.plus_days(day), one.ended_at.plus_days(day));
            for tenth in 0..30 {
                let hour = 0.25 + f64::from(tenth) / 6.0;
                let reads = 20.0 + 300.0 * (-0.1 * hour).exp();
                let mut point = bin(24.0 * day + hour, reads, Censor::Exact);
                point.run_id = one.run_id.clone();
                series.push(point);
            }
            samples.push(sample(24.0 * day - hours_before, lab_ppm, Censor::Exact));
            runs.push(one);
        }
        let unit = unit();
        let input = SensorInput {
            unit: &unit,
            runs: &runs.iter().collect::<Vec<_>>(),
            series: &series,
            samples: &samples.iter().collect::<Vec<_>>(),
            maintenance: &[],
            oils: &[register],
        };
        check_sensors(&input, &RemovalConfig::documented())
            .into_iter()
            .next()
            .unwrap()
    }

    #[test]
    fn a_sample_from_before_a_start_is_held_against_the_first_hour() {
        let row = started_from(300.0, 4.0);
        assert_eq!(row.n_pairs, 4, "{row:?}");
        assert!((row.offset.unwrap() - 20.0).abs() < 2.0, "{row:?}");
        // Too long ago, and so wet that part of the water need not be dissolved (1427 ppm at 65 °C).
        assert_eq!(started_from(300.0, 20.0).n_pairs, 0);
        assert_eq!(started_from(1100.0, 4.0).n_pairs, 0);
    }
}
