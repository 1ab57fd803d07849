//! Ingress and level of one reservoir after its data and the fleet's.

use drydown_stats::normal;
use drydown_stats::rng::{Pcg64, standard_normal, uniform};

use crate::filter::{Filtered, Law, LevelPrior, filter};
use crate::prior::LnIngress;
use crate::timeline::Timeline;

/// How the rate of the level (ppm/h) stands to the ingress (g/h): ln r = ln g − ln(mass/1000 kg).
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Mass {
    /// ln of the oil mass in tonnes.
    pub(crate) ln_tonnes: f64,
    /// Its standard deviation: how the volume is known.
    pub(crate) sd: f64,
}

impl Mass {
    /// Law of the ln rate from a law of the ln ingress.
    pub(crate) fn ln_rate(self, ingress: LnIngress) -> LnIngress {
        LnIngress {
            mean: ingress.mean - self.ln_tonnes,
            var: ingress.var + self.sd.powi(2),
        }
    }
}

/// A mixture over the grid of rates: weight, and a normal level for each.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Posterior {
    pub(crate) weights: Vec<f64>,
    pub(crate) filtered: Filtered,
    ingress: LnIngress,
    mass: Mass,
}

/// A cell of less weight is left out (the grid reaches five standard deviations).
const NEGLIGIBLE: f64 = 1e-4;
/// Points of a grid.
const POINTS: usize = 41;
/// ln of the slowest and fastest rise thought of: 0.0024 to 2400 ppm a day.
const LN_RATE_RANGE: (f64, f64) = (-9.2, 4.6);

/// `n` points over an interval, ends included.
fn grid((low, high): (f64, f64), n: usize) -> Vec<f64> {
    let step = (high - low) / (n.max(2) - 1) as f64;
    (0..n).map(|idx| low + step * idx as f64).collect()
}

/// The likelihood over all rates, on a coarse grid, then only where it is not negligible.
#[must_use]
pub(crate) fn likelihood(timeline: &Timeline, law: &Law, level: LevelPrior) -> Filtered {
    let coarse = coarse_likelihood(timeline, law, level);
    let top = coarse
        .ln_likelihood
        .iter()
        .copied()
        .fold(f64::NEG_INFINITY, f64::max);
    let alive = |l: &f64| *l > top - 18.0;
    let first = coarse
        .ln_likelihood
        .iter()
        .position(alive)
        .unwrap_or(0)
        .saturating_sub(1);
    let last = coarse
        .ln_likelihood
        .iter()
        .rposition(alive)
        .unwrap_or(POINTS)
        + 1;
    let at = |idx: usize, default: f64| coarse.ln_rate.get(idx).copied().unwrap_or(default);
    let range = (at(first, LN_RATE_RANGE.0), at(last, LN_RATE_RANGE.1));
    filter(timeline, grid(range, POINTS), law, level)
}

/// The likelihood over all rates on a coarse grid.
#[must_use]
pub(crate) fn coarse_likelihood(timeline: &Timeline, law: &Law, level: LevelPrior) -> Filtered {
    filter(timeline, grid(LN_RATE_RANGE, POINTS), law, level)
}

/// Weights of a grid under a prior of the ln rate; and the log of their sum times the step.
pub(crate) fn weigh(filtered: &Filtered, prior: LnIngress) -> (Vec<f64>, f64) {
    let logs: Vec<f64> = filtered
        .ln_rate
        .iter()
        .zip(&filtered.ln_likelihood)
        .map(|(x, l)| l - 0.5 * (x - prior.mean).powi(2) / prior.var)
        .collect();
    let top = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let raw: Vec<f64> = logs.iter().map(|l| (l - top).exp()).collect();
    let total: f64 = raw.iter().sum();
    let step = match filtered.ln_rate.as_slice() {
        [a, b, ..] => b - a,
        _ => 1.0,
    };
    let evidence = top + (total * step).ln() - 0.5 * prior.var.ln() - normal::LN_SQRT_2PI;
    (raw.iter().map(|w| w / total).collect(), evidence)
}

/// Mean and variance of the ln rate under weights.
pub(crate) fn moments(ln_rate: &[f64], weights: &[f64]) -> (f64, f64) {
    let mean: f64 = ln_rate.iter().zip(weights).map(|(x, w)| x * w).sum();
    let var: f64 = ln_rate
        .iter()
        .zip(weights)
        .map(|(x, w)| w * (x - mean).powi(2))
        .sum();
    (mean, var)
}

