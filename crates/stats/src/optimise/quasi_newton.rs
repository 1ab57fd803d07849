//! Minimiser for smooth likelihoods of a few unknowns: BFGS with numeric gradients, finished by
//! Newton steps on the numeric Hessian, which is also what the covariance comes from.

use super::derivatives::{fine_gradient, gradient, hessian, inverse_positive};
use super::sane;
use super::simplex::{SimplexConfig, nelder_mead};

/// How to run `minimise`.
#[derive(Clone, Debug, PartialEq)]
pub struct MinimiseConfig {
    /// A typical size of change in each variable (sets difference steps and the first move).
    pub scales: Vec<f64>,
    /// Most BFGS iterations.
    pub max_iterations: usize,
    /// Stops when the gradient times the scale is below this for every variable.
    pub gradient_tolerance: f64,
}

impl MinimiseConfig {
    /// Scales as given, 200 iterations, gradient tolerance 1e-6: fit for log-likelihoods.
    #[must_use]
    pub fn with_scales(scales: Vec<f64>) -> Self {
        Self {
            scales,
            max_iterations: 200,
            gradient_tolerance: 1e-6,
        }
    }

    fn scale(&self, j: usize) -> f64 {
        self.scales.get(j).copied().unwrap_or(1.0)
    }

    /// A place `u` scales away from `start`.
    fn unscaled(&self, start: &[f64], u: &[f64]) -> Vec<f64> {
        let moved = start.iter().zip(u).enumerate();
        moved.map(|(j, (x, u))| x + u * self.scale(j)).collect()
    }
}

/// Where `minimise` would end before its last digits: no Newton steps, no curvature.
pub fn descend(f: &dyn Fn(&[f64]) -> f64, start: &[f64], config: &MinimiseConfig) -> Vec<f64> {
    let n = start.len();
    let g = |u: &[f64]| sane(f(&config.unscaled(start, u)));
    let at = Search::new(&g, n, config).settle(n, config.max_iterations);
    config.unscaled(start, &at.u)
}

/// A minimum.
#[derive(Clone, Debug, PartialEq)]
pub struct Minimum {
    /// Position.
    pub x: Vec<f64>,
    /// Value of the objective.
    pub value: f64,
    /// Numeric second derivatives at the position.
    pub hessian: Vec<Vec<f64>>,
    /// Whether the gradient criterion was met and the Hessian is positive.
    pub converged: bool,
    /// Evaluations of the objective, about.
    pub iterations: usize,
}

impl Minimum {
    /// Inverse of the Hessian times `factor` (1 for a negative log-likelihood, 2 for minus twice
    /// it); None where the Hessian is not positive.
    #[must_use]
    pub fn covariance(&self, factor: f64) -> Option<Vec<Vec<f64>>> {
        if !is_positive(&self.hessian) {
            return None;
        }
        let inverse = inverse_positive(&self.hessian, 0.0)?;
        Some(
            inverse
                .into_iter()
                .map(|r| r.into_iter().map(|v| v * factor).collect())
                .collect(),
        )
    }
}

/// Whether a symmetric matrix has a Cholesky factor.
fn is_positive(matrix: &[Vec<f64>]) -> bool {
    let n = matrix.len();
    if matrix
        .iter()
        .any(|r| r.len() != n || r.iter().any(|v| !v.is_finite()))
    {
        return false;
    }
    nalgebra::DMatrix::from_fn(n, n, |i, j| matrix[i][j])
        .cholesky()
        .is_some()
}

/// Minimises a smooth function from `start`.
///
/// Works in units of `config.scales`. Where BFGS stalls (kinks, undefined regions) a simplex search
/// takes over before the final Newton steps.
pub fn minimise(f: &dyn Fn(&[f64]) -> f64, start: &[f64], config: &MinimiseConfig) -> Minimum {
    let n = start.len();
    let scale = |j: usize| config.scale(j);
    let unscaled = |u: &[f64]| config.unscaled(start, u);
    let g = |u: &[f64]| sane(f(&unscaled(u)));
    let mut search = Search::new(&g, n, config);
    let at = search.settle(n, config.max_iterations);
    let polished = search.newton(at);
    let curvature = hessian(&g, &polished.u, &vec![1e-3; n]);
    let slope = fine_gradient(&g, &polished.u, &vec![1e-3; n]);
    let small = slope
        .iter()
        .all(|s| s.abs() <= 50.0 * config.gradient_tolerance);
    let hessian = (0..n)
        .map(|a| {
            (0..n)
                .map(|b| curvature[a][b] / (scale(a) * scale(b)))
                .collect()
        })
        .collect();
    Minimum {
        x: unscaled(&polished.u),
        value: polished.value,
        converged: small && polished.value.is_finite() && is_positive(&curvature),
        hessian,
        iterations: polished.iterations,
    }
}

