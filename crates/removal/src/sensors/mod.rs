//! A unit's water sensor against the laboratory: offset, gain and drift, each with what the pairs can bear.
//!
//! A pair is a sample beside what the sensor showed over the hours in which it may have been drawn: during a run, in the
//! hours after it or before it. Where the level moved in those hours, as it does in the first of a large unit on a small
//! tank, there is no pair. The laboratory's scatter is much the larger, so the laboratory is regressed on the sensor, not
//! the other way round. A sensor is accused only on several runs and more than one tank: a state of `offset` or `drifting`
//! asks for more than the shown interval does. A sensor's zero is an activity: where the oils'
//! solubilities are known, the offset counts as one. Pairs count from the sensor's last swap or calibration.

mod fit;
mod level;
mod pairs;

use std::collections::BTreeSet;

use drydown_runs::history::{Maintenance, MaintenanceAction, Oil, Sample, Unit};
use drydown_runs::{Run, SeriesPoint};

use crate::config::RemovalConfig;
use crate::rows::SensorCheck;
use fit::{PairFit, fit_pairs};
use pairs::{Pair, find_pairs};

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
        if !stuck && tells_the_sensor(&pairs, config) {
            row.state = to_state(&fit, config).to_owned();
        }
    }
    vec![row]
}

/// Whether what the pairs share can only be the sensor: several runs, and more than one tank and its oil.
fn tells_the_sensor(pairs: &[Pair], config: &RemovalConfig) -> bool {
    let runs: BTreeSet<usize> = pairs.iter().map(|pair| pair.run_idx).collect();
    let reservoirs: BTreeSet<_> = pairs
        .iter()
        .filter_map(|pair| pair.reservoir_id.as_ref())
        .collect();
    runs.len() >= config.sensor.n_runs_min && reservoirs.len() >= config.sensor.n_reservoirs_min
}

/// Pairs whose interval reaches further than this many offsets that matter say nothing of the sensor.
const TELLS_WITHIN: f64 = 3.0;

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
    let seems_off = !fit.interval.contains(0.0) && fit.offset.abs() >= matters;
    if seems_off && fit.offset_clear {
        return "offset";
    }
    // Nor is a sensor acquitted by pairs that could not have shown what they should.
    let half = 0.5 * (fit.interval.upper - fit.interval.lower);
    if seems_off || half > TELLS_WITHIN * matters {
        return "too_few_pairs";
    }
    "agrees"
}

#[cfg(test)]
mod pairs_tests;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::samples_for_tests::{bin, check_sensor, oil, run, sample, unit};
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
            let years = (day - (n as f64 - 1.0) * days) / 365.25;
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
            let mut drawn = sample(day * 24.0 + 5.5, lab, Censor::Exact);
            one.reservoir_id = Some(["R-1", "R-2"][idx % 2].into());
            drawn.reservoir_id = one.reservoir_id.clone();
            samples.push(drawn);
            runs.push(one);
        }
        check_sensor(&unit(), &runs, &series, &samples, &[])
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
        let row = check_sensor(&unit, &[run], &[point], &[lab], &[]);
        assert_eq!(row.n_pairs, 0);
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
        check_sensor(&unit(), &runs, &series, &samples, &[register])
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
