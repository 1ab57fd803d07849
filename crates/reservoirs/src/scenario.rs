//! What may become of one part of the posterior ahead: leaks that begin or end, a rate that wanders.

use drydown_stats::normal;
use drydown_stats::passage::FirstPassage;

use crate::law::{Law, MODES, SIZES, SOUND, Threshold, Visible};
use crate::posterior::Cell;
use crate::state::{Leap, State};

/// The time ahead: its length, what it does to a state, how likely regimes change in it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Ahead {
    law: Law,
    days: f64,
    changes: usize,
    leap: Leap,
    /// Equal parts of the time; none where a level follows nothing: then its path is a drift.
    stages: [Option<Leap>; STAGES],
    /// Hazards of a leak's beginning and end, 1/d.
    begins_per_day: f64,
    ends_per_day: f64,
    factors: [f64; MODES],
}

/// Nodes of the time at which a regime changes: for a probability that is stated, and for one of many
/// that are only compared.
pub(crate) const FINE: usize = 3;
pub(crate) const ROUGH: usize = 1;
/// Nodes and weights of Gauss-Hermite quadrature for a standard normal variable (Abramowitz & Stegun
/// 1964, table 25.10, n = 5, rescaled).
const NORMAL_NODES: [(f64, f64); 5] = [
    (-2.856_970_013_9, 0.011_257_411_3),
    (-1.355_626_179_97, 0.222_075_922_0),
    (0.0, 0.533_333_333_3),
    (1.355_626_179_97, 0.222_075_922_0),
    (2.856_970_013_9, 0.011_257_411_3),
];

/// The same with three nodes.
pub(crate) const THREE_NODES: [(f64, f64); 3] = [
    (-1.732_050_807_6, 1.0 / 6.0),
    (0.0, 2.0 / 3.0),
    (1.732_050_807_6, 1.0 / 6.0),
];

/// Standard deviations beyond which nothing is left to come back.
const CERTAIN: f64 = 4.0;

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
            stages: stages(law, days, changes),
            begins_per_day: 24.0 * begins,
            ends_per_day: 24.0 * ends,
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
    /// How far the threshold may be off counts as part of the distance. The law at
    /// the end is exact; that a path came back below the threshold is added by the
    /// first-passage formula with the same end (fresh wander as diffusion, the present one as an
    /// uncertain drift), averaged over the present level.
    pub(crate) fn passage(&self, cell: &Cell, rate_per_h: f64, threshold: Threshold) -> f64 {
        if self.stages.iter().any(Option::is_some) {
            // an error of the threshold lasts: it must not be forgotten from stage to stage
            let nodes = if self.changes > ROUGH {
                THREE_NODES.as_slice()
            } else {
                &[(0.0, 1.0)]
            };
            let given = |z: f64| threshold.ppm + z * threshold.sd_ppm;
            return nodes
                .iter()
                .map(|(z, weight)| weight * self.staged_passage(cell, rate_per_h, given(*z)))
                .sum();
        }
        let bias = threshold.sd_ppm * threshold.sd_ppm;
        let (end, var) = self.level(cell, rate_per_h);
        let var = var + bias;
        let sds = (end - threshold.ppm) / var.sqrt();
        let at_end = normal::quick_cdf(sds);
        let low = if self.changes > ROUGH { -2.0 } else { -1.0 };
        if !(low * CERTAIN..=CERTAIN).contains(&sds) {
            return at_end;
        }
        let (start, start_var) = (cell.state.level, cell.state.cov.cc + bias);
        let days = self.days;
        let (own, bursts) = self.law.diffusion_per_day(rate_per_h);
        let fresh = rate_per_h * rate_per_h * self.leap.fresh_sum / days + own + bursts;
        let drift_var = (var - start_var - fresh * days).max(0.0) / (days * days);
        let known = |level: f64| FirstPassage {
            distance: threshold.ppm - level,
            distance_sd: 0.0,
            drift_mean: (end - start) / days,
            drift_sd: drift_var.sqrt(),
            diffusion_sd: fresh.sqrt(),
        };
        let sd = start_var.max(0.0).sqrt();
        let nodes = if sd > 0.0 {
            NORMAL_NODES.as_slice()
        } else {
            &[(0.0, 1.0)]
        };
        let came_back: f64 = nodes
            .iter()
            .map(|(z, weight)| weight * known(start + z * sd).returned(days))
            .sum();
        (at_end + came_back).clamp(0.0, 1.0)
    }

    /// The same for a level that settles, over stages: the probability to be above at the end of one
    /// having been below at its beginning, as if the earlier stages told nothing more (Markov).
    fn staged_passage(&self, cell: &Cell, rate_per_h: f64, threshold_ppm: f64) -> f64 {
        let mut state = cell.state;
        let var = |state: &State| state.cov.cc.max(1e-9);
        let sds = |state: &State| (threshold_ppm - state.level) / var(state).sqrt();
        let mut below = sds(&state);
        let mut never = normal::quick_cdf(below);
        for leap in self.stages.iter().flatten() {
            let (before, carried) = (var(&state), leap.carried(&state, rate_per_h));
            state.advance(rate_per_h, leap, &self.law);
            let next = sds(&state);
            if next > SURELY_BELOW {
                below = next;
                continue;
            }
            let spread = (before * var(&state)).sqrt();
            let was = normal::quick_cdf(below);
            if was > 1e-9 {
                let both = normal::bivariate_cdf(below, next, carried / spread);
                never *= (both / was).clamp(0.0, 1.0);
            } else {
                never = 0.0;
            }
            below = next;
        }
        1.0 - never
    }
}

