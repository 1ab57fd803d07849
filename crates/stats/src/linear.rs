//! Linear least squares by Householder QR, with standard errors.
//!
//! Columns are scaled to unit length before the factorisation; the normal equations are never formed.

use crate::error::{StatsError, check_finite, check_length};
use crate::normal::student_t_quantile;
use drydown_quantity::Interval;
use nalgebra::{DMatrix, DVector};

/// A design: columns of equal length, one value per observation.
#[derive(Clone, Debug, PartialEq)]
pub struct Design {
    n_rows: usize,
    columns: Vec<Vec<f64>>,
}

impl Design {
    /// A design of the given columns; none is added.
    ///
    /// # Errors
    /// Columns of unequal length, or a value that is not finite.
    pub fn from_columns(n_rows: usize, columns: Vec<Vec<f64>>) -> Result<Self, StatsError> {
        for column in &columns {
            check_length("design column", n_rows, column.len())?;
            check_finite("design", column)?;
        }
        Ok(Self { n_rows, columns })
    }

    /// A column of ones followed by the given columns.
    ///
    /// # Errors
    /// Columns of unequal length, or a value that is not finite.
    pub fn with_intercept(n_rows: usize, columns: Vec<Vec<f64>>) -> Result<Self, StatsError> {
        let mut all = vec![vec![1.0; n_rows]];
        all.extend(columns);
        Self::from_columns(n_rows, all)
    }

    /// A design from rows.
    ///
    /// # Errors
    /// Rows of unequal length, or a value that is not finite.
    pub fn from_rows(rows: &[Vec<f64>]) -> Result<Self, StatsError> {
        let width = rows.first().map_or(0, Vec::len);
        for row in rows {
            check_length("design row", width, row.len())?;
        }
        let columns = (0..width)
            .map(|j| {
                rows.iter()
                    .map(|row| row.get(j).copied().unwrap_or(f64::NAN))
                    .collect()
            })
            .collect();
        Self::from_columns(rows.len(), columns)
    }

    /// Number of observations.
    #[must_use]
    pub fn n_rows(&self) -> usize {
        self.n_rows
    }

    /// Number of columns.
    #[must_use]
    pub fn n_columns(&self) -> usize {
        self.columns.len()
    }

    /// The columns.
    #[must_use]
    pub fn columns(&self) -> &[Vec<f64>] {
        &self.columns
    }

    /// The values of one observation (shorter where the row does not exist).
    #[must_use]
    pub fn row(&self, i: usize) -> Vec<f64> {
        self.columns
            .iter()
            .filter_map(|c| c.get(i).copied())
            .collect()
    }

    /// The columns, in order, that do not depend on columns before them (Gram–Schmidt with
    /// re-orthogonalisation; a column counts as dependent when less than 1e-9 of its length is left).
    #[must_use]
    pub fn independent_columns(&self) -> Vec<usize> {
        let mut basis: Vec<Vec<f64>> = Vec::new();
        let mut kept = Vec::new();
        for (j, column) in self.columns.iter().enumerate() {
            let length = norm(column);
            let mut rest = column.clone();
            for _ in 0..2 {
                for b in &basis {
                    let along = dot(b, &rest);
                    rest.iter_mut().zip(b).for_each(|(r, b)| *r -= along * b);
                }
            }
            let left = norm(&rest);
            if left > 1e-9 * length {
                rest.iter_mut().for_each(|r| *r /= left);
                basis.push(rest);
                kept.push(j);
            }
        }
        kept
    }

