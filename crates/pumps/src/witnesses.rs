//! The watch on each witness after a reset: spread and level from the fleet, limit from the budget.

use drydown_quantity::Stamp;
use drydown_runs::history::PumpKind;

use crate::PumpsConfig;
use crate::filter::Spread;
use crate::monitor::{Monitor, Rule};
use crate::prior::FleetPrior;

/// A pump made new comes back this near its first level, ln (common practice).
const RENEWED_LEVEL_SD: f64 = 0.12;
/// The watch on ln relative speed after a reset: at the pump's own first level where it was made new
/// again, else at its rating, else anywhere.
pub(crate) fn speed_monitor(
    prior: &FleetPrior,
    kind: Option<PumpKind>,
    at: Stamp,
    config: &PumpsConfig,
    ln_rated: Option<f64>,
    old_level: Option<f64>,
) -> Monitor {
    let era = prior.era_at(at);
    let witness = era.map(|era| era.kind(kind).speed);
    let spread = witness.map_or(NO_SPREAD, |w| w.spread);
    let rule = Rule {
        worse: -1.0,
        allowance: config.ramp_allowance,
        limit: era.map_or(10.0, |era| era.limits.speed),
        least: config.min_starts,
    };
    let level = match (old_level, ln_rated, witness) {
        (Some(level), _, _) => (level, RENEWED_LEVEL_SD),
        (None, Some(rated), Some(w)) => (rated + w.level_mean, w.level_sd),
        // Time constants of 5 to 100 s cover chambers and pumps of the trade.
        _ => (-3.0, 1.5),
    };
    Monitor::new(spread, rule, at, level)
}

/// The watch on base pressure after a reset.
pub(crate) fn base_monitor(
    prior: &FleetPrior,
    kind: Option<PumpKind>,
    at: Stamp,
    config: &PumpsConfig,
    old_level: Option<f64>,
) -> Monitor {
    let era = prior.era_at(at);
    let witness = era.map(|era| era.kind(kind).base);
    let spread = witness.map_or(NO_SPREAD, |w| w.spread);
    let rule = Rule {
        worse: 1.0,
        allowance: config.step_allowance,
        limit: era.map_or(6.0, |era| era.limits.base),
        least: config.min_starts,
    };
    let level = match (old_level, witness) {
        (Some(level), Some(w)) => (level, 0.5 * w.level_sd),
        (_, Some(w)) => (w.level_mean, w.level_sd),
        _ => (2.0, 2.0),
    };
    Monitor::new(spread, rule, at, level)
}

/// The watch on ln steady pressure after a reset.
pub(crate) fn steady_monitor(
    prior: &FleetPrior,
    kind: Option<PumpKind>,
    at: Stamp,
    config: &PumpsConfig,
) -> Monitor {
    let era = prior.era_at(at);
    let witness = era.map(|era| era.kind(kind).steady);
    let rule = Rule {
        worse: 1.0,
        allowance: config.ramp_allowance,
        limit: era.map_or(10.0, |era| era.limits.steady),
        least: config.min_runs,
    };
    let level = witness.map_or((3.0, 0.5), |w| (w.level_mean, w.level_sd));
    Monitor::new(witness.map_or(NO_SPREAD, |w| w.spread), rule, at, level)
}

/// Never met: a prior has at least one era. Wide, so that it would alarm nobody.
const NO_SPREAD: Spread = Spread {
    noise_sd: 0.5,
    shared_sd: 0.1,
    phi_per_day: 0.5,
    diffusion_sd: 0.01,
    drift_mean: 0.0,
    drift_sd: 1e-3,
};
