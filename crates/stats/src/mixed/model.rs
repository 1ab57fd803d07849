//! What a crossed model is made of.

use crate::error::{StatsError, check_finite, check_length};
use crate::linear::Design;

/// How the effects of a group spread.
#[derive(Clone, Debug, PartialEq)]
pub enum Spread {
    /// One unknown standard deviation, with a half-t(3) prior of this scale (infinite: flat).
    /// REML does not use the prior.
    Estimated {
        /// Scale of the half-t prior, in units of y.
        prior_scale: f64,
    },
    /// One unknown standard deviation times a known factor for each level.
    Relative {
        /// Scale of the half-t prior, in units of y.
        prior_scale: f64,
        /// Factor for each level, positive.
        factors: Vec<f64>,
    },
    /// A standard deviation stated for each level, all of them wrong by one unknown factor. The
    /// logarithm of the factor has a t(3) prior around zero: heavy tails, so that data that speak
    /// clearly overrule what was stated. A factor of its own needs several levels with data.
    Stated {
        /// Standard deviation stated for each level, in units of y; 0 takes the effect out.
        sds: Vec<f64>,
        /// Scale of the prior of the log factor.
        log_scale: f64,
    },
    /// A known standard deviation for each level.
    Known {
        /// Standard deviation for each level, in units of y; 0 takes the effect out.
        sds: Vec<f64>,
    },
}

/// One random-effect factor.
#[derive(Clone, Debug, PartialEq)]
pub struct Group {
    /// Level of each observation, 0 to `n_levels` - 1.
    pub levels: Vec<usize>,
    /// Number of levels; levels without observations are allowed.
    pub n_levels: usize,
    /// How the effects spread.
    pub spread: Spread,
}

/// The part of the observation error beyond its known variance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Residual {
    /// None: the known variances are all there is.
    Absent,
    /// A known standard deviation.
    Known(f64),
    /// Unknown, half-t(3) prior of this scale (infinite: flat).
    Estimated {
        /// Scale of the half-t prior, in units of y.
        prior_scale: f64,
    },
}

/// What is known of a fixed effect beforehand.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum FixedPrior {
    /// Nothing.
    Flat,
    /// A normal law.
    Normal {
        /// Expected value.
        mean: f64,
        /// Standard deviation, positive.
        sd: f64,
    },
}

/// The law of observation errors.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Outliers {
    /// Normal: every observation keeps its variance.
    Normal,
    /// Student's t with these degrees of freedom: the variance of an observation far off is
    /// inflated (iterated weights; Lange, Little & Taylor 1989).
    StudentT {
        /// Degrees of freedom, above 2; 4 is usual.
        df: f64,
    },
}

/// A model with crossed random effects.
#[derive(Clone, Debug, PartialEq)]
pub struct CrossedModel {
    /// Observations.
    pub y: Vec<f64>,
    /// Known variance of each observation, not negative.
    pub known_var: Vec<f64>,
    /// Fixed-effect columns, intercept included.
    pub fixed: Design,
    /// Prior of each fixed effect; empty means all flat.
    pub fixed_priors: Vec<FixedPrior>,
    /// Random-effect factors.
    pub groups: Vec<Group>,
    /// Error beyond the known variance.
    pub residual: Residual,
    /// Law of the errors.
    pub outliers: Outliers,
}

/// Which effect of a group a prediction uses.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Level {
    /// The effect of this level.
    Seen(usize),
    /// A level of which nothing is known: the group's spread is added (for known spreads: the root
    /// mean square of the known standard deviations).
    New,
    /// A new level with this standard deviation.
    NewWithSd(f64),
    /// The effect is left out (zero).
    Absent,
}

/// One value to predict: fixed part, one level per group, and whether a new observation is meant.
#[derive(Clone, Debug, PartialEq)]
pub struct LinearPrediction {
    /// One value per fixed column.
    pub fixed_row: Vec<f64>,
    /// One entry per group.
    pub levels: Vec<Level>,
    /// True for one new observation (residual spread added), false for the long-run mean.
    pub include_residual: bool,
}