    /// The design with only the named columns, in the order named; unknown ones are left out.
    #[must_use]
    pub fn select(&self, columns: &[usize]) -> Self {
        let columns = columns
            .iter()
            .filter_map(|j| self.columns.get(*j).cloned())
            .collect();
        Self {
            n_rows: self.n_rows,
            columns,
        }
    }
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

fn norm(a: &[f64]) -> f64 {
    dot(a, a).sqrt()
}

/// Result of a linear least-squares fit.
#[derive(Clone, Debug, PartialEq)]
pub struct LinearFit {
    /// One per column of the design.
    pub coefficients: Vec<f64>,
    /// Standard errors, from the residual standard deviation.
    pub standard_errors: Vec<f64>,
    /// Covariance of the coefficients, row by row.
    pub covariance: Vec<Vec<f64>>,
    /// sqrt(rss/dof); 0 where no degree of freedom is left.
    pub residual_sd: f64,
    /// Weighted residual sum of squares.
    pub rss: f64,
    /// Observations less coefficients.
    pub dof: usize,
    /// y less fitted, in the order of the observations.
    pub residuals: Vec<f64>,
}

impl LinearFit {
    /// Fitted value and its standard error at a row of the design.
    ///
    /// # Errors
    /// A row of the wrong length.
    pub fn predict(&self, row: &[f64]) -> Result<(f64, f64), StatsError> {
        check_length("prediction row", self.coefficients.len(), row.len())?;
        let variance: f64 = self
            .covariance
            .iter()
            .zip(row)
            .map(|(line, x)| x * dot(line, row))
            .sum();
        Ok((dot(&self.coefficients, row), variance.max(0.0).sqrt()))
    }

