//! Level and slope that wander, seen through noise, with known breaks.
//!
//! y(t) = level(t) + covariates + noise; the level walks at random with a slope that may walk too
//! (integrated Wiener processes, so steps may be uneven and values missing). The starting level, and
//! the size of breaks of which nothing is known, are exactly diffuse: they are carried as unknowns
//! beside the filter (de Jong 1991; Durbin & Koopman 2012, sections 5 and 6.2).

mod filter;

use crate::error::{StatsError, check_finite, check_length};
use crate::mixed::FixedPrior;
use crate::optimise::{MinimiseConfig, minimise};
use nalgebra::{Matrix2, Vector2};

use filter::{Unknowns, acting, backward, ln_likelihood, run_filter, transition, walk};

/// A variance that is given or to be estimated.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Variance {
    /// Given.
    Known(f64),
    /// To be estimated by maximum likelihood (`fit_trend`).
    Estimated,
}

/// How the slope behaves.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Slope {
    /// No slope.
    Absent,
    /// A slope that walks with the given variance per unit of time (0: constant).
    Walk {
        /// Variance gained per unit of time.
        variance: Variance,
        /// What is known of the first slope.
        start: FixedPrior,
    },
}

/// The model.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TrendSpec {
    /// Variance of the noise of one observation, beside the known one.
    pub noise: Variance,
    /// Variance the level gains per unit of time beside its slope.
    pub level: Variance,
    /// The slope.
    pub slope: Slope,
}

/// What breaks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Break {
    /// The level jumps.
    Level,
    /// The slope changes.
    Slope,
}

/// A known break: acts from the observation at `index` on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Intervention {
    /// Index of the first observation after the break.
    pub index: usize,
    /// What breaks.
    pub kind: Break,
    /// What is known of its size.
    pub size: FixedPrior,
}

/// Observations in time order.
#[derive(Clone, Debug, PartialEq)]
pub struct Series {
    /// Ascending times.
    pub times: Vec<f64>,
    /// Values; None where missing.
    pub values: Vec<Option<f64>>,
    /// Known variance of each value (0 where all of it is the model's noise).
    pub known_var: Vec<f64>,
    /// Covariates: values at every time, and what is known of the coefficient.
    pub covariates: Vec<(Vec<f64>, FixedPrior)>,
    /// Known breaks.
    pub interventions: Vec<Intervention>,
}

/// Level and slope with their covariance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct State {
    /// Level.
    pub level: f64,
    /// Slope per unit of time (0 where absent).
    pub slope: f64,
    /// Variance of the level.
    pub level_var: f64,
    /// Variance of the slope.
    pub slope_var: f64,
    /// Their covariance.
    pub covariance: f64,
}

impl State {
    /// The state a time later, with what the walks add.
    #[must_use]
    pub fn ahead(&self, time: f64, variances: &TrendVariances) -> Self {
        let p = Matrix2::new(
            self.level_var,
            self.covariance,
            self.covariance,
            self.slope_var,
        );
        let t = transition(time);
        let p = t * p * t.transpose() + walk(time, variances);
        Self {
            level: self.level + time * self.slope,
            slope: self.slope,
            level_var: p[(0, 0)],
            slope_var: p[(1, 1)],
            covariance: p[(0, 1)],
        }
    }
}

/// Variances in use.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TrendVariances {
    /// Of the noise of one observation.
    pub noise: f64,
    /// Gained by the level per unit of time.
    pub level: f64,
    /// Gained by the slope per unit of time.
    pub slope: f64,
}

/// Result of filtering and smoothing.
#[derive(Clone, Debug, PartialEq)]
pub struct TrendFit {
    /// Variances used.
    pub variances: TrendVariances,
    /// Diffuse log-likelihood.
    pub ln_likelihood: f64,
    /// State after each observation, from the data up to it; None while the start is not determined.
    pub filtered: Vec<Option<State>>,
    /// State at each time from all data; None where even all data do not determine it.
    pub smoothed: Vec<Option<State>>,
    /// Each value less its forecast from the ones before, over its standard deviation; None where missing or undetermined.
    pub innovations: Vec<Option<f64>>,
    /// Estimate and standard deviation of each covariate coefficient, then of each break; None where undetermined.
    pub effects: Vec<Option<(f64, f64)>>,
}

