//! Slopes and curvature of the restricted likelihood along the logs of the unknown standard deviations.
//!
//! From the entries of the inverse (Takahashi) and a few solutions, at the cost of a few factorisations; differences
//! of the likelihood take two for each unknown, and four for each pair.

use super::selected::Selected;
use super::system::{Solution, System};

impl System {
    /// Derivatives of minus twice the restricted log-likelihood by the log of each unknown, in their order; None
    /// where the inverse cannot be had.
    ///
    /// With u the standard effects and Z the inverse of the equations' matrix, both as the model has its columns, a
    /// group's is 2 Σ (1 − Zcc − uc²): that of the determinant, and that of the sum of squares at its lowest.
    pub(super) fn slopes(&self, solution: &Solution) -> Option<Vec<f64>> {
        let selected = Selected::of(&self.symbolic, &solution.factor)?;
        let mut own = solution.standardised.clone();
        self.reduced.turn_back(&solution.scaling, &mut own);
        let mut out = Vec::with_capacity(self.n_unknown());
        for (g, group) in self.model.groups.iter().enumerate() {
            if !group.is_estimated() {
                continue;
            }
            let sum: f64 = (0..group.n_levels)
                .map(|level| {
                    let effect = own[self.group_starts[g] + level];
                    let left = self.remaining_variance(solution, Some(&selected), (g, level));
                    1.0 - left - effect * effect
                })
                .sum();
            out.push(2.0 * sum);
        }
        if out.len() < self.n_unknown() {
            let residual_var = solution.components.residual_sd.powi(2);
            let sum: f64 = (0..self.rows.len())
                .map(|i| {
                    let variance = self.error_variance(&solution.components, i);
                    let (residual, of_fitted) = self.residual_selected(solution, &selected, i);
                    let share = residual_var * self.inflation[i] / variance;
                    share * (1.0 - (of_fitted + residual * residual) / variance)
                })
                .sum();
            out.push(2.0 * sum);
        }
        Some(out)
    }

    /// Average of observed and expected information of the logs of the unknowns (Gilmour, Thompson & Cullis 1995),
    /// as curvature of minus the restricted log-likelihood.
    ///
    /// ½ qa' P qb, with qa the derivative of the data's covariance times P y: for a group twice its effects at the
    /// observations, for the residual twice its part of what is left.
    pub(super) fn information(&self, solution: &Solution) -> Vec<Vec<f64>> {
        let n = self.rows.len();
        let variance: Vec<f64> = (0..n)
            .map(|i| self.error_variance(&solution.components, i))
            .collect();
        let mut moved: Vec<Vec<f64>> = Vec::with_capacity(self.n_unknown());
        for (g, group) in self.model.groups.iter().enumerate() {
            if group.is_estimated() {
                let effects = self.effects(solution, g);
                moved.push(group.levels.iter().map(|l| 2.0 * effects[*l]).collect());
            }
        }
        if moved.len() < self.n_unknown() {
            let residual_var = solution.components.residual_sd.powi(2);
            let of_residual = (0..n).map(|i| {
                let fitted = self.along(solution, i, &solution.standardised);
                2.0 * residual_var * self.inflation[i] * (self.target[i] - fitted) / variance[i]
            });
            moved.push(of_residual.collect());
        }
        let projected: Vec<Vec<f64>> = moved
            .iter()
            .map(|q| {
                let mut right = vec![0.0; self.symbolic.len()];
                for (i, row) in self.rows.iter().enumerate() {
                    for (c, v) in row {
                        let v = self.standard_value(*c, *v, &solution.scaling);
                        right[*c] += v * q[i] / variance[i];
                    }
                }
                let solved = self.solve_right(&solution.factor, &right);
                (0..n)
                    .map(|i| (q[i] - self.along(solution, i, &solved)) / variance[i])
                    .collect()
            })
            .collect();
        moved
            .iter()
            .map(|a| {
                projected
                    .iter()
                    .map(|b| 0.5 * a.iter().zip(b).map(|(x, y)| x * y).sum::<f64>())
                    .collect()
            })
            .collect()
    }

