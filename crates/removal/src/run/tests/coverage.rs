//! Runs simulated from a known truth: how often the interval holds it.

use drydown_runs::Phase;
use drydown_runs::history::Censor;
use drydown_stats::rng;

use super::super::*;
use super::{Truth, fit, fit_exact, noisy};
use crate::samples_for_tests::{bin, oil, reservoir, run, sample, unit};

#[test]
fn ninety_percent_profile_intervals_hold_the_truth_about_ninety_percent_of_the_time() {
    let began = std::time::Instant::now();
    for (phi, low) in [(0.0, 0.85), (0.5, 0.85), (0.8, 0.85), (0.95, 0.78)] {
        let (mut held, mut numbers, mut n) = (0, 0, 0);
        let mut bias = 0.0;
        for trial in 0..150 {
            let mut rng = rng::seeded(11, &format!("coverage {phi} {trial}"));
            let truth = Truth {
                rate: 0.15 * (0.4 * rng::standard_normal(&mut rng)).exp(),
                floor: 20.0 * (0.5 * rng::standard_normal(&mut rng)).exp(),
                start: 500.0 * (0.5 * rng::standard_normal(&mut rng)).exp(),
                phi,
                sd: 10.0,
                hours: 20.0,
            };
            let series = noisy(&truth, &mut rng);
            let end = truth.floor + (truth.start - truth.floor) * (-truth.rate * truth.hours).exp();
            let lab =
                |level: f64, rng: &mut rng::Pcg64| level * (0.1 * rng::standard_normal(rng)).exp();
            let samples = [
                sample(-2.0, lab(truth.start, &mut rng), Censor::Exact),
                sample(truth.hours + 1.0, lab(end, &mut rng), Censor::Exact),
            ];
            let row = fit_exact(&run(truth.hours), &series, &samples);
            n += 1;
            if matches!(row.status, RunStatus::Identified | RunStatus::OneSided) {
                numbers += 1;
                let lower = row.removal_rate_lower_90.unwrap_or(0.0);
                let upper = row.removal_rate_upper_90.unwrap_or(f64::INFINITY);
                held += i32::from(lower <= truth.rate && truth.rate <= upper);
                bias += row
                    .removal_rate_per_h
                    .map_or(0.0, |rate| (rate / truth.rate).ln());
            }
        }
        let coverage = f64::from(held) / f64::from(numbers);
        println!(
            "phi {phi}: {numbers} of {n} told a rate, coverage {coverage:.3}, mean log error {:.3}",
            bias / f64::from(numbers)
        );
        assert!(numbers > 120, "{numbers}");
        assert!(
            coverage >= low && coverage <= 0.975,
            "phi {phi}: {coverage}"
        );
    }
    println!(
        "{:.1} ms a run",
        began.elapsed().as_secs_f64() * 1e3 / 600.0
    );
}