impl Series {
    fn check(&self) -> Result<(), StatsError> {
        let n = self.times.len();
        check_length("values", n, self.values.len())?;
        check_length("known variances", n, self.known_var.len())?;
        check_finite("times", &self.times)?;
        let observed: Vec<f64> = self.values.iter().flatten().copied().collect();
        check_finite("values", &observed)?;
        if let Some(&value) = self
            .known_var
            .iter()
            .find(|v| !(v.is_finite() && **v >= 0.0))
        {
            return Err(StatsError::OutOfRange {
                what: "known variance",
                value,
            });
        }
        for (column, _) in &self.covariates {
            check_length("covariate", n, column.len())?;
            check_finite("covariate", column)?;
        }
        if let Some(w) = self.times.windows(2).find(|w| w[1] < w[0]) {
            return Err(StatsError::OutOfRange {
                what: "times (must ascend)",
                value: w[1],
            });
        }
        if observed.is_empty() {
            return Err(StatsError::TooFew {
                needed: 1,
                found: 0,
            });
        }
        Ok(())
    }
}

/// Filters and smooths with the given variances.
///
/// # Errors
/// A series that does not hold together, or an observation without variance.
pub fn smooth_trend(
    series: &Series,
    spec: &TrendSpec,
    variances: &TrendVariances,
) -> Result<TrendFit, StatsError> {
    series.check()?;
    let unknowns = Unknowns::new(spec, series);
    let filter = run_filter(series, &unknowns, variances)?;
    let k = unknowns.len();
    let last_columns: Vec<Vector2<f64>> = filter
        .steps
        .last()
        .map_or_else(Vec::new, |s| s.predicted_columns.clone());
    let solved = filter.info.solve(&acting(&last_columns, &filter.info));
    let effects = (unknowns.n_start..k)
        .map(|j| {
            let (estimate, covariance, _) = solved.as_ref()?;
            let known = filter.info.matrix[(j, j)] > 0.0;
            known.then(|| (estimate[j], covariance[(j, j)].max(0.0).sqrt()))
        })
        .collect();
    let ln_likelihood = solved.as_ref().map_or(f64::NEG_INFINITY, |s| {
        ln_likelihood(&filter, &unknowns.priors, s)
    });
    let smoothed = match &solved {
        Some((estimate, covariance, _)) => backward(&filter.steps, (estimate, covariance)),
        None => vec![None; series.times.len()],
    };
    Ok(TrendFit {
        variances: *variances,
        ln_likelihood,
        filtered: filter.filtered,
        smoothed,
        innovations: filter.innovations,
        effects,
    })
}

