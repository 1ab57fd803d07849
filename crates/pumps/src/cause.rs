//! What explains a change: the probability of each cause from all witnesses together.
//!
//! Wear lowers speed slowly and lifts the base a little; a restriction lowers speed at once and
//! leaves the base; a leak lifts the base at once and leaves the speed; water in the pump's oil
//! lifts the base towards the saturation pressure at the pump's temperature and goes away again;
//! warm seal water does the like to a liquid-ring pump. Vapour, vent, foam and gauge move the
//! steady pressure only. Sizes are common practice, no source; what is possible depends on the
//! kind of pump. Probabilities are normalised likelihoods times priors.

use drydown_runs::history::PumpKind;
use drydown_stats::normal;

use crate::Cause;
use crate::shift::Shift;

/// What the witnesses say when a change is to be explained.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Testimony {
    pub(crate) kind: Option<PumpKind>,
    pub(crate) speed: Option<Shift>,
    pub(crate) base: Option<Shift>,
    pub(crate) steady: Option<Shift>,
    /// Saturation pressure at the pump's temperature less the sound base, kPa.
    pub(crate) saturation_gap_kpa: Option<f64>,
    /// Base of the sound pump, kPa.
    pub(crate) base_kpa: Option<f64>,
    /// Log of how much better a ramp fits than a step: speed, base.
    pub(crate) speed_ramp: f64,
    pub(crate) base_ramp: f64,
    /// How often the base came down again by itself.
    pub(crate) recoveries: usize,
}

/// What a run tells of a poor steady pressure that is not the pump's doing.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Circumstance {
    /// Vent opening of the run less that of earlier runs, percent; None where not logged.
    pub(crate) vent_more_pct: Option<f64>,
    /// ln of water removed per hour over that of earlier runs; None where unknown.
    pub(crate) ln_vapour_more: Option<f64>,
    pub(crate) gauge_work: bool,
    pub(crate) alarms: i64,
}

/// Loss of ln speed of a failing pump whose speed no start shows: mean and standard deviation.
const UNSEEN_LOSS: (f64, f64) = (0.5, 0.35);

/// Probabilities of the causes of an alert, by probability.
pub(crate) fn causes_of_alert(testimony: &Testimony) -> Vec<(Cause, f64)> {
    let seen = [testimony.speed, testimony.base, testimony.steady];
    let scored = priors(testimony.kind).into_iter().map(|(cause, prior)| {
        let shapes = shapes_of(cause, testimony);
        let witnesses: f64 = seen
            .iter()
            .zip(shapes)
            .filter_map(|(shift, shape)| Some(ln_fit((*shift)?, shape)))
            .sum();
        (cause, prior.ln() + witnesses + pattern(cause, testimony))
    });
    normalised(scored.collect())
}

/// Probabilities of what explains a poor steady pressure of a sound pump.
pub(crate) fn explanations(circumstance: &Circumstance) -> Vec<(Cause, f64)> {
    let vent = match circumstance.vent_more_pct {
        Some(more) if more > 3.0 => 2.5,
        Some(_) => -2.0,
        None => 0.0,
    };
    let vapour = circumstance
        .ln_vapour_more
        .map_or(0.0, |more| more.clamp(-1.5, 1.5) * 1.5);
    let gauge = if circumstance.gauge_work { 3.0 } else { -1.0 };
    let foam = if circumstance.alarms > 2 { 1.0 } else { -1.0 };
    normalised(vec![
        (Cause::Vapour, 0.45f64.ln() + vapour),
        (Cause::Vent, 0.35f64.ln() + vent),
        (Cause::Gauge, 0.1f64.ln() + gauge),
        (Cause::Foam, 0.1f64.ln() + foam),
    ])
}

