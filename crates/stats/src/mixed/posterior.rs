//! The posterior of a model whose variance components are integrated over: weighted solutions, and what they say.

use drydown_quantity::Interval;
use rayon::prelude::*;

use super::entries::Entries;
use super::model::{CrossedModel, LinearPrediction};
use super::predict::{EffectDraw, Predicted};
use super::reml::{StandardResidual, left_out, residual_is_last};
use super::selected::Selected;
use super::system::{Solution, System};
use crate::error::StatsError;
use crate::rng::{self, Pcg64};
use crate::robust::weighted_quantile;

/// Posterior law of one standard deviation.
#[derive(Clone, Debug, PartialEq)]
pub struct Component {
    /// Posterior median.
    pub median: f64,
    /// Draws of the standard deviation and their weights (summing to 1).
    pub draws: Vec<(f64, f64)>,
}

impl Component {
    /// Equal-tailed interval of the given level.
    #[must_use]
    pub fn interval(&self, level: f64) -> Interval {
        let (values, weights): (Vec<f64>, Vec<f64>) = self.draws.iter().copied().unzip();
        let tail = 0.5 * (1.0 - level);
        let end = |p| weighted_quantile(&values, &weights, p).unwrap_or(f64::NAN);
        Interval::new(level, end(tail), end(1.0 - tail))
    }
}

/// The posterior: weighted solutions of the equations.
#[derive(Clone, Debug)]
pub struct Posterior {
    pub(super) system: System,
    pub(super) mode: Solution,
    pub(super) draws: Vec<(f64, Solution)>,
}

impl Posterior {
    /// The predictive law of each value asked for.
    ///
    /// # Errors
    /// A prediction that does not fit the model.
    pub fn predict(&self, wanted: &[LinearPrediction]) -> Result<Vec<Predicted>, StatsError> {
        wanted
            .iter()
            .try_for_each(|p| self.system.check_prediction(p))?;
        let system = &self.system;
        let laws = |solution: &Solution, selected: Option<&Selected>| -> Vec<(f64, f64)> {
            let entries = selected.map(|selected| Entries::new(system, solution, selected));
            wanted
                .iter()
                .map(|p| match &entries {
                    Some(entries) => system.predict_selected(solution, entries, p),
                    None => system.predict(solution, p),
                })
                .collect()
        };
        let by_draw = self.by_draw(laws);
        Ok((0..wanted.len())
            .map(|k| {
                let parts = self
                    .draws
                    .iter()
                    .zip(&by_draw)
                    .filter_map(|((weight, _), laws)| {
                        let (mean, variance) = *laws.get(k)?;
                        Some((*weight, mean, variance.max(0.0).sqrt()))
                    })
                    .collect();
                Predicted::from_parts(parts)
            })
            .collect())
    }

    /// What each draw says, from its solution and the entries of the inverse: the same digits however many are asked.
    fn by_draw<T: Send>(&self, said: impl Fn(&Solution, Option<&Selected>) -> T + Sync) -> Vec<T> {
        self.draws
            .par_iter()
            .map(|(_, solution)| {
                let selected = Selected::of(&self.system.symbolic, &solution.factor);
                said(solution, selected.as_ref())
            })
            .collect()
    }

    /// Share of each prediction that its own observations carry: how far the prediction moves when all
    /// of them move by one. 1 - B of shrinkage for a group alone; 0 where none is named.
    ///
    /// # Errors
    /// A prediction that does not fit the model.
    pub fn own_shares(
        &self,
        wanted: &[(LinearPrediction, Vec<usize>)],
    ) -> Result<Vec<f64>, StatsError> {
        wanted
            .iter()
            .try_for_each(|(p, _)| self.system.check_prediction(p))?;
        let system = &self.system;
        let shares = |solution: &Solution, selected: Option<&Selected>| -> Vec<f64> {
            let entries = selected.map(|selected| Entries::new(system, solution, selected));
            let share = |(p, own): &(LinearPrediction, Vec<usize>)| {
                let quick = entries
                    .as_ref()
                    .and_then(|entries| system.share_selected(solution, entries, p, own));
                quick.unwrap_or_else(|| {
                    let weights = system.weights(solution, p);
                    own.iter().filter_map(|i| weights.get(*i)).sum()
                })
            };
            wanted.iter().map(share).collect()
        };
        let by_draw = self.by_draw(shares);
        let mut sums = vec![0.0; wanted.len()];
        for ((weight, _), shares) in self.draws.iter().zip(&by_draw) {
            for (sum, share) in sums.iter_mut().zip(shares) {
                *sum += weight * share;
            }
        }
        Ok(sums.into_iter().map(|sum| sum.clamp(0.0, 1.0)).collect())
    }

