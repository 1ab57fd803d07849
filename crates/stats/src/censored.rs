//! Observations known only in part: below a limit, above one, or between two.
//!
//! Likelihood terms as in Tobin 1958 and Meeker & Escobar 1998; log tail probabilities are true
//! ones, so a limit far from the curve costs a large finite amount instead of infinity.

use crate::error::{StatsError, check_finite, check_length};
use crate::linear::{Design, least_squares};
use crate::normal::{ln_cdf, ln_interval, ln_pdf};
use crate::optimise::{MinimiseConfig, minimise};

/// What is known of one value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Seen {
    /// The value itself.
    Exact(f64),
    /// Somewhere below this limit (left-censored).
    Below(f64),
    /// Somewhere above this limit (right-censored).
    Above(f64),
    /// Somewhere between these two.
    Between(f64, f64),
}

impl Seen {
    /// The same knowledge after an increasing function of the value.
    #[must_use]
    pub fn map(self, f: impl Fn(f64) -> f64) -> Self {
        match self {
            Self::Exact(v) => Self::Exact(f(v)),
            Self::Below(v) => Self::Below(f(v)),
            Self::Above(v) => Self::Above(f(v)),
            Self::Between(a, b) => Self::Between(f(a), f(b)),
        }
    }

    /// The value, the limit, or the middle of the two limits: a starting value, never an estimate.
    #[must_use]
    pub fn rough(self) -> f64 {
        match self {
            Self::Exact(v) | Self::Below(v) | Self::Above(v) => v,
            Self::Between(a, b) => 0.5 * (a + b),
        }
    }

    /// Whether every number in it is finite.
    #[must_use]
    pub fn is_finite(self) -> bool {
        match self {
            Self::Exact(v) | Self::Below(v) | Self::Above(v) => v.is_finite(),
            Self::Between(a, b) => a.is_finite() && b.is_finite(),
        }
    }
}

/// Log-likelihood of one observation under a normal law; minus infinity for a spread that is not positive.
#[must_use]
pub fn ln_likelihood(seen: Seen, mean: f64, sd: f64) -> f64 {
    if !(sd > 0.0) || !mean.is_finite() {
        return f64::NEG_INFINITY;
    }
    let z = |v: f64| (v - mean) / sd;
    match seen {
        Seen::Exact(v) => ln_pdf(z(v)) - sd.ln(),
        Seen::Below(v) => ln_cdf(z(v)),
        Seen::Above(v) => ln_cdf(-z(v)),
        Seen::Between(a, b) => ln_interval(z(a), z(b)),
    }
}

/// Log-likelihood of one observation of a positive quantity under a lognormal law with the given
/// median and standard deviation of the log. The density is that **of the log** (no Jacobian).
#[must_use]
pub fn ln_likelihood_log(seen: Seen, median: f64, ln_sd: f64) -> f64 {
    if !(median > 0.0) {
        return f64::NEG_INFINITY;
    }
    match seen {
        Seen::Below(v) if v <= 0.0 => f64::NEG_INFINITY,
        Seen::Above(v) if v <= 0.0 => 0.0,
        Seen::Between(a, b) if a <= 0.0 => ln_likelihood_log(Seen::Below(b), median, ln_sd),
        Seen::Exact(v) if v <= 0.0 => f64::NEG_INFINITY,
        other => ln_likelihood(other.map(f64::ln), median.ln(), ln_sd),
    }
}

/// Result of a censored regression.
#[derive(Clone, Debug, PartialEq)]
pub struct TobitFit {
    /// One per column.
    pub coefficients: Vec<f64>,
    /// Standard deviation of the errors.
    pub sd: f64,
    /// Standard errors of the coefficients, then of ln(sd); None where the likelihood is flat.
    pub standard_errors: Option<Vec<f64>>,
    /// Covariance of the coefficients and ln(sd), row by row; None where the likelihood is flat.
    pub covariance: Option<Vec<Vec<f64>>>,
    /// Maximised log-likelihood.
    pub ln_likelihood: f64,
    /// Whether the maximum was found.
    pub converged: bool,
}

