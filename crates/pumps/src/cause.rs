//! What explains a change: the probability of each cause from all witnesses together.
//!
//! Wear lowers speed slowly and lifts the base a little; a restriction lowers speed at once and
//! leaves the base; a leak lifts base and steady pressure by as much and leaves the speed; water in the pump's oil
//! lifts the base towards the saturation pressure at the pump's temperature and goes away again,
//! and the steady pressure of the warm pump by more;
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
    /// Saturation pressure of water at the pump's temperature, kPa: at the starts since the onset,
    /// and in the run.
    pub(crate) saturation_kpa: Option<f64>,
    pub(crate) running_saturation_kpa: Option<f64>,
    /// Base and steady pressure of the sound pump, kPa.
    pub(crate) base_kpa: Option<f64>,
    pub(crate) steady_kpa: Option<f64>,
    /// Log of how much better a ramp fits than a step: speed, base.
    pub(crate) speed_ramp: f64,
    pub(crate) base_ramp: f64,
    /// Log of how much better the base goes with the saturation pressure at the pump's temperature
    /// than with none.
    pub(crate) wet_course: f64,
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
        Cause::Leak => leak_shape(testimony),
        Cause::WetOil => wet_shape(testimony, (0.0, 0.03), (0.5, 0.35)),
        Cause::SealWater => wet_shape(testimony, (-0.05, 0.08), (0.4, 0.3)),
        _ => [(-0.1, 0.5), (1.0, 5.0), (0.1, 0.5)],
    }
}

/// A leak of any size, from half a kPa to the limit, lifts base and steady pressure by as much.
fn leak_shape(testimony: &Testimony) -> [(f64, f64); 3] {
    let rise = rise_kpa(testimony);
    let steady = testimony
        .steady_kpa
        .map_or((0.2, 0.3), |kpa| ((1.0 + rise / kpa.max(1.0)).ln(), 0.2));
    [(0.0, 0.03), (rise, rise), steady]
}

/// Water in what seals a pump lifts its pressure by a share of the saturation pressure at its
/// temperature, which a working pump has more of than one that starts.
fn wet_shape(testimony: &Testimony, speed: (f64, f64), share: (f64, f64)) -> [(f64, f64); 3] {
    let sealed = testimony.saturation_kpa.unwrap_or(5.0).max(0.5);
    let running = testimony.running_saturation_kpa.unwrap_or(sealed);
    let wet = (rise_kpa(testimony) / sealed).clamp(0.05, 1.0);
    let steady = testimony.steady_kpa.map_or((0.2, 0.4), |kpa| {
        ((1.0 + wet * running / kpa.max(1.0)).ln(), 0.3)
    });
    [speed, (share.0 * sealed, share.1 * sealed), steady]
}

fn rise_kpa(testimony: &Testimony) -> f64 {
    testimony
        .base
        .map_or(3.0, |shift| shift.recent)
        .clamp(0.5, 40.0)
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
        Cause::WetOil => 0.7 * recovered + 0.5 * base_ramp + testimony.wet_course,
        Cause::SealWater => 0.5 * recovered + testimony.wet_course,
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
