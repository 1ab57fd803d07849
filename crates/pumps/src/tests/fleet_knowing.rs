//! Forecasts of the crossing day by someone who knows the fleet and not the unit: every law of the
//! world with its spread, and of this pump what its starts tell. No causal estimator does better on
//! average; it is the yardstick of what the data allow.

use drydown_physics::saturation;
use drydown_runs::history::{BarometerBasis, PumpKind};
use drydown_stats::rng::{Pcg64, standard_normal, uniform};

use super::ideal::{DIFFUSION, From, SOUND_DRIFT, quantiles_of};
use super::world::{CHAMBER_L, RATED_M3H, Simulated, day_zero};
use crate::filter::{Filter, Spread};
use crate::monitor::days_of;
use crate::start::base_counts;
use crate::{PumpStart, PumpsConfig};

const ONSETS: usize = 30;
const GAMMAS: usize = 13;

/// One way the pump's speed may have come: weight, day of onset, filter as of the forecast.
#[derive(Clone, Copy)]
struct Way {
    ln_weight: f64,
    onset: f64,
    filter: Filter,
}

impl Way {
    /// ln speed lost to wear by a day.
    fn worn(&self, at: f64) -> f64 {
        let fall = -self.filter.drift().0;
        fall * (at - self.onset).max(0.0) + SOUND_DRIFT * at.min(self.onset)
    }
}

/// One way its base may have come: weight, γ, ln-free base of the sound pump (mean, sd).
#[derive(Clone, Copy)]
struct BaseWay {
    ln_weight: f64,
    gamma: f64,
    base: (f64, f64),
}

/// Quantiles of the days to the limit by the laws of the fleet and the unit's starts before a day.
pub(super) fn knowing_fleet<const N: usize>(
    one: &Simulated,
    day: f64,
    quantiles: [f64; N],
    config: &PumpsConfig,
) -> [f64; N] {
    let starts: Vec<&PumpStart> = one
        .starts
        .iter()
        .filter(|s| s.accepted && s.started_at.days_after(day_zero()) <= day)
        .collect();
    // The base tells of the onset and the fall as well: every way of the two together.
    let mut ways: Vec<(Way, BaseWay)> = Vec::new();
    for way in speed_ways(&starts, day) {
        for base in base_ways(one, &starts, |at| way.worn(at), config) {
            ways.push((way, base));
        }
    }
    let top = ways
        .iter()
        .map(|(way, base)| way.ln_weight + base.ln_weight);
    let top = top.fold(f64::MIN, f64::max);
    let weight = |(way, base): &(Way, BaseWay)| (way.ln_weight + base.ln_weight - top).exp();
    let path = |rng: &mut Pcg64| {
        let (way, base) = chosen(&ways, weight, rng);
        let (level, level_sd) = way.filter.level();
        let (drift, drift_sd) = way.filter.drift();
        let slope = way.filter.level_drift_covariance() / (level_sd * level_sd);
        let left = (drift_sd * drift_sd - slope * slope * level_sd * level_sd).max(0.0);
        let away = level_sd * standard_normal(rng);
        let fall = -(drift + slope * away + left.sqrt() * standard_normal(rng));
        let sound = (base.base.0 + base.base.1 * standard_normal(rng)).max(0.3);
        From {
            day,
            ln_speed: level + away,
            fall,
            leak_back: base.gamma,
            tight_kpa: sound * (base.gamma * way.worn(day)).exp(),
        }
    };
    quantiles_of(one, day, path, quantiles, config)
}

fn chosen<'a, T>(ways: &'a [T], weight: impl Fn(&T) -> f64, rng: &mut Pcg64) -> &'a T {
    let total: f64 = ways.iter().map(&weight).sum();
    let mut left = total * uniform(rng);
    ways.iter()
        .find(|way| {
            left -= weight(way);
            left <= 0.0
        })
        .unwrap_or(&ways[0])
}

