//! Restricted maximum likelihood of the variance components.

use super::model::{CrossedModel, Outliers, Residual};
use super::selected::Selected;
use super::system::{Components, Solution, System};
use crate::error::StatsError;
use crate::linear::least_squares;
use crate::optimise::{MinimiseConfig, descend, gradient, minimise};
use crate::robust;

/// A fit with the variance components at their REML estimates.
#[derive(Clone, Debug, PartialEq)]
pub struct RemlFit {
    /// Standard deviation of each group (1 for a group whose spreads are known); 0 is a legal estimate.
    pub group_sds: Vec<f64>,
    /// Residual standard deviation beyond the known variances.
    pub residual_sd: f64,
    /// Fixed effects.
    pub fixed: Vec<f64>,
    /// Covariance of the fixed effects given the components, row by row.
    pub fixed_covariance: Vec<Vec<f64>>,
    /// Minus twice the restricted log-likelihood, constants included.
    pub criterion: f64,
    /// Predicted effects of each group, level by level.
    pub effects: Vec<Vec<f64>>,
    /// Conditional standard deviation of each of them.
    pub effect_sds: Vec<Vec<f64>>,
    /// Factor by which the variance of each observation was inflated (1 under normal errors).
    pub inflation: Vec<f64>,
    /// Whether the search met its criterion.
    pub converged: bool,
}

/// One observation against the prediction from all the others.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StandardResidual {
    /// Observation less its prediction from the others.
    pub left_out: f64,
    /// Standard deviation of that difference.
    pub sd: f64,
    /// Their ratio.
    pub z: f64,
}

/// Fits the variance components by restricted maximum likelihood.
///
/// # Errors
/// A model that does not hold together (`CrossedModel::check`), or equations singular everywhere.
pub fn fit_reml(model: &CrossedModel) -> Result<RemlFit, StatsError> {
    let mut system = System::new(model)?;
    let mut best = search(&system)?;
    if let Outliers::StudentT { df } = model.outliers {
        for _ in 0..8 {
            let moved = reweight(&mut system, &best.solution, df);
            best = search(&system)?;
            if moved < 1e-3 {
                break;
            }
        }
    }
    Ok(describe(&system, &best))
}

/// From so many observations on the search ends before the last digits of the components, which are
/// far below their standard errors.
const MANY: usize = 5000;

/// An optimum over the components.
pub(super) struct Optimum {
    pub(super) solution: Solution,
    pub(super) converged: bool,
}

/// Starting values: half the robust spread of the least-squares residuals for every unknown.
pub(super) fn start(system: &System) -> f64 {
    let model = &system.model;
    let kept = model.fixed.select(&model.fixed.independent_columns());
    let residuals = match least_squares(&kept, &model.y, None) {
        Ok(fit) if fit.dof > 0 => fit.residuals,
        _ => model.y.clone(),
    };
    let spread = robust::variance(&residuals).map_or(0.0, f64::sqrt);
    let known = robust::mean(&model.known_var).map_or(0.0, f64::sqrt);
    let size = 0.5 * spread.max(0.1 * known);
    if size > 0.0 { size } else { 1e-3 }
}

/// REML over the log standard deviations, then the boundary at zero for each of them.
fn search(system: &System) -> Result<Optimum, StatsError> {
    // Ratios to the residual's spread where that scales everything, else the spreads themselves.
    let profiled = system.scale_is_free();
    let size = if profiled { 1.0 } else { start(system) };
    let n = system.n_unknown() - usize::from(profiled);
    let mut free: Vec<usize> = (0..n).collect();
    let mut at = vec![size; n];
    let criterion = |unknown: &[f64]| {
        if profiled {
            return system
                .profiled(unknown)
                .map_or(f64::INFINITY, |profiled| profiled.criterion);
        }
        system
            .solve(&system.components(unknown))
            .map_or(f64::INFINITY, |s| s.criterion)
    };
    let mut converged;
    loop {
        (at, converged) = search_free(&criterion, (&at, &free), size, system.model.y.len());
        // A standard deviation is zero when leaving it out costs nothing.
        let dropped = free.iter().copied().find(|k| {
            let mut trial = at.clone();
            trial[*k] = 0.0;
            criterion(&trial) <= criterion(&at) + 1e-8
        });
        match dropped {
            Some(k) => {
                at[k] = 0.0;
                free.retain(|f| *f != k);
            }
            None => break,
        }
    }
    let singular = StatsError::NotConverged {
        what: "variance components",
        iterations: 0,
    };
    if profiled {
        let residual_sd = system.profiled(&at).ok_or(singular.clone())?.residual_sd;
        at.iter_mut().for_each(|ratio| *ratio *= residual_sd);
        at.push(residual_sd);
    }
    let solution = system.solve(&system.components(&at)).ok_or(singular)?;
    Ok(Optimum {
        solution,
        converged,
    })
}

