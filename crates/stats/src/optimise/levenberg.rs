//! Nonlinear least squares (Levenberg 1944, Marquardt 1963, with Moré's 1978 scaling), by QR.

use super::derivatives::inverse_positive;
use crate::error::StatsError;
use nalgebra::{DMatrix, DVector};

/// How to run `levenberg_marquardt`.
#[derive(Clone, Debug, PartialEq)]
pub struct LmConfig {
    /// Most iterations.
    pub max_iterations: usize,
    /// Stops when a step changes no value by more than this part of itself.
    pub step_tolerance: f64,
}

impl LmConfig {
    /// 2000 iterations, relative step 1e-12: enough for the hard published test sets.
    #[must_use]
    pub fn strict() -> Self {
        Self {
            max_iterations: 2000,
            step_tolerance: 1e-12,
        }
    }
}

/// Result of nonlinear least squares.
#[derive(Clone, Debug, PartialEq)]
pub struct LmFit {
    /// Estimates.
    pub x: Vec<f64>,
    /// Covariance from the residual variance; None where the problem is singular at the solution.
    pub covariance: Option<Vec<Vec<f64>>>,
    /// Residual sum of squares.
    pub rss: f64,
    /// sqrt(rss/dof).
    pub residual_sd: f64,
    /// Residuals less unknowns.
    pub dof: usize,
    /// Iterations spent.
    pub iterations: usize,
}

impl LmFit {
    /// Standard errors; None where there is no covariance.
    #[must_use]
    pub fn standard_errors(&self) -> Option<Vec<f64>> {
        let c = self.covariance.as_ref()?;
        Some((0..c.len()).map(|j| c[j][j].max(0.0).sqrt()).collect())
    }
}

/// Minimises the sum of squared residuals.
///
/// `residuals` gives one value per observation; the Jacobian is taken by central differences.
///
/// # Errors
/// No unknowns, fewer residuals than unknowns, residuals not finite at the start, or no
/// convergence in the iterations allowed.
pub fn levenberg_marquardt(
    residuals: &dyn Fn(&[f64]) -> Vec<f64>,
    start: &[f64],
    config: &LmConfig,
) -> Result<LmFit, StatsError> {
    let first = search(residuals, start, config, 1.0);
    if first.as_ref().is_ok_and(|f| f.covariance.is_some()) {
        return first;
    }
    // A first step that overshoots can end on a plateau where a value no longer matters: once more
    // with shorter first steps, and the lowest of what is found.
    let others = [0.1, 0.01].map(|reach| search(residuals, start, config, reach));
    let mut best = first;
    for other in others {
        let better = match (&best, &other) {
            (Ok(a), Ok(b)) => b.rss < a.rss * (1.0 - 1e-9),
            (Err(_), Ok(_)) => true,
            _ => false,
        };
        if better {
            best = other;
        }
    }
    best
}

/// One search; the first step is no longer than `reach` times the scaled length of the start.
fn search(
    residuals: &dyn Fn(&[f64]) -> Vec<f64>,
    start: &[f64],
    config: &LmConfig,
    reach: f64,
) -> Result<LmFit, StatsError> {
    let p = start.len();
    let mut x = start.to_vec();
    let mut r = DVector::from_vec(residuals(&x));
    let n = r.len();
    if p == 0 || n < p {
        return Err(StatsError::TooFew {
            needed: p.max(1),
            found: n,
        });
    }
    let mut rss = r.norm_squared();
    if !rss.is_finite() {
        return Err(StatsError::OutOfRange {
            what: "residuals at the start",
            value: rss,
        });
    }
    let mut diagonal = DVector::zeros(p);
    let mut damping: Option<f64> = None;
    let mut growth = 2.0;
    for iteration in 0..config.max_iterations {
        let j = jacobian(residuals, &x, n);
        for k in 0..p {
            let length: f64 = j.column(k).norm();
            diagonal[k] = f64::max(diagonal[k], length).max(f64::MIN_POSITIVE);
        }
        let mut lambda = damping.unwrap_or_else(|| first_damping((&j, &r), &diagonal, &x, reach));
        loop {
            let step = damped_step(&j, &r, &diagonal, lambda);
            let small = step
                .iter()
                .zip(&x)
                .all(|(s, v)| s.abs() <= config.step_tolerance * v.abs());
            let trial: Vec<f64> = x.iter().zip(step.iter()).map(|(v, s)| v + s).collect();
            let trial_r = DVector::from_vec(residuals(&trial));
            let trial_rss = trial_r.norm_squared();
            let expected = rss - (&r + &j * &step).norm_squared();
            let gain = (rss - trial_rss) / expected;
            if trial_rss.is_finite() && trial_rss <= rss && (gain > 0.0 || small) {
                lambda *= f64::max(1.0 / 3.0, 1.0 - (2.0 * gain - 1.0).powi(3));
                growth = 2.0;
                (x, r, rss) = (trial, trial_r, trial_rss);
                if small {
                    return Ok(finish(residuals, x, rss, n, iteration + 1));
                }
                break;
            }
            if small || lambda > 1e30 {
                return Ok(finish(residuals, x, rss, n, iteration + 1));
            }
            lambda *= growth;
            growth *= 2.0;
        }
        damping = Some(lambda.max(1e-20));
    }
    Err(StatsError::NotConverged {
        what: "least squares",
        iterations: config.max_iterations,
    })
}

