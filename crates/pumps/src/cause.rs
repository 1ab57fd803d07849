//! What explains a change: the probability of each cause from all witnesses together.
//!
//! Wear lowers the speed ever on and lifts the base by leak-back; what stands in the way lowers the speed, at
//! once or slowly (a filter clogs), and lifts no more of the base than what leaks in (`leak_back`); a leak lifts
//! base and steady pressure and leaves the speed; water in what seals a pump lifts the base with the saturation
//! pressure at its temperature until the oil is changed, and the steady pressure of the warm pump by more, and
//! takes next to none of the speed. One fault of the speed and one of
//! the base may be there together. How well each explains the courses of speed and base is the
//! likelihood of their paths (`path`, `base_path`); sizes are common practice, no source; what is
//! possible depends on the kind of pump. Vapour, vent, foam and gauge move the steady pressure only.

use drydown_runs::history::PumpKind;
use drydown_stats::normal;

use crate::Cause;
use crate::steady_rise::Steady;

/// What the witnesses say when a change is to be explained.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Testimony {
    pub(crate) kind: Option<PumpKind>,
    /// Log likelihood of the speeds with no change, a ramp, a step.
    pub(crate) speed: [Option<f64>; 3],
    /// Log likelihood of the bases by the likeliest path of the speed, lost to wear and to what stands in the
    /// way: by nothing else, a leak, water.
    pub(crate) base: [[Option<f64>; 3]; 2],
    /// ln speed lost, where starts or runs show the speed.
    pub(crate) lost: Option<f64>,
    /// Whether the chart of the starts' speed raised an alert of its own.
    pub(crate) speed_alert: bool,
    /// Whether the starts show now that none is lost.
    pub(crate) speed_back: bool,
    /// Whether it is the runs that show it.
    pub(crate) by_runs: bool,
    pub(crate) steady: Steady,
    /// Whether seal water may be warm and nothing logs its temperature.
    pub(crate) seal_unlogged: bool,
    /// How often the base came down again by itself.
    pub(crate) recoveries: usize,
    /// How far the gauge is off at rest since the onset, kPa, and its standard error.
    pub(crate) gauge_off: Option<(f64, f64)>,
}

/// What a run tells of a poor steady pressure that is not the pump's doing.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Circumstance {
    /// Vent opening of the run less that of earlier runs, percent; None where not logged.
    pub(crate) vent_more_pct: Option<f64>,
    /// ln of water removed per hour over that of earlier runs; None where unknown.
    pub(crate) ln_vapour_more: Option<f64>,
    pub(crate) gauge_work: bool,
    /// Whether the chamber at rest shows that the gauge is off by as much as the pressures rose.
    pub(crate) gauge_off: bool,
    /// Whether the last runs hold more than their load can explain.
    pub(crate) beyond_load: bool,
    pub(crate) alarms: i64,
}