/// Rounding of an objective that is a sum of many terms, relative to its value.
const ROUNDING: f64 = 1e-12;

struct Point {
    u: Vec<f64>,
    value: f64,
    settled: bool,
    iterations: usize,
}

struct Search<'a> {
    f: &'a dyn Fn(&[f64]) -> f64,
    steps: Vec<f64>,
    tolerance: f64,
}

impl<'a> Search<'a> {
    fn new(f: &'a dyn Fn(&[f64]) -> f64, n: usize, config: &MinimiseConfig) -> Self {
        Self {
            f,
            steps: vec![1e-4; n],
            tolerance: config.gradient_tolerance,
        }
    }

    /// BFGS from the origin, through a simplex search where it stalls.
    fn settle(&mut self, n: usize, max_iterations: usize) -> Point {
        let at = self.bfgs(vec![0.0; n], max_iterations);
        if at.settled {
            return at;
        }
        let simplex = SimplexConfig {
            steps: vec![0.3; n],
            tolerance: 1e-10,
            max_evaluations: 400 * (n + 1),
        };
        let (u, value) = nelder_mead(self.f, &at.u, &simplex);
        if value < at.value {
            self.bfgs(u, max_iterations)
        } else {
            at
        }
    }

    fn bfgs(&mut self, start: Vec<f64>, max_iterations: usize) -> Point {
        let n = start.len();
        let mut u = start;
        let mut value = (self.f)(&u);
        let mut slope = gradient(self.f, &u, &self.steps);
        let mut inverse = identity(n);
        for iteration in 0..max_iterations {
            if slope.iter().all(|s| s.abs() <= self.tolerance) {
                return Point {
                    u,
                    value,
                    settled: true,
                    iterations: iteration,
                };
            }
            let mut direction: Vec<f64> = inverse.iter().map(|row| -dot(row, &slope)).collect();
            if dot(&direction, &slope) >= 0.0 {
                inverse = identity(n);
                direction = slope.iter().map(|s| -s).collect();
            }
            // What is left to gain drowns in the rounding of the objective.
            if -dot(&direction, &slope) <= ROUNDING * (1.0 + value.abs()) {
                return Point {
                    u,
                    value,
                    settled: true,
                    iterations: iteration,
                };
            }
            // No move longer than one scale per variable: likelihoods far out are often flat.
            let longest = direction.iter().fold(0.0_f64, |m, d| m.max(d.abs()));
            if longest > 1.0 {
                direction.iter_mut().for_each(|d| *d /= longest);
            }
            let Some((next, next_value)) = self.line_search(&u, value, &direction, &slope) else {
                let flat = slope.iter().all(|s| s.abs() <= 1e3 * self.tolerance);
                return Point {
                    u,
                    value,
                    settled: flat,
                    iterations: iteration,
                };
            };
            let next_slope = gradient(self.f, &next, &self.steps);
            update_inverse(
                &mut inverse,
                &difference(&next, &u),
                &difference(&next_slope, &slope),
            );
            (u, value, slope) = (next, next_value, next_slope);
        }
        Point {
            u,
            value,
            settled: false,
            iterations: max_iterations,
        }
    }

    /// Backtracking search; None where no step lowers the value enough.
    fn line_search(
        &self,
        u: &[f64],
        value: f64,
        direction: &[f64],
        slope: &[f64],
    ) -> Option<(Vec<f64>, f64)> {
        let fall = dot(direction, slope);
        let mut t = 1.0;
        for _ in 0..40 {
            let next: Vec<f64> = u.iter().zip(direction).map(|(x, d)| x + t * d).collect();
            let next_value = (self.f)(&next);
            if next_value <= value + 1e-4 * t * fall {
                return Some((next, next_value));
            }
            let guess = -fall * t * t / (2.0 * (next_value - value - fall * t));
            t = if guess.is_finite() {
                guess.clamp(0.1 * t, 0.5 * t)
            } else {
                0.2 * t
            };
        }
        None
    }

