//! A normal level of water, and what observations and interventions make of it.
//!
//! Laboratory values enter with a constant coefficient of variation, bounds with their probit
//! likelihood (moments matched), and what a sample shows of water above solubility is a kinked line
//! (iterated linearisation).

use drydown_runs::history::Censor;
use drydown_stats::normal;

use crate::law::{Law, Visible};
use crate::timeline::Kind;

/// A normal level, ppm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Level {
    pub(crate) mean: f64,
    pub(crate) var: f64,
}

/// A sensor's innovation beyond this many standard deviations widens the observation instead of moving
/// the level. A sample's does not: the filter keeps the other reading, that the bottle is wrong, apart.
const WIDEST_INNOVATION: f64 = 4.0;

/// Standard deviations beyond which a bound says nothing (3e-7 is left beyond).
const SURE: f64 = 5.0;

impl Level {
    /// The level after a step, and the gain in log-likelihood.
    pub(crate) fn take(self, kind: &Kind, rate_per_h: f64, law: &Law) -> (Self, f64) {
        match *kind {
            Kind::Sample {
                ppm,
                censor,
                extra_cv,
                width_h,
                extra_sd_ppm,
            } => {
                let cv2 = law.lab_cv * law.lab_cv + extra_cv * extra_cv;
                // a uniform time within the width moves the level by rate·width/√12
                let timing = rate_per_h * width_h;
                let floor = law.lab_floor_ppm * law.lab_floor_ppm
                    + timing * timing / 12.0
                    + extra_sd_ppm * extra_sd_ppm;
                let var = |shown: f64| floor + cv2 * shown.max(0.0).powi(2);
                match censor {
                    Censor::Exact => self.observe(ppm, var, law.visible, f64::INFINITY),
                    Censor::Below | Censor::Above => {
                        self.bound(ppm, var(ppm).sqrt(), law.visible, censor)
                    }
                }
            }
            Kind::RunStart { ppm, sd_ppm } => {
                self.observe(ppm, |_| sd_ppm * sd_ppm, law.visible, WIDEST_INNOVATION)
            }
            Kind::RunEnd { ppm, sd_ppm } => (
                Self {
                    mean: ppm,
                    var: sd_ppm * sd_ppm,
                },
                0.0,
            ),
            // dried by nobody knows how much: as runs do whose ends were seen
            Kind::Dried { left, left_sd } => (
                Self {
                    mean: left * self.mean,
                    var: left * left * self.var + (left_sd * self.mean).powi(2),
                },
                0.0,
            ),
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
    fn observe(
        self,
        shown: f64,
        var_of: impl Fn(f64) -> f64,
        visible: Visible,
        widest: f64,
    ) -> (Self, f64) {
        let mut own = var_of(shown);
        let mut at = self.mean;
        let (mut level, mut residual, mut total) = (self, 0.0, 1.0);
        let first = visible.slope(at);
        for round in 0..3 {
            let slope = visible.slope(at);
            // on a straight line the second round has the spread of the level it turned out to be
            if round == 2 && slope.total_cmp(&first).is_eq() {
                break;
            }
            // the tangent at `at`, taken back to the prior mean
            let predicted = visible.sample_ppm(at) + slope * (self.mean - at);
            residual = shown - predicted;
            let signal = slope * slope * self.var;
            let clipped = (residual / widest).powi(2) - signal;
            let noise = own.max(clipped);
            total = signal + noise;
            let gain = slope * self.var / total;
            level = Self {
                mean: self.mean + gain * residual,
                var: self.var * noise / total,
            };
            at = level.mean;
            own = var_of(visible.sample_ppm(level.mean));
        }
        let ln = -0.5 * (residual * residual / total + total.ln()) - normal::LN_SQRT_2PI;
        (level, ln)
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
        // a level that lies well within its bounds learns nothing of them
        if a < -SURE && b > SURE {
            return (self, 0.0);
        }
        let ln_total = if b.is_infinite() {
            normal::ln_cdf(-a)
        } else if a < -SURE {
            normal::ln_cdf(b)
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
        factor: 1.0,
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
    fn a_wild_sensor_does_not_own_the_level() {
        let level = Level {
            mean: 100.0,
            var: 100.0,
        };
        let (moved, _) = level.observe(5000.0, |_| 225.0, ALL, WIDEST_INNOVATION);
        assert!(moved.mean < 130.0, "{moved:?}");
    }
}