fn speed_ways(starts: &[&PumpStart], day: f64) -> Vec<Way> {
    let zero = days_of(day_zero());
    let rated = (RATED_M3H / 3.6 / CHAMBER_L).ln();
    let spread = Spread {
        noise_sd: 0.02,
        shared_sd: 0.015,
        phi_per_day: 0.4,
        diffusion_sd: DIFFUSION,
        drift_mean: -SOUND_DRIFT,
        drift_sd: 0.4 * SOUND_DRIFT,
    };
    let seen: Vec<(f64, f64, f64)> = starts
        .iter()
        .filter_map(|start| {
            let (per_s, se) = start.relative_speed_per_s.zip(start.ln_speed_se)?;
            let air = start.ambient_degc.unwrap_or(15.0);
            let y = per_s.ln() - rated + 0.001 * (air - 15.0);
            Some((days_of(start.started_at) - zero, y, se))
        })
        .collect();
    let ways: Vec<Way> = (0..ONSETS)
        .map(|k| {
            // Uniform from day 60 to day 210, and before the day of the forecast.
            let onset = 60.0 + (day.min(210.0) - 60.0) * (k as f64 + 0.5) / ONSETS as f64;
            let mut filter = Filter::new(spread, zero, -0.05, 0.08);
            let (mut begun, mut weight) = (false, 0.0);
            for (at, y, se) in &seen {
                if !begun && *at >= onset {
                    begun = true;
                    filter.advance(zero + onset);
                    filter.redrift((-0.008 - SOUND_DRIFT, 0.008 / 12f64.sqrt()));
                }
                filter.advance(zero + at);
                let expected = filter.expect(*se);
                weight -= 0.5 * ((y - expected.mean) / expected.sd).powi(2) + expected.sd.ln();
                filter.learn(*y, *se);
            }
            filter.advance(zero + day);
            Way {
                ln_weight: weight,
                onset,
                filter,
            }
        })
        .collect();
    ways
}

fn base_ways(
    one: &Simulated,
    starts: &[&PumpStart],
    worn: impl Fn(f64) -> f64,
    config: &PumpsConfig,
) -> Vec<BaseWay> {
    let kind = one.unit.vacuum_pump_kind;
    let prior = match kind {
        Some(PumpKind::LiquidRing) => (5.5, 0.4),
        Some(PumpKind::Dry) => (3.5, 0.4),
        _ => (3.0, 0.4f64.hypot(2.0 / 12f64.sqrt())),
    };
    let ways: Vec<BaseWay> = (0..GAMMAS)
        .map(|k| {
            let gamma = 1.0 + 0.6 * (k as f64 + 0.5) / GAMMAS as f64;
            // State: sound base, and weather where the barometer is assumed.
            let (mut x, mut p) = ([prior.0, 0.0], [[prior.1 * prior.1, 0.0], [0.0, 0.0]]);
            let (mut last, mut weight) = (0.0, 0.0);
            for start in starts.iter().filter(|start| base_counts(start, config)) {
                let Some((kpa, se)) = start.base_kpa.zip(start.base_kpa_se) else {
                    continue;
                };
                let at = start.started_at.days_after(day_zero());
                let assumed = start.barometer_basis == Some(BarometerBasis::Altitude);
                let (weather_sd, barometer_sd) = if assumed {
                    (1.0, config.weather_sd_kpa)
                } else {
                    (0.0, config.measured_barometer_sd_kpa)
                };
                let phi = 0.75f64.powf(at - last);
                last = at;
                x[1] *= phi;
                p[0][1] *= phi;
                p[1][0] *= phi;
                p[1][1] = phi * phi * p[1][1] + weather_sd * weather_sd * (1.0 - phi * phi);
                let warm = (-start.idle_h.unwrap_or(24.0) / 1.5).exp();
                let sealed = match kind {
                    Some(PumpKind::LiquidRing) => {
                        let pump = start.vacuum_pump_degc.unwrap_or(20.0);
                        0.3 * (saturation::pressure_kpa(pump) - 2.3)
                    }
                    _ => 0.0,
                };
                let y = kpa - 1.2 * 1.02 * warm - sealed;
                let noise = 0.12f64.powi(2)
                    + (0.25 * warm).powi(2)
                    + (se * se - barometer_sd * barometer_sd).max(1e-4);
                let h = (gamma * worn(at)).exp();
                let with_y = [p[0][0] * h + p[0][1], p[1][0] * h + p[1][1]];
                let variance = h * with_y[0] + with_y[1] + noise;
                let surprise = y - h * x[0] - x[1];
                weight -= 0.5 * surprise * surprise / variance + 0.5 * variance.ln();
                for i in 0..2 {
                    x[i] += with_y[i] / variance * surprise;
                    for j in 0..2 {
                        p[i][j] -= with_y[i] * with_y[j] / variance;
                    }
                }
            }
            BaseWay {
                ln_weight: weight,
                gamma,
                base: (x[0], p[0][0].max(0.0).sqrt()),
            }
        })
        .collect();
    ways
}
