//! The entries of the inverse of a factorised matrix that stand in the pattern of its factor.
//!
//! Takahashi, Fagan & Chen (1973); from the last column to the first, at about the cost of the factor. Every
//! observation's columns meet in the pattern, so that these entries hold the variance of every fitted value and
//! the slopes of the determinant, without solving for each.

use nalgebra::DMatrix;

use super::dense;
use super::sparse::{Factor, Symbolic};

/// Values of the inverse in the pattern of a `Symbolic`.
#[derive(Clone, Debug)]
pub(super) struct Selected {
    values: Vec<f64>,
}

impl Selected {
    /// Of the matrix whose factor this is; None where a diagonal block of the factor is singular.
    pub(super) fn of(symbolic: &Symbolic, factor: &Factor) -> Option<Self> {
        let (starts, rows, from) = (&symbolic.starts, &symbolic.rows, symbolic.dense_from);
        let n = symbolic.len();
        let l = &factor.values;
        let mut values = vec![0.0; rows.len()];
        let mut last = DMatrix::zeros(n - from, n - from);
        for j in from..n {
            for k in starts[j]..starts[j + 1] {
                last[(rows[k] - from, j - from)] = l[k];
            }
        }
        let last = dense::inverse(&last)?;
        for j in from..n {
            for k in starts[j]..starts[j + 1] {
                values[k] = last[(rows[k] - from, j - from)];
            }
        }
        // Sums of the column at hand by its rows, and those rows' places in it (0: not among them).
        let mut sums: Vec<f64> = Vec::new();
        let mut place = vec![0_usize; n];
        for j in (0..from).rev() {
            let (start, end) = (starts[j], starts[j + 1]);
            let below = &rows[start + 1..end];
            let weights = &l[start + 1..end];
            sums.clear();
            sums.resize(below.len(), 0.0);
            for (at, row) in below.iter().enumerate() {
                place[*row] = at + 1;
            }
            let n_sparse = below.partition_point(|row| *row < from);
            for (at, column) in below[..n_sparse].iter().enumerate() {
                let (first, stop) = (starts[*column], starts[column + 1]);
                let weight = weights[at];
                let mut across = 0.0;
                sums[at] += weight * values[first];
                for k in first + 1..stop {
                    let other = place[rows[k]];
                    if other > 0 {
                        sums[other - 1] += weight * values[k];
                        across += weights[other - 1] * values[k];
                    }
                }
                sums[at] += across;
            }
            for (at, column) in below.iter().enumerate().skip(n_sparse) {
                let of_column = last.column(column - from);
                let of_column = of_column.as_slice();
                let weight = weights[at];
                for (sum, row) in sums[n_sparse..].iter_mut().zip(&below[n_sparse..]) {
                    *sum += weight * of_column[row - from];
                }
            }
            for row in below {
                place[*row] = 0;
            }
            let pivot = l[start];
            let mut diagonal = 1.0 / pivot;
            for ((k, sum), weight) in (start + 1..end).zip(&sums).zip(weights) {
                let value = -sum / pivot;
                values[k] = value;
                diagonal -= weight * value;
            }
            values[start] = diagonal / pivot;
        }
        Some(Self { values })
    }

    /// The entry at a storage position.
    pub(super) fn at(&self, position: usize) -> f64 {
        self.values[position]
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rng;
    use std::collections::BTreeSet;

    /// A sparse matrix of 300 columns that share 150 others, with and without a dense end.
    #[test]
    fn agrees_with_the_inverse_of_the_whole() {
        for (n_first, n_shared) in [(30, 8), (300, 150)] {
            let n = n_first + n_shared;
            let mut noise = rng::seeded(6, "selected");
            let mut whole = DMatrix::<f64>::identity(n, n) * 4.0;
            let mut neighbours = vec![BTreeSet::new(); n];
            for a in 0..n_first {
                for _ in 0..5 {
                    let b = if rng::uniform(&mut noise) < 0.2 {
                        rng::index(&mut noise, n_first)
                    } else {
                        n_first + rng::index(&mut noise, n_shared)
                    };
                    if a != b && neighbours[a].insert(b) {
                        neighbours[b].insert(a);
                        let v = 0.4 * rng::standard_normal(&mut noise);
                        whole[(a, b)] = v;
                        whole[(b, a)] = v;
                        whole[(a, a)] += v.abs();
                        whole[(b, b)] += v.abs();
                    }
                }
            }
            let symbolic = Symbolic::new(neighbours, 2);
            let mut values = vec![0.0; symbolic.n_entries()];
            for a in 0..n {
                for b in 0..=a {
                    if let Some(k) = symbolic.position(a, b) {
                        values[k] = whole[(a, b)];
                    }
                }
            }
            let factor = symbolic.factorise(values).unwrap();
            let selected = Selected::of(&symbolic, &factor).unwrap();
            let inverse = whole.try_inverse().unwrap();
            let mut n_entries = 0;
            for a in 0..n {
                for b in 0..n {
                    if let Some(k) = symbolic.position(a, b) {
                        let off = selected.at(k) - inverse[(a, b)];
                        assert!(off.abs() < 1e-10, "{a} {b}: {off}");
                        n_entries += 1;
                    }
                }
            }
            assert!(n_entries > 3 * n);
        }
    }
}