/// Estimates the variances marked so by maximum likelihood, then filters and smooths.
///
/// # Errors
/// As `smooth_trend`, or too few values for the unknowns.
pub fn fit_trend(series: &Series, spec: &TrendSpec) -> Result<TrendFit, StatsError> {
    series.check()?;
    let unknowns = Unknowns::new(spec, series);
    let observed: Vec<f64> = series.values.iter().flatten().copied().collect();
    let slope = match spec.slope {
        Slope::Absent => Variance::Known(0.0),
        Slope::Walk { variance, .. } => variance,
    };
    let wanted = [spec.noise, spec.level, slope];
    let free: Vec<usize> = (0..3)
        .filter(|k| wanted[*k] == Variance::Estimated)
        .collect();
    if observed.len() < unknowns.n_start + free.len() + 1 {
        let needed = unknowns.n_start + free.len() + 1;
        return Err(StatsError::TooFew {
            needed,
            found: observed.len(),
        });
    }
    // First guesses: noise from successive differences, walks spread over the time steps.
    let differences: Vec<f64> = observed.windows(2).map(|w| w[1] - w[0]).collect();
    let size = crate::robust::mean(&differences.iter().map(|d| d * d).collect::<Vec<_>>())
        .unwrap_or(1.0)
        .max(f64::MIN_POSITIVE);
    let span = series.times.last().unwrap_or(&1.0) - series.times.first().unwrap_or(&0.0);
    let step = (span / series.times.len() as f64).max(f64::MIN_POSITIVE);
    let units = [
        size / 2.0,
        size / (10.0 * step),
        size / (100.0 * step.powi(3)),
    ];
    let place = |logs: &[f64]| {
        let mut out = [0.0; 3];
        for (k, v) in wanted.iter().enumerate() {
            if let Variance::Known(value) = v {
                out[k] = *value;
            }
        }
        for (k, log) in free.iter().zip(logs) {
            out[*k] = if *log < -25.0 {
                0.0
            } else {
                units[*k] * log.min(30.0).exp()
            };
        }
        TrendVariances {
            noise: out[0],
            level: out[1],
            slope: out[2],
        }
    };
    let objective = |logs: &[f64]| {
        run_filter(series, &unknowns, &place(logs))
            .ok()
            .and_then(|f| {
                let all = vec![true; unknowns.len()];
                let used = all
                    .iter()
                    .enumerate()
                    .map(|(j, _)| f.info.matrix[(j, j)] > 0.0);
                let s = f.info.solve(&used.collect::<Vec<_>>())?;
                Some(-ln_likelihood(&f, &unknowns.priors, &s))
            })
            .unwrap_or(f64::INFINITY)
    };
    let mut logs = vec![0.0; free.len()];
    if !free.is_empty() {
        let config = MinimiseConfig::with_scales(vec![1.0; free.len()]);
        let first = minimise(&objective, &logs, &config);
        // A second start, from a stiffer level, against local maxima.
        let second = minimise(&objective, &vec![-3.0; free.len()], &config);
        logs = if second.value < first.value {
            second.x
        } else {
            first.x
        };
        for k in 0..logs.len() {
            let mut trial = logs.clone();
            trial[k] = -30.0;
            if objective(&trial) <= objective(&logs) + 1e-8 {
                logs = trial;
            }
        }
    }
    smooth_trend(series, spec, &place(&logs))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::linear::{Design, least_squares};
    use crate::rng;
    use nalgebra::{DMatrix, DVector};

    fn series(times: &[f64], values: &[f64]) -> Series {
        Series {
            times: times.to_vec(),
            values: values.iter().map(|v| Some(*v)).collect(),
            known_var: vec![0.0; times.len()],
            covariates: Vec::new(),
            interventions: Vec::new(),
        }
    }

    const LINE: TrendSpec = TrendSpec {
        noise: Variance::Known(1.0),
        level: Variance::Known(0.0),
        slope: Slope::Walk {
            variance: Variance::Known(0.0),
            start: FixedPrior::Flat,
        },
    };

    #[test]
    fn without_walks_it_is_a_straight_line_fit() {
        let t = [0.0, 1.0, 2.5, 4.0, 7.0];
        let y = [1.0, 2.2, 3.1, 5.5, 8.0];
        let fit = smooth_trend(
            &series(&t, &y),
            &LINE,
            &TrendVariances {
                noise: 1.0,
                level: 0.0,
                slope: 0.0,
            },
        )
        .unwrap();
        let line = least_squares(
            &Design::with_intercept(5, vec![t.to_vec()]).unwrap(),
            &y,
            None,
        )
        .unwrap();
        for (state, t) in fit.smoothed.iter().zip(&t) {
            let state = state.unwrap();
            let (at, se) = line.predict(&[1.0, *t]).unwrap();
            assert!((state.level - at).abs() < 1e-9);
            assert!((state.slope - line.coefficients[1]).abs() < 1e-9);
            assert!((state.level_var.sqrt() - se / line.residual_sd).abs() < 1e-9);
        }
        assert!(fit.filtered[0].is_none() && fit.filtered[1].is_some());
        assert!((fit.filtered[4].unwrap().level - fit.smoothed[4].unwrap().level).abs() < 1e-9);
    }

    #[test]
    fn a_known_break_is_estimated_and_ends_the_influence_of_what_was_before() {
        let t: Vec<f64> = (0..10).map(f64::from).collect();
        let y = [1.0, 1.2, 0.8, 1.1, 0.9, 6.0, 6.2, 5.9, 6.1, 5.8];
        let mut s = series(&t, &y);
        s.interventions.push(Intervention {
            index: 5,
            kind: Break::Level,
            size: FixedPrior::Flat,
        });
        let spec = TrendSpec {
            slope: Slope::Absent,
            ..LINE
        };
        let v = TrendVariances {
            noise: 0.04,
            level: 0.0,
            slope: 0.0,
        };
        let fit = smooth_trend(&s, &spec, &v).unwrap();
        let (size, sd) = fit.effects[0].unwrap();
        assert!((size - 5.0).abs() < 1e-9 && (sd - (0.04_f64 * 0.4).sqrt()).abs() < 1e-9);
        assert!(
            fit.innovations[5].is_none(),
            "the break makes the next value unforeseeable"
        );
        s.interventions[0].size = FixedPrior::Normal {
            mean: 0.0,
            sd: 1e-6,
        };
        let held = smooth_trend(&s, &spec, &v).unwrap();
        assert!(held.effects[0].unwrap().0.abs() < 1e-4);
    }

    #[test]
    fn missing_values_are_interpolated_with_more_doubt() {
        let t: Vec<f64> = (0..9).map(f64::from).collect();
        let mut s = series(&t, &[0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0]);
        s.values[4] = None;
        let v = TrendVariances {
            noise: 0.1,
            level: 0.5,
            slope: 0.0,
        };
        let fit = smooth_trend(
            &s,
            &TrendSpec {
                slope: Slope::Absent,
                ..LINE
            },
            &v,
        )
        .unwrap();
        let (gap, near) = (fit.smoothed[4].unwrap(), fit.smoothed[3].unwrap());
        assert!((gap.level - 4.0).abs() < 1e-9 && gap.level_var > near.level_var);
    }

    #[test]
    fn likelihood_equals_that_of_the_differences() {
        // Local level with diffuse start: the likelihood of the first differences, a moving average.
        let y = [1.0, 1.5, 0.7, 2.2, 1.9, 2.5];
        let t: Vec<f64> = (0..6).map(f64::from).collect();
        let v = TrendVariances {
            noise: 0.3,
            level: 0.2,
            slope: 0.0,
        };
        let fit = smooth_trend(
            &series(&t, &y),
            &TrendSpec {
                slope: Slope::Absent,
                ..LINE
            },
            &v,
        )
        .unwrap();
        let d = DVector::from_fn(5, |i, _| y[i + 1] - y[i]);
        let c: DMatrix<f64> = DMatrix::from_fn(5, 5, |i, j| match i.abs_diff(j) {
            0 => 0.2 + 0.6,
            1 => -0.3,
            _ => 0.0,
        });
        let chol = c.cholesky().unwrap();
        let want = -0.5
            * (5.0 * (2.0 * std::f64::consts::PI).ln()
                + chol.determinant().ln()
                + d.dot(&chol.solve(&d)));
        assert!(
            (fit.ln_likelihood - want).abs() < 1e-9,
            "{} {want}",
            fit.ln_likelihood
        );
    }

    #[test]
    fn forecast_errors_have_unit_variance() {
        let mut rng = rng::seeded(12, "kalman");
        let (mut level, mut y) = (0.0, Vec::new());
        for _ in 0..400 {
            level += 0.5 * rng::standard_normal(&mut rng);
            y.push(level + rng::standard_normal(&mut rng));
        }
        let t: Vec<f64> = (0..400).map(f64::from).collect();
        let spec = TrendSpec {
            noise: Variance::Estimated,
            level: Variance::Estimated,
            slope: Slope::Absent,
        };
        let fit = fit_trend(&series(&t, &y), &spec).unwrap();
        let z: Vec<f64> = fit.innovations.iter().flatten().copied().collect();
        assert!((crate::robust::variance(&z).unwrap() - 1.0).abs() < 0.15);
        assert!(
            (fit.variances.level / 0.25).ln().abs() < 0.7
                && (fit.variances.noise - 1.0).abs() < 0.3
        );
    }

    #[test]
    fn ahead_adds_the_walks() {
        let s = State {
            level: 1.0,
            slope: 0.5,
            level_var: 0.1,
            slope_var: 0.01,
            covariance: 0.0,
        };
        let v = TrendVariances {
            noise: 0.0,
            level: 0.2,
            slope: 0.0,
        };
        let later = s.ahead(10.0, &v);
        assert!((later.level - 6.0).abs() < 1e-12);
        assert!((later.level_var - (0.1 + 100.0 * 0.01 + 2.0)).abs() < 1e-12);
    }
}
