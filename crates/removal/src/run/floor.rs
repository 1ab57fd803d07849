//! The floor behind the level that a run fell to.
//!
//! The curve shows the level that removal and sources together hold: the floor, in balance with the chamber's vapour,
//! and what ingress and settled water that dissolves again add to it. The share of the sources is not in the curve. What
//! is known of the chamber's gas, and that a source only adds, tell how far below the level the floor may lie.

use drydown_stats::{normal, optimise};

use super::RunInput;
use super::fit::Fit;
use super::solubility_ppm;
use crate::config::RunFitConfig;
use drydown_physics::drying::floor_ppm;

/// The law holds the end level still; pressure and temperature move a real one (from simulated fleets).
const LAW_LOG_SD: f64 = 0.15;
/// Parts into which the share of the sources is cut.
const N_PARTS: usize = 40;
/// Largest share of the end level that sources may have.
const SOURCE_MOST: f64 = 0.97;

/// A floor with its interval.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Floor {
    /// Median.
    pub(super) ppm: f64,
    pub(super) lower_ppm: f64,
    pub(super) upper_ppm: f64,
}

/// The floor where the data tell the end level: the prior alone is no floor of this run.
pub(super) fn told_floor(
    input: &RunInput<'_>,
    fit: &Fit<'_>,
    config: &RunFitConfig,
) -> Option<Floor> {
    let sd = fit.ln_end_sd.filter(|sd| *sd <= config.floor_log_sd_max)?;
    let end_ppm = fit.model.values(&fit.theta).law.asymptote_ppm;
    (end_ppm.is_finite() && end_ppm > 0.0)
        .then(|| {
            below(
                end_ppm,
                sd.hypot(LAW_LOG_SD),
                from_gas(input, config),
                config,
            )
        })
        .flatten()
}

/// Median of the floor's logarithm by the chamber's gas alone; None where the oil's solubility is not known.
fn from_gas(input: &RunInput<'_>, config: &RunFitConfig) -> Option<f64> {
    let degc = input.run.oil_degc.unwrap_or(65.0);
    let chamber_kpa = input.run.chamber_kpa.unwrap_or(20.0);
    let floor = floor_ppm(
        solubility_ppm(input.oil, degc)?,
        degc,
        chamber_kpa,
        config.late_vapour_fraction,
    );
    (floor.is_finite() && floor > 0.0).then(|| floor.ln())
}

/// Floors under an end level: a mixture over the share of the sources, each share weighted by how well the floor that it
/// leaves agrees with the gas.
fn below(end_ppm: f64, log_sd: f64, gas_ln: Option<f64>, config: &RunFitConfig) -> Option<Floor> {
    let ln_end = end_ppm.ln();
    let agrees = |ln_floor: f64| {
        gas_ln.map_or(0.0, |gas_ln| {
            let z = (ln_floor - gas_ln) / config.late_vapour_log_sd.hypot(log_sd);
            -0.5 * z * z
        })
    };
    let spread = (1.0 - config.no_source_share) / N_PARTS as f64;
    let parts: Vec<(f64, f64)> = std::iter::once((ln_end, config.no_source_share))
        .chain((0..N_PARTS).map(|part| {
            let share = SOURCE_MOST * (part as f64 + 0.5) / N_PARTS as f64;
            (ln_end + (-share).ln_1p(), spread)
        }))
        .collect();
    let best = parts
        .iter()
        .map(|(mean, _)| agrees(*mean))
        .fold(f64::NEG_INFINITY, f64::max);
    let weights: Vec<(f64, f64)> = parts
        .into_iter()
        .map(|(mean, weight)| (mean, weight * (agrees(mean) - best).exp()))
        .collect();
    let total: f64 = weights.iter().map(|(_, weight)| weight).sum();
    let quantile = |p: f64| {
        let excess = |ln_floor: f64| {
            let mass: f64 = weights
                .iter()
                .map(|(mean, weight)| weight * normal::cdf((ln_floor - mean) / log_sd))
                .sum();
            mass / total - p
        };
        let (low, high) = (
            ln_end + (1.0 - SOURCE_MOST).ln() - 5.0 * log_sd,
            ln_end + 5.0 * log_sd,
        );
        optimise::brent_root(excess, low, high, 1e-4).map(f64::exp)
    };
    let tail = 0.5 * (1.0 - config.level);
    Some(Floor {
        ppm: quantile(0.5)?,
        lower_ppm: quantile(tail)?,
        upper_ppm: quantile(1.0 - tail)?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_level_that_the_gas_explains_is_the_floor_and_one_far_above_is_not() {
        let config = RunFitConfig::documented();
        let at = |end_ppm: f64| below(end_ppm, 0.2, Some(20_f64.ln()), &config).unwrap();
        let low = at(18.0);
        assert!((low.ppm / 18.0 - 1.0).abs() < 0.15, "{low:?}");
        let high = at(100.0);
        assert!(high.ppm < 60.0 && high.lower_ppm < 20.0, "{high:?}");
        assert!(
            high.upper_ppm < 140.0 && high.upper_ppm > high.ppm,
            "{high:?}"
        );
        // Never above what the curve itself bears.
        for end_ppm in [5.0, 20.0, 80.0, 300.0] {
            let floor = at(end_ppm);
            assert!(floor.upper_ppm <= end_ppm * (1.645 * 0.2_f64).exp() * 1.001);
            assert!(floor.lower_ppm < floor.ppm && floor.ppm < floor.upper_ppm);
        }
    }

    #[test]
    fn the_interval_holds_floors_of_the_law_that_it_assumes() {
        use drydown_stats::rng;
        let config = RunFitConfig::documented();
        let gas_ln = 15_f64.ln();
        let (mut held, mut n) = (0, 0);
        for trial in 0..2000 {
            let mut rng = rng::seeded(5, &format!("floor {trial}"));
            let ln_floor = gas_ln + config.late_vapour_log_sd * rng::standard_normal(&mut rng);
            let share = if rng::uniform(&mut rng) < config.no_source_share {
                0.0
            } else {
                SOURCE_MOST * rng::uniform(&mut rng)
            };
            // The share of the sources is one of the end level.
            let ln_end = ln_floor - (-share).ln_1p() + 0.2 * rng::standard_normal(&mut rng);
            let floor = below(ln_end.exp(), 0.2, Some(gas_ln), &config).unwrap();
            n += 1;
            held += i32::from(floor.lower_ppm.ln() <= ln_floor && ln_floor <= floor.upper_ppm.ln());
        }
        let coverage = f64::from(held) / f64::from(n);
        println!("floor under an end level: coverage {coverage:.3}");
        assert!((0.87..=0.95).contains(&coverage), "{coverage}");
    }
}