/// Stages of a time in which a level settles.
const STAGES: usize = 8;
/// So many standard deviations below a threshold nothing passes it.
const SURELY_BELOW: f64 = 5.0;
/// A level that gives up this much of itself in the time ahead settles: its path is no drift.
const SETTLES: f64 = 0.3;

/// The stages of the time ahead, half as many for one of many probabilities; none where nothing settles.
fn stages(law: &Law, days: f64, changes: usize) -> [Option<Leap>; STAGES] {
    let mut stages = [None; STAGES];
    if law.exchange_per_h * 24.0 * days < SETTLES {
        return stages;
    }
    let n = if changes > ROUGH { STAGES } else { STAGES / 2 };
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

/// What the usual rate is multiplied by on average in the time ahead, with its probability.
pub(crate) fn scenarios(mode: usize, ahead: &Ahead) -> impl Iterator<Item = (f64, f64)> {
    let now = ahead.factors.get(mode).copied().unwrap_or(1.0);
    let leaking = SIZES.get(mode).is_some_and(|size| *size > 0.0);
    let hazard = if leaking {
        ahead.ends_per_day
    } else {
        ahead.begins_per_day
    };
    let changes = -(-hazard * ahead.days).exp_m1();
    let ends = ahead.ends_per_day;
    let nodes = ahead.changes;
    let steady = std::iter::once((1.0 - changes, now));
    let others = ahead.factors.into_iter().zip(SIZES).enumerate();
    let turned = others
        .filter(move |(to, (_, size))| if leaking { *to == SOUND } else { *size > 0.0 })
        .flat_map(move |(_, (factor, size))| {
            let share = if leaking { 1.0 } else { size } / nodes as f64;
            (0..nodes).map(move |node| {
                // the middle of each part of the law of the time of change
                let p = changes * (node as f64 + 0.5) / nodes as f64;
                let at = (-(-p).ln_1p() / hazard.max(1e-12)).min(ahead.days);
                let rest = ahead.days - at;
                // a leak that begins may end again
                let lasting = if leaking {
                    rest
                } else {
                    -(-ends * rest).exp_m1() / ends.max(1e-12)
                };
                let mean = (now * at + factor * lasting + (rest - lasting)) / ahead.days;
                (changes * share, mean)
            })
        });
    steady.chain(turned)
}
