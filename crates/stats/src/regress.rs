//! Plain regressions carried by linfa-linear: ordinary least squares, covariate screens, Tweedie
//! generalised linear models, and isotonic recalibration.

use crate::error::{StatsError, check_finite, check_length};
use crate::normal::student_t_cdf;
use linfa::DatasetBase;
use linfa::traits::Fit;
use linfa_linear::{LinearRegression, Link, TweedieRegressor};
use ndarray::{Array1, Array2};

/// A fitted plain regression.
#[derive(Clone, Debug, PartialEq)]
pub struct Regression {
    /// Value where all columns are zero.
    pub intercept: f64,
    /// One per column.
    pub coefficients: Vec<f64>,
    /// y less fitted.
    pub residuals: Vec<f64>,
    /// 1 - rss/tss; 0 where y does not vary.
    pub r_squared: f64,
}

impl Regression {
    /// Fitted value at one row (missing values count as zero).
    #[must_use]
    pub fn predict(&self, row: &[f64]) -> f64 {
        self.intercept
            + self
                .coefficients
                .iter()
                .zip(row)
                .map(|(b, x)| b * x)
                .sum::<f64>()
    }
}

fn table(columns: &[Vec<f64>], y: &[f64]) -> Result<(Array2<f64>, Array1<f64>), StatsError> {
    for column in columns {
        check_length("column", y.len(), column.len())?;
        check_finite("column", column)?;
    }
    check_finite("observations", y)?;
    if y.len() <= columns.len() {
        return Err(StatsError::TooFew {
            needed: columns.len() + 1,
            found: y.len(),
        });
    }
    let records = Array2::from_shape_fn((y.len(), columns.len()), |(i, j)| columns[j][i]);
    Ok((records, Array1::from_vec(y.to_vec())))
}

fn library(what: &'static str, error: impl std::fmt::Display) -> StatsError {
    StatsError::Library {
        what,
        message: error.to_string(),
    }
}

/// Ordinary least squares with an intercept (linfa-linear).
///
/// # Errors
/// Unequal lengths, values that are not finite, too few observations, or dependent columns.
pub fn regress(columns: &[Vec<f64>], y: &[f64]) -> Result<Regression, StatsError> {
    let (records, targets) = table(columns, y)?;
    let design = crate::linear::Design::with_intercept(y.len(), columns.to_vec())?;
    let independent = design.independent_columns();
    if let Some(column) = (0..design.n_columns()).find(|j| !independent.contains(j)) {
        return Err(StatsError::RankDeficient { column });
    }
    // The library centres nothing; shifted columns keep large offsets from costing digits.
    let centres: Vec<f64> = columns
        .iter()
        .map(|c| c.iter().sum::<f64>() / c.len() as f64)
        .collect();
    let centred = Array2::from_shape_fn(records.dim(), |(i, j)| records[(i, j)] - centres[j]);
    let model = LinearRegression::new()
        .fit(&DatasetBase::new(centred, targets))
        .map_err(|e| library("ordinary least squares", e))?;
    let coefficients = model.params().to_vec();
    let shift: f64 = coefficients.iter().zip(&centres).map(|(b, c)| b * c).sum();
    let mut out = Regression {
        intercept: model.intercept() - shift,
        coefficients,
        residuals: Vec::new(),
        r_squared: 0.0,
    };
    out.residuals = (0..y.len())
        .map(|i| y[i] - out.predict(&columns.iter().map(|c| c[i]).collect::<Vec<_>>()))
        .collect();
    let rss: f64 = out.residuals.iter().map(|r| r * r).sum();
    let mean = y.iter().sum::<f64>() / y.len() as f64;
    let tss: f64 = y.iter().map(|v| (v - mean).powi(2)).sum();
    out.r_squared = if tss > 0.0 { 1.0 - rss / tss } else { 0.0 };
    Ok(out)
}

/// What one covariate does for y.
#[derive(Clone, Debug, PartialEq)]
pub struct Screen {
    /// Name as handed in.
    pub name: String,
    /// Slope of y on this covariate alone.
    pub slope_alone: f64,
    /// Its slope beside all the others.
    pub slope_joint: f64,
    /// t of the joint slope: root of the fall in residual sum of squares over the residual variance,
    /// with the sign of the slope.
    pub t: f64,
    /// Two-sided p-value of t.
    pub p_value: f64,
    /// Share of the variance of y that goes when the covariate is left out.
    pub share: f64,
}

