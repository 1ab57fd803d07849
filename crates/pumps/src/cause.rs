//! What explains a change: the probability of each cause from all witnesses together.
//!
//! Wear lowers the speed ever on and lifts the base by leak-back; what stands in the way lowers the speed,
//! mostly at once, and leaves the base; a leak lifts base and steady pressure and leaves the speed;
//! water in what seals a pump lifts the base with the saturation pressure at its temperature until
//! the oil is changed, and the steady pressure of the warm pump by more. One fault of the speed and one of
//! the base may be there together. How well each explains the courses of speed and base is the
//! likelihood of their paths (`path`, `base_path`); sizes are common practice, no source; what is
//! possible depends on the kind of pump. Vapour, vent, foam and gauge move the steady pressure only.

use drydown_runs::history::PumpKind;
use drydown_stats::normal;

use crate::Cause;
use crate::shift::Shift;

/// What the witnesses say when a change is to be explained.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Testimony {
    pub(crate) kind: Option<PumpKind>,
    /// Log likelihood of the speeds with no change, a ramp, a step.
    pub(crate) speed: [Option<f64>; 3],
    /// Log likelihood of the bases by the likeliest path of the speed, with and without leak-back: by
    /// nothing else, a leak, water.
    pub(crate) base: [[Option<f64>; 3]; 2],
    /// ln speed lost, where anything shows it; what lifts the base beside wear, kPa.
    pub(crate) lost: Option<f64>,
    pub(crate) extra_kpa: f64,
    /// Shift of ln steady pressure, where it has not been taken for the speed's.
    pub(crate) steady: Option<Shift>,
    /// Steady pressure of the sound pump, kPa.
    pub(crate) steady_kpa: Option<f64>,
    /// Saturation pressure in the run over that at the starts.
    pub(crate) warmer: f64,
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

/// How likely two faults together are, over what chance alone would have them be: none looks for a second
/// one without need (common practice).
const TOGETHER: f64 = 0.3;
/// Wear comes as a ramp, a restriction mostly at once: how likely each is (common practice).
const RAMP_OF_WEAR: f64 = 0.9;
const RAMP_OF_RESTRICTION: f64 = 0.4;
/// Likelihoods count by this power: the courses that are written down are not all that there are.
const TEMPER: f64 = 0.7;
/// Evidence of what was not asked, or could not be told.
const UNTOLD: f64 = -12.0;

/// Probabilities of the causes of an alert, by probability. Two faults at once share theirs.
pub(crate) fn causes_of_alert(testimony: &Testimony) -> Vec<(Cause, f64)> {
    let priors = priors(testimony.kind);
    let prior = |cause: Cause| priors.iter().find(|row| row.0 == cause).map(|row| row.1);
    let of_speed = [None, Some(Cause::Wear), Some(Cause::Restriction)];
    let of_base = [
        None,
        Some(Cause::Leak),
        Some(Cause::WetOil),
        Some(Cause::SealWater),
    ];
    let mut scored: Vec<(Option<Cause>, Option<Cause>, f64)> = Vec::new();
    for first in of_speed {
        for second in of_base {
            let ln_prior = match (first.map(prior), second.map(prior)) {
                (None, None) => continue,
                (Some(one), None) | (None, Some(one)) => one.map(f64::ln),
                (Some(a), Some(b)) => a.zip(b).map(|(a, b)| (TOGETHER * a * b).ln()),
            };
            if let Some(ln_prior) = ln_prior {
                let told = TEMPER * courses(first, second, testimony);
                let other = steady_fit(first, second, testimony) + pattern(second, testimony);
                scored.push((first, second, ln_prior + told + other));
            }
        }
    }
    let top = scored.iter().fold(f64::NEG_INFINITY, |m, row| m.max(row.2));
    let mut shares: Vec<(Cause, f64)> = priors.iter().map(|(cause, _)| (*cause, 0.0)).collect();
    let mut add = |cause: Cause, weight: f64| {
        if let Some(row) = shares.iter_mut().find(|row| row.0 == cause) {
            row.1 += weight;
        }
    };
    for (first, second, score) in &scored {
        let weight = (score - top).exp();
        match (first, second) {
            (Some(a), Some(b)) => {
                add(*a, 0.5 * weight);
                add(*b, 0.5 * weight);
            }
            (Some(one), None) | (None, Some(one)) => add(*one, weight),
            (None, None) => {}
        }
    }
    let told: f64 = shares.iter().map(|row| row.1).sum();
    let unknown = prior(Cause::Unknown).unwrap_or(0.05);
    if let Some(row) = shares.iter_mut().find(|row| row.0 == Cause::Unknown) {
        row.1 = unknown * told;
    }
    let total: f64 = shares.iter().map(|row| row.1).sum();
    for row in &mut shares {
        row.1 /= total;
    }
    shares.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
    shares
}

