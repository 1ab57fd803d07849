//! Pumps that their runs show to be ill and their starts do not.

use drydown_runs::history::PumpKind;
use drydown_stats::rng::{seeded, standard_normal};

use super::fleets::in_alert;
use super::world::{day_zero, run, unit};
use crate::{Cause, FleetPrior, PumpHealth, PumpStart, PumpState, PumpsConfig, judge_unit};

/// One row each third day of a pump whose starts show a speed and a base that stand. A run holds so many kPa on a
/// day, removes so many kg/h, and its vent stands as given.
fn judged(
    kind: PumpKind,
    steady_kpa: impl Fn(f64) -> f64,
    kg_per_h: impl Fn(f64) -> f64,
    vent_pct: Option<f64>,
) -> Vec<PumpHealth> {
    judged_slowed(kind, |_| 0.0, steady_kpa, kg_per_h, vent_pct)
}

/// As [`judged`], with the ln speed lost on a day.
fn judged_slowed(
    kind: PumpKind,
    lost: impl Fn(f64) -> f64,
    steady_kpa: impl Fn(f64) -> f64,
    kg_per_h: impl Fn(f64) -> f64,
    vent_pct: Option<f64>,
) -> Vec<PumpHealth> {
    let config = PumpsConfig::documented();
    let unit = unit("U-1", kind);
    let mut rng = seeded(31, "at work");
    let (mut starts, mut runs) = (Vec::new(), Vec::new());
    for k in 0..60 {
        let day = 3.0 * f64::from(k);
        let at = day_zero().plus_days(day);
        let run_id: drydown_quantity::RunId = format!("U-1@{k}").as_str().into();
        let mut about = |value: f64, share: f64| value * (share * standard_normal(&mut rng)).exp();
        starts.push(PumpStart {
            unit_id: unit.unit_id.clone(),
            started_at: at,
            run_id: run_id.clone(),
            speed_m3h: None,
            relative_speed_per_s: Some(about(0.05 * (-lost(day)).exp(), 0.02)),
            ln_speed_se: Some(0.01),
            base_kpa: Some(about(0.8, 0.1)),
            base_kpa_se: Some(0.1),
            rest_kpa: None,
            seconds_08_to_04: None,
            step_s: Some(5.0),
            ambient_kpa: Some(101.3),
            barometer_basis: None,
            oil_degc: Some(20.0),
            vacuum_pump_degc: None,
            ambient_degc: Some(15.0),
            idle_h: Some(20.0),
            accepted: true,
            reason: None,
        });
        let mut run = run(&unit.unit_id, run_id, at, 12.0, about(steady_kpa(day), 0.1));
        run.water_removed_kg = Some(12.0 * kg_per_h(day));
        run.vent_open_pct = vent_pct;
        run.vacuum_pump_degc = None;
        runs.push(run);
    }
    let prior = FleetPrior::common_practice(&config);
    judge_unit(Some(&unit), &starts, &runs, &[], &prior, &config).health
}

fn risen(day: f64) -> f64 {
    if day < 100.0 { 1.5 } else { 6.5 }
}

#[test]
fn a_rise_beyond_the_load_with_the_vent_shut_is_wet_oil_where_starts_stand() {
    let rows = judged(PumpKind::RotaryVane, risen, |_| 0.05, Some(0.0));
    let last = rows.last().unwrap();
    assert!(in_alert(last), "{last:?}");
    assert_eq!(last.cause, Some(Cause::WetOil), "{last:?}");
    // What it would hold is what it holds.
    let held = last.evidence.split("would hold ").nth(1);
    let held: f64 = held.unwrap().split(' ').next().unwrap().parse().unwrap();
    assert!((5.0..8.5).contains(&held), "{}", last.evidence);
    let sound = rows.iter().take(34);
    assert!(sound.clone().all(|row| !in_alert(row)));
    // Nothing seals a dry pump, and no cause is named with certainty.
    let dry = judged(PumpKind::Dry, risen, |_| 0.05, Some(0.0));
    let last = dry.last().unwrap();
    assert!(
        in_alert(last) && last.cause != Some(Cause::WetOil),
        "{last:?}"
    );
    assert!(last.cause_probability.unwrap() < 0.75, "{last:?}");
}

#[test]
fn a_rise_that_goes_with_the_load_is_vapour() {
    // As much water as fills 5 kPa at a pump of that speed.
    let wetter = |day: f64| if day < 100.0 { 0.05 } else { 6.0 };
    let rows = judged(PumpKind::RotaryVane, risen, wetter, Some(0.0));
    assert!(rows.iter().all(|row| !in_alert(row)));
    let named = rows.iter().filter(|row| row.cause == Some(Cause::Vapour));
    assert!(named.count() > 3);
}

#[test]
fn a_vent_that_nobody_logged_may_explain_what_vapour_cannot() {
    let rows = judged(PumpKind::RotaryVane, risen, |_| 0.05, None);
    assert!(rows.iter().all(|row| !in_alert(row)));
    let last = rows.last().unwrap();
    assert_eq!(last.cause, Some(Cause::Vent), "{last:?}");
}

#[test]
fn a_vent_open_by_habit_is_no_limit_passed_where_starts_tell_the_pump() {
    let lost = |day: f64| ((day - 100.0) / 60.0).max(0.0);
    let held = |day: f64| 15.0 * lost(day).exp();
    let judged = |vent| judged_slowed(PumpKind::RotaryVane, lost, held, |_| 0.5, Some(vent));
    let open = judged(40.0);
    let last = open.last().unwrap();
    assert!(held(177.0) > 45.0);
    assert_eq!(last.state, PumpState::Alert, "{last:?}");
    assert!(last.days_to_limit_p10.unwrap() > 30.0, "{last:?}");
    let told = "kPa, the vent open as usual; with the vent shut it would hold";
    assert!(last.evidence.contains(told), "{}", last.evidence);
    // With the vent shut that pressure is the pump's own, and past the limit.
    let shut = judged(0.0);
    let last = shut.last().unwrap();
    assert_eq!(last.state, PumpState::Alarm, "{last:?}");
    assert_eq!(last.days_to_limit_p10, Some(0.0), "{last:?}");
}
