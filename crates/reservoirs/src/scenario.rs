//! What may become of one part of the posterior ahead: leaks that begin or end, a rate that wanders.

use drydown_stats::normal;
use drydown_stats::passage::FirstPassage;

use crate::law::{FACTORS, Law, SIZES, SOUND};
use crate::posterior::Cell;
use crate::state::Leap;

/// The time ahead: its length, what it does to a state, how likely regimes change in it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Ahead {
    days: f64,
    changes: usize,
    leap: Leap,
    /// Hazards of a leak's beginning and end, 1/d.
    begins_per_day: f64,
    ends_per_day: f64,
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

/// Standard deviations beyond which nothing is left to come back.
const CERTAIN: f64 = 4.0;

impl Ahead {
    /// `changes`: nodes of the time at which a regime changes.
    pub(crate) fn new(law: &Law, days: f64, changes: usize) -> Self {
        let days = days.max(1e-3);
        let (begins, ends) = law.moves.hazards_per_h();
        Self {
            days,
            changes,
            leap: Leap::over(24.0 * days, law, 0.0),
            begins_per_day: 24.0 * begins,
            ends_per_day: 24.0 * ends,
        }
    }

    /// Mean and variance of the level at the end, at a mean usual rate (ppm/h).
    pub(crate) fn level(&self, cell: &Cell, rate_per_h: f64, law: &Law) -> (f64, f64) {
        let mut state = cell.state;
        state.advance(rate_per_h, &self.leap, law);
        (state.level, state.cov.cc.max(1e-9))
    }

    /// Probability that the level passes a threshold in the time ahead, at a mean usual rate (ppm/h).
    ///
    /// The law at the end is exact; that a path came back below the threshold is added by the
    /// first-passage formula with the same end (fresh wander as diffusion, the present one as an
    /// uncertain drift), averaged over the present level.
    pub(crate) fn passage(
        &self,
        cell: &Cell,
        rate_per_h: f64,
        threshold_ppm: f64,
        law: &Law,
    ) -> f64 {
        let (end, var) = self.level(cell, rate_per_h, law);
        let sds = (end - threshold_ppm) / var.sqrt();
        let at_end = normal::cdf(sds);
        if !(-2.0 * CERTAIN..=CERTAIN).contains(&sds) {
            return at_end;
        }
        let (start, start_var) = (cell.state.level, cell.state.cov.cc);
        let days = self.days;
        let (own, bursts) = law.diffusion_per_day(rate_per_h);
        let fresh = rate_per_h * rate_per_h * self.leap.fresh_sum / days + own + bursts;
        let drift_var = (var - start_var - fresh * days).max(0.0) / (days * days);
        let known = |level: f64| FirstPassage {
            distance: threshold_ppm - level,
            distance_sd: 0.0,
            drift_mean: (end - start) / days,
            drift_sd: drift_var.sqrt(),
            diffusion_sd: fresh.sqrt(),
        };
        let spread = (drift_var * days * days + fresh * days).sqrt().max(1e-9);
        let sd = start_var.max(0.0).sqrt();
        let nodes = if sd > 0.0 {
            NORMAL_NODES.as_slice()
        } else {
            &[(0.0, 1.0)]
        };
        let came_back: f64 = nodes
            .iter()
            .map(|(z, weight)| {
                let path = known(start + z * sd);
                let above = (path.drift_mean * days - path.distance) / spread;
                weight * (path.cdf(days) - normal::cdf(above)).max(0.0)
            })
            .sum();
        (at_end + came_back).clamp(0.0, 1.0)
    }
}

/// What the usual rate is multiplied by on average in the time ahead, with its probability.
pub(crate) fn scenarios(mode: usize, ahead: &Ahead) -> impl Iterator<Item = (f64, f64)> {
    let now = FACTORS.get(mode).copied().unwrap_or(1.0);
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
    let others = FACTORS.into_iter().zip(SIZES).enumerate();
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