    /// Interval of one coefficient from Student's t; None for a coefficient that does not exist
    /// or where no degree of freedom is left.
    #[must_use]
    pub fn interval(&self, column: usize, level: f64) -> Option<Interval> {
        if self.dof == 0 {
            return None;
        }
        let half = student_t_quantile(0.5 + 0.5 * level, self.dof as f64)
            * self.standard_errors.get(column)?;
        let centre = self.coefficients.get(column)?;
        Some(Interval::new(level, centre - half, centre + half))
    }
}

/// Weighted linear least squares: minimises the sum of w (y - X b)^2.
///
/// `weights`: one positive weight per observation (inverse relative variance), or None for equal ones.
///
/// # Errors
/// Unequal lengths, values that are not finite, weights that are not positive, fewer observations
/// than columns, columns that depend on each other.
pub fn least_squares(
    design: &Design,
    y: &[f64],
    weights: Option<&[f64]>,
) -> Result<LinearFit, StatsError> {
    let (n, p) = (design.n_rows(), design.n_columns());
    check_length("observations", n, y.len())?;
    check_finite("observations", y)?;
    if n < p || p == 0 {
        return Err(StatsError::TooFew {
            needed: p.max(1),
            found: n,
        });
    }
    let root_weights = root_weights(n, weights)?;
    let weighted: Vec<Vec<f64>> = design
        .columns()
        .iter()
        .map(|c| c.iter().zip(&root_weights).map(|(x, w)| x * w).collect())
        .collect();
    let lengths: Vec<f64> = weighted.iter().map(|c| norm(c)).collect();
    if let Some(column) = lengths.iter().position(|l| *l <= 0.0) {
        return Err(StatsError::RankDeficient { column });
    }
    let x = DMatrix::from_fn(n, p, |i, j| weighted[j][i] / lengths[j]);
    let target = DVector::from_fn(n, |i, _| y[i] * root_weights[i]);
    let (scaled, inverse) = solve_qr(x, &target)?;
    let coefficients: Vec<f64> = scaled.iter().zip(&lengths).map(|(b, l)| b / l).collect();
    let residuals: Vec<f64> = (0..n)
        .map(|i| y[i] - dot(&coefficients, &design.row(i)))
        .collect();
    let rss = residuals
        .iter()
        .zip(&root_weights)
        .map(|(r, w)| (r * w).powi(2))
        .sum::<f64>();
    let dof = n - p;
    let variance = if dof > 0 { rss / dof as f64 } else { 0.0 };
    let covariance: Vec<Vec<f64>> = (0..p)
        .map(|a| {
            (0..p)
                .map(|b| variance * inverse[(a, b)] / (lengths[a] * lengths[b]))
                .collect()
        })
        .collect();
    let standard_errors = (0..p).map(|a| covariance[a][a].max(0.0).sqrt()).collect();
    Ok(LinearFit {
        coefficients,
        standard_errors,
        covariance,
        residual_sd: variance.sqrt(),
        rss,
        dof,
        residuals,
    })
}

fn root_weights(n: usize, weights: Option<&[f64]>) -> Result<Vec<f64>, StatsError> {
    let Some(weights) = weights else {
        return Ok(vec![1.0; n]);
    };
    check_length("weights", n, weights.len())?;
    match weights.iter().find(|w| !(w.is_finite() && **w > 0.0)) {
        Some(&value) => Err(StatsError::OutOfRange {
            what: "weight",
            value,
        }),
        None => Ok(weights.iter().map(|w| w.sqrt()).collect()),
    }
}

/// Solution of the scaled problem and (X'X)^-1, both from R; one step of refinement.
fn solve_qr(
    x: DMatrix<f64>,
    target: &DVector<f64>,
) -> Result<(DVector<f64>, DMatrix<f64>), StatsError> {
    let p = x.ncols();
    let qr = x.clone().qr();
    let r = qr.r();
    if let Some(column) = (0..p).find(|j| !(r[(*j, *j)].abs() > 1e-12)) {
        return Err(StatsError::RankDeficient { column });
    }
    let solve = |v: &DVector<f64>| -> Result<DVector<f64>, StatsError> {
        let mut rotated = v.clone();
        qr.q_tr_mul(&mut rotated);
        let top = rotated.rows(0, p).into_owned();
        r.solve_upper_triangular(&top)
            .ok_or(StatsError::RankDeficient { column: p - 1 })
    };
    let mut b = solve(target)?;
    let rest = target - &x * &b;
    b += solve(&rest)?;
    let identity = DMatrix::identity(p, p);
    let inverse_r = r
        .solve_upper_triangular(&identity)
        .ok_or(StatsError::RankDeficient { column: p - 1 })?;
    let inverse = &inverse_r * inverse_r.transpose();
    Ok((b, inverse))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn weights_repeat_observations() {
        let design = Design::with_intercept(3, vec![vec![0.0, 1.0, 2.0]]).unwrap();
        let weighted = least_squares(&design, &[1.0, 2.0, 5.0], Some(&[1.0, 2.0, 1.0])).unwrap();
        let repeated = Design::with_intercept(4, vec![vec![0.0, 1.0, 1.0, 2.0]]).unwrap();
        let plain = least_squares(&repeated, &[1.0, 2.0, 2.0, 5.0], None).unwrap();
        for (a, b) in weighted.coefficients.iter().zip(&plain.coefficients) {
            assert!((a - b).abs() < 1e-12);
        }
        assert!((weighted.rss - plain.rss).abs() < 1e-12);
    }

    #[test]
    fn dependent_columns_are_named() {
        let x = vec![1.0, 2.0, 3.0, 5.0];
        let twice: Vec<f64> = x.iter().map(|v| 2.0 * v + 1.0).collect();
        let design = Design::with_intercept(4, vec![x, twice]).unwrap();
        assert_eq!(design.independent_columns(), vec![0, 1]);
        let fit = least_squares(&design, &[1.0, 2.0, 3.0, 4.0], None);
        assert!(
            matches!(fit, Err(StatsError::RankDeficient { column: 2 })),
            "{fit:?}"
        );
        let fewer = design.select(&design.independent_columns());
        assert!(least_squares(&fewer, &[1.0, 2.0, 3.0, 4.0], None).is_ok());
    }

    #[test]
    fn interval_and_prediction_agree_with_the_textbook_line() {
        // y = x + {1, -1, -1, 1}: slope 1, intercept 0, rss 4, dof 2, Sxx 5.
        let design = Design::with_intercept(4, vec![vec![0.0, 1.0, 2.0, 3.0]]).unwrap();
        let fit = least_squares(&design, &[1.0, 0.0, 1.0, 4.0], None).unwrap();
        assert!((fit.coefficients[1] - 1.0).abs() < 1e-12 && fit.coefficients[0].abs() < 1e-12);
        assert!((fit.standard_errors[1] - (2.0_f64 / 5.0).sqrt()).abs() < 1e-12);
        let (at, se) = fit.predict(&[1.0, 1.5]).unwrap();
        assert!((at - 1.5).abs() < 1e-12 && (se - (2.0_f64 / 4.0).sqrt()).abs() < 1e-12);
        assert!(fit.interval(1, 0.9).unwrap().contains(1.0));
    }
}
