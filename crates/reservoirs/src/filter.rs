//! The water in one reservoir followed through its timeline, for every ingress on a grid.
//!
//! Level: C(t+dt) = C_ss + (C − C_ss)·e^(−κ·dt) + noise with C_ss = C_air + r/κ, or C + r·dt without
//! exchange with the air. For a given rate r the level is normal; laboratory values enter with a
//! constant coefficient of variation, bounds with their probit likelihood (moments matched), and
//! what a sample shows of water above solubility is a kinked line (iterated linearisation).

use drydown_runs::history::Censor;
use drydown_stats::normal;

use crate::timeline::{Kind, Step, Timeline};

/// What a mid-stream sample shows of all the water.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Visible {
    /// Solubility at service temperature; infinite where the oil's constants are not known.
    pub(crate) solubility_ppm: f64,
    /// Share of the water above it that a sample shows.
    pub(crate) emulsified_share: f64,
}

impl Visible {
    /// Sample from all water, ppm.
    pub(crate) fn sample_ppm(self, all_ppm: f64) -> f64 {
        let above = (all_ppm - self.solubility_ppm).max(0.0);
        all_ppm.min(self.solubility_ppm) + self.emulsified_share * above
    }

    /// All water at which a sample shows this much; infinite where it never does.
    pub(crate) fn all_ppm(self, sample_ppm: f64) -> f64 {
        if sample_ppm <= self.solubility_ppm {
            sample_ppm
        } else {
            self.solubility_ppm + (sample_ppm - self.solubility_ppm) / self.emulsified_share
        }
    }

    fn slope(self, all_ppm: f64) -> f64 {
        if all_ppm > self.solubility_ppm {
            self.emulsified_share.max(0.05)
        } else {
            1.0
        }
    }
}

/// The law that the water of a reservoir follows, apart from its ingress.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Law {
    pub(crate) visible: Visible,
    /// Factor on the unrest of the level.
    pub(crate) unrest: f64,
    pub(crate) lab_cv: f64,
    pub(crate) lab_floor_ppm: f64,
    /// Exchange with the air, 1/h.
    pub(crate) exchange_per_h: f64,
    /// Content in balance with the air, ppm.
    pub(crate) air_ppm: f64,
}

/// Unrest of a level: of its own, ppm per root day, and relative to the daily rise (wash-downs and
/// rain come in bursts). Starting values; the fleet's data choose the factor.
const UNREST_PPM: f64 = 1.5;
const UNREST_RELATIVE: f64 = 1.0;

impl Law {
    /// Diffusion of the level, ppm per root day, at a rate in ppm/h.
    pub(crate) fn diffusion_per_root_day(&self, rate_per_h: f64) -> f64 {
        self.unrest * UNREST_PPM.hypot(UNREST_RELATIVE * 24.0 * rate_per_h)
    }

    /// The level some hours on: factor on the old level, and what is added to it.
    pub(crate) fn advance(&self, rate_per_h: f64, hours: f64) -> (f64, f64) {
        let kappa = self.exchange_per_h;
        if kappa * hours < 1e-9 {
            return (1.0, rate_per_h * hours);
        }
        let keep = (-kappa * hours).exp();
        (keep, (self.air_ppm + rate_per_h / kappa) * (1.0 - keep))
    }
}

/// The level given each rate of a grid, and how well each rate explains the history.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Filtered {
    /// ln of the rate, ppm/h, ascending with a constant step.
    pub(crate) ln_rate: Vec<f64>,
    pub(crate) ln_likelihood: Vec<f64>,
    /// Level at the timeline's end, ppm.
    pub(crate) mean_ppm: Vec<f64>,
    pub(crate) var: Vec<f64>,
}

/// A level before anything was seen: mean and standard deviation, ppm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct LevelPrior {
    pub(crate) mean_ppm: f64,
    pub(crate) sd_ppm: f64,
}

/// Runs the timeline for every rate of a grid.
pub(crate) fn filter(
    timeline: &Timeline,
    ln_rate: Vec<f64>,
    law: &Law,
    prior: LevelPrior,
) -> Filtered {
    let n = ln_rate.len();
    let mut state = Filtered {
        ln_rate,
        ln_likelihood: vec![0.0; n],
        mean_ppm: vec![prior.mean_ppm; n],
        var: vec![prior.sd_ppm.powi(2); n],
    };
    let mut now_h = 0.0;
    for step in &timeline.steps {
        state.advance(step.at_h - now_h, law);
        now_h = step.at_h;
        state.take(step, law);
    }
    state.advance(timeline.end_h - now_h, law);
    state
}

impl Filtered {
    fn advance(&mut self, hours: f64, law: &Law) {
        if hours <= 0.0 {
            return;
        }
        let cells = self
            .ln_rate
            .iter()
            .zip(self.mean_ppm.iter_mut().zip(&mut self.var));
        for (ln_rate, (mean, var)) in cells {
            let rate = ln_rate.exp();
            let (keep, add) = law.advance(rate, hours);
            *mean = keep * *mean + add;
            *var = keep * keep * *var + law.diffusion_per_root_day(rate).powi(2) * hours / 24.0;
        }
    }

