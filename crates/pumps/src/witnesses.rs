//! What the watch on each witness starts from: spread and level from the fleet, limit from the budget.

use drydown_runs::history::PumpKind;

use crate::PumpsConfig;
use crate::covariates::Slopes;
use crate::filter::Spread;
use crate::monitor::{Rule, Setting};
use crate::prior::{Era, WitnessPrior};

/// A pump made new comes back this near its first level, ln (common practice).
const RENEWED_LEVEL_SD: f64 = 0.12;
/// New pump oil or a mended leak leaves the base this near its sound level, kPa (common practice: it
/// is the same pump; a base that comes down by more is recognised as mended, and one that goes up by
/// more tells of a fault that the work did not mend).
pub(crate) const RENEWED_BASE_SD_KPA: f64 = 0.3;

/// A pump whose exhaust was cleared comes back this near to its sound speed, in ln (common practice).
pub(crate) const RENEWED_SPEED_SD: f64 = 0.05;

/// The watch on ln relative speed after a reset: at the pump's own first level where it was made new
/// again, else at its rating, else anywhere.
pub(crate) fn speed_setting(
    era: Option<&Era>,
    kind: Option<PumpKind>,
    config: &PumpsConfig,
    ln_rated: Option<f64>,
    old_level: Option<f64>,
) -> Setting {
    let witness = era.map(|era| era.kind(kind).speed);
    let rule = Rule {
        worse: -1.0,
        allowance: config.ramp_allowance,
        limit: era.map_or(10.0, |era| era.limits.speed),
        least_shift: config.least_speed_loss,
        least: config.min_starts,
        least_before: 0,
    };
    let level = match (old_level, ln_rated, witness) {
        (Some(level), _, _) => (level, RENEWED_LEVEL_SD),
        (None, Some(rated), Some(w)) => (rated + w.level_mean, w.level_sd),
        // Time constants of 5 to 100 s cover chambers and pumps of the trade.
        _ => (-3.0, 1.5),
    };
    setting(witness, rule, level)
}

/// The watch on base pressure after a reset.
pub(crate) fn base_setting(
    era: Option<&Era>,
    kind: Option<PumpKind>,
    config: &PumpsConfig,
) -> Setting {
    let witness = era.map(|era| era.kind(kind).base);
    let rule = Rule {
        worse: 1.0,
        allowance: config.step_allowance,
        limit: era.map_or(6.0, |era| era.limits.base),
        least_shift: config.least_base_rise_kpa,
        least: config.min_starts,
        least_before: 0,
    };
    setting(witness, rule, witness.map_or((3.0, 3.0), level_of))
}

/// Runs that tell what a unit usually holds: its prior says little, and vents have several settings
/// (common practice).
const LEAST_RUNS_BEFORE: usize = 3;

/// The watch on ln steady pressure after a reset.
pub(crate) fn steady_setting(
    era: Option<&Era>,
    kind: Option<PumpKind>,
    config: &PumpsConfig,
) -> Setting {
    let witness = era.map(|era| era.kind(kind).steady);
    let rule = Rule {
        worse: 1.0,
        allowance: config.ramp_allowance,
        limit: era.map_or(10.0, |era| era.limits.steady),
        least_shift: config.least_steady_rise,
        least: config.min_runs,
        least_before: LEAST_RUNS_BEFORE,
    };
    setting(witness, rule, witness.map_or((3.0, 0.5), level_of))
}

fn level_of(witness: WitnessPrior) -> (f64, f64) {
    (witness.level_mean, witness.level_sd)
}

fn setting(witness: Option<WitnessPrior>, rule: Rule, level: (f64, f64)) -> Setting {
    Setting {
        spread: witness.map_or(NO_SPREAD, |w| w.spread),
        slopes: witness.map_or(Slopes::default(), |w| w.slopes),
        rule,
        level,
    }
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