/// Screens covariates: each alone, and each beside all the others (least squares by linfa-linear).
///
/// Columns that do not vary or repeat others are left out of the answer. Sorted by |t|, largest first.
///
/// # Errors
/// As `regress`.
pub fn screen_covariates(
    columns: &[Vec<f64>],
    names: &[&str],
    y: &[f64],
) -> Result<Vec<Screen>, StatsError> {
    check_length("names", columns.len(), names.len())?;
    let design = crate::linear::Design::with_intercept(y.len(), columns.to_vec())?;
    let kept: Vec<usize> = design
        .independent_columns()
        .into_iter()
        .filter_map(|j| j.checked_sub(1))
        .collect();
    let pick = |js: &[usize]| -> Vec<Vec<f64>> { js.iter().map(|j| columns[*j].clone()).collect() };
    let full = regress(&pick(&kept), y)?;
    let dof = y.len() - kept.len() - 1;
    let squares = |r: &Regression| r.residuals.iter().map(|v| v * v).sum::<f64>();
    let variance = if dof > 0 {
        squares(&full) / dof as f64
    } else {
        0.0
    };
    let mut out = Vec::new();
    for (at, j) in kept.iter().enumerate() {
        let others: Vec<usize> = kept.iter().copied().filter(|k| k != j).collect();
        let without = regress(&pick(&others), y)?;
        let alone = regress(&pick(&[*j]), y)?;
        let slope_joint = full.coefficients.get(at).copied().unwrap_or(0.0);
        let gain = (squares(&without) - squares(&full)).max(0.0);
        let t = if variance > 0.0 {
            (gain / variance).sqrt().copysign(slope_joint)
        } else {
            0.0
        };
        let p_value = if dof > 0 {
            2.0 * student_t_cdf(-t.abs(), dof as f64)
        } else {
            1.0
        };
        out.push(Screen {
            name: names.get(*j).copied().unwrap_or("").to_owned(),
            slope_alone: alone.coefficients.first().copied().unwrap_or(0.0),
            slope_joint,
            t,
            p_value,
            share: (full.r_squared - without.r_squared).max(0.0),
        });
    }
    out.sort_by(|a, b| {
        b.t.abs()
            .total_cmp(&a.t.abs())
            .then_with(|| a.name.cmp(&b.name))
    });
    Ok(out)
}

/// A generalised linear model with log link: mean = exp(intercept + columns · coefficients).
#[derive(Clone, Debug, PartialEq)]
pub struct LogLinear {
    /// Log of the mean where all columns are zero.
    pub intercept: f64,
    /// One per column, on the log scale.
    pub coefficients: Vec<f64>,
}

impl LogLinear {
    /// Expected value at one row.
    #[must_use]
    pub fn predict(&self, row: &[f64]) -> f64 {
        (self.intercept
            + self
                .coefficients
                .iter()
                .zip(row)
                .map(|(b, x)| b * x)
                .sum::<f64>())
        .exp()
    }
}

/// Tweedie regression with log link (linfa-linear): `power` 2 for positive amounts (gamma), between 1
/// and 2 for amounts with zeros; `ridge` is the penalty on the coefficients of standardised columns
/// (0: none).
///
/// # Errors
/// As `regress`, a power outside (1, 2] (the Poisson deviance of linfa-linear 0.8.1 lacks a factor of
/// two in part, so that its search stops short), a y outside what the power allows, or a search that
/// stopped before the score was zero.
pub fn fit_tweedie(
    columns: &[Vec<f64>],
    y: &[f64],
    power: f64,
    ridge: f64,
) -> Result<LogLinear, StatsError> {
    let (records, targets) = table(columns, y)?;
    if !(power > 1.0 && power <= 2.0) {
        return Err(StatsError::OutOfRange {
            what: "power",
            value: power,
        });
    }
    let scales: Vec<(f64, f64)> = columns
        .iter()
        .map(|c| {
            let mean = crate::robust::mean(c).unwrap_or(0.0);
            let sd = crate::robust::variance(c).unwrap_or(0.0).sqrt();
            (mean, if sd > 0.0 { sd } else { 1.0 })
        })
        .collect();
    let standard = Array2::from_shape_fn(records.dim(), |(i, j)| {
        (records[(i, j)] - scales[j].0) / scales[j].1
    });
    // The start of the library is zero: y is brought near one first.
    let size = crate::robust::mean(y).unwrap_or(0.0);
    if !(size > 0.0) {
        return Err(StatsError::OutOfRange {
            what: "mean of the observations",
            value: size,
        });
    }
    let model = TweedieRegressor::params()
        .power(power)
        .link(Link::Log)
        .alpha(ridge)
        .max_iter(1000)
        .tol(1e-8)
        .fit(&DatasetBase::new(standard, targets / size))
        .map_err(|e| library("Tweedie regression", e))?;
    let coefficients: Vec<f64> = model
        .coef
        .iter()
        .zip(&scales)
        .map(|(b, (_, sd))| b / sd)
        .collect();
    let shift: f64 = coefficients
        .iter()
        .zip(&scales)
        .map(|(b, (mean, _))| b * mean)
        .sum();
    let fit = LogLinear {
        intercept: model.intercept + size.ln() - shift,
        coefficients,
    };
    check_score(&fit, (columns, y), (power, ridge), &scales)?;
    Ok(fit)
}