    fn take(&mut self, step: &Step, law: &Law) {
        if let Kind::NewIngress { keep } = step.kind {
            self.forget(keep);
            return;
        }
        let cells = self.ln_rate.iter().zip(&mut self.ln_likelihood);
        let levels = self.mean_ppm.iter_mut().zip(&mut self.var);
        for ((ln_rate, ln_likelihood), (mean, var)) in cells.zip(levels) {
            let level = Level {
                mean: *mean,
                var: *var,
            };
            let (next, gain) = level.take(&step.kind, ln_rate.exp(), law);
            *mean = next.mean;
            *var = next.var.max(1e-6);
            *ln_likelihood += gain;
        }
    }

    /// What was learned of the old ingress counts less from here; the levels become one.
    fn forget(&mut self, keep: f64) {
        let top = self
            .ln_likelihood
            .iter()
            .copied()
            .fold(f64::NEG_INFINITY, f64::max);
        let weights: Vec<f64> = self.ln_likelihood.iter().map(|l| (l - top).exp()).collect();
        let total: f64 = weights.iter().sum();
        let mean = dot(&weights, &self.mean_ppm) / total;
        let spread: f64 = weights
            .iter()
            .zip(&self.mean_ppm)
            .map(|(w, m)| w * (m - mean).powi(2))
            .sum();
        let var = (dot(&weights, &self.var) + spread) / total;
        if mean.is_finite() && var.is_finite() {
            self.mean_ppm.iter_mut().for_each(|m| *m = mean);
            self.var.iter_mut().for_each(|v| *v = var);
        }
        self.ln_likelihood.iter_mut().for_each(|l| *l *= keep);
    }
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

/// A normal level, ppm.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Level {
    mean: f64,
    var: f64,
}

/// An innovation beyond this many standard deviations widens the observation instead of moving the
/// level: one wrong bottle must not own the answer.
const WIDEST_INNOVATION: f64 = 4.0;

impl Level {
    /// The level after a step, and the gain in log-likelihood.
    fn take(self, kind: &Kind, rate_per_h: f64, law: &Law) -> (Self, f64) {
        match *kind {
            Kind::Sample {
                ppm,
                censor,
                extra_cv,
                width_h,
                extra_sd_ppm,
            } => {
                let cv = law.lab_cv.hypot(extra_cv);
                // a uniform time within the width moves the level by rate·width/√12
                let timing = rate_per_h * width_h / 12f64.sqrt();
                let floor = law.lab_floor_ppm.hypot(timing).hypot(extra_sd_ppm);
                let sd = |shown: f64| floor.hypot(cv * shown.max(0.0));
                match censor {
                    Censor::Exact => self.observe(ppm, sd, law.visible),
                    Censor::Below | Censor::Above => self.bound(ppm, sd(ppm), law.visible, censor),
                }
            }
            Kind::RunStart { ppm, sd_ppm } => self.observe(ppm, |_| sd_ppm, law.visible),
            Kind::RunEnd {
                end: Some((ppm, sd_ppm)),
            } => (
                Self {
                    mean: ppm,
                    var: sd_ppm * sd_ppm,
                },
                0.0,
            ),
            // dried by nobody knows how much
            Kind::RunEnd { end: None } => {
                let level = self.mean.max(10.0);
                (
                    Self {
                        mean: 0.5 * level,
                        var: 0.25 * self.var + (0.3 * level).powi(2),
                    },
                    0.0,
                )
            }
            Kind::Mix {
                share,
                share_sd,
                ppm,
                sd_ppm,
            } => {
                let keep = 1.0 - share;
                let var = (keep * keep) * self.var
                    + (share * sd_ppm).powi(2)
                    + (share_sd * (self.mean - ppm)).powi(2);
                (
                    Self {
                        mean: keep * self.mean + share * ppm,
                        var,
                    },
                    0.0,
                )
            }
            Kind::Drain { removed_ppm } => (self.drain(removed_ppm, law.visible), 0.0),
            Kind::NewIngress { .. } => (self, 0.0),
        }
    }

    /// Settled water drained: down to what a sample shows, or by the amount that was measured.
    fn drain(self, removed_ppm: Option<f64>, visible: Visible) -> Self {
        match removed_ppm {
            Some(removed) => Self {
                mean: (self.mean - removed).max(0.0),
                var: self.var + (0.2 * removed).powi(2),
            },
            None => {
                let kept = visible.sample_ppm(self.mean);
                Self {
                    mean: kept,
                    var: self.var + (0.5 * (self.mean - kept)).powi(2),
                }
            }
        }
    }

