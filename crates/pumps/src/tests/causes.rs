//! What explains a change: the probabilities of its causes.

use drydown_quantity::RunId;
use drydown_runs::Run;
use drydown_runs::history::{PumpKind, Registers, Unit};
use drydown_stats::rng::{Pcg64, seeded, standard_normal};

use super::world::{day_zero, run, unit};
use crate::cause::{Testimony, causes_of_alert};
use crate::steady_rise::Steady;
use crate::{Cause, PumpCause, PumpStart, PumpsConfig, fleet_prior, judge_unit};

fn said(testimony: &Testimony, cause: Cause) -> f64 {
    let causes = causes_of_alert(testimony);
    causes
        .iter()
        .find(|row| row.0 == cause)
        .map_or(0.0, |row| row.1)
}

fn vane(speed: [f64; 3], base: [[f64; 3]; 2], lost: f64) -> Testimony {
    Testimony {
        kind: Some(PumpKind::RotaryVane),
        speed: speed.map(Some),
        base: base.map(|row| row.map(Some)),
        lost: Some(lost),
        ..Testimony::default()
    }
}

#[test]
fn wear_and_a_filter_that_clogs_stay_near_their_priors_where_nothing_tells_them_apart() {
    let alike = vane([0.0, 60.0, 40.0], [[30.0, 28.0, 28.0]; 2], 0.8);
    let (wear, clogs) = (said(&alike, Cause::Wear), said(&alike, Cause::Restriction));
    assert!((0.6..0.85).contains(&wear), "{wear}");
    assert!((0.1..0.3).contains(&clogs), "{clogs}");
    // A base that stood is one of a restriction however slowly the speed fell.
    let stood = vane(
        [0.0, 60.0, 40.0],
        [[0.0, 0.0, 0.0], [30.0, 28.0, 28.0]],
        0.8,
    );
    assert!(said(&stood, Cause::Restriction) > 0.6);
    // The last kPa of a base of a pump that has lost most of its speed decide nothing.
    let far = vane(
        [0.0, 60.0, 60.0],
        [[0.0, 0.0, 30.0], [20.0, 20.0, 60.0]],
        1.8,
    );
    assert!(
        said(&far, Cause::WetOil) < 0.5,
        "{:?}",
        causes_of_alert(&far)
    );
}

#[test]
fn water_may_take_a_little_of_the_speed_and_no_more() {
    let base = [[-10.0, -4.0, 8.0]; 2];
    let little = vane([0.0, 20.0, 18.0], base, 0.05);
    assert!(
        said(&little, Cause::WetOil) > 0.6,
        "{:?}",
        causes_of_alert(&little)
    );
    let much = vane([0.0, 20.0, 18.0], base, 0.4);
    assert!(
        said(&much, Cause::WetOil) < 0.55,
        "{:?}",
        causes_of_alert(&much)
    );
}

#[test]
fn a_fall_no_faster_than_sound_pumps_age_is_wear() {
    let base = [[-28.7, -40.0, -40.0], [-28.3, -40.0, -40.0]];
    let aged = Testimony {
        speed_alert: true,
        ..vane([435.4, 431.8, 432.9], base, 0.13)
    };
    assert!(
        said(&aged, Cause::Wear) > 0.6,
        "{:?}",
        causes_of_alert(&aged)
    );
    // An alert of the base alone says nothing of a speed that ages.
    let leaks = Testimony {
        speed_alert: false,
        ..vane([435.4, 431.8, 432.9], [[-40.0, -28.0, -32.0]; 2], 0.0)
    };
    assert!(said(&leaks, Cause::Leak) > 0.7);
}

#[test]
fn what_the_gauge_shows_of_the_chamber_at_rest_is_no_leak() {
    let risen = |gauge_off| Testimony {
        gauge_off,
        steady: Steady {
            base_rise: Some((3.0, 0.4)),
            ..Steady::default()
        },
        ..vane([10.0, 8.0, 8.0], [[-20.0, 0.0, -2.0]; 2], 0.0)
    };
    let unknown = |off| said(&risen(off), Cause::Unknown);
    assert!(unknown(Some((2.9, 0.5))) > 0.6);
    assert!(unknown(Some((-0.1, 0.5))) < 0.08);
    assert!((0.12..0.3).contains(&unknown(None)), "{}", unknown(None));
    let causes = causes_of_alert(&risen(None));
    assert!(causes.iter().all(|row| row.0 != Cause::Gauge));
    assert!(said(&risen(None), Cause::Leak) > 0.5);
}

