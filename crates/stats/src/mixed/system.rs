//! Henderson's equations of a crossed model for given variance components.
//!
//! Random effects are written as (standard deviation) x (standard normal), so that a component of
//! zero is an ordinary case (Bates et al. 2015, section 3).

use super::gram::{Gram, Laid};
use super::model::{CrossedModel, FixedPrior, Residual, SpreadPrior};
use super::reduced::{Reduced, Scaling};
use super::sparse::{Factor, Symbolic};
use crate::error::StatsError;
use std::collections::BTreeSet;
use std::sync::Arc;

/// One row of the joint design: (column, value), random columns first.
pub(super) type Row = Vec<(usize, f64)>;

/// A model laid out for repeated solving.
#[derive(Clone, Debug)]
pub(super) struct System {
    pub(super) model: Arc<CrossedModel>,
    pub(super) symbolic: Arc<Symbolic>,
    /// Index of the first column of each group; the fixed columns follow the last group.
    pub(super) group_starts: Vec<usize>,
    pub(super) fixed_start: usize,
    /// Divisor of each fixed column.
    pub(super) fixed_scale: Vec<f64>,
    /// Joint design row of each observation, of the columns that are met.
    pub(super) rows: Vec<Row>,
    pub(super) reduced: Reduced,
    /// Storage positions of each observation's products, pair by pair.
    pub(super) positions: Vec<Vec<usize>>,
    pub(super) diagonal: Vec<usize>,
    /// y less the prior means of informed fixed effects.
    pub(super) target: Vec<f64>,
    /// The observations summed, where they share one variance.
    pub(super) gram: Option<Gram>,
    /// Factor on the variance of each observation (1: as given).
    pub(super) inflation: Vec<f64>,
}

/// Variance components: one standard deviation per group (known groups: 1), and the residual's.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Components {
    pub(super) group_sds: Vec<f64>,
    pub(super) residual_sd: f64,
}

/// The solved equations.
#[derive(Clone, Debug)]
pub(super) struct Solution {
    pub(super) components: Components,
    pub(super) factor: Factor,
    /// Standardised solution in the original order of columns, pairs turned.
    pub(super) standardised: Vec<f64>,
    pub(super) scaling: Scaling,
    /// Minus twice the restricted log-likelihood.
    pub(super) criterion: f64,
}

/// A fixed column that is 1 throughout (after its divisor) and whose effect is free.
fn constant_column(model: &CrossedModel, divisors: &[f64]) -> Option<usize> {
    let is_one = |value: f64| value.to_bits() == 1.0_f64.to_bits();
    model
        .fixed
        .columns()
        .iter()
        .zip(divisors)
        .enumerate()
        .filter(|(j, _)| matches!(model.fixed_prior(*j), FixedPrior::Flat))
        .find(|(_, (column, divisor))| column.iter().all(|value| is_one(value / *divisor)))
        .map(|(j, _)| j)
}

/// The columns that meet each column in some row.
fn neighbours(rows: &[Row], n_columns: usize) -> Vec<BTreeSet<usize>> {
    let mut met: Vec<Vec<usize>> = vec![Vec::new(); n_columns];
    for row in rows {
        for (a, _) in row {
            met[*a].extend(row.iter().map(|(b, _)| *b).filter(|b| b != a));
        }
    }
    // A set made of a sorted list costs a tenth of one that grows neighbour by neighbour.
    met.into_iter()
        .map(|mut list| {
            list.sort_unstable();
            list.dedup();
            list.into_iter().collect()
        })
        .collect()
}

/// Storage positions of each row's products, pair by pair.
fn positions_of(
    rows: &[Row],
    position: &dyn Fn(usize, usize) -> Result<usize, StatsError>,
) -> Result<Vec<Vec<usize>>, StatsError> {
    rows.iter()
        .map(|row| {
            let mut out = Vec::with_capacity(row.len() * (row.len() + 1) / 2);
            for (k, (a, _)) in row.iter().enumerate() {
                for (b, _) in &row[..=k] {
                    out.push(position(*a, *b)?);
                }
            }
            Ok(out)
        })
        .collect()
}