/// One run as a plant gives it: minutes simulated, warm-up, water coming in and settled water stirred up, free water
/// above solubility, a cap, an activity sensor whose constants are off, minute errors that remember each other.
fn lifelike(seed: u64) -> (f64, crate::RemovalRun) {
    let mut rng = rng::seeded(seed, "lifelike");
    let z = rng::standard_normals(&mut rng, 12);
    let (rate, volume) = (0.14 * (0.5 * z[0]).exp(), 3_785.411_784);
    let floor = 18.0 * (0.5 * z[1]).exp();
    let start = 500.0 * (0.8 * z[2]).exp();
    let ingress = 1.0 * z[3].exp();
    let mut settled = 60.0 * z[4].exp();
    let hours = (24.0 * (0.5 * z[5]).exp()).clamp(6.0, 72.0);
    let (gain, offset) = ((0.1 * z[6]).exp(), 5.0 * z[7]);
    let cap = 180.0 * (0.3 * z[8]).exp();
    let oil = oil();
    let warm_up_h = 3.0;
    let (mut water, mut error) = (start, z[9]);
    let (mut series, mut bin_sum, mut bin_n) = (Vec::new(), 0.0, 0);
    let (mut k_sum, mut k_n) = (0.0, 0);
    let minutes = (hours * 60.0) as usize;
    for minute in 0..minutes {
        let hour = minute as f64 / 60.0;
        let degc = 40.0 + 25.0 * (hour / warm_up_h).min(1.0);
        let solubility = solubility_ppm(Some(&oil), degc).unwrap();
        let k = rate * (0.009_f64 * (degc - 65.0)).exp();
        let stirred = settled * 0.015 / 60.0;
        settled -= stirred;
        let wanted = (water.min(solubility) - floor) * k + (water - solubility).max(0.0) * 1.1;
        water += stirred + ingress / 60.0 - wanted.min(cap) / 60.0;
        error = 0.9 * error + (1.0_f64 - 0.81).sqrt() * rng::standard_normal(&mut rng);
        let seen = gain * water.min(solubility) + offset + 0.02 * water * error + 3.0 * error;
        (bin_sum, bin_n) = (bin_sum + seen.max(0.0), bin_n + 1);
        if degc > 60.0 {
            (k_sum, k_n) = (k_sum + k, k_n + 1);
        }
        if bin_n == 10 {
            let at_top = water > 0.98 * solubility;
            let value = if at_top {
                0.98 * solubility
            } else {
                bin_sum / 10.0
            };
            let mut point = bin(
                hour - 0.075,
                value,
                if at_top { Censor::Above } else { Censor::Exact },
            );
            point.oil_degc = Some(degc);
            point.from_activity = true;
            point.phase = if degc > 60.0 {
                Phase::Drying
            } else {
                Phase::Heating
            };
            series.push(point);
            (bin_sum, bin_n) = (0.0, 0);
        }
    }
    let mut samples = vec![sample(-3.0, start * (0.1 * z[10]).exp(), Censor::Exact)];
    if rng::uniform(&mut rng) < 0.6 {
        samples.push(sample(
            hours + 1.0,
            water * (0.1 * z[11]).exp(),
            Censor::Exact,
        ));
    }
    let samples: Vec<&Sample> = samples.iter().collect();
    let (unit, reservoir, run) = (unit(), reservoir(volume), run(hours));
    let input = RunInput {
        run: &run,
        series: &series,
        samples: &samples,
        unit: Some(&unit),
        oil: Some(&oil),
        reservoir: Some(&reservoir),
    };
    (
        k_sum / f64::from(k_n.max(1)),
        fit_run(&input, &RunFitConfig::documented()),
    )
}

#[test]
fn lifelike_runs_are_told_within_their_ends() {
    let (mut n, mut held, mut log_errors) = (0, 0, Vec::new());
    let mut states = std::collections::BTreeMap::new();
    for seed in 0..200 {
        let (truth, row) = lifelike(seed);
        *states.entry(row.status.as_str()).or_insert(0) += 1;
        if row.status == RunStatus::Identified {
            let (low, high) = (
                row.removal_rate_lower_90.unwrap(),
                row.removal_rate_upper_90.unwrap(),
            );
            n += 1;
            held += i32::from(low <= truth && truth <= high);
            log_errors.push((row.removal_rate_per_h.unwrap() / truth).ln());
        }
    }
    let coverage = f64::from(held) / f64::from(n);
    let bias = drydown_stats::robust::median(&log_errors).unwrap();
    let spread = drydown_stats::robust::mad(&log_errors).unwrap();
    println!(
        "lifelike: {states:?}; coverage {coverage:.3}, median log error {bias:+.3}, spread {spread:.3}"
    );
    assert!(n > 120, "{states:?}");
    assert!((0.75..=0.97).contains(&coverage), "{coverage}");
    assert!(bias.abs() < 0.06, "{bias}");
}

#[test]
fn short_runs_are_either_named_or_right() {
    let (mut numbers, mut held, mut n) = (0, 0, 0);
    for trial in 0..200 {
        let mut rng = rng::seeded(17, &format!("short {trial}"));
        let hours = 6.0;
        let turns = 0.2 + 0.8 * rng::uniform(&mut rng);
        let truth = Truth {
            rate: turns / hours,
            floor: 30.0 * (0.8 * rng::standard_normal(&mut rng)).exp(),
            start: 400.0 * (0.5 * rng::standard_normal(&mut rng)).exp(),
            phi: 0.4,
            sd: 6.0,
            hours,
        };
        let series = noisy(&truth, &mut rng);
        let row = fit(&run(hours), &series, &[]);
        n += 1;
        if matches!(row.status, RunStatus::Identified | RunStatus::OneSided) {
            numbers += 1;
            let lower = row.removal_rate_lower_90.unwrap_or(0.0);
            let upper = row.removal_rate_upper_90.unwrap_or(f64::INFINITY);
            held += i32::from(lower <= truth.rate && truth.rate <= upper);
        }
    }
    let coverage = f64::from(held) / f64::from(numbers);
    println!("short runs (kT 0.2 to 1): {numbers} of {n} told a rate, coverage {coverage:.3}");
    assert!((0.80..=0.99).contains(&coverage), "{coverage}");
}
