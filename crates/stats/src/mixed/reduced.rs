//! Columns of the joint design that the equations can do without.
//!
//! An effect whose spread is known to be zero says nothing. Two groups with the same levels (the work of a
//! machine, and what its sensor does to it) are seen only through the sum of their effects: turned by an angle
//! (σ1 u1 + σ2 u2 = σ v with σ² = σ1² + σ2²), a pair of standard normal effects is one, v, that carries the sum, and
//! another that no observation meets. Such columns keep their places, without neighbours: they cost nothing.

use super::model::{CrossedModel, Spread};
use super::system::Row;

/// Which columns have no neighbours, and which are turned.
#[derive(Clone, Debug)]
pub(super) struct Reduced {
    idle: Vec<bool>,
    /// Columns of each pair: the one that carries the sum, and the other.
    pairs: Vec<(usize, usize)>,
    /// Pair of each column.
    pair_of: Vec<Option<usize>>,
}

/// Multipliers of standard normal effects at given components.
#[derive(Clone, Debug)]
pub(super) struct Scaling {
    /// Of each column as the model has it: what turns a standard effect into an effect.
    pub(super) own: Vec<f64>,
    /// Of each column as the equations have it, pairs turned.
    pub(super) joint: Vec<f64>,
    /// Cosine and sine of each pair's turn.
    turns: Vec<(f64, f64)>,
}

impl Reduced {
    /// `group_starts`: first column of each group; `n_columns`: of the joint design.
    pub(super) fn of(model: &CrossedModel, group_starts: &[usize], n_columns: usize) -> Self {
        let mut idle = vec![false; n_columns];
        for (group, start) in model.groups.iter().zip(group_starts) {
            for (level, idle) in idle
                .iter_mut()
                .skip(*start)
                .take(group.n_levels)
                .enumerate()
            {
                *idle = is_zero(&group.spread, level);
            }
        }
        let mut pairs = Vec::new();
        let mut pair_of = vec![None; n_columns];
        for (second, group) in model.groups.iter().enumerate() {
            let twin = model.groups.get(..second).and_then(|before| {
                before.iter().position(|other| {
                    other.n_levels == group.n_levels && other.levels == group.levels
                })
            });
            let starts = twin
                .and_then(|first| group_starts.get(first))
                .zip(group_starts.get(second));
            let Some((first, second)) = starts else {
                continue;
            };
            for level in 0..group.n_levels {
                let (a, b) = (first + level, second + level);
                let is_free = |column: usize| {
                    idle.get(column) == Some(&false) && pair_of.get(column) == Some(&None)
                };
                if is_free(a) && is_free(b) {
                    pair_of[a] = Some(pairs.len());
                    pair_of[b] = Some(pairs.len());
                    idle[b] = true;
                    pairs.push((a, b));
                }
            }
        }
        Self {
            idle,
            pairs,
            pair_of,
        }
    }

    /// Whether no observation meets the column.
    pub(super) fn is_idle(&self, column: usize) -> bool {
        self.idle.get(column).copied().unwrap_or(false)
    }

    /// Multipliers of the turned columns, from those of the columns as the model has them.
    pub(super) fn scaling(&self, own: Vec<f64>) -> Scaling {
        let mut joint = own.clone();
        let turns = self
            .pairs
            .iter()
            .map(|(a, b)| {
                let size = own[*a].hypot(own[*b]);
                joint[*a] = size;
                if size > 0.0 {
                    (own[*a] / size, own[*b] / size)
                } else {
                    (1.0, 0.0)
                }
            })
            .collect();
        Scaling { own, joint, turns }
    }

    /// A contrast of standard effects as the model has them, in those of the equations.
    pub(super) fn turn(&self, scaling: &Scaling, contrast: Row) -> Row {
        if self.pairs.is_empty() {
            return contrast;
        }
        let mut out = Row::with_capacity(contrast.len() + 2);
        for (column, value) in contrast {
            let Some(pair) = self.pair_of.get(column).copied().flatten() else {
                out.push((column, value));
                continue;
            };
            let ((a, b), (cosine, sine)) = (self.pairs[pair], scaling.turns[pair]);
            let (of_sum, of_other) = if column == a {
                (cosine, -sine)
            } else {
                (sine, cosine)
            };
            add(&mut out, a, of_sum * value);
            add(&mut out, b, of_other * value);
        }
        out
    }

    /// Standard effects of the equations, as the model has them.
    pub(super) fn turn_back(&self, scaling: &Scaling, effects: &mut [f64]) {
        for ((a, b), (cosine, sine)) in self.pairs.iter().zip(&scaling.turns) {
            let (sum, other) = (effects[*a], effects[*b]);
            effects[*a] = cosine * sum - sine * other;
            effects[*b] = sine * sum + cosine * other;
        }
    }
}

fn add(row: &mut Row, column: usize, value: f64) {
    match row.iter_mut().find(|entry| entry.0 == column) {
        Some(entry) => entry.1 += value,
        None => row.push((column, value)),
    }
}

/// Whether the effect of a level is zero whatever the unknowns.
fn is_zero(spread: &Spread, level: usize) -> bool {
    let known = match spread {
        Spread::Estimated { .. } => return false,
        Spread::Relative { factors, .. } => factors.get(level),
        Spread::Stated { sds, .. } | Spread::Known { sds } => sds.get(level),
    };
    known.is_some_and(|sd| sd.to_bits() == 0.0_f64.to_bits())
}
