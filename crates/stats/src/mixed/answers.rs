//! What solved equations say: effects, predictions, residuals, draws.

use rayon::prelude::*;

use super::entries::Entries;
use super::model::{FixedPrior, Level, LinearPrediction};
use super::selected::Selected;
use super::system::{Components, Row, Solution, System};
use crate::error::{StatsError, check_finite, check_length};

impl System {
    /// Fixed effects in units of y per unit of the column.
    pub(super) fn fixed(&self, solution: &Solution) -> Vec<f64> {
        self.unscale_fixed(&solution.standardised)
    }

    fn unscale_fixed(&self, standardised: &[f64]) -> Vec<f64> {
        (0..self.fixed_scale.len())
            .map(|j| {
                let mean = match self.model.fixed_prior(j) {
                    FixedPrior::Flat => 0.0,
                    FixedPrior::Normal { mean, .. } => mean,
                };
                mean + standardised[self.fixed_start + j] / self.fixed_scale[j]
            })
            .collect()
    }

    /// Effects of one group.
    pub(super) fn effects(&self, solution: &Solution, group: usize) -> Vec<f64> {
        let mut standardised = solution.standardised.clone();
        self.reduced.turn_back(&solution.scaling, &mut standardised);
        self.unscale_effects(&standardised, &solution.scaling.own, group)
    }

    fn unscale_effects(&self, standardised: &[f64], scale: &[f64], group: usize) -> Vec<f64> {
        let start = self.group_starts[group];
        (start..start + self.model.groups[group].n_levels)
            .map(|c| standardised[c] * scale[c])
            .collect()
    }

    /// Conditional covariance of the fixed effects.
    pub(super) fn fixed_covariance(&self, solution: &Solution) -> Vec<Vec<f64>> {
        let p = self.fixed_scale.len();
        let total = self.symbolic.len();
        let columns: Vec<Vec<f64>> = (0..p)
            .map(|j| {
                let mut right = vec![0.0; total];
                right[self.fixed_start + j] = 1.0;
                self.solve_right(&solution.factor, &right)
            })
            .collect();
        (0..p)
            .map(|a| {
                (0..p)
                    .map(|b| {
                        columns[b][self.fixed_start + a]
                            / (self.fixed_scale[a] * self.fixed_scale[b])
                    })
                    .collect()
            })
            .collect()
    }

    /// Checks that a prediction fits the model.
    pub(super) fn check_prediction(&self, p: &LinearPrediction) -> Result<(), StatsError> {
        check_length("prediction row", self.fixed_scale.len(), p.fixed_row.len())?;
        check_finite("prediction row", &p.fixed_row)?;
        check_length("prediction levels", self.model.groups.len(), p.levels.len())?;
        for (group, level) in self.model.groups.iter().zip(&p.levels) {
            match level {
                Level::Seen(l) if *l >= group.n_levels => {
                    return Err(StatsError::OutOfRange {
                        what: "group level",
                        value: *l as f64,
                    });
                }
                Level::NewWithSd(sd) if !(sd.is_finite() && *sd >= 0.0) => {
                    return Err(StatsError::OutOfRange {
                        what: "spread of a level",
                        value: *sd,
                    });
                }
                _ => {}
            }
        }
        Ok(())
    }

    /// The sparse contrast of a prediction in standardised columns, and the constant of informed means.
    fn contrast(&self, solution: &Solution, p: &LinearPrediction) -> (Row, f64) {
        let mut out: Row = Vec::new();
        for (g, level) in p.levels.iter().enumerate() {
            if let Level::Seen(l) = level {
                let column = self.group_starts[g] + l;
                out.push((column, solution.scaling.own[column]));
            }
        }
        let mut constant = 0.0;
        for (j, x) in p.fixed_row.iter().enumerate() {
            out.push((self.fixed_start + j, x / self.fixed_scale[j]));
            if let FixedPrior::Normal { mean, .. } = self.model.fixed_prior(j) {
                constant += mean * x;
            }
        }
        (self.reduced.turn(&solution.scaling, out), constant)
    }

    /// Variance that a prediction has beyond the estimated effects: new levels and the residual.
    pub(super) fn extra_variance(&self, components: &Components, p: &LinearPrediction) -> f64 {
        let new: f64 = p
            .levels
            .iter()
            .enumerate()
            .map(|(g, level)| match level {
                Level::New => self.model.groups[g].new_sd(components.group_sds[g]).powi(2),
                Level::NewWithSd(sd) => sd * sd,
                Level::Seen(_) | Level::Absent => 0.0,
            })
            .sum();
        new + if p.include_residual {
            components.residual_sd.powi(2)
        } else {
            0.0
        }
    }

    /// Conditional mean and variance of a prediction (already checked).
    pub(super) fn predict(&self, solution: &Solution, p: &LinearPrediction) -> (f64, f64) {
        let (contrast, constant) = self.contrast(solution, p);
        let mean: f64 = contrast
            .iter()
            .map(|(c, v)| v * solution.standardised[*c])
            .sum();
        let variance = self.contrast_variance(solution, &contrast);
        (
            constant + mean,
            variance + self.extra_variance(&solution.components, p),
        )
    }

    /// As [`Self::predict`], from the entries of the inverse where they hold the contrast.
    pub(super) fn predict_selected(
        &self,
        solution: &Solution,
        entries: &Entries<'_>,
        p: &LinearPrediction,
    ) -> (f64, f64) {
        let (contrast, constant) = self.contrast(solution, p);
        let mean: f64 = contrast
            .iter()
            .map(|(c, v)| v * solution.standardised[*c])
            .sum();
        let variance = entries
            .between(&contrast, &contrast)
            .unwrap_or_else(|| self.contrast_variance(solution, &contrast));
        (
            constant + mean,
            variance + self.extra_variance(&solution.components, p),
        )
    }