impl System {
    pub(super) fn new(model: &CrossedModel) -> Result<Self, StatsError> {
        model.check()?;
        let n = model.y.len();
        let mut group_starts = Vec::new();
        let mut next = 0;
        for group in &model.groups {
            group_starts.push(next);
            next += group.n_levels;
        }
        let fixed_start = next;
        let p = model.fixed.n_columns();
        let fixed_scale: Vec<f64> = model
            .fixed
            .columns()
            .iter()
            .map(|c| {
                let size = (c.iter().map(|v| v * v).sum::<f64>() / n as f64).sqrt();
                if size > 0.0 { size } else { 1.0 }
            })
            .collect();
        let total = fixed_start + p;
        let reduced = Reduced::of(model, &group_starts, total);
        let rows: Vec<Row> = (0..n)
            .map(|i| {
                let random = model
                    .groups
                    .iter()
                    .zip(&group_starts)
                    .map(|(g, start)| (start + g.levels[i], 1.0))
                    .filter(|(column, _)| !reduced.is_idle(*column));
                let fixed = (0..p).map(|j| {
                    (
                        fixed_start + j,
                        model.fixed.columns()[j][i] / fixed_scale[j],
                    )
                });
                random.chain(fixed).collect()
            })
            .collect();
        let symbolic = Symbolic::new(neighbours(&rows, total), p);
        let missing = StatsError::OutOfRange {
            what: "pattern of the equations",
            value: f64::NAN,
        };
        let position = |a: usize, b: usize| symbolic.position(a, b).ok_or(missing.clone());
        let positions = positions_of(&rows, &position)?;
        let diagonal = (0..total)
            .map(|a| position(a, a))
            .collect::<Result<Vec<_>, _>>()?;
        let prior_mean = |j: usize| match model.fixed_prior(j) {
            FixedPrior::Flat => 0.0,
            FixedPrior::Normal { mean, .. } => mean,
        };
        let target: Vec<f64> = (0..n)
            .map(|i| {
                let known: f64 = (0..p)
                    .map(|j| model.fixed.columns()[j][i] * prior_mean(j))
                    .sum();
                model.y[i] - known
            })
            .collect();
        let gram = Gram::of(Laid {
            known_var: &model.known_var,
            rows: &rows,
            positions: &positions,
            target: &target,
            places: symbolic.columns_of_entries(),
            n_columns: total,
            constant: constant_column(model, &fixed_scale).map(|j| fixed_start + j),
        });
        Ok(Self {
            gram,
            model: Arc::new(model.clone()),
            symbolic: Arc::new(symbolic),
            group_starts,
            fixed_start,
            fixed_scale,
            rows,
            reduced,
            positions,
            diagonal,
            target,
            inflation: vec![1.0; n],
        })
    }

    /// Variance of an observation beyond the effects.
    pub(super) fn error_variance(&self, components: &Components, i: usize) -> f64 {
        (self.model.known_var[i] + components.residual_sd.powi(2)) * self.inflation[i]
    }

    /// Solves for given components; None where the equations are singular there.
    pub(super) fn solve(&self, components: &Components) -> Option<Solution> {
        let total = self.symbolic.len();
        let scaling = self.scaling(components);
        if let Some(gram) = self.gram.as_ref().filter(|_| self.is_even()) {
            return self.solve_summed(gram, components, scaling);
        }
        let mut values = vec![0.0; self.symbolic.n_entries()];
        let mut right = vec![0.0; total];
        let mut criterion = 0.0;
        let mut scaled: Row = Vec::new();
        for (i, row) in self.rows.iter().enumerate() {
            let variance = self.error_variance(components, i);
            if !(variance > 0.0) {
                return None;
            }
            criterion += variance.ln();
            scaled.clear();
            scaled.extend(
                row.iter()
                    .map(|(c, v)| (*c, self.standard_value(*c, *v, &scaling))),
            );
            let mut k = 0;
            for (at, (a, va)) in scaled.iter().enumerate() {
                let wa = va / variance;
                right[*a] += wa * self.target[i];
                for (_, vb) in &scaled[..=at] {
                    values[self.positions[i][k]] += wa * vb;
                    k += 1;
                }
            }
        }
        criterion += self.add_priors(&mut values);
        let factor = self.symbolic.factorise(values)?;
        criterion += self.symbolic.ln_determinant(&factor);
        let standardised = self.solve_right(&factor, &right);
        criterion += self.quadratic(components, &standardised, &scaling);
        Some(Solution {
            components: components.clone(),
            factor,
            standardised,
            scaling,
            criterion,
        })
    }

    /// Whether no observation's variance is inflated.
    pub(super) fn is_even(&self) -> bool {
        self.inflation
            .iter()
            .all(|factor| factor.to_bits() == 1.0_f64.to_bits())
    }

