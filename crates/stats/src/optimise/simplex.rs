//! Downhill simplex (Nelder & Mead 1965) with the dimension-dependent coefficients of Gao & Han (2012).

use super::sane;

/// How to run the simplex search.
#[derive(Clone, Debug, PartialEq)]
pub struct SimplexConfig {
    /// Length of the first simplex along each variable.
    pub steps: Vec<f64>,
    /// Stops when values over the simplex differ by less than this.
    pub tolerance: f64,
    /// Most evaluations.
    pub max_evaluations: usize,
}

/// Lowest point found and its value.
pub fn nelder_mead(
    f: &dyn Fn(&[f64]) -> f64,
    start: &[f64],
    config: &SimplexConfig,
) -> (Vec<f64>, f64) {
    let n = start.len();
    if n == 0 {
        return (Vec::new(), sane(f(start)));
    }
    let dim = n as f64;
    let (expand, contract, shrink) = if n == 1 {
        (2.0, 0.5, 0.5)
    } else {
        (1.0 + 2.0 / dim, 0.75 - 0.5 / dim, 1.0 - 1.0 / dim)
    };
    let mut simplex: Vec<(Vec<f64>, f64)> = Vec::with_capacity(n + 1);
    simplex.push((start.to_vec(), sane(f(start))));
    for j in 0..n {
        let mut x = start.to_vec();
        x[j] += config.steps.get(j).copied().unwrap_or(0.1);
        let value = sane(f(&x));
        simplex.push((x, value));
    }
    let mut used = n + 1;
    while used < config.max_evaluations {
        simplex.sort_by(|a, b| a.1.total_cmp(&b.1));
        let (best, worst, second) = (simplex[0].1, simplex[n].1, simplex[n - 1].1);
        if worst - best <= config.tolerance && worst.is_finite() {
            break;
        }
        let centre: Vec<f64> = (0..n)
            .map(|j| simplex[..n].iter().map(|s| s.0[j]).sum::<f64>() / dim)
            .collect();
        let along = |t: f64| -> (Vec<f64>, f64) {
            let x: Vec<f64> = centre
                .iter()
                .zip(&simplex[n].0)
                .map(|(c, w)| c + t * (c - w))
                .collect();
            let value = sane(f(&x));
            (x, value)
        };
        let reflected = along(1.0);
        used += 1;
        let replacement = if reflected.1 < best {
            used += 1;
            let further = along(expand);
            Some(if further.1 < reflected.1 {
                further
            } else {
                reflected
            })
        } else if reflected.1 < second {
            Some(reflected)
        } else {
            used += 1;
            let outside = reflected.1 < worst;
            let nearer = along(if outside { contract } else { -contract });
            (nearer.1 < if outside { reflected.1 } else { worst }).then_some(nearer)
        };
        if let Some(point) = replacement {
            simplex[n] = point;
            continue;
        }
        let low = simplex[0].0.clone();
        for vertex in simplex.iter_mut().skip(1) {
            for (x, l) in vertex.0.iter_mut().zip(&low) {
                *x = l + shrink * (*x - l);
            }
            vertex.1 = sane(f(&vertex.0));
        }
        used += n;
    }
    simplex.sort_by(|a, b| a.1.total_cmp(&b.1));
    simplex.swap_remove(0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn finds_the_valley_of_rosenbrock() {
        // Rosenbrock 1960: minimum 0 at (1, 1).
        let f = |x: &[f64]| 100.0 * (x[1] - x[0] * x[0]).powi(2) + (1.0 - x[0]).powi(2);
        let config = SimplexConfig {
            steps: vec![0.5, 0.5],
            tolerance: 1e-14,
            max_evaluations: 2000,
        };
        let (x, v) = nelder_mead(&f, &[-1.2, 1.0], &config);
        assert!(v < 1e-10 && (x[0] - 1.0).abs() < 1e-4, "{x:?} {v}");
    }

    #[test]
    fn undefined_points_are_walked_around() {
        let f = |x: &[f64]| {
            if x[0] <= 0.0 {
                f64::NAN
            } else {
                x[0] - x[0].ln()
            }
        };
        let config = SimplexConfig {
            steps: vec![-3.0],
            tolerance: 1e-12,
            max_evaluations: 500,
        };
        let (x, _) = nelder_mead(&f, &[2.0], &config);
        assert!((x[0] - 1.0).abs() < 1e-4);
    }
}
