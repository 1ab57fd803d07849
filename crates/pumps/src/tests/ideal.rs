//! Forecasts of the crossing day by someone who knows what no monitor can: the yardstick of ours.

use drydown_stats::rng::{Pcg64, seeded, standard_normal, uniform};
use drydown_stats::robust;

use super::world::{
    CHAMBER_L, Fault, Passed, RATED_M3H, Simulated, VAPOUR_SD, day_between, day_zero, held_kpa,
};
use crate::PumpsConfig;
use crate::filter::{Filter, Spread};
use crate::monitor::days_of;

/// Wander of ln speed in one day, and a sound pump's usual drift (`world`).
pub(super) const DIFFUSION: f64 = 0.0015;
pub(super) const SOUND_DRIFT: f64 = 2e-4;

/// Futures drawn for one forecast.
const FUTURES: usize = 400;

/// Where a drawn future begins: ln speed over rated, its fall per day, how the base goes with it.
#[derive(Clone, Copy)]
pub(super) struct From {
    pub(super) day: f64,
    pub(super) ln_speed: f64,
    pub(super) fall: f64,
    pub(super) leak_back: f64,
    pub(super) tight_kpa: f64,
}

impl From {
    /// With the base as it truly is.
    fn truly(one: &Simulated, now: Passed, (day, ln_speed, fall): (f64, f64, f64)) -> Self {
        Self {
            day,
            ln_speed,
            fall,
            leak_back: one.leak_back,
            tight_kpa: now.tight_kpa * (one.leak_back * (now.ln_speed - ln_speed)).exp(),
        }
    }
}

/// Days to the limit by someone who sees the pump's true speed, base and drift: only its wander and
/// its coming loads are unknown.
pub(super) fn knowing_state<const N: usize>(
    one: &Simulated,
    day: f64,
    quantiles: [f64; N],
    config: &PumpsConfig,
) -> [f64; N] {
    let passed = one.passed(day);
    let now = passed[passed.len() - 1];
    let path = |_: &mut Pcg64| From::truly(one, now, (now.day, now.ln_speed, drift_of(one.fault)));
    quantiles_of(one, day, path, quantiles, config)
}

/// Days to the limit by someone who knows the laws: onset, spreads, the law of drifts, how base and
/// load go with speed; and reads speed and drift from the same starts that we read.
pub(super) fn knowing_laws<const N: usize>(
    one: &Simulated,
    day: f64,
    quantiles: [f64; N],
    config: &PumpsConfig,
) -> [f64; N] {
    let onset = one.fault.onset().unwrap_or(0.0);
    let spread = Spread {
        noise_sd: 0.02,
        shared_sd: 0.015,
        phi_per_day: 0.4,
        diffusion_sd: DIFFUSION,
        drift_mean: -0.008 - SOUND_DRIFT,
        // Uniform from 0.004 to 0.012.
        drift_sd: 0.008 / 12f64.sqrt(),
    };
    let before = one.passed(onset);
    let sound = before[before.len() - 1].ln_speed;
    let zero = days_of(day_zero());
    let mut filter = Filter::new(spread, zero + onset, sound, 0.01);
    for start in &one.starts {
        let at = days_of(start.started_at);
        let seen = start.relative_speed_per_s.zip(start.ln_speed_se);
        if !start.accepted || at < zero + onset || at > zero + day {
            continue;
        }
        if let Some((per_s, se)) = seen {
            let rated = (RATED_M3H / 3.6 / CHAMBER_L).ln();
            let air = start.ambient_degc.unwrap_or(15.0);
            filter.advance(at);
            filter.learn(per_s.ln() - rated + 0.001 * (air - 15.0), se);
        }
    }
    filter.advance(zero + day);
    let (level, level_sd) = filter.level();
    let (drift, drift_sd) = filter.drift();
    let slope = filter.level_drift_covariance() / (level_sd * level_sd);
    let left_sd = (drift_sd * drift_sd - slope * slope * level_sd * level_sd)
        .max(0.0)
        .sqrt();
    let passed = one.passed(day);
    let now = passed[passed.len() - 1];
    let path = |rng: &mut Pcg64| {
        let away = level_sd * standard_normal(rng);
        let drift = drift + slope * away + left_sd * standard_normal(rng);
        From::truly(one, now, (day, level + away, -drift))
    };
    quantiles_of(one, day, path, quantiles, config)
}

fn drift_of(fault: Fault) -> f64 {
    match fault {
        Fault::Wear(_, per_day) => per_day + SOUND_DRIFT,
        _ => SOUND_DRIFT,
    }
}

/// Quantiles of the days to the limit over futures as the world would play them, each from where a
/// draw begins.
pub(super) fn quantiles_of<const N: usize>(
    one: &Simulated,
    day: f64,
    path: impl Fn(&mut Pcg64) -> From,
    quantiles: [f64; N],
    config: &PumpsConfig,
) -> [f64; N] {
    let mut rng = seeded(1, &format!("futures {} {day}", one.unit.unit_id));
    let passed = one.passed(day);
    let recent = &passed[passed.len().saturating_sub(5)..];
    let days: Vec<f64> = (0..FUTURES)
        .map(|_| {
            let from = path(&mut rng);
            (future(recent, from, &mut rng, config) - day).clamp(0.0, config.horizon_days)
        })
        .collect();
    quantiles.map(|p| robust::quantile(&days, p).unwrap_or(f64::NAN))
}

/// Day of the crossing in one drawn future.
fn future(recent: &[Passed], from: From, rng: &mut Pcg64, config: &PumpsConfig) -> f64 {
    let (mut day, mut ln_speed) = (from.day, from.ln_speed);
    let mut runs = recent.to_vec();
    if let Some(last) = runs.last_mut() {
        (last.ln_speed, last.tight_kpa) = (ln_speed, from.tight_kpa);
    }
    let end = day + config.horizon_days;
    let mut before = (day, held_kpa(&runs, 0.0));
    while day < end {
        // A run's length and the wait after it (`world`).
        let step = (20.0 + 60.0 * uniform(rng)) / 24.0 + 0.5 + 4.0 * uniform(rng);
        day += step;
        ln_speed += DIFFUSION * step.sqrt() * standard_normal(rng) - from.fall * step;
        runs.push(Passed {
            day,
            ln_speed,
            tight_kpa: from.tight_kpa * (from.leak_back * (from.ln_speed - ln_speed)).exp(),
            vapour: (VAPOUR_SD * standard_normal(rng)).exp(),
        });
        let after = (day, held_kpa(&runs, 0.0));
        if after.1 > config.limit_kpa {
            return day_between(before, after, config.limit_kpa);
        }
        before = after;
    }
    end
}
