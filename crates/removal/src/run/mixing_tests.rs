//! Runs of a reservoir of which only part passes the unit, samples long after the stop, floors, and a sensor's zero.

use drydown_runs::history::{Censor, Sample};
use drydown_runs::{Run, SeriesPoint};
use drydown_stats::{rng, robust};

use super::*;
use crate::rows::Regime;
use crate::samples_for_tests::{bin, oil, reservoir, run, sample, unit};

fn fit(run: &Run, series: &[SeriesPoint], samples: &[Sample]) -> crate::RemovalRun {
    let samples: Vec<&Sample> = samples.iter().collect();
    let (unit, oil, reservoir) = (unit(), oil(), reservoir(3_785.411_784));
    let input = RunInput {
        run,
        series,
        samples: &samples,
        unit: Some(&unit),
        oil: Some(&oil),
        reservoir: Some(&reservoir),
    };
    fit_run(&input, &RunFitConfig::documented())
}

/// A run of 20 to 40 hours on a reservoir with a loop and a rest, by small Euler steps; the true rate with it.
fn badly_mixed(seed: u64, share: f64, exchange_per_h: f64) -> (f64, Vec<SeriesPoint>, f64) {
    let mut rng = rng::seeded(seed, "badly mixed");
    let rate = 0.25 * (0.3 * rng::standard_normal(&mut rng)).exp();
    let hours = 20.0 + 20.0 * rng::uniform(&mut rng);
    let floor = 15.0 * (0.3 * rng::standard_normal(&mut rng)).exp();
    let (mut inside, mut rest) = (400.0, 400.0);
    let mut error = rng::standard_normal(&mut rng);
    let mut series = Vec::new();
    let per_h = 600;
    for idx in 0..(hours * f64::from(per_h)) as usize {
        let flow = exchange_per_h * (inside - rest);
        inside -= (rate * (inside - floor) + flow) / share / f64::from(per_h);
        if share < 1.0 {
            rest += flow / (1.0 - share) / f64::from(per_h);
        }
        if idx % 100 == 50 {
            error = 0.8 * error + 0.6 * rng::standard_normal(&mut rng);
            let hour = idx as f64 / f64::from(per_h);
            series.push(bin(
                hour,
                (inside + (1.0 + 0.01 * inside) * error).max(0.0),
                Censor::Exact,
            ));
        }
    }
    (rate, series, hours)
}

#[test]
fn a_badly_mixed_reservoir_is_recognised_and_its_whole_dries_at_the_true_rate() {
    let (mut n, mut named, mut held, mut errors) = (0, 0, 0, Vec::new());
    for seed in 0..40 {
        let (truth, series, hours) = badly_mixed(seed, 0.6, 0.05);
        let row = fit(&run(hours), &series, &[]);
        n += 1;
        named += i32::from(row.regime == Some(Regime::TwoCompartments));
        let (Some(low), Some(high)) = (row.removal_rate_lower_90, row.removal_rate_upper_90) else {
            continue;
        };
        held += i32::from(low <= truth && truth <= high);
        errors.push((row.removal_rate_per_h.unwrap() / truth).ln());
    }
    let bias = robust::median(&errors).unwrap();
    println!("badly mixed: {named} of {n} named, {held} held, median log error {bias:+.3}");
    assert!(named >= 36, "{named} of {n} named");
    assert!(held >= 32, "{held} of {n} held");
    assert!(bias.abs() < 0.06, "{bias}");
}

#[test]
fn a_well_mixed_reservoir_is_not_called_badly_mixed() {
    let mut named = 0;
    for seed in 0..40 {
        let (_, series, hours) = badly_mixed(seed, 1.0, 0.0);
        let row = fit(&run(hours), &series, &[]);
        named += i32::from(row.regime == Some(Regime::TwoCompartments));
    }
    assert!(named <= 1, "{named} of 40");
}

/// A quiet sensor on an exponential from 160 ppm to a floor of 5 in eight hours.
fn quiet() -> (Vec<SeriesPoint>, Run) {
    let mut rng = rng::seeded(11, "quiet");
    let series = (0..48)
        .map(|idx| {
            let hour = (f64::from(idx) + 0.5) / 6.0;
            let water = 5.0 + 155.0 * (-0.5 * hour).exp();
            bin(
                hour,
                water + 0.3 * rng::standard_normal(&mut rng),
                Censor::Exact,
            )
        })
        .collect();
    (series, run(8.0))
}

#[test]
fn a_sample_the_day_after_does_not_lift_the_run() {
    // What comes back overnight is ingress and mixing: neither start nor end of the run.
    let (series, run) = quiet();
    let alone = fit(&run, &series, &[]);
    let after = fit(&run, &series, &[sample(28.0, 40.0, Censor::Exact)]);
    let moved = |of: fn(&crate::RemovalRun) -> f64| (of(&after) - of(&alone)).abs();
    assert!(moved(|row| row.start_ppm.unwrap()) < 8.0, "{after:?}");
    assert!(moved(|row| row.end_ppm.unwrap()) < 8.0, "{after:?}");
    // A dry one still speaks: nothing dries a reservoir that stands.
    let drier = fit(&run, &series, &[sample(28.0, 2.0, Censor::Exact)]);
    assert!(drier.end_ppm.unwrap() < alone.end_ppm.unwrap(), "{drier:?}");
}

