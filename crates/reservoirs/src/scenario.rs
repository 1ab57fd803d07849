//! What may become of one part of the posterior ahead: leaks that begin or end, a rate that wanders.

use drydown_stats::normal;

use crate::law::{Law, MODES, SIZES, SOUND, Threshold, Visible};
use crate::level::Level;
use crate::posterior::Cell;
use crate::state::{Leap, State};

/// The time ahead: its length, what it does to a state, how likely regimes change in it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Ahead {
    law: Law,
    days: f64,
    changes: usize,
    leap: Leap,
    /// Whether the level forgets itself in that time.
    settles: bool,
    /// Equal parts of the time.
    stages: [Option<Leap>; STAGES],
    /// A leak that begins in it, and one that ends.
    begins: Turn,
    ends: Turn,
    factors: [f64; MODES],
}

/// Nodes of the time at which a regime changes: for a probability that is stated, and for one of many
/// that are only compared.
pub(crate) const FINE: usize = 3;
pub(crate) const ROUGH: usize = 1;
/// Nodes and weights of Gauss-Hermite quadrature for a standard normal variable (Abramowitz & Stegun
/// 1964, table 25.10, n = 3, rescaled).
pub(crate) const THREE_NODES: [(f64, f64); 3] = [
    (-1.732_050_807_6, 1.0 / 6.0),
    (0.0, 2.0 / 3.0),
    (1.732_050_807_6, 1.0 / 6.0),
];

/// Standard deviations beyond which nothing is left to come back.
const CERTAIN: f64 = 4.0;

/// A change of regime in the time ahead.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Turn {
    /// Probability that there is one.
    p: f64,
    /// Days before it, and days that the new regime lasts, at the nodes of the law of its time.
    nodes: [(f64, f64); FINE],
}

impl Turn {
    /// `ends_per_day`: hazard of the new regime's own end, where it has one.
    fn new((hazard, days): (f64, f64), changes: usize, ends_per_day: Option<f64>) -> Self {
        let all = -(-hazard * days).exp_m1();
        let nodes = std::array::from_fn(|node| {
            // the middle of each part of the law of the time of change
            let p = all * (node as f64 + 0.5) / changes as f64;
            let at = (-(-p.min(1.0)).ln_1p() / hazard.max(1e-12)).min(days);
            let rest = days - at;
            let lasts = |ends: f64| -(-ends * rest).exp_m1() / ends.max(1e-12);
            (at, ends_per_day.map_or(rest, lasts))
        });
        Self { p: all, nodes }
    }
}

impl Ahead {
    /// `changes`: nodes of the time at which a regime changes.
    pub(crate) fn new(law: &Law, days: f64, changes: usize) -> Self {
        let days = days.max(1e-3);
        let (begins, ends) = law.moves.hazards_per_h();
        Self {
            law: *law,
            days,
            changes,
            leap: Leap::over((law.season.now_h, 24.0 * days), law, 0.0),
            settles: law.exchange_per_h * 24.0 * days >= SETTLES,
            stages: stages(law, days, changes),
            begins: Turn::new((24.0 * begins, days), changes, Some(24.0 * ends)),
            ends: Turn::new((24.0 * ends, days), changes, None),
            factors: law.moves.factors,
        }
    }

    /// How water shows in it.
    pub(crate) fn visible(&self) -> Visible {
        self.law.visible
    }

    /// Mean and variance of the level at the end, at a mean usual rate (ppm/h).
    pub(crate) fn level(&self, cell: &Cell, rate_per_h: f64) -> (f64, f64) {
        let mut state = cell.state;
        state.advance(rate_per_h, &self.leap, &self.law);
        (state.level, state.cov.cc.max(1e-9))
    }

    /// Probability that the level passes a threshold in the time ahead, at a mean usual rate (ppm/h).
    ///
    /// The law at the end is exact, and a bound from below; what passed before and came back is told by
    /// the stages.
    pub(crate) fn passage(&self, cell: &Cell, rate_per_h: f64, threshold: Threshold) -> f64 {
        if self.settles {
            // an error of the threshold lasts: it must not be forgotten from stage to stage
            let nodes = if self.changes > ROUGH {
                THREE_NODES.as_slice()
            } else {
                &[(0.0, 1.0)]
            };
            let given = |z: f64| threshold.ppm + z * threshold.sd_ppm;
            return nodes
                .iter()
                .map(|(z, weight)| weight * self.staged_passage(cell.state, rate_per_h, given(*z)))
                .sum();
        }
        // where nothing is forgotten it is one more error of the level
        let mut state = cell.state;
        state.cov.cc += threshold.sd_ppm * threshold.sd_ppm;
        let mut end = state;
        end.advance(rate_per_h, &self.leap, &self.law);
        let sds = (end.level - threshold.ppm) / end.cov.cc.max(1e-9).sqrt();
        let at_end = normal::quick_cdf(sds);
        let low = if self.changes > ROUGH { -2.0 } else { -1.0 };
        if !(low * CERTAIN..=CERTAIN).contains(&sds) {
            return at_end;
        }
        at_end.max(self.staged_passage(state, rate_per_h, threshold.ppm))
    }