fn search_free(
    criterion: &dyn Fn(&[f64]) -> f64,
    (at, free): (&[f64], &[usize]),
    size: f64,
    n: usize,
) -> (Vec<f64>, bool) {
    if free.is_empty() {
        return (at.to_vec(), true);
    }
    let place = |logs: &[f64]| {
        let mut out = at.to_vec();
        for (k, log) in free.iter().zip(logs) {
            // Beyond e^-14 of the spread a component is zero for every purpose.
            out[*k] = log.clamp(-14.0, 14.0).exp() * size;
        }
        out
    };
    let objective = |logs: &[f64]| criterion(&place(logs));
    let logs: Vec<f64> = free
        .iter()
        .map(|k| (at[*k] / size).ln().max(-6.0))
        .collect();
    let config = MinimiseConfig {
        scales: vec![0.7; free.len()],
        max_iterations: 200,
        // The criterion bends with the number of observations, and so does its rounding.
        gradient_tolerance: 1e-5 * (n as f64 / 1e3).max(1.0),
    };
    if n >= MANY {
        // So many observations leave nothing for the last digits to say.
        let found = descend(&objective, &logs, &config);
        let slope = gradient(&objective, &found, &vec![1e-4; free.len()]);
        let small = slope
            .iter()
            .all(|s| s.abs() <= 50.0 * config.gradient_tolerance);
        let flat = found.iter().any(|l| *l < -5.0);
        return (place(&found), small || flat);
    }
    let minimum = minimise(&objective, &logs, &config);
    let flat = minimum.x.iter().any(|l| *l < -5.0);
    (place(&minimum.x), minimum.converged || flat)
}

/// Inflation of the variances by the weights of Student's t; gives the largest relative change.
pub(super) fn reweight(system: &mut System, solution: &Solution, df: f64) -> f64 {
    let mut largest = 0.0_f64;
    let fresh: Vec<f64> = system
        .residuals(solution)
        .into_iter()
        .enumerate()
        .map(|(i, (residual, leverage))| {
            let base = system.error_variance(&solution.components, i) / system.inflation[i];
            let squared = (residual * residual + leverage) / base;
            ((df + squared) / (df + 1.0)).max(1.0)
        })
        .collect();
    for (old, new) in system.inflation.iter().zip(&fresh) {
        largest = largest.max((new / old - 1.0).abs());
    }
    system.inflation = fresh;
    largest
}

fn describe(system: &System, best: &Optimum) -> RemlFit {
    let solution = &best.solution;
    let Components {
        group_sds,
        residual_sd,
    } = solution.components.clone();
    let n_groups = system.model.groups.len();
    let effects: Vec<Vec<f64>> = (0..n_groups).map(|g| system.effects(solution, g)).collect();
    let selected = Selected::of(&system.symbolic, &solution.factor);
    let effect_sds = (0..n_groups)
        .map(|g| {
            let group = &system.model.groups[g];
            (0..group.n_levels)
                .map(|l| {
                    let before = group.level_sd(group_sds[g], l);
                    let left = system.remaining_variance(solution, selected.as_ref(), (g, l));
                    before * left.max(0.0).sqrt()
                })
                .collect()
        })
        .collect();
    RemlFit {
        group_sds,
        residual_sd,
        fixed: system.fixed(solution),
        fixed_covariance: system.fixed_covariance(solution),
        criterion: solution.criterion,
        effects,
        effect_sds,
        inflation: system.inflation.clone(),
        converged: best.converged,
    }
}

