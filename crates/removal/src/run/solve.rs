//! Damped least squares for a handful of unknowns, with any of them held fixed.
//!
//! Levenberg's damping with Marquardt's scaling; derivatives by forward differences. Every term of a
//! censored, penalised likelihood can be written as a residual whose square is its deviance, so
//! that one solver serves exact values, bounds and priors alike.

/// Where the search ended.
#[derive(Clone, Debug)]
pub(super) struct Solution {
    pub(super) theta: Vec<f64>,
    /// Sum of squared residuals.
    pub(super) sum: f64,
    /// JᵀJ at the end, over the free unknowns (`free` order).
    pub(super) information: Vec<Vec<f64>>,
}

const N_ITERATIONS: usize = 60;
/// Unknowns are logarithms or standardised: a longer step leaves what the derivatives can know.
const STEP_MAX: f64 = 1.0;

/// Minimises the sum of squares of `residuals` over the unknowns that `fixed` (an index) does not hold, until a
/// step gains less than `gain_min`.
pub(super) fn solve(
    residuals: &impl Fn(&[f64], &mut Vec<f64>),
    start: &[f64],
    fixed: Option<usize>,
    gain_min: f64,
) -> Solution {
    let free: Vec<usize> = (0..start.len()).filter(|idx| Some(*idx) != fixed).collect();
    let mut theta = start.to_vec();
    let mut value = Vec::new();
    residuals(&theta, &mut value);
    let mut sum = squares(&value);
    let mut damping = 1e-3;
    let mut information = vec![vec![0.0; free.len()]; free.len()];
    for _ in 0..N_ITERATIONS {
        let jacobian = jacobian(residuals, &theta, &value, &free);
        information = gram(&jacobian);
        let gradient: Vec<f64> = jacobian.iter().map(|column| dot(column, &value)).collect();
        let mut improved = false;
        let mut gain = 0.0;
        for _ in 0..12 {
            let mut damped = information.clone();
            for (idx, row) in damped.iter_mut().enumerate() {
                if let Some(cell) = row.get_mut(idx) {
                    *cell += damping * cell.max(1e-8);
                }
            }
            let Some(step) = solve_spd(&damped, &gradient) else {
                damping *= 10.0;
                continue;
            };
            let mut trial = theta.clone();
            for (idx, change) in free.iter().zip(&step) {
                if let Some(cell) = trial.get_mut(*idx) {
                    *cell -= change.clamp(-STEP_MAX, STEP_MAX);
                }
            }
            let mut at_trial = Vec::with_capacity(value.len());
            residuals(&trial, &mut at_trial);
            let trial_sum = squares(&at_trial);
            if trial_sum.is_finite() && trial_sum < sum {
                gain = sum - trial_sum;
                (theta, value, sum) = (trial, at_trial, trial_sum);
                damping = (damping * 0.2).max(1e-12);
                improved = true;
                break;
            }
            damping *= 6.0;
        }
        if !improved || gain < gain_min {
            break;
        }
    }
    Solution {
        theta,
        sum,
        information,
    }
}

