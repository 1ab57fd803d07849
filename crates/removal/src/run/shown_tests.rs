//! The curve behind a row is the row's own, and its residuals are what they are said to be.

use drydown_runs::history::{Censor, Oil, Sample, Unit};
use drydown_runs::{Phase, Run, SeriesPoint};
use drydown_stats::rng;

use super::*;
use crate::samples_for_tests::{bin, oil, reservoir, run, sample, unit};

struct World {
    run: Run,
    series: Vec<SeriesPoint>,
    samples: Vec<Sample>,
    unit: Unit,
    oil: Oil,
}

/// Ten-minute bins of a run of `hours` at 0.2/h from 400 ppm to 20, errors of 3 ppm and 2 % that remember `phi`.
fn world(hours: f64, phi: f64, label: &str) -> World {
    let mut rng = rng::seeded(21, label);
    let mut error = rng::standard_normal(&mut rng);
    let n = (hours * 6.0).round() as usize;
    let series = (0..n)
        .map(|idx| {
            let hour = (idx as f64 + 0.5) / 6.0;
            error = phi * error + (1.0 - phi * phi).sqrt() * rng::standard_normal(&mut rng);
            let water = 20.0 + 380.0 * (-0.2 * hour).exp();
            bin(
                hour,
                water + 3.0_f64.hypot(0.02 * water) * error,
                Censor::Exact,
            )
        })
        .collect();
    World {
        run: run(hours),
        series,
        samples: vec![
            sample(-1.0, 410.0, Censor::Exact),
            sample(-200.0, 50.0, Censor::Exact),
            sample(hours + 0.5, 30.0, Censor::Below),
        ],
        unit: unit(),
        oil: oil(),
    }
}

/// The row and the curve of a world.
fn both(world: &World) -> (crate::RemovalRun, RunCurve) {
    let samples: Vec<&Sample> = world.samples.iter().collect();
    let reservoir = reservoir(3_785.411_784);
    let input = RunInput {
        run: &world.run,
        series: &world.series,
        samples: &samples,
        unit: Some(&world.unit),
        oil: Some(&world.oil),
        reservoir: Some(&reservoir),
    };
    let config = RunFitConfig::documented();
    let row = fit_run(&input, &config);
    let curve = run_curve(&input, &row, &config);
    (row, curve)
}

#[test]
fn the_curve_is_the_rows_and_lies_on_the_truth() {
    let (row, curve) = both(&world(15.0, 0.5, "plain"));
    let fit = curve.fit.as_ref().unwrap();
    assert!(!fit.differs_from_row, "{row:?} {fit:?}");
    let rate = row.removal_rate_per_h.unwrap();
    assert!((fit.removal_rate_per_h / rate - 1.0).abs() < 1e-9);
    assert_eq!(Some(fit.regime), row.regime);
    assert_eq!(curve.readings.len(), 90);
    for reading in &curve.readings {
        let truth = 20.0 + 380.0 * (-0.2 * reading.hours).exp();
        let sensor = reading.sensor_ppm.unwrap();
        assert!(
            (sensor - truth).abs() < 6.0,
            "{} h: {sensor} {truth}",
            reading.hours
        );
        assert_eq!(reading.used, Use::Level);
    }
    let used: Vec<Use> = curve.samples.iter().map(|one| one.used).collect();
    assert_eq!(
        used,
        [
            Use::Level,
            Use::LeftOut("sample too long before the run"),
            Use::AtMost
        ]
    );
    assert!(curve.samples[0].standardised.unwrap().abs() < 2.0);
    assert_eq!(curve.samples[1].water_ppm, None);
}

#[test]
fn a_run_of_many_bins_shows_each_bin_and_fewer_residuals() {
    let (_, curve) = both(&world(50.0, 0.3, "long"));
    assert_eq!(curve.readings.len(), 300);
    let fit = curve.fit.unwrap();
    assert_eq!(fit.residuals.len(), 100);
    let square: f64 = fit
        .residuals
        .iter()
        .map(|one| one.innovation.powi(2))
        .sum::<f64>()
        / 100.0;
    assert!((0.8..1.2).contains(&square), "{square}");
}

#[test]
fn what_did_not_speak_says_why() {
    let mut world = world(15.0, 0.3, "left out");
    world.series[0].phase = Phase::PumpDown;
    world.series[1].water_ppm = None;
    world.series[2].water_censor = Some(Censor::Above);
    world.series[40].water_ppm = Some(900.0);
    let (_, curve) = both(&world);
    let used = |idx: usize| curve.readings[idx].used;
    assert_eq!(used(0), Use::LeftOut("pump-down"));
    assert_eq!(used(1), Use::LeftOut("no water value"));
    assert_eq!(used(2), Use::AtLeast);
    assert_eq!(used(40), Use::LeftOut("spike"));
    // The curve is there all the same.
    assert!(curve.readings[40].sensor_ppm.unwrap() < 200.0);
    world.run.flags = vec!["refilled".into()];
    let (_, curve) = both(&world);
    assert_eq!(curve.fit, None);
    assert_eq!(curve.readings[40].sensor_ppm, None);
    assert_eq!(curve.readings.len(), 90);
}

#[test]
fn activity_is_shown_as_relative_saturation() {
    let mut world = world(15.0, 0.3, "activity");
    world
        .series
        .iter_mut()
        .for_each(|bin| bin.from_activity = true);
    let (_, curve) = both(&world);
    let solubility = solubility_ppm(Some(&world.oil), 65.0).unwrap();
    let reading = curve.readings[10];
    let percent = 100.0 * reading.measured_ppm.unwrap() / solubility;
    assert!((reading.measured_rs_pct.unwrap() - percent).abs() < 1e-9);
    assert!((reading.sensor_rs_pct.unwrap() - percent).abs() < 3.0);
}

#[test]
fn sound_runs_are_seldom_called_odd_and_a_wrong_curve_is() {
    let (mut odd, mut n) = ([0_usize; 5], 0);
    let mut words = 0;
    for trial in 0..150 {
        let (_, curve) = both(&world(15.0, 0.5, &format!("sound {trial}")));
        let checks = curve.fit.unwrap().checks.unwrap();
        n += 1;
        words += usize::from(!checks.odd().is_empty());
        let p = [
            checks.memory.p_value,
            checks.sides.p_value,
            checks.trend.p_value,
            checks.normality.p_value,
            checks.outlying.p_value,
        ];
        for (count, p) in odd.iter_mut().zip(p) {
            *count += usize::from(p < 0.05);
        }
    }
    println!("of {n} sound runs, p < 0.05: {odd:?}; with a word: {words}");
    // One in twenty, plus four standard errors. Five tests at one in a hundred: one in twenty at most, and as much.
    for count in odd {
        assert!(count as f64 <= 0.122 * f64::from(n), "{odd:?}");
    }
    assert!(words as f64 <= 0.122 * f64::from(n), "{words}");
    // Half way through, the oil is topped up with wet oil: no exponential does that.
    let mut seen = 0;
    for trial in 0..20 {
        let mut world = world(15.0, 0.3, &format!("step {trial}"));
        for bin in world.series.iter_mut().skip(45) {
            bin.water_ppm = bin.water_ppm.map(|ppm| ppm + 60.0);
        }
        let (_, curve) = both(&world);
        seen += usize::from(!curve.fit.unwrap().checks.unwrap().odd().is_empty());
    }
    assert!(seen >= 18, "{seen}");
}