fn priors(kind: Option<PumpKind>) -> Vec<(Cause, f64)> {
    use Cause::{Leak, Restriction, SealWater, Unknown, Wear, WetOil};
    match kind {
        Some(PumpKind::RotaryVane) => {
            vec![
                (Wear, 0.35),
                (Leak, 0.25),
                (WetOil, 0.25),
                (Restriction, 0.1),
                (Unknown, 0.05),
            ]
        }
        Some(PumpKind::LiquidRing) => {
            vec![
                (Wear, 0.3),
                (Leak, 0.25),
                (SealWater, 0.3),
                (Restriction, 0.1),
                (Unknown, 0.05),
            ]
        }
        Some(PumpKind::Dry) => vec![
            (Wear, 0.4),
            (Leak, 0.35),
            (Restriction, 0.2),
            (Unknown, 0.05),
        ],
        Some(PumpKind::Other) | None => vec![
            (Wear, 0.35),
            (Leak, 0.25),
            (WetOil, 0.15),
            (SealWater, 0.1),
            (Restriction, 0.1),
            (Unknown, 0.05),
        ],
    }
}

/// Mean and standard deviation of the shift of (ln speed, base kPa, ln steady) under a cause.
fn shapes_of(cause: Cause, testimony: &Testimony) -> [(f64, f64); 3] {
    // The base of a start in wet oil is bounded by saturation at the pump's temperature then.
    let gap = testimony.saturation_gap_kpa.unwrap_or(5.0).max(0.5);
    // Speed may fall by any amount: a pump caught early has lost a tenth, one left alone most. Where
    // slow logs show no speed, what it may have lost by now is wide.
    let (fallen, fallen_sd) = testimony
        .speed
        .map_or(UNSEEN_LOSS, |shift| ((-shift.recent).clamp(0.05, 3.0), 0.0));
    let worn = (-fallen, 0.15 * fallen);
    let sound_kpa = testimony.base_kpa.unwrap_or(2.0).max(0.5);
    let leak_back = sound_kpa * ((1.2 * fallen).exp() - 1.0);
    let unseen = 1.2 * fallen_sd * (sound_kpa + leak_back);
    let leak_back_sd = (0.3 + 0.5 * leak_back).hypot(unseen);
    let poorer = (0.5 * fallen, 0.3);
    match cause {
        Cause::Wear => [worn, (leak_back, leak_back_sd), poorer],
        Cause::Restriction => [worn, (0.0, 0.25), poorer],
        Cause::Leak => [(0.0, 0.03), (3.0, 3.0), (0.2, 0.3)],
        Cause::WetOil => [(0.0, 0.03), (0.5 * gap, 0.3 * gap), (0.1, 0.3)],
        Cause::SealWater => [(-0.05, 0.08), (0.4 * gap, 0.3 * gap), (0.1, 0.3)],
        _ => [(-0.1, 0.5), (1.0, 5.0), (0.1, 0.5)],
    }
}

/// Wear comes as a ramp; leaks and restrictions come at once; wet oil comes and goes.
fn pattern(cause: Cause, testimony: &Testimony) -> f64 {
    let ramp = testimony.speed_ramp.clamp(-2.0, 2.0);
    let base_ramp = testimony.base_ramp.clamp(-1.0, 1.0);
    let recovered = testimony.recoveries.min(3) as f64;
    match cause {
        // Without a speed, the base that leak-back lifts tells of the ramp.
        Cause::Wear if testimony.speed.is_none() => base_ramp,
        Cause::Wear => ramp,
        Cause::Restriction => -ramp,
        Cause::Leak => -base_ramp - recovered,
        Cause::WetOil => 0.7 * recovered + 0.5 * base_ramp,
        Cause::SealWater => 0.5 * recovered,
        _ => 0.0,
    }
}

fn ln_fit(shift: Shift, (mean, sd): (f64, f64)) -> f64 {
    let total = sd.hypot(shift.se);
    // A witness far from every shape must not decide by its last decimal: tails are held.
    let z = (shift.recent - mean) / total;
    normal::ln_pdf(z.clamp(-6.0, 6.0)) - total.ln()
}

fn normalised(mut scored: Vec<(Cause, f64)>) -> Vec<(Cause, f64)> {
    let top = scored
        .iter()
        .fold(f64::NEG_INFINITY, |m, (_, score)| m.max(*score));
    let total: f64 = scored.iter().map(|(_, score)| (score - top).exp()).sum();
    for (_, score) in &mut scored {
        *score = (*score - top).exp() / total;
    }
    scored.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
    scored
}
