//! Onsets of steps and ramps on series that another library is shown as well.
//!
//! `tests/reference/data/change_points.csv` holds the series and our onsets; the script
//! `tests/reference/change_points.py` finds the change points with `ruptures` and compares.

use std::fmt::Write;

use drydown_quantity::Stamp;
use drydown_stats::rng::{seeded, standard_normal};

use super::world::day_zero;
use crate::Slopes;
use crate::filter::Spread;
use crate::monitor::{Monitor, Observation, Rule, Setting};

const COMMITTED: &str = include_str!("../../../../tests/reference/data/change_points.csv");
const NOISE: f64 = 0.025;
const OBSERVATIONS: usize = 120;

#[derive(Clone, Copy)]
enum Shape {
    Flat,
    /// Fall in standard deviations of the noise, from an observation on.
    Step(usize, f64),
    /// Fall in standard deviations per observation, after an observation.
    Ramp(usize, f64),
}

const SERIES: [(&str, Shape); 10] = [
    ("flat_a", Shape::Flat),
    ("flat_b", Shape::Flat),
    ("step_a", Shape::Step(50, 2.0)),
    ("step_b", Shape::Step(80, 2.0)),
    ("step_c", Shape::Step(60, 3.0)),
    ("step_d", Shape::Step(95, 3.0)),
    ("step_e", Shape::Step(40, 6.0)),
    ("ramp_a", Shape::Ramp(60, 0.2)),
    ("ramp_b", Shape::Ramp(80, 0.4)),
    ("ramp_c", Shape::Ramp(50, 0.3)),
];

/// Values to six digits: what the file holds is what the monitor sees.
fn values(name: &str, shape: Shape) -> Vec<f64> {
    let mut rng = seeded(7, name);
    (0..OBSERVATIONS)
        .map(|k| {
            let fall = match shape {
                Shape::Flat => 0.0,
                Shape::Step(from, size) => size * f64::from(u8::from(k >= from)),
                Shape::Ramp(from, slope) => slope * k.saturating_sub(from) as f64,
            };
            let value = -2.9 + NOISE * (standard_normal(&mut rng) - fall);
            (1e6 * value).round() / 1e6
        })
        .collect()
}

/// Number of the observation at which our onset lies; None where nothing alerts.
fn onset(values: &[f64]) -> Option<usize> {
    let setting = Setting {
        spread: Spread {
            noise_sd: NOISE,
            shared_sd: 1e-3,
            phi_per_day: 0.5,
            diffusion_sd: 1e-4,
            drift_mean: 0.0,
            drift_sd: 1e-5,
        },
        slopes: Slopes::default(),
        rule: Rule {
            worse: -1.0,
            allowance: 0.25,
            limit: 8.0,
            least_shift: 0.02,
            least: 4,
            least_before: 0,
        },
        level: (-2.9, 0.1),
    };
    let at = |k: usize| -> Stamp { day_zero().plus_days(k as f64) };
    let mut monitor = Monitor::new(setting, day_zero());
    for (k, raw) in values.iter().enumerate() {
        monitor.observe(Observation {
            at: at(k),
            raw: *raw,
            x: [0.0; 5],
            se: 0.0,
            shared_sd: 0.0,
            datum: None,
        });
    }
    let onset = monitor.onset.filter(|_| monitor.alert)?;
    Some(onset.days_after(day_zero()).round() as usize)
}

#[test]
fn onsets_are_those_that_the_other_library_was_shown() {
    let mut text = String::from("series,kind,observation,ln_speed,our_onset\n");
    for (name, shape) in SERIES {
        let values = values(name, shape);
        let onset = onset(&values);
        let (kind, truth) = match shape {
            Shape::Flat => ("flat", None),
            Shape::Step(from, _) => ("step", Some(from)),
            Shape::Ramp(from, _) => ("ramp", Some(from)),
        };
        println!("{name}: true {truth:?}, ours {onset:?}");
        assert_eq!(onset.is_some(), truth.is_some(), "{name}");
        let shown = onset.map_or_else(String::new, |k| k.to_string());
        for (k, value) in values.iter().enumerate() {
            writeln!(text, "{name},{kind},{k},{value:.6},{shown}").unwrap();
        }
    }
    if text != COMMITTED {
        let fresh = std::env::temp_dir().join("change_points.csv");
        std::fs::write(&fresh, &text).unwrap();
        panic!(
            "series or onsets moved: compare {} with the committed file",
            fresh.display()
        );
    }
}