fn squares(values: &[f64]) -> f64 {
    let sum: f64 = values.iter().map(|value| value * value).sum();
    if sum.is_nan() { f64::INFINITY } else { sum }
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

/// All products of the columns: XᵀX.
pub(super) fn gram(columns: &[Vec<f64>]) -> Vec<Vec<f64>> {
    columns
        .iter()
        .map(|a| columns.iter().map(|b| dot(a, b)).collect())
        .collect()
}

fn jacobian(
    residuals: &impl Fn(&[f64], &mut Vec<f64>),
    theta: &[f64],
    value: &[f64],
    free: &[usize],
) -> Vec<Vec<f64>> {
    // Forward differences: unknowns of size one, and the step search needs no more than the slope's first digits.
    const H: f64 = 1e-6;
    let mut shifted = Vec::with_capacity(value.len());
    let mut moved = theta.to_vec();
    free.iter()
        .map(|idx| {
            if let Some(cell) = moved.get_mut(*idx) {
                *cell += H;
            }
            residuals(&moved, &mut shifted);
            if let (Some(cell), Some(own)) = (moved.get_mut(*idx), theta.get(*idx)) {
                *cell = *own;
            }
            shifted
                .iter()
                .zip(value)
                .map(|(a, b)| (a - b) / H)
                .map(|slope| if slope.is_finite() { slope } else { 0.0 })
                .collect()
        })
        .collect()
}

/// Cholesky factor (lower) of a symmetric matrix; None where it is not positive definite.
fn cholesky(matrix: &[Vec<f64>]) -> Option<Vec<Vec<f64>>> {
    let n = matrix.len();
    let mut lower = vec![vec![0.0; n]; n];
    for i in 0..n {
        for j in 0..=i {
            let known = dot(lower.get(i)?.get(..j)?, lower.get(j)?.get(..j)?);
            let rest = matrix.get(i)?.get(j)? - known;
            let value = if i == j {
                if rest <= 0.0 || !rest.is_finite() {
                    return None;
                }
                rest.sqrt()
            } else {
                rest / lower.get(j)?.get(j)?
            };
            *lower.get_mut(i)?.get_mut(j)? = value;
        }
    }
    Some(lower)
}

/// Solution of a symmetric positive definite system.
pub(crate) fn solve_spd(matrix: &[Vec<f64>], right: &[f64]) -> Option<Vec<f64>> {
    let lower = cholesky(matrix)?;
    let n = right.len();
    let mut forward = vec![0.0; n];
    for i in 0..n {
        let known = dot(lower.get(i)?.get(..i)?, forward.get(..i)?);
        *forward.get_mut(i)? = (right.get(i)? - known) / lower.get(i)?.get(i)?;
    }
    let mut back = vec![0.0; n];
    for i in (0..n).rev() {
        let mut rest = *forward.get(i)?;
        for j in i + 1..n {
            rest -= lower.get(j)?.get(i)? * back.get(j)?;
        }
        *back.get_mut(i)? = rest / lower.get(i)?.get(i)?;
    }
    Some(back)
}

/// Log of the determinant of a symmetric positive definite matrix.
pub(super) fn log_determinant(matrix: &[Vec<f64>]) -> Option<f64> {
    let lower = cholesky(matrix)?;
    Some(
        lower
            .iter()
            .enumerate()
            .filter_map(|(idx, row)| row.get(idx))
            .map(|cell| 2.0 * cell.ln())
            .sum(),
    )
}

/// One diagonal cell of the inverse of a symmetric positive definite matrix.
pub(crate) fn inverse_diagonal(matrix: &[Vec<f64>], idx: usize) -> Option<f64> {
    let unit: Vec<f64> = (0..matrix.len())
        .map(|i| if i == idx { 1.0 } else { 0.0 })
        .collect();
    solve_spd(matrix, &unit)?.get(idx).copied()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn misra1a_is_found_from_the_far_start() {
        // NIST StRD nonlinear regression, Misra1a: b1 238.94212918, b2 5.5015643181E-04, from start 1.
        let data = [
            (10.07, 77.6),
            (14.73, 114.9),
            (17.94, 141.1),
            (23.93, 190.8),
            (29.61, 239.9),
            (35.18, 289.0),
            (40.02, 332.8),
            (44.82, 378.4),
            (50.76, 434.8),
            (55.05, 477.3),
            (61.01, 536.8),
            (66.40, 593.1),
            (75.47, 689.1),
            (81.78, 760.0),
        ];
        let residuals = |theta: &[f64], out: &mut Vec<f64>| {
            out.clear();
            let (b1, b2) = (theta[0].exp(), theta[1].exp());
            out.extend(data.iter().map(|(y, x)| y - b1 * (1.0 - (-b2 * x).exp())));
        };
        let found = solve(&residuals, &[500.0_f64.ln(), 0.0001_f64.ln()], None, 1e-14);
        assert!((found.theta[0].exp() / 238.942_129_18 - 1.0).abs() < 1e-6);
        assert!((found.theta[1].exp() / 5.501_564_318_1e-4 - 1.0).abs() < 1e-6);
        assert!((found.sum / 0.124_551_388_94 - 1.0).abs() < 1e-6);
    }

    #[test]
    fn a_held_unknown_does_not_move() {
        let residuals = |theta: &[f64], out: &mut Vec<f64>| {
            out.clear();
            out.extend([theta[0] - 3.0, theta[1] + 2.0]);
        };
        let found = solve(&residuals, &[1.0, 1.0], Some(0), 1e-12);
        assert!((found.theta[0] - 1.0).abs() < 1e-12 && (found.theta[1] + 2.0).abs() < 1e-9);
    }
}