/// Starts and runs of a year of a unit whose speed stands, in air of the seasons.
fn year(
    unit: &Unit,
    base_kpa: impl Fn(f64, f64) -> f64,
    rng: &mut Pcg64,
) -> (Vec<PumpStart>, Vec<Run>) {
    let (mut starts, mut runs) = (Vec::new(), Vec::new());
    for k in 0..120 {
        let day = 3.0 * f64::from(k);
        let at = day_zero().plus_days(day);
        let run_id: RunId = format!("{}@{k}", unit.unit_id).as_str().into();
        let season = (std::f64::consts::TAU * (day - 100.0) / 365.0).sin();
        let air = 12.0 + 9.0 * season + 3.0 * standard_normal(rng);
        let base = base_kpa(day, air);
        starts.push(PumpStart {
            unit_id: unit.unit_id.clone(),
            started_at: at,
            run_id: run_id.clone(),
            speed_m3h: None,
            relative_speed_per_s: Some(0.05 * (0.02 * standard_normal(rng)).exp()),
            ln_speed_se: Some(0.01),
            base_kpa: Some(base + 0.15 * standard_normal(rng)),
            base_kpa_se: Some(0.1),
            rest_kpa: None,
            seconds_08_to_04: None,
            step_s: Some(5.0),
            ambient_kpa: Some(101.3),
            barometer_basis: None,
            oil_degc: Some(20.0),
            vacuum_pump_degc: None,
            ambient_degc: Some(air),
            idle_h: Some(20.0),
            accepted: true,
            reason: None,
        });
        let held = (base + 1.0) * (0.1 * standard_normal(rng)).exp();
        let mut run = run(&unit.unit_id, run_id, at, 8.0, held);
        run.vacuum_pump_degc = None;
        runs.push(run);
    }
    (starts, runs)
}

/// Mean probability of a cause over the alerts of the last 60 days of a pump whose starts show a base and a speed
/// that stands, in a fleet of eight sound ones.
fn said_of(
    kind: PumpKind,
    sound_kpa: impl Fn(f64) -> f64,
    base_kpa: impl Fn(f64, f64) -> f64,
    cause: Cause,
) -> f64 {
    let config = PumpsConfig::documented();
    let mut rng = seeded(41, "causes");
    let ill = unit("U-1", kind);
    let (mut starts, runs) = year(&ill, base_kpa, &mut rng);
    let mut units = vec![ill.clone()];
    for k in 0..8 {
        let sound = unit(&format!("S-{k}"), kind);
        starts.extend(year(&sound, |_, air| sound_kpa(air), &mut rng).0);
        units.push(sound);
    }
    let registers = Registers {
        units,
        ..Registers::default()
    };
    let until = day_zero().plus_days(360.0);
    let prior = fleet_prior(&starts, &registers, until, &config);
    starts.retain(|start| start.unit_id == ill.unit_id);
    let judged = judge_unit(Some(&ill), &starts, &runs, &[], &prior, &config);
    let from = day_zero().plus_days(300.0);
    let late = judged.health.iter().filter(|row| row.at >= from);
    let alerts: Vec<_> = late.filter(|row| row.onset_at.is_some()).collect();
    assert!(alerts.len() > 10, "{:?}", judged.health.last());
    let of_alert = |row: &&PumpCause| alerts.iter().any(|alert| alert.run_id == row.run_id);
    let named = judged.causes.iter().filter(of_alert);
    let named = named.filter(|row| row.cause == cause);
    named.map(|row| row.probability).sum::<f64>() / alerts.len() as f64
}

#[test]
fn a_base_that_goes_with_the_weather_is_warm_seal_water_and_no_leak() {
    let seal = |air: f64, warmer: f64| {
        drydown_physics::saturation::pressure_kpa(14.0 + 0.55 * air + warmer)
    };
    let warm = |day: f64| if day < 150.0 { 0.0 } else { 18.0 };
    let cold = |air: f64| seal(air, 0.0);
    let ring = PumpKind::LiquidRing;
    let of_seal = |cause| said_of(ring, cold, |day, air| seal(air, warm(day)), cause);
    let (right, wrong) = (of_seal(Cause::SealWater), of_seal(Cause::Leak));
    assert!(right > 0.6 && wrong < 0.3, "{right} {wrong}");
    // A cooler that fouls takes the base beyond what cold seal water ever holds.
    let fouls = |day: f64| (day - 100.0).max(0.0) * 50.0 / 260.0;
    let fouled = |day, air| seal(air, fouls(day));
    let fouled = said_of(ring, cold, fouled, Cause::SealWater);
    assert!(fouled > 0.6, "{fouled}");
    let leak = |day: f64| if day < 150.0 { 0.0 } else { 5.0 };
    let leaks = |day, air| cold(air) + leak(day);
    let leaks = said_of(ring, cold, leaks, Cause::Leak);
    assert!(leaks > 0.5, "{leaks}");
}

#[test]
fn a_dry_pumps_base_that_creeps_is_rather_wear_than_a_leak_and_a_step_is_none() {
    let creeps = |day: f64, _: f64| 3.0 + 3.0 * ((day - 200.0).max(0.0) / 150.0).powi(2);
    let wear = said_of(PumpKind::Dry, |_| 3.0, creeps, Cause::Wear);
    assert!(wear > 0.4, "{wear}");
    let step = |day: f64, _: f64| if day < 200.0 { 3.0 } else { 8.0 };
    let leak = said_of(PumpKind::Dry, |_| 3.0, step, Cause::Leak);
    assert!(leak > 0.75, "{leak}");
}