    /// An observation's row of the standardised design times a vector.
    fn along(&self, solution: &Solution, i: usize, values: &[f64]) -> f64 {
        self.rows[i]
            .iter()
            .map(|(c, v)| values[*c] * self.standard_value(*c, *v, &solution.scaling))
            .sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::linear::Design;
    use crate::mixed::{CrossedModel, FixedPrior, Group, Outliers, Residual, Spread};
    use crate::optimise::{fine_gradient, hessian};
    use crate::rng;

    /// A fleet of 30 units and 5 oils, with sensors, and reservoirs of two bases: pairs and idle columns.
    fn model() -> CrossedModel {
        let mut noise = rng::seeded(12, "slopes");
        let n = 400;
        let spread = || Spread::Estimated { prior_scale: 0.3 };
        let levels = |noise: &mut rng::Pcg64, n_levels| -> Vec<usize> {
            (0..n).map(|_| rng::index(noise, n_levels)).collect()
        };
        let (units, oils, reservoirs) = (
            levels(&mut noise, 30),
            levels(&mut noise, 5),
            levels(&mut noise, 60),
        );
        let cells = units.iter().zip(&oils).map(|(u, o)| u * 5 + o).collect();
        let effects: Vec<Vec<f64>> = [30, 5, 60]
            .into_iter()
            .map(|n_levels| rng::standard_normals(&mut noise, n_levels))
            .collect();
        let y = (0..n)
            .map(|i| {
                0.4 * effects[0][units[i]]
                    + 0.6 * effects[1][oils[i]]
                    + 0.3 * effects[2][reservoirs[i]]
                    + 0.2 * rng::standard_normal(&mut noise)
            })
            .collect();
        let group = |levels, n_levels, spread| Group {
            levels,
            n_levels,
            spread,
        };
        let half = |parity| Spread::Stated {
            sds: (0..60)
                .map(|l| if l % 2 == parity { 0.25 } else { 0.0 })
                .collect(),
            log_scale: 0.5,
        };
        CrossedModel {
            y,
            known_var: (0..n).map(|_| 0.02 * rng::uniform(&mut noise)).collect(),
            fixed: Design::with_intercept(n, vec![rng::standard_normals(&mut noise, n)]).unwrap(),
            fixed_priors: vec![
                FixedPrior::Normal { mean: 0.1, sd: 1.0 },
                FixedPrior::Normal { mean: 0.0, sd: 0.5 },
            ],
            groups: vec![
                group(units.clone(), 30, spread()),
                group(oils, 5, spread()),
                group(cells, 150, spread()),
                group(
                    units,
                    30,
                    Spread::Known {
                        sds: (0..30).map(|u| f64::from(u % 3) * 0.1).collect(),
                    },
                ),
                group(reservoirs.clone(), 60, half(0)),
                group(reservoirs, 60, half(1)),
            ],
            residual: Residual::Estimated { prior_scale: 0.3 },
            outliers: Outliers::Normal,
        }
    }

    #[test]
    fn slopes_are_those_of_the_criterion() {
        let mut system = System::new(&model()).unwrap();
        for (i, inflation) in system.inflation.iter_mut().enumerate() {
            *inflation = if i % 17 == 0 { 4.0 } else { 1.0 };
        }
        let criterion = |logs: &[f64]| {
            let unknown: Vec<f64> = logs.iter().map(|l| l.exp()).collect();
            let solution = system.solve(&system.components(&unknown));
            solution.map_or(f64::INFINITY, |s| s.criterion)
        };
        for at in [
            [0.4, 0.6, 0.1, 1.2, 0.9, 0.2],
            [0.05, 2.0, 0.3, 0.4, 2.0, 0.1],
        ] {
            let logs: Vec<f64> = at.iter().map(|sd: &f64| sd.ln()).collect();
            let wanted = fine_gradient(&criterion, &logs, &[1e-3; 6]);
            let solution = system.solve(&system.components(&at)).unwrap();
            let found = system.slopes(&solution).unwrap();
            for (f, w) in found.iter().zip(&wanted) {
                assert!(
                    (f - w).abs() < 1e-5 * (1.0 + w.abs()),
                    "{found:?} {wanted:?}"
                );
            }
        }
    }

    /// Where the slopes vanish, the average information is near the curvature.
    #[test]
    fn information_is_near_the_curvature() {
        let model = model();
        let fit = crate::mixed::fit_reml(&model).unwrap();
        let system = System::new(&model).unwrap();
        let mut at = Vec::new();
        for (sd, group) in fit.group_sds.iter().zip(&model.groups) {
            if group.is_estimated() {
                at.push(sd.max(0.02));
            }
        }
        at.push(fit.residual_sd);
        let half = |logs: &[f64]| {
            let unknown: Vec<f64> = logs.iter().map(|l| l.exp()).collect();
            system
                .solve(&system.components(&unknown))
                .unwrap()
                .criterion
                / 2.0
        };
        let logs: Vec<f64> = at.iter().map(|sd| sd.ln()).collect();
        let wanted = hessian(&half, &logs, &[1e-2; 6]);
        let found = system.information(&system.solve(&system.components(&at)).unwrap());
        for k in [0, 1, 5] {
            let ratio = found[k][k] / wanted[k][k];
            assert!((0.6..1.6).contains(&ratio), "{k}: {found:?} {wanted:?}");
        }
    }
}