    /// Up to six Newton steps, each kept only while it lowers the value or the gradient.
    fn newton(&mut self, start: Point) -> Point {
        let mut at = start;
        for _ in 0..6 {
            let n = at.u.len();
            let slope = fine_gradient(self.f, &at.u, &vec![1e-3; n]);
            let curvature = hessian(self.f, &at.u, &vec![1e-3; n]);
            if !is_positive(&curvature) {
                break;
            }
            let Some(inverse) = inverse_positive(&curvature, 0.0) else {
                break;
            };
            let step: Vec<f64> = inverse.iter().map(|row| -dot(row, &slope)).collect();
            let longest = step.iter().fold(0.0_f64, |m, s| m.max(s.abs()));
            if !(longest > 1e-10) || longest > 1.0 {
                break;
            }
            let next: Vec<f64> = at.u.iter().zip(&step).map(|(x, s)| x + s).collect();
            let value = (self.f)(&next);
            // Rounding of the objective hides the last digits; the gradient still shows them.
            let noise = ROUNDING * (1.0 + at.value.abs());
            if !(value <= at.value + noise) {
                break;
            }
            at = Point {
                u: next,
                value,
                ..at
            };
        }
        at
    }
}

fn identity(n: usize) -> Vec<Vec<f64>> {
    (0..n)
        .map(|i| (0..n).map(|j| if i == j { 1.0 } else { 0.0 }).collect())
        .collect()
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

fn difference(a: &[f64], b: &[f64]) -> Vec<f64> {
    a.iter().zip(b).map(|(x, y)| x - y).collect()
}

/// BFGS update of the inverse Hessian from a step `s` and change of gradient `y`.
pub(crate) fn update_inverse(inverse: &mut [Vec<f64>], s: &[f64], y: &[f64]) {
    let sy = dot(s, y);
    if !(sy > 1e-14) {
        return;
    }
    let hy: Vec<f64> = inverse.iter().map(|row| dot(row, y)).collect();
    let factor = (sy + dot(y, &hy)) / (sy * sy);
    for (i, row) in inverse.iter_mut().enumerate() {
        for (j, h) in row.iter_mut().enumerate() {
            *h += factor * s[i] * s[j] - (hy[i] * s[j] + s[i] * hy[j]) / sy;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rosenbrock_and_its_curvature() {
        let f = |x: &[f64]| 100.0 * (x[1] - x[0] * x[0]).powi(2) + (1.0 - x[0]).powi(2);
        let m = minimise(
            &f,
            &[-1.2, 1.0],
            &MinimiseConfig::with_scales(vec![1.0, 1.0]),
        );
        assert!(m.converged && (m.x[0] - 1.0).abs() < 1e-6, "{m:?}");
        assert!((m.hessian[0][0] - 802.0).abs() < 0.5 && (m.hessian[1][1] - 200.0).abs() < 0.1);
    }

    #[test]
    fn scales_make_badly_scaled_problems_easy() {
        let f = |x: &[f64]| (x[0] * 1e6 - 3.0).powi(2) + (x[1] * 1e-4 - 2.0).powi(2);
        let m = minimise(
            &f,
            &[0.0, 0.0],
            &MinimiseConfig::with_scales(vec![1e-6, 1e4]),
        );
        assert!(m.converged && (m.x[0] - 3e-6).abs() < 1e-11 && (m.x[1] - 2e4).abs() < 1e-1);
        let cov = m.covariance(1.0).unwrap();
        assert!((cov[0][0] / 0.5e-12 - 1.0).abs() < 1e-4);
    }

    #[test]
    fn a_saddle_is_not_called_a_minimum() {
        let f = |x: &[f64]| x[0] * x[0] - x[1].powi(2).min(1.0);
        let m = minimise(
            &f,
            &[0.0, 0.0],
            &MinimiseConfig::with_scales(vec![1.0, 1.0]),
        );
        assert!(!m.converged || m.value < -0.9);
    }
}