impl Posterior {
    /// The posterior under the fleet's law of the ingress, on a grid made for it.
    #[must_use]
    pub(crate) fn new(
        timeline: &Timeline,
        law: &Law,
        level: LevelPrior,
        (ingress, mass): (LnIngress, Mass),
    ) -> Self {
        let prior = mass.ln_rate(ingress);
        let wide = filter(
            timeline,
            grid(reach(prior.mean, prior.var), POINTS),
            law,
            level,
        );
        let (weights, _) = weigh(&wide, prior);
        let (mean, var) = moments(&wide.ln_rate, &weights);
        let step2 = (reach(prior.mean, prior.var).1 - prior.mean).powi(2) / 400.0;
        // never narrower than the grid that found it could see
        let (low, high) = reach(mean, var.max(step2));
        let (prior_low, prior_high) = reach(prior.mean, prior.var);
        let range = (low.max(prior_low), high.min(prior_high));
        let filtered = filter(timeline, grid(range, POINTS), law, level);
        let (weights, _) = weigh(&filtered, prior);
        Self {
            weights,
            filtered,
            ingress,
            mass,
        }
    }

    /// Rate (ppm/h), level mean, level variance and weight of each cell that matters.
    pub(crate) fn cells(&self) -> impl Iterator<Item = Cell> + '_ {
        let f = &self.filtered;
        self.weights
            .iter()
            .zip(f.ln_rate.iter().zip(f.mean_ppm.iter().zip(&f.var)))
            .filter(|(weight, _)| **weight > NEGLIGIBLE)
            .map(|(weight, (ln_rate, (mean, var)))| Cell {
                weight: *weight,
                rate_per_h: ln_rate.exp(),
                level_ppm: *mean,
                level_sd: var.sqrt(),
            })
    }

    /// Mean level, ppm.
    #[must_use]
    pub(crate) fn level_mean_ppm(&self) -> f64 {
        self.cells().map(|cell| cell.weight * cell.level_ppm).sum()
    }

    /// Quantile of the level of all water, ppm; never below zero.
    #[must_use]
    pub(crate) fn level_quantile_ppm(&self, p: f64) -> f64 {
        let law = |x: f64| {
            self.cells()
                .map(|cell| cell.weight * normal::cdf((x - cell.level_ppm) / cell.level_sd))
                .sum::<f64>()
        };
        let ends = self
            .cells()
            .map(|cell| (cell.level_ppm, 8.0 * cell.level_sd));
        bisect(law, ends, p).max(0.0)
    }

    /// Quantile of the ingress, g/h: the volume's own uncertainty comes in through what the rate
    /// and the fleet say of the ingress together.
    #[must_use]
    pub(crate) fn ingress_quantile_g_per_h(&self, p: f64) -> f64 {
        let rate = self.mass.ln_rate(self.ingress);
        let pull = self.ingress.var / rate.var;
        let sd = (self.ingress.var * self.mass.sd.powi(2) / rate.var)
            .sqrt()
            .max(1e-6);
        let mean_at = |ln_rate: f64| self.ingress.mean + pull * (ln_rate - rate.mean);
        let law = |x: f64| {
            self.cells()
                .map(|cell| cell.weight * normal::cdf((x - mean_at(cell.rate_per_h.ln())) / sd))
                .sum::<f64>()
        };
        let ends = self
            .cells()
            .map(|cell| (mean_at(cell.rate_per_h.ln()), 8.0 * sd));
        // between the grid's points the mixture is read as continuous
        let spread = self.step() * 0.5;
        bisect(law, ends.map(|(m, w)| (m, w + spread)), p).exp()
    }

    fn step(&self) -> f64 {
        match self.filtered.ln_rate.as_slice() {
            [a, b, ..] => b - a,
            _ => 0.0,
        }
    }

    /// One draw of rate (ppm/h) and level (ppm).
    #[must_use]
    pub(crate) fn draw(&self, rng: &mut Pcg64) -> (f64, f64) {
        let mut left = uniform(rng);
        let z = standard_normal(rng);
        let mut last = (0.0, 0.0);
        for cell in self.cells() {
            last = (
                cell.rate_per_h,
                (cell.level_ppm + z * cell.level_sd).max(0.0),
            );
            left -= cell.weight;
            if left <= 0.0 {
                break;
            }
        }
        last
    }
}

/// One cell of the mixture.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Cell {
    pub(crate) weight: f64,
    pub(crate) rate_per_h: f64,
    pub(crate) level_ppm: f64,
    pub(crate) level_sd: f64,
}

/// Five standard deviations either way.
fn reach(mean: f64, var: f64) -> (f64, f64) {
    (mean - 5.0 * var.sqrt(), mean + 5.0 * var.sqrt())
}

/// Where a mixture's distribution function reaches `p`; the ends are (mean, reach) of its parts.
fn bisect(law: impl Fn(f64) -> f64, ends: impl Iterator<Item = (f64, f64)>, p: f64) -> f64 {
    let (mut low, mut high) = ends.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), (m, w)| {
        (l.min(m - w), h.max(m + w))
    });
    if !(low.is_finite() && high.is_finite()) {
        return f64::NAN;
    }
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if law(middle) < p {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}