/// How likely two faults together are, over what chance alone would have them be: none looks for a second
/// one without need (common practice).
const TOGETHER: f64 = 0.3;
/// Wear comes as a ramp; a filter clogs slowly, a valve that is left half shut comes at once: how likely a ramp
/// is (common practice).
const RAMP_OF_WEAR: f64 = 0.9;
const RAMP_OF_RESTRICTION: f64 = 0.5;
/// How likely beforehand it is that a gauge's zero moved and nobody wrote it down: seldom beside a leak, for gauges
/// are calibrated (common practice).
const GAUGE: f64 = 0.05;
/// What sound pumps do over a year, they do by wear: how likely it is that wear that raised an alert went no
/// faster (common practice) …
const AGES: f64 = 0.15;
/// … and that such an alert of the speed is chance, and has nothing to do with what ails the base.
const BY_CHANCE: f64 = 0.05;
/// ln speed that the vapour of water in what seals a pump takes, standard deviation, and how likely it is that
/// it takes any (common practice).
const TAKEN_BY_WATER: f64 = 0.05;
const WATER_SLOWS: f64 = 0.25;
/// How likely it is that a pump goes a course that is not among those written down, and that the likeliest of
/// them then describes as well as any (common practice). No number of starts makes a witness surer than that:
/// what a law gets wrong, every start repeats. The speed has changed or it has not …
const OTHER_SPEED: f64 = 0.01;
/// … how far a base follows the speed lost is a law that differs from pump to pump, and the more the more ln
/// speed beyond so much is lost …
const OTHER_BASE: f64 = 0.03;
const OTHER_BASE_BY_LOST: f64 = 0.1;
const LAW_HOLDS_TO: f64 = 0.5;
/// … where less ln speed is lost than this, what nobody measured of seal water has to be told by weather and
/// shape …
const LOSES: f64 = 0.1;
const OTHER_SEAL: f64 = 0.15;
/// … what a run holds hangs on its vent and its oil …
const OTHER_STEADY: f64 = 0.1;
/// … a chamber that was not vented, or a barometer of another place, shows a zero that is none …
const OTHER_REST: f64 = 0.05;
/// … and where no start shows the speed, a leak, clearances and water are told apart by the shape alone of
/// what they do to the base.
const OTHER_SHAPE: f64 = 0.3;
/// Log odds of vapour where the pressure rose by more than all that was removed can fill.
const BEYOND: f64 = -4.0;
/// How likely it is that wet oil which lifts a warm pump's pressure leaves its cold starts as they were (common
/// practice: what the cold pump does not show, it does not say).
const COLD_SHOWS_NONE: f64 = 0.4;
/// … and that wear lets back at depth, where neither a start's speed nor its base shows it.
const SHOWS_AT_DEPTH: f64 = 0.1;
/// How likely it is that wear of a dry pump shows by its base first, the speed still as it was (common practice).
const SLIPS_FIRST: f64 = 0.5;
/// How likely beforehand it is that what runs alone show, beside sound starts, is none of these causes (common
/// practice).
const UNKNOWN_AT_WORK: f64 = 0.1;
/// Evidence of what was not asked, or could not be told.
const UNTOLD: f64 = -12.0;

/// Probabilities of the causes of an alert, by probability. Two faults at once share theirs; that a gauge's zero
/// moved is unknown's.
pub(crate) fn causes_of_alert(testimony: &Testimony) -> Vec<(Cause, f64)> {
    let priors = priors(testimony.kind);
    let prior = |cause: Cause| priors.iter().find(|row| row.0 == cause).map(|row| row.1);
    let of_speed = [None, Some(Cause::Wear), Some(Cause::Restriction)];
    let of_base = [
        None,
        Some(Cause::Leak),
        Some(Cause::WetOil),
        Some(Cause::SealWater),
        Some(Cause::Gauge),
    ];
    let mut scored: Vec<Scored> = Vec::new();
    for first in of_speed {
        for second in of_base {
            let ln_prior = match (first.map(prior), second.map(prior)) {
                (None, None) => continue,
                (Some(one), None) | (None, Some(one)) => one.map(f64::ln),
                (Some(a), Some(b)) => a.zip(b).map(|(a, b)| (TOGETHER * a * b).ln()),
            };
            if let Some(ln_prior) = ln_prior {
                scored.push(Scored {
                    first,
                    second,
                    ln_prior: ln_prior + pattern(second, testimony),
                    ln_witness: [
                        speed_course(first, second, testimony),
                        base_course(first, second, testimony),
                        testimony.steady.ln_likelihood(first, second),
                        at_rest(second, testimony),
                    ],
                });
            }
        }
    }
    let scored = weighed(&scored, other_course(testimony));
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
    // Where every cause is at odds with a witness, none may be it.
    let any = if testimony.steady.at_work {
        UNKNOWN_AT_WORK * (-top).exp()
    } else {
        0.0
    };
    let told: f64 = shares.iter().map(|row| row.1).sum();
    let unknown = prior(Cause::Unknown).unwrap_or(0.05);
    // The causes of an alert are the pump's: what a gauge may have done is of none of them.
    let gauge = shares.iter().find(|row| row.0 == Cause::Gauge);
    let gauge = gauge.map_or(0.0, |row| row.1);
    shares.retain(|row| row.0 != Cause::Gauge);
    if let Some(row) = shares.iter_mut().find(|row| row.0 == Cause::Unknown) {
        row.1 = unknown * told + gauge + any;
    }
    let total: f64 = shares.iter().map(|row| row.1).sum();
    for row in &mut shares {
        row.1 /= total;
    }
    shares.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
    shares
}

