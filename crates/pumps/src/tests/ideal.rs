//! Forecasts of the crossing day by someone who knows what no monitor can: the yardstick of ours.

use drydown_stats::passage::FirstPassage;

use super::world::{CHAMBER_L, Fault, RATED_M3H, Simulated, day_zero, usual_load};
use crate::PumpsConfig;
use crate::filter::{Filter, Spread};
use crate::limit::Motion;
use crate::monitor::days_of;

/// Wander of ln speed in one day, and a sound pump's usual drift (`world`).
const DIFFUSION: f64 = 0.0015;
const SOUND_DRIFT: f64 = 2e-4;

/// Days to the limit by someone who sees the pump's true speed, base and drift: only its wander is
/// unknown.
pub(super) fn knowing_state<const N: usize>(
    one: &Simulated,
    day: f64,
    quantiles: [f64; N],
    config: &PumpsConfig,
) -> [f64; N] {
    let (at, ln_speed, tight) = one.state_before(day);
    let drift = drift_of(one.fault);
    let path = FirstPassage {
        distance: distance(ln_speed, tight, config) - drift * (day - at),
        distance_sd: 0.0,
        drift_mean: drift,
        drift_sd: 0.0,
        diffusion_sd: DIFFUSION,
    };
    quantiles.map(|p| days(&path, p, config))
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
    let (_, sound, tight_at_onset) = one.state_before(onset);
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
    let tight = tight_at_onset * (sound - level).exp();
    let distance = distance(level, tight, config);
    let motion = Motion {
        drift: (-drift, drift_sd),
        level_drift: filter.level_drift_covariance(),
        diffusion_sd: DIFFUSION,
    };
    let path = FirstPassage {
        distance,
        distance_sd: level_sd,
        drift_mean: -drift,
        drift_sd: motion.drift_sd_over(distance),
        diffusion_sd: DIFFUSION,
    };
    quantiles.map(|p| days(&path, p, config))
}

fn drift_of(fault: Fault) -> f64 {
    match fault {
        Fault::Wear(_, per_day) => per_day + SOUND_DRIFT,
        _ => SOUND_DRIFT,
    }
}

/// Loss of ln speed to the limit: base and gas both go as the inverse of speed.
fn distance(ln_speed: f64, tight: f64, config: &PumpsConfig) -> f64 {
    (config.limit_kpa / (tight + usual_load() / (RATED_M3H * ln_speed.exp()))).ln()
}

fn days(path: &FirstPassage, p: f64, config: &PumpsConfig) -> f64 {
    if path.cdf(0.0) >= p {
        return 0.0;
    }
    path.quantile(p, config.horizon_days)
        .unwrap_or(config.horizon_days)
}
