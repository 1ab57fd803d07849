//! Variance components integrated over, by importance sampling around their posterior mode.
//!
//! Half-t(3) priors on the standard deviations (t(3) on the log of a factor on stated ones); the mode of the log standard deviations; draws from
//! a t(5) law around it; every draw carries the conditional law of all effects.

use super::mode::find_mode;
use super::model::{CrossedModel, LinearPrediction, Outliers};
use super::predict::{EffectDraw, Predicted};
use super::reml::{StandardResidual, left_out, residual_is_last, reweight};
use super::sample::sample;
use super::system::{Solution, System};
use crate::error::StatsError;
use crate::rng::{self, Pcg64};
use crate::robust::weighted_quantile;
use drydown_quantity::Interval;

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
    system: System,
    mode: Solution,
    draws: Vec<(f64, Solution)>,
}

/// Fits the model with the variance components integrated over.
///
/// `n_draws`: importance draws (80 is enough for intervals); `seed`: start of the random stream.
///
/// # Errors
/// A model that does not hold together, or equations singular everywhere.
pub fn fit_integrated(
    model: &CrossedModel,
    n_draws: usize,
    seed: u64,
) -> Result<Posterior, StatsError> {
    let mut system = System::new(model)?;
    let mut mode = find_mode(&system, None)?;
    if let Outliers::StudentT { df } = model.outliers {
        for _ in 0..6 {
            let moved = reweight(&mut system, &mode.solution, df);
            mode = find_mode(&system, Some(&mode.logs))?;
            if moved < 1e-2 {
                break;
            }
        }
    }
    let draws = sample(&system, &mode, n_draws, seed);
    Ok(Posterior {
        system,
        mode: mode.solution,
        draws,
    })
}

impl Posterior {
    /// The predictive law of each value asked for.
    ///
    /// # Errors
    /// A prediction that does not fit the model.
    pub fn predict(&self, wanted: &[LinearPrediction]) -> Result<Vec<Predicted>, StatsError> {
        wanted
            .iter()
            .map(|p| {
                self.system.check_prediction(p)?;
                let parts = self
                    .draws
                    .iter()
                    .map(|(weight, solution)| {
                        let (mean, variance) = self.system.predict(solution, p);
                        (*weight, mean, variance.max(0.0).sqrt())
                    })
                    .collect();
                Ok(Predicted::from_parts(parts))
            })
            .collect()
    }