    /// Weight of each observation in a prediction: how far it moves when that observation moves by
    /// one. They need not sum to 1: the priors carry the rest.
    ///
    /// # Errors
    /// A prediction that does not fit the model.
    pub fn weights(&self, p: &LinearPrediction) -> Result<Vec<f64>, StatsError> {
        self.system.check_prediction(p)?;
        let mut sums = vec![0.0; self.system.model.y.len()];
        for (weight, solution) in &self.draws {
            for (sum, own) in sums.iter_mut().zip(self.system.weights(solution, p)) {
                *sum += weight * own;
            }
        }
        Ok(sums)
    }

    /// Standard deviation that a prediction would have with other data: the model as it would be, its
    /// variance components those of this posterior's mode. What an observation more, or a better
    /// known one, would be worth before it is made.
    ///
    /// # Errors
    /// A model that does not hold together or has other unknowns; a prediction that does not fit.
    pub fn sd_under(&self, model: &CrossedModel, p: &LinearPrediction) -> Result<f64, StatsError> {
        let other = System::new(model)?;
        other.check_prediction(p)?;
        crate::error::check_length("unknowns", self.system.n_unknown(), other.n_unknown())?;
        let solution = other
            .solve(&self.mode.components)
            .ok_or(StatsError::NotConverged {
                what: "the equations of other data",
                iterations: 0,
            })?;
        Ok(other.predict(&solution, p).1.max(0.0).sqrt())
    }

    /// As [`Self::sd_under`], with the data at hand.
    ///
    /// # Errors
    /// A prediction that does not fit the model.
    pub fn sd_at_mode(&self, p: &LinearPrediction) -> Result<f64, StatsError> {
        self.system.check_prediction(p)?;
        Ok(self.system.predict(&self.mode, p).1.max(0.0).sqrt())
    }

    /// Posterior of the standard deviation of each group; None for a group whose spreads are known.
    #[must_use]
    pub fn group_components(&self) -> Vec<Option<Component>> {
        self.system
            .model
            .groups
            .iter()
            .enumerate()
            .map(|(g, group)| {
                group
                    .is_estimated()
                    .then(|| self.component(|s| s.components.group_sds[g]))
            })
            .collect()
    }

    /// Posterior of the residual standard deviation; None where it is not an unknown.
    #[must_use]
    pub fn residual_component(&self) -> Option<Component> {
        residual_is_last(&self.system.model).then(|| self.component(|s| s.components.residual_sd))
    }

    fn component(&self, value: impl Fn(&Solution) -> f64) -> Component {
        let draws: Vec<(f64, f64)> = self.draws.iter().map(|(w, s)| (value(s), *w)).collect();
        let (values, weights): (Vec<f64>, Vec<f64>) = draws.iter().copied().unzip();
        let median = weighted_quantile(&values, &weights, 0.5).unwrap_or(f64::NAN);
        Component { median, draws }
    }

    /// Fixed effects: posterior mean and standard deviation of each.
    #[must_use]
    pub fn fixed(&self) -> Vec<(f64, f64)> {
        let each: Vec<(f64, Vec<f64>, Vec<Vec<f64>>)> = self
            .draws
            .iter()
            .map(|(w, s)| (*w, self.system.fixed(s), self.system.fixed_covariance(s)))
            .collect();
        (0..self.system.model.fixed.n_columns())
            .map(|j| {
                let parts = each
                    .iter()
                    .map(|(w, b, v)| (*w, b[j], v[j][j].max(0.0).sqrt()))
                    .collect();
                let law = Predicted::from_parts(parts);
                (law.mean, law.sd)
            })
            .collect()
    }

