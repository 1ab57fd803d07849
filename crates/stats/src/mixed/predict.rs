//! What a mixture of conditional laws says about one value.

use crate::normal;
use crate::optimise::brent_root;
use drydown_quantity::Interval;

/// The predictive law of one value: a mixture of normal laws, one per draw of the components.
#[derive(Clone, Debug, PartialEq)]
pub struct Predicted {
    /// Mean of the mixture.
    pub mean: f64,
    /// Standard deviation of the mixture.
    pub sd: f64,
    /// Weight, mean and standard deviation of each part; weights sum to 1.
    pub parts: Vec<(f64, f64, f64)>,
}

impl Predicted {
    /// From the parts; weights are made to sum to 1.
    pub(super) fn from_parts(parts: Vec<(f64, f64, f64)>) -> Self {
        let total: f64 = parts.iter().map(|p| p.0).sum();
        let parts: Vec<(f64, f64, f64)> = parts
            .into_iter()
            .map(|(w, m, s)| (w / total, m, s))
            .collect();
        let mean = parts.iter().map(|(w, m, _)| w * m).sum::<f64>();
        let variance = parts
            .iter()
            .map(|(w, m, s)| w * (s * s + (m - mean).powi(2)))
            .sum::<f64>();
        Self {
            mean,
            sd: variance.max(0.0).sqrt(),
            parts,
        }
    }

    /// Probability of a value at most `x`.
    #[must_use]
    pub fn cdf(&self, x: f64) -> f64 {
        self.parts
            .iter()
            .map(|(w, m, s)| {
                let below = if *s > 0.0 {
                    normal::cdf((x - m) / s)
                } else if x >= *m {
                    1.0
                } else {
                    0.0
                };
                w * below
            })
            .sum()
    }

    /// Quantile of the mixture; infinite at 0 and 1, NaN outside.
    #[must_use]
    pub fn quantile(&self, p: f64) -> f64 {
        if !(0.0 < p && p < 1.0) {
            return normal::quantile(p);
        }
        if !(self.sd > 0.0) {
            return self.mean;
        }
        let z = normal::quantile(p);
        let ends = self.parts.iter().map(|(_, m, s)| m + z * s);
        let (low, high) = ends.fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| {
            (a.min(v), b.max(v))
        });
        // Every part puts its own quantile between these ends, so the mixture does too.
        let margin = 1e-9 * self.sd;
        brent_root(
            |x| self.cdf(x) - p,
            low - margin,
            high + margin,
            1e-10 * self.sd,
        )
        .unwrap_or(0.5 * (low + high))
    }

    /// Equal-tailed interval of the given level.
    #[must_use]
    pub fn interval(&self, level: f64) -> Interval {
        let tail = 0.5 * (1.0 - level);
        Interval::new(level, self.quantile(tail), self.quantile(1.0 - tail))
    }
}

/// One joint draw from the posterior: components, fixed effects and all group effects.
#[derive(Clone, Debug, PartialEq)]
pub struct EffectDraw {
    /// Standard deviation of each group (1 where known).
    pub group_sds: Vec<f64>,
    /// Residual standard deviation.
    pub residual_sd: f64,
    /// Fixed effects.
    pub fixed: Vec<f64>,
    /// Effects of each group, level by level.
    pub effects: Vec<Vec<f64>>,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_single_part_is_a_normal_law() {
        let p = Predicted::from_parts(vec![(3.0, 1.0, 2.0)]);
        assert!((p.quantile(0.95) - (1.0 + 2.0 * 1.644_853_626_951_472_6)).abs() < 1e-7);
        assert!((p.interval(0.9).width() - 4.0 * 1.644_853_626_951_472_6).abs() < 1e-7);
    }

    #[test]
    fn quantiles_invert_the_mixture() {
        let p = Predicted::from_parts(vec![(0.3, -1.0, 0.1), (0.7, 2.0, 1.5), (0.0, 9.0, 0.0)]);
        for q in [0.01, 0.3, 0.5, 0.99] {
            assert!((p.cdf(p.quantile(q)) - q).abs() < 1e-7);
        }
        assert!((p.mean - 1.1).abs() < 1e-12);
    }
}