    /// As [`Self::solve`], from the sums over the observations.
    fn solve_summed(
        &self,
        gram: &Gram,
        components: &Components,
        scaling: Scaling,
    ) -> Option<Solution> {
        let variance = gram.known_var + components.residual_sd.powi(2);
        if !(variance > 0.0) {
            return None;
        }
        // The columns of fixed effects were divided beforehand.
        let mut standard = scaling.joint.clone();
        standard[self.fixed_start..].fill(1.0);
        let (mut values, right, mut criterion) = gram.equations(&standard, variance);
        criterion += self.add_priors(&mut values);
        let factor = self.symbolic.factorise(values)?;
        criterion += self.symbolic.ln_determinant(&factor);
        let mut standardised = self.solve_right(&factor, &right);
        criterion += gram.quadratic(&right, &standardised, variance);
        if let Some((column, taken)) = gram.shift {
            standardised[column] += taken;
        }
        Some(Solution {
            components: components.clone(),
            factor,
            standardised,
            scaling,
            criterion,
        })
    }

    /// Value of a column in the standardised design: random columns carry their standard deviation.
    pub(super) fn standard_value(&self, column: usize, value: f64, scaling: &Scaling) -> f64 {
        if column < self.fixed_start {
            value * scaling.joint[column]
        } else {
            value
        }
    }

    /// Adds the priors of the effects to the matrix; gives the constants of the criterion.
    pub(super) fn add_priors(&self, values: &mut [f64]) -> f64 {
        for a in 0..self.fixed_start {
            values[self.diagonal[a]] += 1.0;
        }
        let mut constant = 0.0;
        let mut n_flat = 0;
        for (j, divisor) in self.fixed_scale.iter().enumerate() {
            constant += 2.0 * divisor.ln();
            match self.model.fixed_prior(j) {
                FixedPrior::Flat => n_flat += 1,
                FixedPrior::Normal { sd, .. } => {
                    values[self.diagonal[self.fixed_start + j]] += (divisor * sd).powi(-2);
                    constant += 2.0 * sd.ln();
                }
            }
        }
        let free = self.model.y.len() as f64 - f64::from(n_flat);
        constant + free * (2.0 * std::f64::consts::PI).ln()
    }

    pub(super) fn solve_right(&self, factor: &Factor, right: &[f64]) -> Vec<f64> {
        let place = &self.symbolic.place;
        let mut x = vec![0.0; right.len()];
        right.iter().zip(place).for_each(|(v, p)| x[*p] = *v);
        self.symbolic.solve_lower(factor, &mut x);
        self.symbolic.solve_upper(factor, &mut x);
        place.iter().map(|p| x[*p]).collect()
    }

    fn quadratic(&self, components: &Components, standardised: &[f64], scaling: &Scaling) -> f64 {
        let mut sum: f64 = standardised[..self.fixed_start].iter().map(|u| u * u).sum();
        for (i, row) in self.rows.iter().enumerate() {
            let fitted: f64 = row
                .iter()
                .map(|(c, v)| standardised[*c] * self.standard_value(*c, *v, scaling))
                .sum();
            sum += (self.target[i] - fitted).powi(2) / self.error_variance(components, i);
        }
        for (j, divisor) in self.fixed_scale.iter().enumerate() {
            if let FixedPrior::Normal { sd, .. } = self.model.fixed_prior(j) {
                sum += (standardised[self.fixed_start + j] / (divisor * sd)).powi(2);
            }
        }
        sum
    }

    /// Number of unknown standard deviations.
    pub(super) fn n_unknown(&self) -> usize {
        self.model
            .groups
            .iter()
            .filter(|g| g.is_estimated())
            .count()
            + usize::from(matches!(self.model.residual, Residual::Estimated { .. }))
    }

    /// Components from the unknown standard deviations, in order of groups, residual last.
    pub(super) fn components(&self, unknown: &[f64]) -> Components {
        let mut next = unknown.iter().copied();
        let group_sds = self
            .model
            .groups
            .iter()
            .map(|g| {
                if g.is_estimated() {
                    next.next().unwrap_or(0.0)
                } else {
                    1.0
                }
            })
            .collect();
        let residual_sd = match self.model.residual {
            Residual::Absent => 0.0,
            Residual::Known(sd) => sd,
            Residual::Estimated { .. } => next.next().unwrap_or(0.0),
        };
        Components {
            group_sds,
            residual_sd,
        }
    }

    /// Scales of the priors of the unknowns, in the same order.
    pub(super) fn priors(&self) -> Vec<SpreadPrior> {
        let mut out: Vec<SpreadPrior> = self
            .model
            .groups
            .iter()
            .filter_map(super::model::Group::prior)
            .collect();
        if let Residual::Estimated { prior_scale } = self.model.residual {
            out.push(SpreadPrior::HalfT { scale: prior_scale });
        }
        out
    }
}