/// Every observation against its prediction from all the others, at given components.
pub(super) fn left_out(system: &System, solution: &Solution) -> Vec<StandardResidual> {
    system
        .residuals(solution)
        .into_iter()
        .enumerate()
        .map(|(i, (residual, fitted_variance))| {
            let variance = system.error_variance(&solution.components, i);
            // Share of the observation in its own fitted value.
            let share = (fitted_variance / variance).min(1.0 - 1e-12);
            let left_out = residual / (1.0 - share);
            let sd = (variance / (1.0 - share)).sqrt();
            StandardResidual {
                left_out,
                sd,
                z: left_out / sd,
            }
        })
        .collect()
}

/// Number of unknowns that belong to groups (the residual, where estimated, follows them).
pub(super) fn residual_is_last(model: &CrossedModel) -> bool {
    matches!(model.residual, Residual::Estimated { .. })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::linear::Design;
    use crate::mixed::{Group, Spread};
    use nalgebra::{DMatrix, DVector};

    fn flat() -> Spread {
        Spread::Estimated {
            prior_scale: f64::INFINITY,
        }
    }

    fn small() -> CrossedModel {
        let y = vec![1.2, 0.7, 2.1, 1.9, 0.4, 1.0, 3.1, 2.2];
        CrossedModel {
            known_var: vec![0.04, 0.09, 0.02, 0.05, 0.1, 0.01, 0.2, 0.06],
            fixed: Design::with_intercept(8, vec![vec![0.3, -0.2, 0.1, 0.4, -0.5, 0.0, 0.2, -0.1]])
                .unwrap(),
            fixed_priors: Vec::new(),
            groups: vec![
                Group {
                    levels: vec![0, 0, 1, 1, 2, 2, 3, 3],
                    n_levels: 4,
                    spread: flat(),
                },
                Group {
                    levels: vec![0, 1, 0, 1, 0, 1, 0, 1],
                    n_levels: 2,
                    spread: Spread::Known {
                        sds: vec![0.2, 0.3],
                    },
                },
            ],
            residual: Residual::Estimated {
                prior_scale: f64::INFINITY,
            },
            outliers: Outliers::Normal,
            y,
        }
    }

    /// Marginal covariance written out in full.
    fn dense_criterion(m: &CrossedModel, group_sd: f64, residual_sd: f64) -> f64 {
        let n = m.y.len();
        let mut v = DMatrix::from_diagonal(&DVector::from_fn(n, |i, _| {
            m.known_var[i] + residual_sd.powi(2)
        }));
        for (g, group) in m.groups.iter().enumerate() {
            for i in 0..n {
                for j in 0..n {
                    if group.levels[i] == group.levels[j] {
                        let sd =
                            group.level_sd(if g == 0 { group_sd } else { 1.0 }, group.levels[i]);
                        v[(i, j)] += sd * sd;
                    }
                }
            }
        }
        let x = DMatrix::from_fn(n, 2, |i, j| m.fixed.columns()[j][i]);
        let y = DVector::from_vec(m.y.clone());
        let c = v.cholesky().unwrap();
        let xvx = x.transpose() * c.solve(&x);
        let b = xvx
            .clone()
            .cholesky()
            .unwrap()
            .solve(&(x.transpose() * c.solve(&y)));
        let r = &y - &x * b;
        c.determinant().ln()
            + xvx.determinant().ln()
            + r.dot(&c.solve(&r))
            + (n as f64 - 2.0) * (2.0 * std::f64::consts::PI).ln()
    }

    #[test]
    fn criterion_is_the_marginal_restricted_likelihood() {
        let model = small();
        let system = System::new(&model).unwrap();
        for (g, r) in [(0.5, 0.1), (0.0, 0.3), (2.0, 0.0)] {
            let got = system.solve(&system.components(&[g, r])).unwrap().criterion;
            let want = dense_criterion(&model, g, r);
            assert!((got - want).abs() < 1e-9, "{g} {r}: {got} {want}");
        }
    }

    #[test]
    fn estimates_are_lower_than_their_neighbourhood() {
        let model = small();
        let fit = fit_reml(&model).unwrap();
        let here = dense_criterion(&model, fit.group_sds[0], fit.residual_sd);
        assert!((here - fit.criterion).abs() < 1e-8);
        for (dg, dr) in [(0.02, 0.0), (-0.02, 0.0), (0.0, 0.02), (0.02, 0.02)] {
            let other =
                dense_criterion(&model, fit.group_sds[0] + dg, (fit.residual_sd + dr).abs());
            assert!(other >= here - 1e-9);
        }
    }

    #[test]
    fn order_of_observations_does_not_matter() {
        let model = small();
        let order = [3, 0, 7, 5, 1, 2, 6, 4];
        let pick = |v: &[f64]| -> Vec<f64> { order.iter().map(|i| v[*i]).collect() };
        let mut other = model.clone();
        other.y = pick(&model.y);
        other.known_var = pick(&model.known_var);
        other.fixed =
            Design::from_columns(8, model.fixed.columns().iter().map(|c| pick(c)).collect())
                .unwrap();
        for (g, h) in other.groups.iter_mut().zip(&model.groups) {
            g.levels = order.iter().map(|i| h.levels[*i]).collect();
        }
        let (a, b) = (fit_reml(&model).unwrap(), fit_reml(&other).unwrap());
        assert!((a.group_sds[0] - b.group_sds[0]).abs() < 1e-5);
        assert!(
            a.effects[0]
                .iter()
                .zip(&b.effects[0])
                .all(|(x, y)| (x - y).abs() < 1e-5)
        );
    }

    #[test]
    fn left_out_residuals_equal_refits_without_the_observation() {
        let model = small();
        let system = System::new(&model).unwrap();
        let components = system.components(&[0.6, 0.2]);
        let all = left_out(&system, &system.solve(&components).unwrap());
        for drop in 0..8 {
            let keep: Vec<usize> = (0..8).filter(|i| *i != drop).collect();
            let mut fewer = model.clone();
            fewer.y = keep.iter().map(|i| model.y[*i]).collect();
            fewer.known_var = keep.iter().map(|i| model.known_var[*i]).collect();
            let columns = model
                .fixed
                .columns()
                .iter()
                .map(|c| keep.iter().map(|i| c[*i]).collect())
                .collect();
            fewer.fixed = Design::from_columns(7, columns).unwrap();
            for (g, h) in fewer.groups.iter_mut().zip(&model.groups) {
                g.levels = keep.iter().map(|i| h.levels[*i]).collect();
            }
            let other = System::new(&fewer).unwrap();
            let solution = other.solve(&components).unwrap();
            let p = crate::mixed::LinearPrediction {
                fixed_row: model.fixed.row(drop),
                levels: model
                    .groups
                    .iter()
                    .map(|g| crate::mixed::Level::Seen(g.levels[drop]))
                    .collect(),
                include_residual: true,
            };
            let (mean, variance) = other.predict(&solution, &p);
            assert!((all[drop].left_out - (model.y[drop] - mean)).abs() < 1e-9);
            assert!((all[drop].sd.powi(2) - variance - model.known_var[drop]).abs() < 1e-9);
        }
    }

    #[test]
    fn a_wild_observation_is_inflated_and_the_rest_is_not() {
        let mut model = small();
        model.y[2] += 8.0;
        model.outliers = Outliers::StudentT { df: 4.0 };
        let fit = fit_reml(&model).unwrap();
        let largest = fit.inflation.iter().copied().fold(0.0, f64::max);
        assert!(
            (fit.inflation[2] - largest).abs() < 1e-12 && largest > 3.0,
            "{:?}",
            fit.inflation
        );
        model.outliers = Outliers::Normal;
        let plain = fit_reml(&model).unwrap();
        assert!(fit.residual_sd < plain.residual_sd);
    }

    #[test]
    fn broken_models_are_refused() {
        let mut m = small();
        m.known_var.pop();
        assert!(matches!(fit_reml(&m), Err(StatsError::Length { .. })));
        let mut m = small();
        m.groups[0].levels[0] = 9;
        assert!(matches!(fit_reml(&m), Err(StatsError::OutOfRange { .. })));
        let mut m = small();
        m.fixed = Design::with_intercept(8, vec![vec![2.0; 8]]).unwrap();
        assert_eq!(fit_reml(&m), Err(StatsError::RankDeficient { column: 1 }));
        m.fixed_priors = vec![
            crate::mixed::FixedPrior::Flat,
            crate::mixed::FixedPrior::Normal { mean: 0.5, sd: 0.1 },
        ];
        assert!((fit_reml(&m).unwrap().fixed[1] - 0.5).abs() < 1e-9);
    }
}