    /// The same over stages: of the law of level and wander at the end of one the part above the threshold has passed it, and what is left goes on as the normal law of its
    /// moments (assumed density filtering; Maybeck 1982, chapter 12). Between the ends a path may pass as far
    /// as its own unrest goes in a stage (continuity correction; Broadie, Glasserman & Kou, Mathematical
    /// Finance 7, 1997).
    fn staged_passage(&self, mut state: State, rate_per_h: f64, threshold_ppm: f64) -> f64 {
        let (own, bursts) = self.law.diffusion_per_day(rate_per_h);
        let noise = (own + bursts).sqrt();
        let mut never = stay_below(&mut state, threshold_ppm);
        for leap in self.stages.iter().flatten() {
            if never < 1e-9 {
                return 1.0;
            }
            let start = state.level;
            state.advance(rate_per_h, leap, &self.law);
            let sd = noise * leap.unrest_days.sqrt();
            // a path that climbs is highest at its end
            let climbs = 2.0 * BETWEEN * (state.level - start).max(0.0);
            let between = BETWEEN * sd * sd / (sd + climbs).max(1e-12);
            never *= stay_below(&mut state, threshold_ppm - between);
        }
        1.0 - never
    }
}

/// −ζ(½)/√(2π): how far a watched random walk's ends fall short of its path, in steps.
const BETWEEN: f64 = 0.5826;

/// Probability that a level is below a threshold; the state becomes that of a level that is.
fn stay_below(state: &mut State, threshold_ppm: f64) -> f64 {
    let before = Level {
        mean: state.level,
        var: state.cov.cc.max(1e-9),
    };
    let sd = before.var.sqrt();
    let z = (threshold_ppm - before.mean) / sd;
    if z > SURELY_BELOW {
        return 1.0;
    }
    let below = normal::quick_cdf(z);
    if below < 1e-9 {
        return 0.0;
    }
    let hazard = normal::pdf(z) / below;
    let after = Level {
        mean: before.mean - sd * hazard,
        var: before.var * (1.0 - hazard * (z + hazard)).max(1e-3),
    };
    state.learn(before, after);
    below
}

/// Stages of a time in which a level settles.
const STAGES: usize = 8;
/// So many standard deviations below a threshold nothing passes it.
const SURELY_BELOW: f64 = 5.0;
/// A level that gives up this much of itself in the time ahead settles.
const SETTLES: f64 = 0.3;

/// The stages of the time ahead, half as many for one of many probabilities or where nothing settles.
fn stages(law: &Law, days: f64, changes: usize) -> [Option<Leap>; STAGES] {
    let mut stages = [None; STAGES];
    let settles = law.exchange_per_h * 24.0 * days >= SETTLES;
    let n = match (settles, changes > ROUGH) {
        (true, true) => STAGES,
        (false, false) => STAGES / 4,
        _ => STAGES / 2,
    };
    let each = 24.0 * days / n as f64;
    for (idx, stage) in stages.iter_mut().take(n).enumerate() {
        let from_h = law.season.now_h + each * idx as f64;
        *stage = Some(Leap::over((from_h, each), law, 0.0));
    }
    stages
}

/// The time ahead under each variant of a law.
#[derive(Clone, Debug)]
pub(crate) struct Aheads(Vec<Ahead>);

impl Aheads {
    /// `changes` as for one.
    pub(crate) fn new(law: &Law, days: f64, changes: usize) -> Self {
        let all = law
            .variants()
            .into_iter()
            .map(|(_, law)| Ahead::new(&law, days, changes));
        Self(all.collect())
    }

    /// The one that a cell follows.
    pub(crate) fn of(&self, cell: &Cell) -> Option<&Ahead> {
        self.0.get(cell.variant)
    }
}

/// What a new leak of a reservoir brings over its size times the usual rate there, from what such
/// reservoirs' usual rate is over its own.
///
/// A leak is a cooler's or a seal's, and knows little of how tight the rest is: where next to nothing
/// comes in, it brings more than so many times next to nothing. Half way (geometrically) between the
/// reservoir's own rate and its like's; where the own is higher, it counts (common practice, no source).
pub(crate) fn leak_lift(likes_over_own: f64) -> f64 {
    likes_over_own.max(1.0).sqrt()
}