    /// An exact value; its spread is that of the level it turns out to be.
    fn observe(self, shown: f64, sd_of: impl Fn(f64) -> f64, visible: Visible) -> (Self, f64) {
        let mut sd = sd_of(shown);
        let mut at = self.mean;
        let mut result = (self, 0.0);
        for _ in 0..3 {
            let slope = visible.slope(at);
            // the tangent at `at`, taken back to the prior mean
            let predicted = visible.sample_ppm(at) + slope * (self.mean - at);
            let residual = shown - predicted;
            let signal = slope * slope * self.var;
            let clipped = (residual / WIDEST_INNOVATION).powi(2) - signal;
            let noise = (sd * sd).max(clipped);
            let total = signal + noise;
            let gain = slope * self.var / total;
            let level = Self {
                mean: self.mean + gain * residual,
                var: self.var * noise / total,
            };
            let z = residual / total.sqrt();
            result = (level, normal::ln_pdf(z) - 0.5 * total.ln());
            at = level.mean;
            sd = sd_of(visible.sample_ppm(level.mean));
        }
        result
    }

    /// A bound: below the stated value (and above zero: there is no negative water), or above it.
    ///
    /// Likelihood Φ(b) − Φ(a) of the ends in standard deviations; mean and variance from its first two
    /// derivatives, formed in logs.
    fn bound(self, limit: f64, sd: f64, visible: Visible, side: Censor) -> (Self, f64) {
        let slope = visible.slope(self.mean);
        let root = (slope * slope * self.var + sd * sd).sqrt();
        let z = |ppm: f64| (ppm - visible.sample_ppm(self.mean)) / root;
        let (a, b) = match side {
            Censor::Above => (z(limit), f64::INFINITY),
            _ => (z(0.0), z(limit)),
        };
        let ln_total = if b.is_infinite() {
            normal::ln_cdf(-a)
        } else {
            normal::ln_interval(a, b)
        };
        if !ln_total.is_finite() {
            return (self, -0.5 * 38f64.powi(2));
        }
        let density = |z: f64| {
            if z.is_finite() {
                (normal::ln_pdf(z) - ln_total).exp()
            } else {
                0.0
            }
        };
        let weighted = |z: f64| if z.is_finite() { z * density(z) } else { 0.0 };
        let first = (density(a) - density(b)) / root;
        let second = (weighted(a) - weighted(b)) / (root * root) - first * first;
        let reach = slope * self.var;
        let var = self.var + reach * reach * second;
        (
            Self {
                mean: self.mean + reach * first,
                var: var.clamp(1e-5 * self.var, self.var),
            },
            ln_total,
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ALL: Visible = Visible {
        solubility_ppm: f64::INFINITY,
        emulsified_share: 0.3,
    };

    /// Mean and variance of a level after a bound, by quadrature.
    fn by_quadrature(level: Level, sd: f64, likelihood: impl Fn(f64) -> f64) -> (f64, f64) {
        let (mut total, mut first, mut second) = (0.0, 0.0, 0.0);
        let step = level.var.sqrt() / 2000.0;
        for idx in -16_000..16_000 {
            let x = level.mean + step * f64::from(idx);
            let w = (-0.5 * (x - level.mean).powi(2) / level.var).exp() * likelihood(x / sd);
            total += w;
            first += w * x;
            second += w * x * x;
        }
        let mean = first / total;
        (mean, second / total - mean * mean)
    }

    #[test]
    fn bounds_have_the_moments_of_the_truncated_law() {
        for (mean, spread, sd, limit) in [
            (100.0, 60.0, 8.0, 20.0),
            (10.0, 5.0, 3.0, 20.0),
            (400.0, 300.0, 5.0, 20.0),
        ] {
            let level = Level {
                mean,
                var: spread * spread,
            };
            let (got, _) = level.bound(limit, sd, ALL, Censor::Below);
            let truth = by_quadrature(level, sd, |u| normal::cdf(limit / sd - u) - normal::cdf(-u));
            assert!(
                (got.mean - truth.0).abs() < 0.02 * spread,
                "{got:?} {truth:?}"
            );
            assert!((got.var / truth.1 - 1.0).abs() < 0.05, "{got:?} {truth:?}");
            let (got, _) = level.bound(limit, sd, ALL, Censor::Above);
            let truth = by_quadrature(level, sd, |u| normal::cdf(u - limit / sd));
            assert!(
                (got.mean - truth.0).abs() < 0.02 * spread,
                "{got:?} {truth:?}"
            );
        }
    }

    #[test]
    fn all_water_and_sample_are_inverse() {
        let visible = Visible {
            solubility_ppm: 300.0,
            emulsified_share: 0.3,
        };
        for all in [0.0, 100.0, 300.0, 1000.0] {
            assert!((visible.all_ppm(visible.sample_ppm(all)) - all).abs() < 1e-9);
        }
        assert!(
            Visible {
                emulsified_share: 0.0,
                ..visible
            }
            .all_ppm(400.0)
            .is_infinite()
        );
    }

    #[test]
    fn a_wrong_bottle_does_not_own_the_level() {
        let level = Level {
            mean: 100.0,
            var: 100.0,
        };
        let (moved, _) = level.observe(5000.0, |_| 15.0, ALL);
        assert!(moved.mean < 130.0, "{moved:?}");
    }
}