impl CrossedModel {
    /// Checks lengths and ranges.
    ///
    /// # Errors
    /// The first thing that does not fit.
    pub fn check(&self) -> Result<(), StatsError> {
        let n = self.y.len();
        check_length("known variances", n, self.known_var.len())?;
        check_length("fixed design", n, self.fixed.n_rows())?;
        check_finite("observations", &self.y)?;
        let p = self.fixed.n_columns();
        if n == 0 || n < p {
            return Err(StatsError::TooFew {
                needed: p.max(1),
                found: n,
            });
        }
        check_positive_or_zero("known variance", &self.known_var)?;
        let estimated = matches!(self.residual, Residual::Estimated { .. });
        if let Residual::Known(value) = self.residual {
            check_positive_or_zero("residual standard deviation", &[value])?;
        }
        let floor = matches!(self.residual, Residual::Known(sd) if sd > 0.0);
        if !estimated && !floor && self.known_var.iter().any(|v| *v <= 0.0) {
            return Err(StatsError::OutOfRange {
                what: "known variance",
                value: 0.0,
            });
        }
        self.check_priors(p)?;
        self.groups.iter().try_for_each(|g| g.check(n))
    }

    fn check_priors(&self, p: usize) -> Result<(), StatsError> {
        if !self.fixed_priors.is_empty() {
            check_length("fixed priors", p, self.fixed_priors.len())?;
        }
        for prior in &self.fixed_priors {
            if let FixedPrior::Normal { mean, sd } = prior
                && !(mean.is_finite() && sd.is_finite() && *sd > 0.0)
            {
                return Err(StatsError::OutOfRange {
                    what: "prior of a fixed effect",
                    value: *sd,
                });
            }
        }
        if let Outliers::StudentT { df } = self.outliers
            && !(df > 2.0)
        {
            return Err(StatsError::OutOfRange {
                what: "degrees of freedom",
                value: df,
            });
        }
        let flat: Vec<usize> = (0..p)
            .filter(|j| matches!(self.fixed_prior(*j), FixedPrior::Flat))
            .collect();
        let independent = self.fixed.select(&flat).independent_columns();
        match (0..flat.len()).find(|k| !independent.contains(k)) {
            None => Ok(()),
            Some(k) => Err(StatsError::RankDeficient {
                column: flat.get(k).copied().unwrap_or(0),
            }),
        }
    }

    /// Prior of a fixed column.
    pub(super) fn fixed_prior(&self, column: usize) -> FixedPrior {
        self.fixed_priors
            .get(column)
            .copied()
            .unwrap_or(FixedPrior::Flat)
    }
}

impl Group {
    fn check(&self, n: usize) -> Result<(), StatsError> {
        check_length("group levels", n, self.levels.len())?;
        if let Some(level) = self.levels.iter().find(|l| **l >= self.n_levels) {
            return Err(StatsError::OutOfRange {
                what: "group level",
                value: *level as f64,
            });
        }
        match &self.spread {
            Spread::Estimated { .. } => Ok(()),
            Spread::Relative {
                factors: values, ..
            }
            | Spread::Stated { sds: values, .. }
            | Spread::Known { sds: values } => {
                check_length("known spreads", self.n_levels, values.len())?;
                check_positive_or_zero("known spread", values)
            }
        }
    }

    /// Whether the spread is one of the unknowns.
    pub(super) fn is_estimated(&self) -> bool {
        !matches!(self.spread, Spread::Known { .. })
    }

    /// Standard deviation of a level's effect, given the group's unknown (ignored where known).
    pub(super) fn level_sd(&self, sd: f64, level: usize) -> f64 {
        match &self.spread {
            Spread::Estimated { .. } => sd,
            Spread::Relative { factors, .. } => sd * factors.get(level).copied().unwrap_or(1.0),
            Spread::Stated { sds, .. } => sd * sds.get(level).copied().unwrap_or(0.0),
            Spread::Known { sds } => sds.get(level).copied().unwrap_or(0.0),
        }
    }

