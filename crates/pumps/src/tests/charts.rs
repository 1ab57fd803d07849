//! One chart at a time: foreign levels, going back, small changes, new slopes.

use drydown_quantity::Stamp;
use drydown_stats::rng::{seeded, standard_normal};

use super::world::day_zero;
use crate::Slopes;
use crate::covariates::fit_slopes;
use crate::filter::Spread;
use crate::monitor::{Monitor, Observation, Rule, Setting};

const NOISE: f64 = 0.1;

fn setting(level: (f64, f64)) -> Setting {
    Setting {
        spread: Spread {
            noise_sd: NOISE,
            shared_sd: 0.02,
            phi_per_day: 0.5,
            diffusion_sd: 0.002,
            drift_mean: 0.0,
            drift_sd: 1e-4,
        },
        slopes: Slopes::default(),
        rule: Rule {
            worse: 1.0,
            allowance: 0.5,
            limit: 5.0,
            least_shift: 0.2,
            least: 4,
            least_before: 0,
        },
        level,
    }
}

fn seen_at(day: f64, raw: f64, x: f64) -> Observation {
    Observation {
        at: day_zero().plus_days(day),
        raw,
        x: [x, 0.0, 0.0, 0.0, 0.0],
        se: 0.0,
        shared_sd: 0.0,
        datum: None,
    }
}

/// Runs a chart over values two days apart; gives it and the days on which it was in alert.
fn play(monitor: &mut Monitor, from: usize, values: &[f64], seed: &str) -> Vec<usize> {
    let mut rng = seeded(3, seed);
    let mut days = Vec::new();
    for (k, value) in values.iter().enumerate() {
        let day = from + k;
        let noisy = value + NOISE * standard_normal(&mut rng);
        monitor.observe(seen_at(2.0 * day as f64, noisy, 0.0));
        if monitor.alert {
            days.push(day);
        }
    }
    days
}

fn start() -> Stamp {
    day_zero()
}

#[test]
fn a_pump_far_from_its_kinds_level_is_no_alert() {
    for level in [8.0, -3.0] {
        let mut monitor = Monitor::new(setting((2.0, 0.5)), start());
        let alerts = play(&mut monitor, 0, &[level; 60], "foreign");
        assert!(alerts.is_empty(), "{level}: {alerts:?}");
        assert!((monitor.filter().level().0 - level).abs() < 0.1);
    }
}

#[test]
fn an_alert_lasts_as_long_as_its_cause_and_is_counted_when_it_goes() {
    let mut monitor = Monitor::new(setting((2.0, 0.5)), start());
    play(&mut monitor, 0, &[2.0; 40], "sound");
    let during = play(&mut monitor, 40, &[3.0; 60], "leak");
    // Ten standard deviations are found at once, and no noise takes them back.
    assert!(during.len() >= 57, "{during:?}");
    assert_eq!(monitor.recoveries, 0);
    assert!((monitor.filter().level().0 - 2.0).abs() < 0.1);
    let after = play(&mut monitor, 100, &[2.0; 40], "mended");
    assert!(after.len() <= 3, "{after:?}");
    assert_eq!(monitor.recoveries, 1);
}

#[test]
fn a_change_too_small_to_act_on_alerts_nobody_however_clear() {
    let of = |size: f64| {
        let mut monitor = Monitor::new(setting((2.0, 0.5)), start());
        play(&mut monitor, 0, &[2.0; 40], "sound");
        play(&mut monitor, 40, &[2.0 + size; 100], "shift").len()
    };
    assert_eq!(of(0.1), 0);
    assert!(of(0.4) > 60, "{}", of(0.4));
}

#[test]
fn work_that_renews_in_part_ends_the_alert_and_keeps_the_sound_level() {
    let mut monitor = Monitor::new(setting((2.0, 0.5)), start());
    play(&mut monitor, 0, &[2.0; 40], "sound");
    play(&mut monitor, 40, &[3.0; 20], "leak");
    assert!(monitor.alert);
    monitor.renew(day_zero().plus_days(119.5), 0.3);
    let (level, sd) = monitor.filter().level();
    assert!(!monitor.alert && !monitor.is_judged());
    assert!((level - 2.0).abs() < 0.1 && sd > 0.29, "{level} {sd}");
    assert!(play(&mut monitor, 60, &[2.1; 40], "mended").is_empty());
}

#[test]
fn new_slopes_move_the_level_and_are_no_news_of_the_pump() {
    // Values that follow a covariate with slope 1, seen with slope 0 at first.
    let swing = |k: usize| 0.5 * (k as f64 * 0.7).sin();
    let mut rng = seeded(4, "slopes");
    let mut monitor = Monitor::new(setting((2.0, 2.0)), start());
    let mut series = Vec::new();
    for k in 0..80 {
        // The covariate is five off its reference on average: another slope is another level.
        let x = 5.0 + swing(k);
        let raw = 2.0 + x + NOISE * standard_normal(&mut rng);
        monitor.observe(seen_at(2.0 * k as f64, raw, x));
        series.push((2.0 * k as f64, raw, [x, 0.0, 0.0, 0.0, 0.0]));
    }
    let slopes = fit_slopes(&[series]);
    assert!((slopes.effect(&[1.0, 0.0, 0.0, 0.0, 0.0]) - 1.0).abs() < 0.1);
    let taught = Setting {
        slopes,
        ..setting((2.0, 2.0))
    };
    let mut relearnt = monitor.relearnt(taught);
    assert_eq!(relearnt.alert, monitor.alert);
    assert!((relearnt.filter().level().0 - 2.0).abs() < 0.5);
    for k in 80..120 {
        let x = 5.0 + swing(k);
        let raw = 2.0 + x + NOISE * standard_normal(&mut rng);
        relearnt.observe(seen_at(2.0 * k as f64, raw, x));
        assert!(!relearnt.alert, "observation {k}");
    }
    // An alert goes through as it stands.
    for k in 120..130 {
        relearnt.observe(seen_at(2.0 * k as f64, 8.5, 5.0));
    }
    let again = relearnt.relearnt(taught);
    assert!(relearnt.alert && again.alert);
    assert_eq!(relearnt.onset, again.onset);
    assert!((again.filter().level().0 - relearnt.filter().level().0).abs() < 0.1);
}

#[test]
fn a_move_to_another_assumed_barometer_is_no_change_of_the_pump() {
    let mut monitor = Monitor::new(setting((2.0, 0.5)), start());
    let mut rng = seeded(5, "moved");
    for k in 0..80 {
        let (zero, offset) = if k < 40 { (98.0, 0.0) } else { (84.0, 0.7) };
        let raw = 2.0 + offset + NOISE * standard_normal(&mut rng);
        let mut seen = seen_at(2.0 * k as f64, raw, 0.0);
        seen.datum = Some((zero, 0.5));
        monitor.observe(seen);
        assert!(!monitor.alert, "{k}");
    }
}