#[test]
fn a_floor_is_stated_only_where_the_data_tell_it() {
    // A sensor's zero may be off by more than the whole floor, and nothing else tells it.
    let (series, run) = quiet();
    let row = fit(&run, &series, &[]);
    assert_eq!(row.floor_ppm, None, "{row:?}");
    assert!(row.evidence.contains("do not tell the floor"), "{row:?}");
    // Far above the sensor's error it is told, with its interval.
    let high: Vec<SeriesPoint> = series
        .iter()
        .map(|point| SeriesPoint {
            water_ppm: point.water_ppm.map(|ppm| ppm + 100.0),
            ..point.clone()
        })
        .collect();
    let row = fit(&run, &high, &[]);
    // The curve fell to 105 ppm; the gas usually holds a fifth of that, so that sources may have kept it there.
    let (lower, upper) = (row.floor_lower_90.unwrap(), row.floor_upper_90.unwrap());
    assert!(lower < 40.0 && 105.0 < upper && upper < 160.0, "{row:?}");
    assert!(row.floor_ppm.unwrap() < 105.0, "{row:?}");
    assert!(row.evidence.contains("floor "), "{row:?}");
}

#[test]
fn a_sensor_whose_zero_is_off_does_not_speed_up_oil_that_warms() {
    // The zero error is an activity (-1.5 %): in ppm it doubles while the oil goes from 42 to 62 °C.
    let oil = oil();
    let mut held = 0;
    for seed in 0..20 {
        let mut rng = rng::seeded(seed, "warming");
        let degc_at = |hour: f64| 62.0 - 20.0 * (-hour / 1.5).exp();
        let mean_degc = (0..48)
            .map(|idx| degc_at((f64::from(idx) + 0.5) / 6.0))
            .sum::<f64>()
            / 48.0;
        let mut water = 0.3 * solubility_ppm(Some(&oil), 42.0).unwrap();
        let mut series = Vec::new();
        for minute in 0..480 {
            let degc = degc_at(f64::from(minute) / 60.0);
            let slower = 1.0 / (degc + 273.15) - 1.0 / (mean_degc + 273.15);
            water -= 0.3 * (-2500.0 * slower).exp() * (water - 10.0) / 60.0;
            if minute % 10 != 5 {
                continue;
            }
            let solubility = solubility_ppm(Some(&oil), degc).unwrap();
            let seen = water + (0.001 * rng::standard_normal(&mut rng) - 0.015) * solubility;
            let mut point = bin(f64::from(minute) / 60.0, seen.max(0.0), Censor::Exact);
            point.oil_degc = Some(degc);
            point.from_activity = true;
            series.push(point);
        }
        let mut run = run(8.0);
        run.oil_degc = Some(mean_degc);
        let row = fit(&run, &series, &[]);
        let low = row.removal_rate_lower_90.unwrap_or(0.0);
        let high = row.removal_rate_upper_90.unwrap_or(f64::INFINITY);
        held += i32::from(low <= 0.3 && 0.3 <= high);
    }
    assert!(held >= 17, "{held} of 20 held");
}

/// The rows of runs of one reservoir, alone and together.
fn both(runs: &[(Run, Vec<SeriesPoint>)]) -> (Vec<crate::RemovalRun>, Vec<crate::RemovalRun>) {
    let (unit, oil, reservoir) = (unit(), oil(), reservoir(3_785.411_784));
    let inputs: Vec<RunInput<'_>> = runs
        .iter()
        .map(|(run, series)| RunInput {
            run,
            series,
            samples: &[],
            unit: Some(&unit),
            oil: Some(&oil),
            reservoir: Some(&reservoir),
        })
        .collect();
    let config = RunFitConfig::documented();
    let alone = inputs.iter().map(|input| fit_run(input, &config)).collect();
    (alone, fit_reservoir(&inputs, &config))
}

fn n_called(rows: &[crate::RemovalRun]) -> usize {
    rows.iter()
        .filter(|row| row.regime == Some(Regime::TwoCompartments))
        .count()
}

