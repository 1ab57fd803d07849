//! Which samples become pairs, and what they must not accuse.

use super::*;
use crate::samples_for_tests::{bin, check_sensor, oil, run, sample, unit};
use drydown_quantity::Stamp;
use drydown_runs::history::Censor;

/// One run of twelve hours on one of two reservoirs every ten days, dried from 200 ppm at `rate` by a sensor that reads
/// `offset_ppm` too high; and a sample of each, made by `draw` from the run and the truth at an hour of it.
fn fleet(
    rate: f64,
    offset_ppm: f64,
    reservoirs: &[&str],
    draw: impl Fn(&Run, &dyn Fn(f64) -> f64) -> Sample,
) -> SensorCheck {
    let truth = |hour: f64| 200.0 * (-rate * hour.clamp(0.0, 12.0)).exp();
    let mut register = oil();
    register.oil_type = "mineral".into();
    let (mut runs, mut series, mut samples) = (Vec::new(), Vec::new(), Vec::new());
    for (idx, day) in (0..8).map(|idx| (idx, 10.0 * idx as f64)) {
        let mut one = run(12.0);
        one.run_id = format!("U-1@{idx}").as_str().into();
        one.reservoir_id = Some(reservoirs[idx % reservoirs.len()].into());
        (one.started_at, one.ended_at) =
            (one.started_at.plus_days(day), one.ended_at.plus_days(day));
        for tenth in 0..71 {
            let hour = 0.2 + f64::from(tenth) / 6.0;
            let mut point = bin(24.0 * day + hour, truth(hour) + offset_ppm, Censor::Exact);
            point.run_id = one.run_id.clone();
            series.push(point);
        }
        let mut drawn = draw(&one, &truth);
        drawn.sample_id = format!("S{idx}");
        drawn.reservoir_id = one.reservoir_id.clone();
        samples.push(drawn);
        runs.push(one);
    }
    check_sensor(&unit(), &runs, &series, &samples, &[register])
}

const TWO: &[&str] = &["R-1", "R-2"];

/// A sample that states `hour` after the run's start and holds what the tank held at `of_hour`.
fn stated(run: &Run, truth: &dyn Fn(f64) -> f64, hour: f64, of_hour: f64) -> Sample {
    let mut drawn = sample(0.0, truth(of_hour), Censor::Exact);
    drawn.taken_at = Some(run.started_at.plus_hours(hour));
    drawn
}

#[test]
fn a_sample_drawn_before_a_fast_run_and_dated_into_it_accuses_nobody() {
    let fast = fleet(0.5, 0.0, TWO, |run, truth| stated(run, truth, 0.8, 0.0));
    assert_eq!((fast.n_pairs, fast.state.as_str()), (0, "too_few_pairs"));
    let slow = fleet(0.04, 0.0, TWO, |run, truth| stated(run, truth, 0.8, 0.0));
    assert_eq!(
        (slow.n_pairs, slow.state.as_str()),
        (8, "agrees"),
        "{slow:?}"
    );
}

#[test]
fn a_sample_after_the_end_is_held_against_the_last_values() {
    let after = |offset_ppm| {
        fleet(0.25, offset_ppm, TWO, |run, truth| {
            stated(run, truth, 13.5, 12.0)
        })
    };
    let high = after(25.0);
    assert_eq!((high.n_pairs, high.state.as_str()), (8, "offset"));
    assert!((high.offset.unwrap() - 25.0).abs() < 3.0, "{high:?}");
    let good = after(0.0);
    assert_eq!(
        (good.n_pairs, good.state.as_str()),
        (8, "agrees"),
        "{good:?}"
    );
}

#[test]
fn one_tank_alone_accuses_no_sensor() {
    let one = fleet(0.25, 25.0, &["R-1"], |run, truth| {
        stated(run, truth, 13.5, 12.0)
    });
    assert_eq!((one.n_pairs, one.state.as_str()), (8, "too_few_pairs"));
    // The offset is shown all the same: a wrong solubility of that oil would look alike.
    assert!((one.offset.unwrap() - 25.0).abs() < 3.0, "{one:?}");
}

/// Midnight `days` after the day of a stamp.
fn midnight(at: Stamp, days: f64) -> Stamp {
    at.day().start().plus_days(days)
}

#[test]
fn a_day_is_enough_where_the_tank_stood_still_that_day() {
    // The runs start at 20:35 and end at 08:35 the next day, when the tank is still for the whole of the day after.
    let by_day = |rate, days, of_hour| {
        fleet(rate, 25.0, TWO, move |run, truth| {
            let mut drawn = stated(run, truth, 0.0, of_hour);
            drawn.taken_at = Some(midnight(run.started_at, days));
            drawn
        })
    };
    let still = by_day(0.25, 2.0, 12.0);
    assert_eq!(
        (still.n_pairs, still.state.as_str()),
        (8, "offset"),
        "{still:?}"
    );
    assert!((still.offset.unwrap() - 25.0).abs() < 3.0, "{still:?}");
    // On the day itself it may have been drawn before or after most of the water left.
    assert_eq!(by_day(0.25, 1.0, 12.0).n_pairs, 0);
    // Four days later too much may have come in.
    assert_eq!(by_day(0.25, 4.0, 12.0).n_pairs, 0);
    // The interval of pairs known to the day is the wider.
    let timed = fleet(0.25, 25.0, TWO, |run, truth| stated(run, truth, 13.5, 12.0));
    let width = |row: &SensorCheck| row.upper_90.unwrap() - row.lower_90.unwrap();
    assert!(width(&still) > width(&timed), "{still:?} {timed:?}");
}

#[test]
fn a_sensor_at_its_bottom_or_near_solubility_is_only_a_bound() {
    let at_zero = fleet(0.25, -200.0 * (-3.0f64).exp() - 50.0, TWO, |run, truth| {
        stated(run, truth, 13.5, 12.0)
    });
    assert_eq!(at_zero.n_pairs, 0, "{at_zero:?}");
    // 1427 ppm at 65 °C.
    let wet = fleet(0.001, 1150.0, TWO, |run, truth| {
        stated(run, truth, 6.0, 6.0)
    });
    assert_eq!(wet.n_pairs, 0, "{wet:?}");
}