/// Checks that the derivative of the penalised deviance is zero at the fit.
fn check_score(
    fit: &LogLinear,
    (columns, y): (&[Vec<f64>], &[f64]),
    (power, ridge): (f64, f64),
    scales: &[(f64, f64)],
) -> Result<(), StatsError> {
    let size = crate::robust::mean(y).unwrap_or(1.0);
    let means: Vec<f64> = (0..y.len())
        .map(|i| fit.predict(&columns.iter().map(|c| c[i]).collect::<Vec<_>>()))
        .collect();
    let pulls: Vec<f64> = y
        .iter()
        .zip(&means)
        .map(|(y, mu)| (y - mu) / size * (mu / size).powf(1.0 - power))
        .collect();
    let typical = pulls.iter().map(|p| p.abs()).sum::<f64>() + y.len() as f64;
    for ((column, (mean, sd)), b) in columns.iter().zip(scales).zip(&fit.coefficients) {
        let score: f64 = column
            .iter()
            .zip(&pulls)
            .map(|(x, p)| (x - mean) / sd * p)
            .sum();
        if !((score - ridge * b * sd).abs() <= 1e-3 * typical) {
            return Err(StatsError::NotConverged {
                what: "Tweedie regression",
                iterations: 1000,
            });
        }
    }
    Ok(())
}

/// An increasing step curve.
#[derive(Clone, Debug, PartialEq)]
pub struct Isotonic {
    /// Ascending positions.
    pub x: Vec<f64>,
    /// Fitted values, never falling.
    pub y: Vec<f64>,
}

impl Isotonic {
    /// Value at `x`: linear between the positions, constant beyond the ends; None of nothing.
    #[must_use]
    pub fn predict(&self, x: f64) -> Option<f64> {
        let above = self.x.partition_point(|v| *v < x);
        match (above.checked_sub(1), self.x.get(above)) {
            (_, Some(at)) if *at <= x => self.y.get(above).copied(),
            (None, _) => self.y.first().copied(),
            (Some(_), None) => self.y.last().copied(),
            (Some(below), Some(high)) => {
                let (low, a) = (self.x.get(below)?, self.y.get(below)?);
                let b = self.y.get(above)?;
                Some(a + (b - a) * (x - low) / (high - low))
            }
        }
    }
}

