//! What one start tells at every step of the log: bias and coverage against known truth.

use drydown_runs::StartCurve;
use drydown_runs::history::{BarometerBasis, PumpKind};
use drydown_runs::pump_down::pressure_kpa;
use drydown_stats::rng::{Pcg64, seeded, standard_normal, uniform};

use super::world::{CHAMBER_L, day_zero, unit};
use crate::{PumpStart, PumpsConfig, fit_start};

const BASE_KPA: f64 = 2.0;
const AIR_KPA: f64 = 101.325;
const NOISE_KPA: f64 = 0.15;
const N: usize = 800;

/// One start of a pump with a time constant, logged every `step_s` on a clock that knows nothing of
/// it, until oil flows ten minutes later. The barometer is wrong by its standard error.
fn start(step_s: f64, tau_s: f64, rng: &mut Pcg64) -> PumpStart {
    let before_s = step_s * uniform(rng);
    let n = ((600.0 - before_s) / step_s) as usize + 1;
    let seconds: Vec<f64> = (0..=n).map(|k| (k as f64 - 1.0) * step_s).collect();
    let offset = 0.1 * standard_normal(rng);
    let fall = |t: f64| pressure_kpa(AIR_KPA, BASE_KPA, 1.0 / tau_s, (t + before_s).max(0.0));
    let chamber_kpa = seconds
        .iter()
        .map(|t| fall(*t) + offset + NOISE_KPA * standard_normal(rng))
        .collect();
    let curve = StartCurve {
        unit_id: "U-1".into(),
        run_id: "U-1@20260101T000000Z".into(),
        started_at: day_zero(),
        seconds,
        chamber_kpa,
        ambient_kpa: Some(AIR_KPA),
        barometer_basis: Some(BarometerBasis::Measured),
        oil_flow_from_s: Some(600.0),
        vent_open_from_s: None,
        vent_logged: true,
        oil_degc: Some(20.0),
        vacuum_pump_degc: Some(20.0),
        ambient_degc: Some(15.0),
        step_s,
        idle_h: Some(12.0),
    };
    let config = PumpsConfig::documented();
    fit_start(&curve, Some(&unit("U-1", PumpKind::RotaryVane)), &config)
}

/// What a step of the log gives for one quantity: how often, bias, mean standard error, coverage
/// of the 90 % interval.
#[derive(Debug, Default)]
struct Account {
    n: usize,
    bias: f64,
    se: f64,
    held: f64,
}

impl Account {
    fn of(seen: &[(f64, f64)]) -> Self {
        let n = seen.len().max(1) as f64;
        let mean = |of: &dyn Fn(&(f64, f64)) -> f64| seen.iter().map(of).sum::<f64>() / n;
        Self {
            n: seen.len(),
            bias: mean(&|(error, _)| *error),
            se: mean(&|(_, se)| *se),
            held: mean(&|(error, se)| f64::from(u8::from(error.abs() < 1.645 * se))),
        }
    }
}

impl std::fmt::Display for Account {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let share = self.n as f64 / N as f64;
        if self.n == 0 {
            return write!(f, "{share:.2}");
        }
        write!(
            f,
            "{share:.2} {:+.4} {:.4} {:.3}",
            self.bias, self.se, self.held
        )
    }
}

#[test]
fn intervals_of_single_starts_hold_the_truth_at_every_step_of_the_log() {
    println!(
        "tau s, step s: share with speed, bias of ln speed, mean se, 90 % holds | base the same, kPa"
    );
    for tau_s in [18.0, 60.0] {
        for step_s in [5.0, 10.0, 30.0, 60.0, 120.0, 300.0] {
            let mut rng = seeded(11, &format!("{tau_s} {step_s}"));
            let starts: Vec<PumpStart> = (0..N).map(|_| start(step_s, tau_s, &mut rng)).collect();
            let counting = || starts.iter().filter(|start| start.accepted);
            let speed = Account::of(
                &counting()
                    .filter_map(|s| {
                        let error = s.relative_speed_per_s?.ln() + tau_s.ln();
                        Some((error, s.ln_speed_se?))
                    })
                    .collect::<Vec<_>>(),
            );
            let base = Account::of(
                &counting()
                    .filter_map(|s| Some((s.base_kpa? - BASE_KPA, s.base_kpa_se?)))
                    .collect::<Vec<_>>(),
            );
            println!("{tau_s:5.0} {step_s:5.0}: {speed} | {base}");
            // Every refusal has its word, and so has every start that gives a base alone.
            for start in &starts {
                let whole = start.accepted && start.relative_speed_per_s.is_some();
                assert!(whole == start.reason.is_none(), "{start:?}");
            }
            if speed.n >= 50 {
                assert!(speed.bias.abs() < 0.35 * speed.se, "{speed:?}");
                assert!((0.84..=0.98).contains(&speed.held), "{speed:?}");
            }
            assert!(base.n > 0 && base.bias.abs() < 0.5 * base.se, "{base:?}");
            assert!((0.84..=0.99).contains(&base.held), "{base:?}");
        }
    }
}

#[test]
fn the_volume_flow_of_a_minute_log_is_that_of_the_two_pressure_formula() {
    // ISO 21360-1 names the pump-down method; its two-pressure form with constant volume flow is
    // S = V/Δt·ln((p1 − pu)/(p2 − pu)) (textbook). 38.5396 kPa and 62.2437 kPa are the closed form of
    // 30 m³/h on 150 L with a base of 2 kPa from sea level after 18 s and 9 s.
    let per_s = ((62.2437f64 - 2.0) / (38.5396 - 2.0)).ln() / 9.0;
    let m3h = 3.6 * CHAMBER_L * per_s;
    assert!((m3h - 30.0).abs() < 0.01, "{m3h}");
    let mut rng = seeded(12, "two pressures");
    let speeds: Vec<f64> = (0..200)
        .map(|_| start(60.0, 18.0, &mut rng))
        .filter(|start| start.accepted)
        .filter_map(|start| start.speed_m3h)
        .collect();
    let mean = speeds.iter().map(|v| v.ln()).sum::<f64>() / speeds.len() as f64;
    assert!((mean.exp() / m3h - 1.0).abs() < 0.02, "{}", mean.exp());
}