    /// Effects of some groups: posterior mean and standard deviation, level by level.
    #[must_use]
    pub fn effects(&self, groups: &[usize]) -> Vec<Vec<(f64, f64)>> {
        let system = &self.system;
        let each: Vec<Vec<Vec<(f64, f64)>>> = self.by_draw(|solution, selected| {
            let of_group = |group: &usize| {
                let (Some(factor), Some(sd)) = (
                    system.model.groups.get(*group),
                    solution.components.group_sds.get(*group),
                ) else {
                    return Vec::new();
                };
                let left = |level| {
                    let left = system.remaining_variance(solution, selected, (*group, level));
                    factor.level_sd(*sd, level) * left.max(0.0).sqrt()
                };
                let effects = system.effects(solution, *group);
                effects
                    .into_iter()
                    .enumerate()
                    .map(|(level, effect)| (effect, left(level)))
                    .collect()
            };
            groups.iter().map(of_group).collect()
        });
        (0..groups.len())
            .map(|g| {
                let n_levels = each.first().and_then(|all| all.get(g)).map_or(0, Vec::len);
                (0..n_levels)
                    .map(|level| {
                        let parts = self
                            .draws
                            .iter()
                            .zip(&each)
                            .filter_map(|((weight, _), all)| {
                                let (mean, sd) = *all.get(g)?.get(level)?;
                                Some((*weight, mean, sd))
                            })
                            .collect();
                        let law = Predicted::from_parts(parts);
                        (law.mean, law.sd)
                    })
                    .collect()
            })
            .collect()
    }

    /// Every observation against its prediction from all the others, at the mode of the components.
    #[must_use]
    pub fn left_out(&self) -> Vec<StandardResidual> {
        left_out(&self.system, &self.mode)
    }

    /// Factor by which the variance of each observation was inflated (1 under normal errors).
    #[must_use]
    pub fn inflation(&self) -> &[f64] {
        &self.system.inflation
    }

    /// Effective number of importance draws.
    #[must_use]
    pub fn effective_draws(&self) -> f64 {
        1.0 / self.draws.iter().map(|(w, _)| w * w).sum::<f64>()
    }

    /// Joint draws of components, fixed effects and all group effects.
    #[must_use]
    pub fn draw_effects(&self, n: usize, rng: &mut Pcg64) -> Vec<EffectDraw> {
        (0..n)
            .map(|_| {
                let solution = self.pick(rng);
                let normals = rng::standard_normals(rng, self.system.n_columns());
                let (fixed, effects) = self.system.draw(solution, &normals);
                EffectDraw {
                    group_sds: solution.components.group_sds.clone(),
                    residual_sd: solution.components.residual_sd,
                    fixed,
                    effects,
                }
            })
            .collect()
    }

    /// Joint draws of several predictions: one inner vector per draw, one value per prediction.
    /// Seen levels are shared between predictions; new levels and residuals are drawn apart.
    ///
    /// # Errors
    /// A prediction that does not fit the model.
    pub fn draw_predictions(
        &self,
        wanted: &[LinearPrediction],
        n: usize,
        rng: &mut Pcg64,
    ) -> Result<Vec<Vec<f64>>, StatsError> {
        wanted
            .iter()
            .try_for_each(|p| self.system.check_prediction(p))?;
        Ok((0..n)
            .map(|_| {
                let solution = self.pick(rng);
                let normals = rng::standard_normals(rng, self.system.n_columns());
                let (fixed, effects) = self.system.draw(solution, &normals);
                wanted
                    .iter()
                    .map(|p| {
                        let extra = self.system.extra_variance(&solution.components, p).sqrt();
                        let along: f64 = p.fixed_row.iter().zip(&fixed).map(|(x, b)| x * b).sum();
                        along
                            + super::answers::seen_effects(p, &effects)
                            + extra * rng::standard_normal(rng)
                    })
                    .collect()
            })
            .collect())
    }

    fn pick(&self, rng: &mut Pcg64) -> &Solution {
        let mut left = rng::uniform(rng);
        for (weight, solution) in &self.draws {
            left -= weight;
            if left <= 0.0 {
                return solution;
            }
        }
        self.draws.last().map_or(&self.mode, |d| &d.1)
    }
}