/// Damping at which the first step stays within `reach` times the scaled length of the start.
fn first_damping(
    (j, r): (&DMatrix<f64>, &DVector<f64>),
    diagonal: &DVector<f64>,
    x: &[f64],
    reach: f64,
) -> f64 {
    let length = DVector::from_column_slice(x).component_mul(diagonal).norm();
    let mut lambda = 1e-3;
    while length > 0.0 && lambda < 1e12 {
        let step = damped_step(j, r, diagonal, lambda);
        if step.component_mul(diagonal).norm() <= reach * length {
            break;
        }
        lambda *= 4.0;
    }
    lambda
}

/// Step that minimises |J s + r|^2 + lambda |D s|^2, by QR of the stacked system in scaled columns.
fn damped_step(
    j: &DMatrix<f64>,
    r: &DVector<f64>,
    diagonal: &DVector<f64>,
    lambda: f64,
) -> DVector<f64> {
    let (n, p) = j.shape();
    let root = lambda.sqrt();
    let stacked = DMatrix::from_fn(n + p, p, |i, k| {
        if i < n {
            j[(i, k)] / diagonal[k]
        } else if i - n == k {
            root
        } else {
            0.0
        }
    });
    let mut target = DVector::from_fn(n + p, |i, _| if i < n { -r[i] } else { 0.0 });
    let qr = stacked.qr();
    qr.q_tr_mul(&mut target);
    let top = target.rows(0, p).into_owned();
    let scaled = qr
        .r()
        .solve_upper_triangular(&top)
        .unwrap_or_else(|| DVector::zeros(p));
    scaled.component_div(diagonal)
}

fn jacobian(residuals: &dyn Fn(&[f64]) -> Vec<f64>, x: &[f64], n: usize) -> DMatrix<f64> {
    let mut j = DMatrix::zeros(n, x.len());
    let mut at = x.to_vec();
    for k in 0..x.len() {
        // Cube root of the precision balances rounding and curvature for central differences.
        let h = 6.0e-6 * x[k].abs().max(1e-8);
        at[k] = x[k] + h;
        let above = residuals(&at);
        at[k] = x[k] - h;
        let below = residuals(&at);
        at[k] = x[k];
        for (i, (a, b)) in above.iter().zip(&below).enumerate().take(n) {
            let slope = (a - b) / (2.0 * h);
            j[(i, k)] = if slope.is_finite() { slope } else { 0.0 };
        }
    }
    j
}

fn finish(
    residuals: &dyn Fn(&[f64]) -> Vec<f64>,
    x: Vec<f64>,
    rss: f64,
    n: usize,
    iterations: usize,
) -> LmFit {
    let p = x.len();
    let dof = n - p;
    let variance = if dof > 0 { rss / dof as f64 } else { 0.0 };
    let j = jacobian(residuals, &x, n);
    let lengths: Vec<f64> = (0..p).map(|k| j.column(k).norm()).collect();
    let covariance = lengths.iter().all(|l| *l > 0.0).then(|| {
        let scaled = DMatrix::from_fn(n, p, |i, k| j[(i, k)] / lengths[k]);
        let r = scaled.qr().r();
        let inverse = r.solve_upper_triangular(&DMatrix::identity(p, p))?;
        let product = &inverse * inverse.transpose();
        let rows: Vec<Vec<f64>> = (0..p)
            .map(|a| {
                (0..p)
                    .map(|b| variance * product[(a, b)] / (lengths[a] * lengths[b]))
                    .collect()
            })
            .collect();
        // A direction the data do not see at all has no finite variance.
        let singular = (0..p).any(|k| r[(k, k)].abs() < 1e-13);
        (!singular && inverse_positive(&rows, 0.0).is_some()).then_some(rows)
    });
    LmFit {
        x,
        covariance: covariance.flatten(),
        rss,
        residual_sd: variance.sqrt(),
        dof,
        iterations,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn recovers_an_exact_decay() {
        let t: Vec<f64> = (0..12).map(f64::from).collect();
        let y: Vec<f64> = t.iter().map(|t| 20.0 + 180.0 * (-0.3 * t).exp()).collect();
        let f = |x: &[f64]| -> Vec<f64> {
            t.iter()
                .zip(&y)
                .map(|(t, y)| x[0] + x[1] * (-x[2] * t).exp() - y)
                .collect()
        };
        let fit = levenberg_marquardt(&f, &[1.0, 100.0, 1.0], &LmConfig::strict()).unwrap();
        assert!(
            (fit.x[2] - 0.3).abs() < 1e-9 && (fit.x[0] - 20.0).abs() < 1e-7,
            "{fit:?}"
        );
        assert!(fit.rss < 1e-16);
    }

    #[test]
    fn refuses_what_cannot_be_fitted() {
        let f = |_: &[f64]| vec![1.0];
        assert!(levenberg_marquardt(&f, &[1.0, 2.0], &LmConfig::strict()).is_err());
        let f = |_: &[f64]| vec![f64::NAN, 1.0];
        assert!(levenberg_marquardt(&f, &[1.0], &LmConfig::strict()).is_err());
    }

    #[test]
    fn a_value_without_effect_has_no_covariance() {
        let f = |x: &[f64]| vec![x[0] - 1.0, x[0] - 2.0, x[0] - 3.0];
        let fit = levenberg_marquardt(&f, &[0.5, 7.0], &LmConfig::strict()).unwrap();
        assert!((fit.x[0] - 2.0).abs() < 1e-9 && fit.covariance.is_none());
    }
}