    /// Standard deviation of the effect of a level of which nothing is known.
    pub(super) fn new_sd(&self, sd: f64) -> f64 {
        match &self.spread {
            Spread::Estimated { .. } | Spread::Relative { .. } => sd,
            Spread::Stated { sds, .. } => sd * root_mean_square(sds),
            Spread::Known { sds } => root_mean_square(sds),
        }
    }

    /// Prior of the unknown; None where there is none to estimate.
    pub(super) const fn prior(&self) -> Option<SpreadPrior> {
        match self.spread {
            Spread::Estimated { prior_scale } | Spread::Relative { prior_scale, .. } => {
                Some(SpreadPrior::HalfT { scale: prior_scale })
            }
            Spread::Stated { log_scale, .. } => Some(SpreadPrior::LogT { scale: log_scale }),
            Spread::Known { .. } => None,
        }
    }
}

/// Prior of an unknown standard deviation, or of the factor on stated ones.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum SpreadPrior {
    /// Half-t(3) of this scale; infinite: flat.
    HalfT { scale: f64 },
    /// t(3) of this scale for the logarithm.
    LogT { scale: f64 },
}

impl SpreadPrior {
    /// Log density of the logarithm of the unknown, up to a constant.
    pub(super) fn ln_density(self, log: f64) -> f64 {
        match self {
            // Density of the standard deviation, and the Jacobian of its log.
            Self::HalfT { scale } => log - 2.0 * ((log.exp() / scale).powi(2) / 3.0).ln_1p(),
            Self::LogT { scale } => -2.0 * ((log / scale).powi(2) / 3.0).ln_1p(),
        }
    }

    /// Derivative of [`Self::ln_density`] by the log of the unknown.
    pub(super) fn slope(self, log: f64) -> f64 {
        match self {
            Self::HalfT { scale } => {
                let t = (log.exp() / scale).powi(2);
                if t.is_finite() {
                    1.0 - 4.0 * t / (3.0 + t)
                } else {
                    -3.0
                }
            }
            Self::LogT { scale } => -4.0 * log / (3.0 * scale * scale + log * log),
        }
    }

    /// Minus the second derivative; 0 where the density bends the other way.
    pub(super) fn curvature(self, log: f64) -> f64 {
        match self {
            Self::HalfT { scale } => {
                let t = (log.exp() / scale).powi(2);
                if t.is_finite() {
                    24.0 * t / (3.0 + t).powi(2)
                } else {
                    0.0
                }
            }
            Self::LogT { scale } => {
                let (of_scale, of_log) = (3.0 * scale * scale, log * log);
                (4.0 * (of_scale - of_log) / (of_scale + of_log).powi(2)).max(0.0)
            }
        }
    }

    /// Where a search starts that would start a standard deviation at `size`.
    pub(super) fn start(self, size: f64) -> f64 {
        match self {
            Self::HalfT { scale } => size.min(scale).ln(),
            Self::LogT { .. } => 0.0,
        }
    }
}

fn root_mean_square(values: &[f64]) -> f64 {
    let n = values.len().max(1) as f64;
    (values.iter().map(|s| s * s).sum::<f64>() / n).sqrt()
}

fn check_positive_or_zero(what: &'static str, values: &[f64]) -> Result<(), StatsError> {
    match values.iter().find(|v| !(v.is_finite() && **v >= 0.0)) {
        None => Ok(()),
        Some(&value) => Err(StatsError::OutOfRange { what, value }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn slope_and_curvature_are_those_of_the_density() {
        for prior in [
            SpreadPrior::HalfT { scale: 0.3 },
            SpreadPrior::HalfT {
                scale: f64::INFINITY,
            },
            SpreadPrior::LogT { scale: 0.5 },
        ] {
            for log in [-2.0, -0.3, 0.4] {
                let h = 1e-4;
                let [below, here, above] = [log - h, log, log + h].map(|log| prior.ln_density(log));
                let slope = (above - below) / (2.0 * h);
                assert!((prior.slope(log) - slope).abs() < 1e-6, "{prior:?} {log}");
                let bend = (2.0 * here - above - below) / (h * h);
                assert!((prior.curvature(log) - bend.max(0.0)).abs() < 1e-5);
            }
        }
    }
}