#[test]
fn a_reservoir_is_judged_from_all_its_runs() {
    // A loop of nearly all the oil with a brisk exchange: most runs do not tell it alone.
    let (mut alone_called, mut together_called, mut n) = (0, 0, 0);
    let (mut alone_error, mut together_error) = (0.0, 0.0);
    for group in 0..6 {
        let simulated: Vec<(f64, Run, Vec<SeriesPoint>)> = (0..6)
            .map(|idx| {
                let (truth, series, hours) = badly_mixed(100 * group + idx, 0.85, 0.12);
                (truth, run(hours), series)
            })
            .collect();
        let runs: Vec<(Run, Vec<SeriesPoint>)> = simulated
            .iter()
            .map(|(_, run, series)| (run.clone(), series.clone()))
            .collect();
        let (alone, together) = both(&runs);
        alone_called += n_called(&alone);
        together_called += n_called(&together);
        n += runs.len();
        let error = |rows: &[crate::RemovalRun]| {
            rows.iter()
                .zip(&simulated)
                .map(|(row, (truth, _, _))| (row.removal_rate_per_h.unwrap() / truth).ln().abs())
                .sum::<f64>()
        };
        alone_error += error(&alone);
        together_error += error(&together);
    }
    let (alone_error, together_error) = (alone_error / n as f64, together_error / n as f64);
    println!(
        "badly mixed, {n} runs: called {alone_called} alone, {together_called} together; mean error {alone_error:.3}, {together_error:.3}"
    );
    assert!(together_called > alone_called && 3 * together_called >= 2 * n);
    assert!(together_error < alone_error);
}

#[test]
fn one_odd_run_does_not_make_a_reservoir_badly_mixed() {
    for seed in 0..6 {
        let mut runs: Vec<(Run, Vec<SeriesPoint>)> = (0..5)
            .map(|idx| {
                let (_, series, hours) = badly_mixed(1000 * seed + idx, 1.0, 0.0);
                (run(hours), series)
            })
            .collect();
        let (_, series, hours) = badly_mixed(1000 * seed + 77, 0.5, 0.04);
        runs.push((run(hours), series));
        let (_, together) = both(&runs);
        assert_eq!(n_called(&together), 0, "seed {seed}");
    }
}

fn returns_of(runs: &[(Run, Vec<SeriesPoint>)]) -> ReservoirReturns {
    let (unit, oil, reservoir) = (unit(), oil(), reservoir(3_785.411_784));
    let inputs: Vec<RunInput<'_>> = runs
        .iter()
        .map(|(run, series)| RunInput {
            run,
            series,
            samples: &[],
            unit: Some(&unit),
            oil: Some(&oil),
            reservoir: Some(&reservoir),
        })
        .collect();
    fit_returns(&inputs, &RunFitConfig::documented())
}

#[test]
fn runs_tell_the_next_one_how_their_reservoir_mixes() {
    let runs = |share: f64| -> Vec<(Run, Vec<SeriesPoint>)> {
        (0..8)
            .map(|seed| {
                let (_, series, hours) = badly_mixed(seed, share, 0.05);
                (run(hours), series)
            })
            .collect()
    };
    let mixing = returns_of(&runs(0.6)).mixing.unwrap();
    let share = 1.0 / (1.0 + (-mixing.loop_share_logit.mean).exp());
    assert!(mixing.probability > 0.9, "{mixing:?}");
    assert!((share - 0.6).abs() < 0.12, "{share}");
    assert!(
        (mixing.ln_exchange_per_h.mean - 0.05_f64.ln()).abs() < 0.5,
        "{mixing:?}"
    );
    assert_eq!(returns_of(&runs(1.0)), ReservoirReturns::default());
}

#[test]
fn runs_over_settled_water_tell_the_next_one_how_much_there_may_be() {
    let (pool_ppm, per_h, rate) = (400.0, 0.05, 0.25);
    let solubility = solubility_ppm(Some(&oil()), 65.0).unwrap();
    let runs: Vec<(Run, Vec<SeriesPoint>)> = (0..8)
        .map(|seed| {
            let mut rng = rng::seeded(seed, "settled");
            let (mut water, mut pool) = (0.95 * solubility, pool_ppm);
            let mut series = Vec::new();
            for minute in 0..1800 {
                let left: f64 = pool / pool_ppm;
                let fed = per_h * left.powf(2.0 / 3.0) * (solubility - water) / 60.0;
                let fed = fed.clamp(0.0, pool);
                pool -= fed;
                water += fed - rate * (water - 15.0) / 60.0;
                if minute % 10 == 5 {
                    let noise = (1.0 + 0.005 * water) * rng::standard_normal(&mut rng);
                    let mut point = bin(f64::from(minute) / 60.0, water + noise, Censor::Exact);
                    point.oil_degc = Some(65.0);
                    series.push(point);
                }
            }
            (run(30.0), series)
        })
        .collect();
    let settled = returns_of(&runs).settled.unwrap();
    assert!(settled.probability > 0.5, "{settled:?}");
    assert!(
        (settled.ln_pool_ppm.mean - pool_ppm.ln()).abs() < 0.5,
        "{settled:?}"
    );
    assert!(
        (settled.ln_dissolving_per_h.mean - per_h.ln()).abs() < 0.5,
        "{settled:?}"
    );
    assert!(settled.ln_pool_ppm.sd >= 0.7, "{settled:?}");
}