    /// Share of a prediction that its own observations carry: how far the prediction moves when all
    /// of them move by one. 1 - B of shrinkage for a group alone; 0 where none is named.
    ///
    /// # Errors
    /// A prediction that does not fit the model.
    pub fn own_share(&self, p: &LinearPrediction, own: &[usize]) -> Result<f64, StatsError> {
        self.system.check_prediction(p)?;
        if own.is_empty() {
            return Ok(0.0);
        }
        let weights = self.weights(p)?;
        let share: f64 = own.iter().filter_map(|i| weights.get(*i)).sum();
        Ok(share.clamp(0.0, 1.0))
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

    /// Effects of one group: posterior mean and standard deviation, level by level.
    #[must_use]
    pub fn effects(&self, group: usize) -> Vec<(f64, f64)> {
        let Some(factor) = self.system.model.groups.get(group) else {
            return Vec::new();
        };
        let each: Vec<(f64, f64, Vec<f64>, &Solution)> = self
            .draws
            .iter()
            .map(|(w, s)| {
                (
                    *w,
                    s.components.group_sds[group],
                    self.system.effects(s, group),
                    s,
                )
            })
            .collect();
        (0..factor.n_levels)
            .map(|l| {
                let parts = each
                    .iter()
                    .map(|(w, sd, effects, s)| {
                        let left = self.system.remaining_variance(s, group, l).max(0.0);
                        (*w, effects[l], factor.level_sd(*sd, l) * left.sqrt())
                    })
                    .collect();
                let law = Predicted::from_parts(parts);
                (law.mean, law.sd)
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
                            + super::system::seen_effects(p, &effects)
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::linear::Design;
    use crate::mixed::{Group, Level, Residual, Spread};

    /// A layout with known truth: first factor x second, 55 % of cells visited, 1 to 5 observations each
    /// (standard deviations .15, .35, .10, .12; standard errors .03 to .5).
    struct Crossed {
        model: CrossedModel,
        /// Truth of every cell, first factor outermost.
        truth: Vec<f64>,
        n_first: usize,
        n_second: usize,
    }

    fn half_t() -> Spread {
        Spread::Estimated { prior_scale: 0.3 }
    }

    fn crossed(n_first: usize, n_second: usize, seed: u64) -> Crossed {
        let mut rng = rng::seeded(seed, "crossed");
        let normal = |sd: f64, n: usize, rng: &mut Pcg64| -> Vec<f64> {
            rng::standard_normals(rng, n)
                .into_iter()
                .map(|z| z * sd)
                .collect()
        };
        let first = normal(0.15, n_first, &mut rng);
        let second = normal(0.35, n_second, &mut rng);
        let cells = normal(0.10, n_first * n_second, &mut rng);
        let truth: Vec<f64> = (0..n_first * n_second)
            .map(|c| 3.0 + first[c / n_second] + second[c % n_second] + cells[c])
            .collect();
        let (mut y, mut known_var, mut x) = (Vec::new(), Vec::new(), Vec::new());
        let mut levels = vec![Vec::new(), Vec::new(), Vec::new()];
        for (c, value) in truth.iter().enumerate() {
            if rng::uniform(&mut rng) > 0.55 {
                continue;
            }
            for _ in 0..=rng::index(&mut rng, 5) {
                let se = 0.03 * (0.5_f64 / 0.03).powf(rng::uniform(&mut rng));
                let covariate = rng::standard_normal(&mut rng);
                let noise = normal(1.0, 2, &mut rng);
                y.push(value + 0.2 * covariate + 0.12 * noise[0] + se * noise[1]);
                known_var.push(se * se);
                x.push(covariate);
                levels[0].push(c / n_second);
                levels[1].push(c % n_second);
                levels[2].push(c);
            }
        }
        let counts = [n_first, n_second, n_first * n_second];
        let groups = levels
            .into_iter()
            .zip(counts)
            .map(|(levels, n_levels)| Group {
                levels,
                n_levels,
                spread: half_t(),
            })
            .collect();
        let model = CrossedModel {
            fixed: Design::with_intercept(y.len(), vec![x]).unwrap(),
            y,
            known_var,
            fixed_priors: Vec::new(),
            groups,
            residual: Residual::Estimated { prior_scale: 0.3 },
            outliers: Outliers::Normal,
        };
        Crossed {
            model,
            truth,
            n_first,
            n_second,
        }
    }

    fn cells(f: &Crossed, include_residual: bool) -> Vec<LinearPrediction> {
        (0..f.n_first * f.n_second)
            .map(|c| LinearPrediction {
                fixed_row: vec![1.0, 0.0],
                levels: vec![
                    Level::Seen(c / f.n_second),
                    Level::Seen(c % f.n_second),
                    Level::Seen(c),
                ],
                include_residual,
            })
            .collect()
    }

    fn cell_coverage(f: &Crossed, posterior: &Posterior) -> f64 {
        let inside = posterior
            .predict(&cells(f, false))
            .unwrap()
            .iter()
            .zip(&f.truth)
            .filter(|(p, t)| p.interval(0.9).contains(**t))
            .count();
        inside as f64 / f.truth.len() as f64
    }

    #[test]
    fn intervals_of_small_layouts_hold_the_truth_nine_times_in_ten() {
        // Over many layouts of 8 x 4 the share is 0.90 to 0.91; 40 layouts scatter by 0.012.
        let (mut share, mut effective, mut new_value, mut n_new) = (0.0, 0.0, 0.0, 0.0);
        for seed in 0..40 {
            let f = crossed(8, 4, seed);
            let posterior = fit_integrated(&f.model, 80, seed).unwrap();
            share += cell_coverage(&f, &posterior) / 40.0;
            effective += posterior.effective_draws() / 40.0;
            let mut rng = rng::seeded(seed, "new observations");
            for (p, t) in posterior
                .predict(&cells(&f, true))
                .unwrap()
                .iter()
                .zip(&f.truth)
            {
                let value = t + 0.12 * rng::standard_normal(&mut rng);
                new_value += if p.interval(0.9).contains(value) {
                    1.0
                } else {
                    0.0
                };
                n_new += 1.0;
            }
        }
        println!(
            "coverage of 90 % intervals, 40 layouts of 8 x 4: cells {share:.3}, new observations {:.3}; effective draws {effective:.0}",
            new_value / n_new
        );
        assert!((0.84..=0.96).contains(&share), "{share}");
        assert!(
            (0.86..=0.94).contains(&(new_value / n_new)),
            "{}",
            new_value / n_new
        );
        assert!(effective > 25.0, "{effective}");
    }

    #[test]
    fn intervals_of_large_layouts_hold_the_truth_nine_times_in_ten() {
        let mut share = 0.0;
        for seed in 0..10 {
            let f = crossed(25, 8, 1000 + seed);
            share += cell_coverage(&f, &fit_integrated(&f.model, 80, seed).unwrap()) / 10.0;
        }
        println!("coverage of 90 % intervals, 10 layouts of 25 x 8: {share:.3}");
        assert!((0.86..=0.94).contains(&share), "{share}");
    }

    #[test]
    fn components_hold_the_truth() {
        let (mut inside, mut all) = (0.0, 0.0);
        for seed in 0..10 {
            let f = crossed(25, 8, 2000 + seed);
            let posterior = fit_integrated(&f.model, 80, seed).unwrap();
            let groups = posterior.group_components();
            let found = groups
                .iter()
                .flatten()
                .cloned()
                .chain(posterior.residual_component());
            for (component, truth) in found.zip([0.15, 0.35, 0.10, 0.12]) {
                inside += if component.interval(0.9).contains(truth) {
                    1.0
                } else {
                    0.0
                };
                all += 1.0;
            }
        }
        println!("variance components inside their 90 % intervals: {inside} of {all}");
        assert!(inside / all >= 0.75, "{inside} of {all}");
    }

    #[test]
    fn thousands_of_observations_take_a_second_or_so() {
        let f = crossed(60, 10, 5);
        let mut model = f.model.clone();
        // Twice the data, twice again: about 4,000 observations.
        for _ in 0..2 {
            let n = model.y.len();
            model.y.extend_from_within(..n);
            model.known_var.extend_from_within(..n);
            let columns = model
                .fixed
                .columns()
                .iter()
                .map(|c| [c.as_slice(), c].concat())
                .collect();
            model.fixed = Design::from_columns(2 * n, columns).unwrap();
            model
                .groups
                .iter_mut()
                .for_each(|g| g.levels.extend_from_within(..n));
        }
        let begin = std::time::Instant::now();
        let posterior = fit_integrated(&model, 80, 1).unwrap();
        let fitted = begin.elapsed().as_secs_f64();
        let predictions = posterior.predict(&cells(&f, false)).unwrap();
        let widths: f64 = predictions.iter().map(|p| p.interval(0.9).width()).sum();
        println!(
            "{} observations, 60 x 10: fit {fitted:.2} s, {} cells {:.2} s",
            model.y.len(),
            predictions.len(),
            begin.elapsed().as_secs_f64() - fitted
        );
        assert!(widths > 0.0 && fitted < 20.0);
    }

    #[test]
    fn a_lone_group_shrinks_by_the_textbook_factor() {
        // One group, known components: share of own data is tau^2/(tau^2 + v/n) as the mean is known.
        let model = CrossedModel {
            y: vec![1.0, 1.4, 0.2, 0.1],
            known_var: vec![0.04; 4],
            fixed: Design::with_intercept(4, Vec::new()).unwrap(),
            fixed_priors: vec![crate::mixed::FixedPrior::Normal {
                mean: 0.5,
                sd: 1e-6,
            }],
            groups: vec![Group {
                levels: vec![0, 0, 1, 1],
                n_levels: 3,
                spread: Spread::Known { sds: vec![0.3; 3] },
            }],
            residual: Residual::Absent,
            outliers: Outliers::Normal,
        };
        let posterior = fit_integrated(&model, 80, 1).unwrap();
        let mut p = LinearPrediction {
            fixed_row: vec![1.0],
            levels: vec![Level::Seen(0)],
            include_residual: false,
        };
        let share = posterior.own_share(&p, &[0, 1]).unwrap();
        assert!((share - 0.09 / (0.09 + 0.02)).abs() < 1e-6);
        let law = &posterior.predict(std::slice::from_ref(&p)).unwrap()[0];
        assert!((law.mean - (0.5 + share * 0.7)).abs() < 1e-6);
        p.levels = vec![Level::New];
        let law = &posterior.predict(std::slice::from_ref(&p)).unwrap()[0];
        assert!((law.sd - 0.3).abs() < 1e-6 && (law.mean - 0.5).abs() < 1e-6);
        p.levels = vec![Level::Absent];
        assert!(posterior.predict(&[p]).unwrap()[0].sd < 1e-5);
    }

    #[test]
    fn joint_draws_agree_with_the_predictive_law() {
        let f = crossed(8, 4, 3);
        let posterior = fit_integrated(&f.model, 80, 3).unwrap();
        let wanted = cells(&f, true);
        let laws = posterior.predict(&wanted[..4]).unwrap();
        let mut rng = rng::seeded(3, "draws");
        let draws = posterior
            .draw_predictions(&wanted[..4], 4000, &mut rng)
            .unwrap();
        for (k, law) in laws.iter().enumerate() {
            let values: Vec<f64> = draws.iter().map(|d| d[k]).collect();
            let mean = crate::robust::mean(&values).unwrap();
            let sd = crate::robust::variance(&values).unwrap().sqrt();
            assert!((mean - law.mean).abs() < 5.0 * law.sd / 63.0);
            assert!((sd / law.sd - 1.0).abs() < 0.1);
        }
        let effects = posterior.draw_effects(10, &mut rng);
        assert!(
            effects
                .iter()
                .all(|d| d.effects[2].len() == 32 && d.fixed.len() == 2)
        );
    }

    #[test]
    fn same_seed_same_answer() {
        let f = crossed(8, 4, 7);
        let a = fit_integrated(&f.model, 40, 9)
            .unwrap()
            .predict(&cells(&f, false))
            .unwrap();
        let b = fit_integrated(&f.model, 40, 9)
            .unwrap()
            .predict(&cells(&f, false))
            .unwrap();
        assert_eq!(a, b);
    }

    #[test]
    fn a_single_observation_still_gives_an_honest_law() {
        let model = CrossedModel {
            y: vec![2.0],
            known_var: vec![0.01],
            fixed: Design::with_intercept(1, Vec::new()).unwrap(),
            fixed_priors: vec![crate::mixed::FixedPrior::Normal { mean: 0.0, sd: 2.0 }],
            groups: vec![Group {
                levels: vec![0],
                n_levels: 2,
                spread: half_t(),
            }],
            residual: Residual::Estimated { prior_scale: 0.3 },
            outliers: Outliers::Normal,
        };
        let posterior = fit_integrated(&model, 80, 2).unwrap();
        let p = |level, include_residual| LinearPrediction {
            fixed_row: vec![1.0],
            levels: vec![level],
            include_residual,
        };
        let laws = posterior
            .predict(&[
                p(Level::Seen(0), false),
                p(Level::Seen(1), false),
                p(Level::New, true),
            ])
            .unwrap();
        assert!(laws[0].sd < laws[1].sd && laws[1].sd < laws[2].sd);
        assert!(laws.iter().all(|l| l.interval(0.9).contains(2.0)));
    }
}