/// One fault of the speed and one of the base: what is known beforehand, and what speed, base, steady
/// pressure and the chamber at rest say of them.
#[derive(Clone, Copy, Debug)]
struct Scored {
    first: Option<Cause>,
    second: Option<Cause>,
    ln_prior: f64,
    ln_witness: [f64; 4],
}

/// The faults with their log weights: each witness counts as far as its laws can be trusted.
fn weighed(scored: &[Scored], other: [f64; 4]) -> Vec<(Option<Cause>, Option<Cause>, f64)> {
    let best = |witness: usize| {
        let of = |one: &Scored| one.ln_witness.get(witness).copied();
        scored
            .iter()
            .filter_map(of)
            .fold(f64::NEG_INFINITY, f64::max)
    };
    let best = [best(0), best(1), best(2), best(3)];
    let ln_weight = |one: &Scored| {
        let told = one.ln_witness.iter().zip(best).zip(other);
        let told = told.map(|((ln, best), other)| {
            normal::ln_add_exp((1.0 - other).ln() + ln, other.ln() + best)
        });
        one.ln_prior + told.sum::<f64>()
    };
    let row = |one: &Scored| (one.first, one.second, ln_weight(one));
    scored.iter().map(row).collect()
}

/// How likely a course that is not written down is, of speed, base, steady pressure and the chamber at rest.
fn other_course(testimony: &Testimony) -> [f64; 4] {
    match testimony.lost {
        None => [OTHER_SPEED, OTHER_SHAPE, OTHER_STEADY, OTHER_REST],
        Some(_) if testimony.by_runs => [OTHER_STEADY, OTHER_STEADY, OTHER_STEADY, OTHER_REST],
        Some(lost) => {
            let beyond = (lost - LAW_HOLDS_TO).clamp(0.0, 2.0);
            let by_base = testimony.seal_unlogged && lost < LOSES;
            let least = if by_base { OTHER_SEAL } else { OTHER_BASE };
            let base = least + OTHER_BASE_BY_LOST * beyond;
            [OTHER_SPEED, base, OTHER_STEADY, OTHER_REST]
        }
    }
}

/// Log likelihood of the course of the speed by a fault of it, or by one of the base that takes a little of it.
fn speed_course(first: Option<Cause>, second: Option<Cause>, testimony: &Testimony) -> f64 {
    let [none, ramp, step] = testimony.speed;
    let mixed = |share: f64| {
        let of = |ln: Option<f64>| ln.unwrap_or(UNTOLD);
        normal::ln_add_exp(share.ln() + of(ramp), (1.0 - share).ln() + of(step))
    };
    // A speed that fell as sound ones do is one that stands only where nothing says that it fell.
    let stands = match (none, testimony.speed_alert) {
        (None, _) => UNTOLD,
        (Some(none), true) => none + BY_CHANCE.ln(),
        (Some(none), false) => none,
    };
    match first {
        _ if ramp.is_none() && step.is_none() && !testimony.steady.at_work => 0.0,
        None if testimony.steady.at_work => stands,
        None if matches!(second, Some(Cause::WetOil | Cause::SealWater)) => {
            let z = testimony.lost.unwrap_or(0.0) / TAKEN_BY_WATER;
            let slowed = mixed(RAMP_OF_WEAR) - 0.5 * z * z;
            normal::ln_add_exp((1.0 - WATER_SLOWS).ln() + stands, WATER_SLOWS.ln() + slowed)
        }
        None => stands,
        // Starts show that none was lost.
        Some(Cause::Wear) if testimony.steady.at_work => stands + SHOWS_AT_DEPTH.ln(),
        Some(_) if testimony.steady.at_work => stands + UNTOLD,
        // A speed above its level was lost to nothing.
        Some(_) if testimony.speed_back => none.unwrap_or(0.0) + UNTOLD,
        Some(Cause::Wear) if testimony.speed_alert => normal::ln_add_exp(
            (1.0 - AGES).ln() + mixed(RAMP_OF_WEAR),
            AGES.ln() + none.unwrap_or(UNTOLD),
        ),
        // Gas slips back at depth long before the speed at the barometer shows it.
        Some(Cause::Wear) if testimony.kind == Some(PumpKind::Dry) => normal::ln_add_exp(
            SLIPS_FIRST.ln() + stands,
            (1.0 - SLIPS_FIRST).ln() + mixed(RAMP_OF_WEAR),
        ),
        Some(Cause::Wear) => mixed(RAMP_OF_WEAR),
        Some(_) => mixed(RAMP_OF_RESTRICTION),
    }
}