/// Log likelihood of the courses of speed and base by a fault of the speed and one of the base.
fn courses(first: Option<Cause>, second: Option<Cause>, testimony: &Testimony) -> f64 {
    let [none, ramp, step] = testimony.speed;
    let told = ramp.is_some() || step.is_some();
    let mixed = |share: f64| {
        let of = |ln: Option<f64>| ln.unwrap_or(UNTOLD);
        normal::ln_add_exp(share.ln() + of(ramp), (1.0 - share).ln() + of(step))
    };
    let speed = match first {
        _ if !told => 0.0,
        None => none.unwrap_or(UNTOLD),
        Some(Cause::Wear) => mixed(RAMP_OF_WEAR),
        Some(_) => mixed(RAMP_OF_RESTRICTION),
    };
    let [leaks_back, still] = testimony.base;
    let row = if first == Some(Cause::Restriction) && still.iter().any(Option::is_some) {
        still
    } else {
        leaks_back
    };
    let [nothing, leak, wet] = row;
    let base = match second {
        None => nothing,
        Some(Cause::Leak) => leak.or(nothing.map(|ln| ln + UNTOLD)),
        Some(_) => wet.or(nothing.map(|ln| ln + UNTOLD)),
    };
    speed + base.unwrap_or(0.0)
}

/// Log likelihood of the shift of the steady pressure.
fn steady_fit(first: Option<Cause>, second: Option<Cause>, testimony: &Testimony) -> f64 {
    let Some(shift) = testimony.steady else {
        return 0.0;
    };
    let sound = testimony.steady_kpa.unwrap_or(15.0).max(1.0);
    let rise = testimony.extra_kpa.clamp(0.5, 40.0);
    let slower = first.map_or(0.0, |_| 0.5 * testimony.lost.unwrap_or(0.3));
    let (lifted, sd) = match second {
        None => (0.0, 0.2),
        Some(Cause::Leak) => ((1.0 + rise / sound).ln(), 0.25),
        // The water may be as warm at a start as in the run, where it is not the logged temperature's.
        Some(_) => {
            let half = 0.5 * testimony.warmer.max(1.0).ln();
            ((1.0 + rise * half.exp() / sound).ln(), 0.35 + 0.5 * half)
        }
    };
    let total = f64::hypot(sd, shift.se).hypot(if first.is_some() { 0.2 } else { 0.0 });
    // A witness far from every shape must not decide by its last decimal: tails are held.
    let z = (shift.recent - slower - lifted) / total;
    normal::ln_pdf(z.clamp(-4.0, 4.0)) - total.ln()
}

/// Leaks do not go away by themselves; water comes and goes.
fn pattern(second: Option<Cause>, testimony: &Testimony) -> f64 {
    let recovered = testimony.recoveries.min(3) as f64;
    match second {
        Some(Cause::Leak) => -recovered,
        Some(Cause::WetOil) => 0.7 * recovered,
        Some(Cause::SealWater) => 0.5 * recovered,
        _ => 0.0,
    }
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