/// Increasing regression by pooling of adjacent violators (Ayer et al. 1955; Best & Chakravarti 1990).
///
/// `weights`: one per observation, or None for equal ones. Observations at the same x are averaged
/// first. Pooling is done here and not by linfa-linear 0.8.1, whose isotonic fit pools blocks that
/// need no pooling (shown by a test below) and chooses the direction by itself.
///
/// # Errors
/// Unequal lengths, values that are not finite, weights that are not positive, or no observation.
pub fn fit_isotonic(x: &[f64], y: &[f64], weights: Option<&[f64]>) -> Result<Isotonic, StatsError> {
    check_length("observations", x.len(), y.len())?;
    check_finite("positions", x)?;
    check_finite("observations", y)?;
    if x.is_empty() {
        return Err(StatsError::TooFew {
            needed: 1,
            found: 0,
        });
    }
    let ones = vec![1.0; x.len()];
    let weights = weights.unwrap_or(&ones);
    check_length("weights", x.len(), weights.len())?;
    if let Some(&value) = weights.iter().find(|w| !(w.is_finite() && **w > 0.0)) {
        return Err(StatsError::OutOfRange {
            what: "weight",
            value,
        });
    }
    let mut order: Vec<usize> = (0..x.len()).collect();
    order.sort_by(|a, b| x[*a].total_cmp(&x[*b]).then(a.cmp(b)));
    // Blocks of (positions, weighted sum, weight).
    let mut blocks: Vec<(Vec<f64>, f64, f64)> = Vec::new();
    for i in order {
        let (sum, weight) = (y[i] * weights[i], weights[i]);
        match blocks.last_mut() {
            Some(last) if last.0.last().is_some_and(|p| *p >= x[i]) => {
                last.1 += sum;
                last.2 += weight;
            }
            _ => blocks.push((vec![x[i]], sum, weight)),
        }
    }
    let mut pooled: Vec<(Vec<f64>, f64, f64)> = Vec::new();
    for mut block in blocks {
        while let Some(last) = pooled.pop_if(|l| l.1 / l.2 >= block.1 / block.2) {
            let mut positions = last.0;
            positions.extend(block.0);
            block = (positions, last.1 + block.1, last.2 + block.2);
        }
        pooled.push(block);
    }
    let mut out = Isotonic {
        x: Vec::new(),
        y: Vec::new(),
    };
    for (positions, sum, weight) in pooled {
        out.y
            .extend(std::iter::repeat_n(sum / weight, positions.len()));
        out.x.extend(positions);
    }
    Ok(out)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::linear::{Design, least_squares};
    use crate::rng;
    use linfa::traits::Predict;

    fn noisy(n: usize) -> (Vec<Vec<f64>>, Vec<f64>) {
        let mut rng = rng::seeded(11, "regress");
        let a = rng::standard_normals(&mut rng, n);
        let b: Vec<f64> = a
            .iter()
            .map(|v| 0.5 * v + rng::standard_normal(&mut rng))
            .collect();
        let y = a
            .iter()
            .zip(&b)
            .map(|(a, b)| 1.0 + 2.0 * a - b + rng::standard_normal(&mut rng))
            .collect();
        (vec![a, b], y)
    }

    #[test]
    fn the_library_agrees_with_our_own_factorisation() {
        let (columns, y) = noisy(50);
        let ours = least_squares(
            &Design::with_intercept(50, columns.clone()).unwrap(),
            &y,
            None,
        )
        .unwrap();
        let theirs = regress(&columns, &y).unwrap();
        assert!((ours.coefficients[0] - theirs.intercept).abs() < 1e-10);
        assert!((ours.coefficients[1] - theirs.coefficients[0]).abs() < 1e-10);
        let screens = screen_covariates(&columns, &["a", "b"], &y).unwrap();
        let t = ours.coefficients[1] / ours.standard_errors[1];
        assert_eq!(screens[0].name, "a");
        assert!((screens[0].t - t).abs() < 1e-8 && screens[0].p_value < 1e-6);
    }

    #[test]
    fn repeated_and_constant_columns_are_left_out_of_the_screen() {
        let (mut columns, y) = noisy(30);
        columns.push(vec![4.0; 30]);
        columns.push(columns[0].iter().map(|v| 3.0 * v).collect());
        let screens = screen_covariates(&columns, &["a", "b", "flat", "again"], &y).unwrap();
        let mut names: Vec<&str> = screens.iter().map(|s| s.name.as_str()).collect();
        names.sort_unstable();
        assert_eq!(names, vec!["a", "b"]);
        assert!(regress(&columns, &y).is_err());
    }

    #[test]
    fn tweedie_recovers_a_log_linear_mean() {
        let x: Vec<f64> = (0..60).map(|i| f64::from(i) / 10.0).collect();
        let y: Vec<f64> = x.iter().map(|x| (3.0 - 0.4 * x).exp()).collect();
        for power in [1.2, 1.5, 2.0] {
            let fit = fit_tweedie(std::slice::from_ref(&x), &y, power, 0.0).unwrap();
            assert!((fit.coefficients[0] + 0.4).abs() < 1e-3, "{fit:?}");
            assert!((fit.predict(&[2.0]) / 2.2_f64.exp() - 1.0).abs() < 5e-3);
        }
        assert!(fit_tweedie(&[x], &vec![-1.0; 60], 2.0, 0.0).is_err());
    }

    #[test]
    fn isotonic_pools_only_what_violates() {
        let fit = fit_isotonic(&[1.0, 2.0, 3.0, 4.0], &[0.0, 5.0, 4.0, 6.0], None).unwrap();
        assert_eq!(fit.y, vec![0.0, 4.5, 4.5, 6.0]);
        assert_eq!(fit.predict(1.5), Some(2.25));
        assert_eq!(fit.predict(0.0), Some(0.0));
        assert_eq!(fit.predict(9.0), Some(6.0));
        assert_eq!(fit.predict(3.0), Some(4.5));
        let falling = fit_isotonic(&[1.0, 2.0], &[5.0, 1.0], Some(&[1.0, 3.0])).unwrap();
        assert_eq!(falling.y, vec![2.0, 2.0]);
    }

    #[test]
    fn the_library_pools_too_much_here() {
        // Right answer 0, 11/3, 11/3, 11/3 (pooled by hand). Should this test fail, linfa-linear has
        // been mended and `fit_isotonic` can use it.
        let (x, y) = ([1.0, 2.0, 3.0, 4.0], [0.0, 4.0, 5.0, 2.0]);
        assert!(fit_isotonic(&x, &y, None).unwrap().y[0].abs() < 1e-12);
        let records = Array2::from_shape_vec((4, 1), x.to_vec()).unwrap();
        let data = DatasetBase::new(records, Array1::from_vec(y.to_vec()));
        let model = linfa_linear::IsotonicRegression::new().fit(&data).unwrap();
        let first: f64 = model.predict(data.records())[0];
        assert!(first > 1.0, "{first}");
    }
}