/// Log likelihood of the course of the base by a fault of the speed and one of the base.
fn base_course(first: Option<Cause>, second: Option<Cause>, testimony: &Testimony) -> f64 {
    let [worn, in_the_way] = testimony.base;
    let row = if first == Some(Cause::Restriction) {
        in_the_way
    } else {
        worn
    };
    let [nothing, leak, wet] = row;
    let base = match second {
        // A base below its level is lifted by nothing.
        Some(Cause::WetOil | Cause::SealWater) if testimony.steady.at_work => {
            let cold = nothing.map(|ln| ln + COLD_SHOWS_NONE.ln());
            wet.into_iter().chain(cold).reduce(f64::max)
        }
        Some(_) if testimony.steady.base_fell() => nothing.map(|ln| ln + UNTOLD),
        None => nothing,
        // A zero that moved lifts the base as a leak does.
        Some(Cause::Leak | Cause::Gauge) => leak.or(nothing.map(|ln| ln + UNTOLD)),
        Some(_) => wet.or(nothing.map(|ln| ln + UNTOLD)),
    };
    base.unwrap_or(0.0)
}

/// Log likelihood of what the gauge shows of the chamber at rest: as much as the base rose where its zero moved,
/// nothing else.
fn at_rest(second: Option<Cause>, testimony: &Testimony) -> f64 {
    let Some((off, se)) = testimony.gauge_off else {
        return 0.0;
    };
    let (expected, sd) = match (second, testimony.steady.rise_kpa()) {
        (Some(Cause::Gauge), Some((rise, rise_se))) => (rise.max(0.0), se.hypot(rise_se)),
        _ => (0.0, se),
    };
    normal::ln_pdf((off - expected) / sd) - sd.ln()
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
    // Vapour explains what goes with the load, and no more.
    let vapour = if circumstance.beyond_load {
        BEYOND
    } else {
        vapour
    };
    let gauge = match (circumstance.gauge_off, circumstance.gauge_work) {
        (true, _) => 5.0,
        (false, true) => 3.0,
        (false, false) => -1.0,
    };
    let foam = if circumstance.alarms > 2 { 1.0 } else { -1.0 };
    normalised(vec![
        (Cause::Vapour, 0.45f64.ln() + vapour),
        (Cause::Vent, 0.35f64.ln() + vent),
        (Cause::Gauge, 0.1f64.ln() + gauge),
        (Cause::Foam, 0.1f64.ln() + foam),
    ])
}

fn priors(kind: Option<PumpKind>) -> Vec<(Cause, f64)> {
    use Cause::{Gauge, Leak, Restriction, SealWater, Unknown, Wear, WetOil};
    match kind {
        Some(PumpKind::RotaryVane) => {
            vec![
                (Wear, 0.35),
                (Leak, 0.25),
                (WetOil, 0.25),
                (Restriction, 0.1),
                (Gauge, GAUGE),
                (Unknown, 0.05),
            ]
        }
        Some(PumpKind::LiquidRing) => {
            vec![
                (Wear, 0.3),
                (Leak, 0.25),
                (SealWater, 0.3),
                (Restriction, 0.1),
                (Gauge, GAUGE),
                (Unknown, 0.05),
            ]
        }
        Some(PumpKind::Dry) => vec![
            (Wear, 0.4),
            (Leak, 0.35),
            (Restriction, 0.2),
            (Gauge, GAUGE),
            (Unknown, 0.05),
        ],
        Some(PumpKind::Other) | None => vec![
            (Wear, 0.35),
            (Leak, 0.25),
            (WetOil, 0.15),
            (SealWater, 0.1),
            (Restriction, 0.1),
            (Gauge, GAUGE),
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