    /// How far a prediction moves when all of some observations move by one: the sum of their weights; None where
    /// the entries of the inverse do not hold it.
    pub(super) fn share_selected(
        &self,
        solution: &Solution,
        entries: &Entries<'_>,
        p: &LinearPrediction,
        own: &[usize],
    ) -> Option<f64> {
        let (contrast, _) = self.contrast(solution, p);
        let mut sum = 0.0;
        for i in own {
            let row: Row = self
                .rows
                .get(*i)?
                .iter()
                .map(|(c, v)| (*c, self.standard_value(*c, *v, &solution.scaling)))
                .collect();
            sum +=
                entries.between(&contrast, &row)? / self.error_variance(&solution.components, *i);
        }
        Some(sum)
    }

    fn contrast_variance(&self, solution: &Solution, contrast: &Row) -> f64 {
        let places: Vec<(usize, f64)> = contrast
            .iter()
            .map(|(column, value)| (self.symbolic.place[*column], *value))
            .collect();
        self.symbolic.squares_of_lower(&solution.factor, &places)
    }

    /// Residual of every observation, and conditional variance of its fitted value.
    pub(super) fn residuals(&self, solution: &Solution) -> Vec<(f64, f64)> {
        let selected = Selected::of(&self.symbolic, &solution.factor);
        (0..self.rows.len())
            .into_par_iter()
            .map(|i| match &selected {
                Some(selected) => self.residual_selected(solution, selected, i),
                None => self.residual(solution, i),
            })
            .collect()
    }

    /// As [`Self::residual`], from the entries of the inverse.
    pub(super) fn residual_selected(
        &self,
        solution: &Solution,
        selected: &Selected,
        i: usize,
    ) -> (f64, f64) {
        let mut fitted = 0.0;
        let mut variance = 0.0;
        let row = &self.rows[i];
        let mut positions = self.positions[i].iter();
        for (at, (a, va)) in row.iter().enumerate() {
            let va = self.standard_value(*a, *va, &solution.scaling);
            fitted += va * solution.standardised[*a];
            for ((b, vb), position) in row[..=at].iter().zip(&mut positions) {
                let vb = self.standard_value(*b, *vb, &solution.scaling);
                let times = if a == b { 1.0 } else { 2.0 };
                variance += times * va * vb * selected.at(*position);
            }
        }
        (self.target[i] - fitted, variance.max(0.0))
    }

    /// Residual and conditional variance of the fitted value of one observation.
    fn residual(&self, solution: &Solution, i: usize) -> (f64, f64) {
        let contrast: Row = self.rows[i]
            .iter()
            .map(|(c, v)| (*c, self.standard_value(*c, *v, &solution.scaling)))
            .collect();
        let fitted: f64 = contrast
            .iter()
            .map(|(c, v)| v * solution.standardised[*c])
            .sum();
        (
            self.target[i] - fitted,
            self.contrast_variance(solution, &contrast),
        )
    }

    /// How far a prediction moves when each observation moves by one, observation by observation.
    pub(super) fn weights(&self, solution: &Solution, p: &LinearPrediction) -> Vec<f64> {
        let (contrast, _) = self.contrast(solution, p);
        let mut right = vec![0.0; self.symbolic.len()];
        contrast.iter().for_each(|(c, v)| right[*c] += v);
        let g = self.solve_right(&solution.factor, &right);
        self.rows
            .iter()
            .enumerate()
            .map(|(i, row)| {
                let along: f64 = row
                    .iter()
                    .map(|(c, v)| g[*c] * self.standard_value(*c, *v, &solution.scaling))
                    .sum();
                along / self.error_variance(&solution.components, i)
            })
            .collect()
    }

    /// Variance of one effect given the data, as a share of its variance before the data.
    pub(super) fn remaining_variance(
        &self,
        solution: &Solution,
        selected: Option<&Selected>,
        (group, level): (usize, usize),
    ) -> f64 {
        let column = self.group_starts[group] + level;
        let contrast = self.reduced.turn(&solution.scaling, vec![(column, 1.0)]);
        selected
            .and_then(|selected| {
                Entries::new(self, solution, selected).between(&contrast, &contrast)
            })
            .unwrap_or_else(|| self.contrast_variance(solution, &contrast))
    }

    /// One joint draw of fixed effects and group effects, from `normals` (one per column).
    pub(super) fn draw(&self, solution: &Solution, normals: &[f64]) -> (Vec<f64>, Vec<Vec<f64>>) {
        let mut z = normals.to_vec();
        z.resize(self.symbolic.len(), 0.0);
        self.symbolic.solve_upper(&solution.factor, &mut z);
        let mut standardised: Vec<f64> = self
            .symbolic
            .place
            .iter()
            .zip(&solution.standardised)
            .map(|(p, centre)| centre + z[*p])
            .collect();
        self.reduced.turn_back(&solution.scaling, &mut standardised);
        let groups = (0..self.model.groups.len())
            .map(|g| self.unscale_effects(&standardised, &solution.scaling.own, g))
            .collect();
        (self.unscale_fixed(&standardised), groups)
    }

    /// Number of columns of the joint design.
    pub(super) fn n_columns(&self) -> usize {
        self.symbolic.len()
    }
}

/// Sum of the drawn effects that a prediction names.
pub(super) fn seen_effects(p: &LinearPrediction, effects: &[Vec<f64>]) -> f64 {
    p.levels
        .iter()
        .zip(effects)
        .map(|(level, group)| match level {
            Level::Seen(l) => group.get(*l).copied().unwrap_or(0.0),
            Level::New | Level::NewWithSd(_) | Level::Absent => 0.0,
        })
        .sum()
}