/// What the usual rate is multiplied by on average in the time ahead, with its probability.
pub(crate) fn scenarios(mode: usize, lift: f64, ahead: &Ahead) -> impl Iterator<Item = (f64, f64)> {
    let now = ahead.factors.get(mode).copied().unwrap_or(1.0);
    let leaking = SIZES.get(mode).is_some_and(|size| *size > 0.0);
    // a leak that begins may end again
    let turn = if leaking { ahead.ends } else { ahead.begins };
    let steady = std::iter::once((1.0 - turn.p, now));
    let others = ahead.factors.into_iter().zip(SIZES).enumerate();
    let turned = others
        .filter(move |(to, (_, size))| if leaking { *to == SOUND } else { *size > 0.0 })
        .flat_map(move |(_, (factor, size))| {
            let factor = 1.0 + (factor - 1.0) * lift;
            let share = if leaking { 1.0 } else { size } / ahead.changes as f64;
            turn.nodes
                .into_iter()
                .take(ahead.changes)
                .map(move |(at, lasting)| {
                    let rest = ahead.days - at - lasting;
                    let mean = (now * at + factor * lasting + rest) / ahead.days;
                    (turn.p * share, mean)
                })
        });
    steady.chain(turned)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::law::{LEAKS, Law, Moves, Season, Strange};
    use drydown_stats::rng::{seeded, standard_normal};

    /// A law without saturation and season: exchange 1/d, unrest, wander's spread and days, leaks a year.
    fn law(exchange_per_day: f64, unrest: f64, wander: (f64, f64), leaks_per_year: f64) -> Law {
        Law {
            visible: Visible {
                solubility_ppm: f64::INFINITY,
                factor: 1.0,
                emulsified_share: 0.3,
            },
            saturation: None,
            unrest,
            scale: 1.0,
            lab_cv: 0.1,
            lab_floor_ppm: 5.0,
            exchange_per_h: exchange_per_day / 24.0,
            air_ppm: 0.0,
            moves: Moves {
                wander_sd: wander.0,
                wander_days: wander.1,
                leaks_per_year,
                leak_days: 40.0,
                factors: LEAKS,
            },
            season: Season::default(),
            strange: Strange {
                ln_ppm: 4.0,
                ln_sd: 1.0,
            },
        }
    }

    /// The share of simulated paths that pass a threshold within sixty days.
    fn simulated(cell: &Cell, law: &Law, threshold_ppm: f64) -> f64 {
        const PATHS: usize = 1500;
        const DT: f64 = 0.25;
        let mut rng = seeded(5, "paths");
        let mut z = move || standard_normal(&mut rng);
        let (own, bursts) = law.diffusion_per_day(cell.usual_per_h);
        let keep = (-DT / law.moves.wander_days).exp();
        let fresh = law.moves.wander_sd * (1.0 - keep * keep).sqrt();
        let passes = |_: &usize| {
            let mut level = cell.state.level + cell.state.cov.cc.sqrt() * z();
            let mut wander = cell.state.cov.uu.sqrt() * z();
            let mut passed = level > threshold_ppm;
            for _ in 0..240 {
                let drift = cell.usual_per_h * (1.0 + wander) - law.exchange_per_h * level;
                level += 24.0 * drift * DT + ((own + bursts) * DT).sqrt() * z();
                wander = keep * wander + fresh * z();
                passed |= level > threshold_ppm;
            }
            passed
        };
        (0..PATHS).filter(passes).count() as f64 / PATHS as f64
    }

    #[test]
    fn a_leak_does_not_know_how_tight_its_reservoir_is() {
        assert!((leak_lift(9.0) - 3.0).abs() < 1e-12);
        assert!((leak_lift(0.1) - 1.0).abs() < 1e-12);
        let ahead = Ahead::new(&law(0.0, 1.0, (0.3, 20.0), 0.4), 60.0, FINE);
        let sum = |lift: f64, of: fn(f64, f64) -> f64| -> f64 {
            scenarios(SOUND, lift, &ahead)
                .map(|(p, factor)| of(p, factor))
                .sum()
        };
        for lift in [1.0, 3.0] {
            assert!((sum(lift, |p, _| p) - 1.0).abs() < 1e-12);
        }
        // beyond the usual rate a leak brings three times as much
        let beyond = |lift: f64| sum(lift, |p, factor| p * (factor - 1.0));
        assert!((beyond(3.0) / beyond(1.0) - 3.0).abs() < 1e-9);
    }

    #[test]
    fn passages_are_those_of_simulated_paths() {
        for (exchange_per_day, unrest, wander_sd, wander_days, rise_per_day) in [
            (0.07, 0.3, 0.2, 60.0, 7.7),
            (0.03, 0.6, 0.45, 20.0, 4.0),
            (0.01, 0.3, 0.45, 180.0, 1.6),
            (0.0, 0.3, 0.45, 60.0, 1.0),
            (0.0, 1.0, 0.3, 20.0, 1.0),
            (0.0, 3.0, 0.3, 20.0, 0.6),
        ] {
            let law = law(exchange_per_day, unrest, (wander_sd, wander_days), 0.0);
            for start_ppm in [90.0, 120.0, 150.0] {
                let state = State::new(start_ppm, 100.0, &law);
                let cell = Cell::of(rise_per_day / 24.0, state);
                let threshold = Threshold {
                    ppm: 160.0,
                    sd_ppm: 0.0,
                };
                let said = Ahead::new(&law, 60.0, FINE).passage(&cell, cell.usual_per_h, threshold);
                let came = simulated(&cell, &law, threshold.ppm);
                assert!(
                    (said - came).abs() < 0.05,
                    "{exchange_per_day} {unrest} {start_ppm}: said {said}, came {came}"
                );
            }
        }
    }
}
