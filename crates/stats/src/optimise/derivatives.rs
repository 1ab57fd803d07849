//! Numeric gradient and Hessian, and the inverse of a symmetric matrix that should be positive.

use nalgebra::{DMatrix, SymmetricEigen};

/// Central-difference gradient; step `relative` times the size of each value (at least of `floor`).
pub fn gradient(f: &dyn Fn(&[f64]) -> f64, x: &[f64], steps: &[f64]) -> Vec<f64> {
    let mut at = x.to_vec();
    (0..x.len())
        .map(|j| {
            let h = steps.get(j).copied().unwrap_or(1e-5);
            at[j] = x[j] + h;
            let above = f(&at);
            at[j] = x[j] - h;
            let below = f(&at);
            at[j] = x[j];
            if above.is_finite() && below.is_finite() {
                (above - below) / (2.0 * h)
            } else {
                // One side is out of bounds: one-sided difference from the point itself.
                let here = f(&at);
                if above.is_finite() {
                    (above - here) / h
                } else {
                    (here - below) / h
                }
            }
        })
        .collect()
}

/// Gradient from four points a variable: right to the fourth power of the step, for the last digits.
pub fn fine_gradient(f: &dyn Fn(&[f64]) -> f64, x: &[f64], steps: &[f64]) -> Vec<f64> {
    let double: Vec<f64> = steps.iter().map(|h| 2.0 * h).collect();
    let near = gradient(f, x, steps);
    let far = gradient(f, x, &double);
    near.iter()
        .zip(&far)
        .map(|(a, b)| (4.0 * a - b) / 3.0)
        .collect()
}

/// Central-difference Hessian (symmetric), with the given step for each variable.
pub fn hessian(f: &dyn Fn(&[f64]) -> f64, x: &[f64], steps: &[f64]) -> Vec<Vec<f64>> {
    let n = x.len();
    let step = |j: usize| steps.get(j).copied().unwrap_or(1e-4);
    let moved = |moves: &[(usize, f64)]| {
        let mut at = x.to_vec();
        for (j, by) in moves {
            at[*j] += by;
        }
        f(&at)
    };
    let here = f(x);
    let mut out = vec![vec![0.0; n]; n];
    for a in 0..n {
        let h = step(a);
        out[a][a] = (moved(&[(a, h)]) - 2.0 * here + moved(&[(a, -h)])) / (h * h);
        for b in 0..a {
            let k = step(b);
            let mixed =
                moved(&[(a, h), (b, k)]) - moved(&[(a, h), (b, -k)]) - moved(&[(a, -h), (b, k)])
                    + moved(&[(a, -h), (b, -k)]);
            out[a][b] = mixed / (4.0 * h * k);
            out[b][a] = out[a][b];
        }
    }
    out
}

/// Inverse of a symmetric matrix after lifting eigenvalues below `floor` to `floor`; None where a
/// value is not finite.
#[must_use]
pub fn inverse_positive(matrix: &[Vec<f64>], floor: f64) -> Option<Vec<Vec<f64>>> {
    let n = matrix.len();
    if n == 0 {
        return Some(Vec::new());
    }
    if matrix
        .iter()
        .any(|row| row.len() != n || row.iter().any(|v| !v.is_finite()))
    {
        return None;
    }
    let m = DMatrix::from_fn(n, n, |i, j| 0.5 * (matrix[i][j] + matrix[j][i]));
    let eigen = SymmetricEigen::try_new(m, f64::EPSILON, 10_000)?;
    let mut out = vec![vec![0.0; n]; n];
    for (k, value) in eigen.eigenvalues.iter().enumerate() {
        let inverse = 1.0 / value.max(floor);
        for i in 0..n {
            for j in 0..n {
                out[i][j] += eigen.eigenvectors[(i, k)] * eigen.eigenvectors[(j, k)] * inverse;
            }
        }
    }
    Some(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn derivatives_of_a_known_function() {
        let f = |x: &[f64]| x[0].powi(2) * x[1] + x[1].exp();
        let at = [2.0, 0.5];
        let g = gradient(&f, &at, &[1e-5, 1e-5]);
        assert!((g[0] - 2.0).abs() < 1e-8 && (g[1] - (4.0 + 0.5_f64.exp())).abs() < 1e-8);
        let h = hessian(&f, &at, &[1e-4, 1e-4]);
        assert!((h[0][0] - 1.0).abs() < 1e-5 && (h[0][1] - 4.0).abs() < 1e-5);
        assert!((h[1][1] - 0.5_f64.exp()).abs() < 1e-5);
    }

    #[test]
    fn one_sided_where_a_side_is_out_of_bounds() {
        let f = |x: &[f64]| {
            if x[0] < 1.0 {
                f64::INFINITY
            } else {
                3.0 * x[0]
            }
        };
        assert!((gradient(&f, &[1.0], &[1e-6])[0] - 3.0).abs() < 1e-6);
    }

    #[test]
    fn inverse_lifts_flat_directions() {
        let inverse = inverse_positive(&[vec![4.0, 0.0], vec![0.0, -1.0]], 0.5).unwrap();
        assert!((inverse[0][0] - 0.25).abs() < 1e-12 && (inverse[1][1] - 2.0).abs() < 1e-12);
        assert!(inverse_positive(&[vec![f64::NAN]], 1.0).is_none());
    }
}
