//! Single starts: what counts, what is refused and why.

use drydown_quantity::Stamp;
use drydown_runs::StartCurve;
use drydown_runs::history::{BarometerBasis, PumpKind};

use super::world::{CHAMBER_L, unit};
use crate::{PumpStart, PumpsConfig, fit_start};

const PER_S: f64 = 30.0 / 3600.0 / 0.150;

/// 30 m³/h on 150 L from sea level to a base of 2 kPa.
fn curve(step_s: f64, base: f64) -> StartCurve {
    let n = (600.0 / step_s) as usize;
    let seconds: Vec<f64> = (0..n).map(|k| k as f64 * step_s).collect();
    let chamber_kpa = seconds
        .iter()
        .map(|t| base + (101.325 - base) * (-PER_S * (t - 2.0).max(0.0)).exp())
        .collect();
    StartCurve {
        unit_id: "U-1".into(),
        run_id: "U-1@20260101T000000Z".into(),
        started_at: Stamp::from_seconds(1_767_225_600),
        seconds,
        chamber_kpa,
        ambient_kpa: Some(101.325),
        barometer_basis: Some(BarometerBasis::Measured),
        oil_flow_from_s: Some(600.0),
        vent_open_from_s: None,
        vent_logged: true,
        oil_degc: Some(20.0),
        vacuum_pump_degc: Some(20.0),
        ambient_degc: Some(15.0),
        step_s,
        idle_h: Some(12.0),
    }
}

fn fit(curve: &StartCurve) -> PumpStart {
    fit_start(
        curve,
        Some(&unit("U-1", PumpKind::RotaryVane)),
        &PumpsConfig::documented(),
    )
}

fn reason(curve: &StartCurve) -> Option<String> {
    fit(curve).reason
}

#[test]
fn a_plain_start_gives_speed_base_and_the_ratio_time() {
    let start = fit(&curve(5.0, 2.0));
    assert!(start.accepted, "{start:?}");
    assert_eq!(CHAMBER_L.round() as i64, 150);
    assert!((start.speed_m3h.unwrap() - 30.0).abs() < 0.01, "{start:?}");
    assert!((start.base_kpa.unwrap() - 2.0).abs() < 0.01);
    // Closed form, base 2 kPa, sea level: 12.94 s.
    assert!(
        (start.seconds_08_to_04.unwrap() - 12.94).abs() < 0.15,
        "{start:?}"
    );
}

#[test]
fn altitude_changes_neither_speed_nor_ratio_time() {
    // ISO 2533 at 1500 m: 84.556 kPa.
    let mut high = curve(5.0, 2.0);
    high.chamber_kpa = high
        .seconds
        .iter()
        .map(|t| 2.0 + 82.556 * (-PER_S * (t - 2.0).max(0.0)).exp())
        .collect();
    high.ambient_kpa = Some(84.556);
    let (low, high) = (fit(&curve(5.0, 2.0)), fit(&high));
    assert!((low.speed_m3h.unwrap() - high.speed_m3h.unwrap()).abs() < 0.01);
    assert!(
        (high.seconds_08_to_04.unwrap() - 13.03).abs() < 0.15,
        "{high:?}"
    );
}

#[test]
fn refusals_are_one_word_each() {
    let good = curve(5.0, 2.0);
    let with = |change: fn(&mut StartCurve)| {
        let mut curve = good.clone();
        change(&mut curve);
        reason(&curve)
    };
    assert_eq!(
        with(|c| c.vent_open_from_s = Some(0.0)).as_deref(),
        Some("vent_open")
    );
    assert_eq!(
        with(|c| c.oil_flow_from_s = Some(0.0)).as_deref(),
        Some("oil_flowing")
    );
    assert_eq!(
        with(|c| c.idle_h = Some(0.05)).as_deref(),
        Some("short_rest")
    );
    let warm = |c: &mut StartCurve| (c.oil_degc, c.idle_h) = (Some(60.0), Some(0.5));
    assert_eq!(with(warm).as_deref(), Some("warm_oil"));
    assert_eq!(
        with(|c| c.ambient_kpa = Some(92.0)).as_deref(),
        Some("not_from_ambient")
    );
    assert_eq!(
        with(|c| c.chamber_kpa.iter_mut().for_each(|p| *p = 101.0)).as_deref(),
        Some("no_fall")
    );
    let short = |c: &mut StartCurve| {
        c.seconds.truncate(3);
        c.chamber_kpa.truncate(3);
    };
    assert_eq!(with(short).as_deref(), Some("too_few_points"));
    // Warm oil after a night's rest is no reason.
    assert_eq!(with(|c| c.oil_degc = Some(60.0)), None);
}