/// Regression with normal errors on observations known in part (Tobin 1958), by maximum likelihood.
///
/// For a lognormal law pass logs: `seen.map(f64::ln)`.
///
/// # Errors
/// Unequal lengths, values that are not finite, dependent columns, or no more observations than columns.
pub fn fit_tobit(design: &Design, seen: &[Seen]) -> Result<TobitFit, StatsError> {
    let p = design.n_columns();
    check_length("observations", design.n_rows(), seen.len())?;
    let rough: Vec<f64> = seen.iter().map(|s| s.rough()).collect();
    check_finite("observations", &rough)?;
    if seen.len() <= p {
        return Err(StatsError::TooFew {
            needed: p + 1,
            found: seen.len(),
        });
    }
    let first = least_squares(design, &rough, None)?;
    let size = if first.residual_sd > 0.0 {
        first.residual_sd
    } else {
        1e-6
    };
    let rows: Vec<Vec<f64>> = (0..seen.len()).map(|i| design.row(i)).collect();
    let objective = |x: &[f64]| {
        let (b, ln_sd) = x.split_at(p);
        let sd = ln_sd.first().copied().unwrap_or(0.0).exp();
        -rows
            .iter()
            .zip(seen)
            .map(|(row, s)| {
                let mean: f64 = row.iter().zip(b).map(|(x, b)| x * b).sum();
                ln_likelihood(*s, mean, sd)
            })
            .sum::<f64>()
    };
    let mut start = first.coefficients.clone();
    start.push(size.ln());
    let mut scales: Vec<f64> = first
        .standard_errors
        .iter()
        .zip(&first.coefficients)
        .map(|(se, b)| {
            if *se > 0.0 {
                *se
            } else {
                1e-6 * b.abs().max(1.0)
            }
        })
        .collect();
    scales.push(0.3);
    let found = minimise(&objective, &start, &MinimiseConfig::with_scales(scales));
    let covariance = found.covariance(1.0);
    let standard_errors = covariance.as_ref().map(|c| {
        c.iter()
            .enumerate()
            .map(|(j, row)| row[j].max(0.0).sqrt())
            .collect()
    });
    Ok(TobitFit {
        coefficients: found.x.iter().take(p).copied().collect(),
        sd: found.x.last().map_or(f64::NAN, |l| l.exp()),
        standard_errors,
        covariance,
        ln_likelihood: -found.value,
        converged: found.converged,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rng;

    #[test]
    fn parts_of_the_line_add_up_to_one() {
        let p = |s| ln_likelihood(s, 3.0, 2.0).exp();
        let total = p(Seen::Below(1.0)) + p(Seen::Between(1.0, 4.0)) + p(Seen::Above(4.0));
        assert!((total - 1.0).abs() < 1e-12);
        assert!(ln_likelihood(Seen::Below(-1e6), 0.0, 1.0).is_finite());
        assert!(ln_likelihood(Seen::Exact(0.0), 0.0, 0.0).is_infinite());
    }

    #[test]
    fn log_scale_keeps_to_positive_values() {
        let a = ln_likelihood_log(Seen::Below(20.0), 15.0, 0.1);
        assert!((a - ln_likelihood(Seen::Below(20.0_f64.ln()), 15.0_f64.ln(), 0.1)).abs() < 1e-15);
        assert!(ln_likelihood_log(Seen::Above(-1.0), 5.0, 0.2).abs() < 1e-300);
        assert!(ln_likelihood_log(Seen::Exact(5.0), -1.0, 0.2).is_infinite());
    }

    #[test]
    fn without_censoring_it_is_least_squares() {
        let x = vec![0.0, 1.0, 2.0, 3.0, 4.0, 5.0];
        let y = [1.1, 2.9, 5.2, 6.8, 9.1, 11.2];
        let design = Design::with_intercept(6, vec![x]).unwrap();
        let seen: Vec<Seen> = y.iter().map(|v| Seen::Exact(*v)).collect();
        let (a, b) = (
            fit_tobit(&design, &seen).unwrap(),
            least_squares(&design, &y, None).unwrap(),
        );
        assert!((a.coefficients[1] - b.coefficients[1]).abs() < 1e-7);
        assert!((a.sd - (b.rss / 6.0).sqrt()).abs() < 1e-6 && a.converged);
    }

    #[test]
    fn censoring_half_the_data_does_not_bias_the_slope() {
        let mut rng = rng::seeded(5, "tobit");
        let n = 2000;
        let x: Vec<f64> = (0..n).map(|i| f64::from(i) / 500.0).collect();
        let seen: Vec<Seen> = x
            .iter()
            .map(|x| 1.0 + 2.0 * x + rng::standard_normal(&mut rng))
            .map(|y| {
                if y < 4.0 {
                    Seen::Below(4.0)
                } else if y > 8.0 {
                    Seen::Above(8.0)
                } else {
                    Seen::Exact(y)
                }
            })
            .collect();
        let fit = fit_tobit(&Design::with_intercept(n as usize, vec![x]).unwrap(), &seen).unwrap();
        let se = fit.standard_errors.unwrap();
        assert!((fit.coefficients[1] - 2.0).abs() < 4.0 * se[1] && se[1] < 0.1);
    }
}