#[test]
fn a_log_that_begins_on_the_fall_tells_speed_and_base_and_nothing_of_the_rest() {
    let late = |first: usize| {
        let mut curve = curve(5.0, 2.0);
        curve.chamber_kpa.drain(..first);
        curve.seconds.truncate(curve.chamber_kpa.len());
        fit(&curve)
    };
    // 15 and 20 s after the pump, at 49 and 38 kPa.
    for first in [3, 4] {
        let start = late(first);
        assert!(start.accepted && start.reason.is_none(), "{start:?}");
        assert!((start.speed_m3h.unwrap() - 30.0).abs() < 0.1, "{start:?}");
        assert!((start.base_kpa.unwrap() - 2.0).abs() < 0.05);
        assert_eq!(start.rest_kpa, None);
    }
    // The end of a fall is no test.
    assert_eq!(late(6).reason.as_deref(), Some("not_from_ambient"));
}

#[test]
fn the_base_of_a_short_rest_does_not_count_and_its_speed_does() {
    let config = PumpsConfig::documented();
    let rested = |idle_h: Option<f64>| {
        let mut curve = curve(5.0, 2.0);
        // No oil temperature is logged: the rest alone tells.
        (curve.oil_degc, curve.idle_h) = (None, idle_h);
        let start = fit(&curve);
        assert!(start.accepted && start.relative_speed_per_s.is_some());
        crate::start::base_counts(&start, &config)
    };
    assert!(!rested(Some(0.5)));
    assert!(rested(Some(2.0)) && rested(None));
}

#[test]
fn a_vent_left_open_is_no_worn_pump() {
    // The vent is not logged: its plateau gives it away.
    let mut open = curve(5.0, 45.0);
    open.vent_logged = false;
    assert_eq!(reason(&open).as_deref(), Some("plateau"));
    // Logged shut, the same plateau is a leak, and counts.
    assert_eq!(reason(&curve(5.0, 45.0)), None);
}

#[test]
fn a_slow_log_counts_with_a_wider_error() {
    let (slow, fast) = (fit(&curve(30.0, 2.0)), fit(&curve(5.0, 2.0)));
    assert!(slow.accepted, "{slow:?}");
    assert!(slow.ln_speed_se > fast.ln_speed_se);
    // At five minutes the fall lies between two readings: the base counts, the speed is unknown.
    let mut coarse = curve(300.0, 2.0);
    coarse.seconds.push(600.0);
    coarse.chamber_kpa.push(2.0);
    let start = fit(&coarse);
    assert!(start.accepted && start.relative_speed_per_s.is_none());
    assert_eq!(start.reason.as_deref(), Some("between_readings"));
    assert!((start.base_kpa.unwrap() - 2.0).abs() < 0.1, "{start:?}");
    // A curve that ends with the first reading after the start tells nothing.
    assert_eq!(
        reason(&curve(300.0, 2.0)).as_deref(),
        Some("too_few_points")
    );
}

#[test]
fn the_base_is_no_better_than_the_barometer() {
    let se = |basis: Option<BarometerBasis>| {
        let mut curve = curve(5.0, 2.0);
        curve.barometer_basis = basis;
        fit(&curve).base_kpa_se
    };
    assert!(se(Some(BarometerBasis::Measured)).unwrap() < 0.15);
    assert!(se(Some(BarometerBasis::Altitude)).unwrap() >= 1.0);
    assert_eq!(se(Some(BarometerBasis::Default)), None);
    assert!(se(None).unwrap() < 0.15);
}

#[test]
fn a_base_below_zero_is_left_out_and_the_speed_counts() {
    let start = fit(&curve(2.0, -14.0));
    assert!(start.accepted && start.speed_m3h.is_some(), "{start:?}");
    assert_eq!(start.base_kpa, None);
    assert_eq!(start.reason.as_deref(), Some("negative_base"));
    // A gauge that is a little off is no reason.
    let start = fit(&curve(2.0, -0.4));
    assert!(start.base_kpa.is_some() && start.reason.is_none());
}
