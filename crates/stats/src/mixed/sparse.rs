//! Sparse Cholesky factor of a symmetric positive matrix whose pattern stays the same.
//!
//! Minimum-degree ordering by explicit elimination, done once; left-looking numeric
//! factorisation (Davis 2006, chapter 4), done for every set of variance components. Of large crossed
//! designs the last columns are all but full; they are factorised as one dense matrix.

use std::collections::BTreeSet;

use super::dense;
use nalgebra::DMatrix;

/// Fewest last columns that are worth a matrix of their own.
const FEWEST_DENSE: usize = 128;
/// What a multiplication in the dense part costs, against one in the sparse part (measured: 988 last
/// columns of 19 392).
const DENSE_COST: f64 = 0.1;

/// So many columns are left when their neighbours become sets of bits.
const FEW_LEFT: usize = 4096;

/// Ordering and pattern of the factor.
#[derive(Clone, Debug)]
pub(super) struct Symbolic {
    /// Place of each original index in the elimination order.
    pub(super) place: Vec<usize>,
    /// Start of each column in `rows`; one more than the columns.
    pub(super) starts: Vec<usize>,
    /// Row indices (in elimination order), ascending in each column, diagonal first.
    pub(super) rows: Vec<usize>,
    /// First of the last columns that are factorised together; the number of columns where none are.
    pub(super) dense_from: usize,
}

/// Numeric factor: values in the pattern of a `Symbolic`.
#[derive(Clone, Debug)]
pub(super) struct Factor {
    pub(super) values: Vec<f64>,
}

impl Symbolic {
    /// Orders and analyses. `neighbours[i]` holds the indices that share an entry with i; the last
    /// `n_last` indices are eliminated last (they are dense).
    pub(super) fn new(mut neighbours: Vec<BTreeSet<usize>>, n_last: usize) -> Self {
        let n = neighbours.len();
        let first_last = n.saturating_sub(n_last);
        let key = |i: usize, degree: usize| (usize::from(i >= first_last), degree, i);
        for (i, set) in neighbours.iter_mut().enumerate() {
            set.remove(&i);
        }
        let mut queue: BTreeSet<(usize, usize, usize)> =
            (0..n).map(|i| key(i, neighbours[i].len())).collect();
        let mut place = vec![0; n];
        let mut order = Vec::with_capacity(n);
        let mut structure: Vec<Vec<usize>> = Vec::with_capacity(n);
        while queue.len() > FEW_LEFT {
            let Some((_, _, i)) = queue.pop_first() else {
                break;
            };
            place[i] = order.len();
            order.push(i);
            let clique: Vec<usize> = std::mem::take(&mut neighbours[i]).into_iter().collect();
            for &a in &clique {
                queue.remove(&key(a, neighbours[a].len()));
                neighbours[a].remove(&i);
                neighbours[a].extend(clique.iter().copied().filter(|b| *b != a));
                queue.insert(key(a, neighbours[a].len()));
            }
            structure.push(clique);
        }
        // The last ones have many neighbours: sets of bits then cost least.
        let mut left: Vec<usize> = queue.iter().map(|(_, _, i)| *i).collect();
        left.sort_unstable();
        let mut sets = BitSets::of(&left, &neighbours);
        while let Some((_, _, i)) = queue.pop_first() {
            place[i] = order.len();
            order.push(i);
            let Ok(at) = left.binary_search(&i) else {
                continue;
            };
            let clique = sets.members(at);
            for &a in &clique {
                queue.remove(&key(left[a], sets.degree[a]));
                sets.join(a, at);
                queue.insert(key(left[a], sets.degree[a]));
            }
            structure.push(clique.into_iter().map(|a| left[a]).collect());
        }
        let (mut starts, mut rows) = (vec![0], Vec::new());
        for (column, clique) in structure.into_iter().enumerate() {
            rows.push(column);
            let mut below: Vec<usize> = clique.into_iter().map(|i| place[i]).collect();
            below.sort_unstable();
            rows.extend(below);
            starts.push(rows.len());
        }
        let dense_from = dense_from(&starts);
        Self {
            place,
            starts,
            rows,
            dense_from,
        }
    }

    /// Number of rows.
    pub(super) fn len(&self) -> usize {
        self.place.len()
    }

    /// Number of stored entries.
    pub(super) fn n_entries(&self) -> usize {
        self.rows.len()
    }

    /// The original indices of each stored entry: of its row and of its column.
    pub(super) fn columns_of_entries(&self) -> Vec<(usize, usize)> {
        let mut original = vec![0; self.len()];
        for (index, place) in self.place.iter().enumerate() {
            original[*place] = index;
        }
        let mut places = Vec::with_capacity(self.rows.len());
        for (column, bounds) in self.starts.windows(2).enumerate() {
            for row in &self.rows[bounds[0]..bounds[1]] {
                places.push((original[*row], original[column]));
            }
        }
        places
    }

    /// Storage position of entry (a, b), both original indices; None where it is not in the pattern.
    pub(super) fn position(&self, a: usize, b: usize) -> Option<usize> {
        let (a, b) = (*self.place.get(a)?, *self.place.get(b)?);
        let (column, row) = (a.min(b), a.max(b));
        let start = self.starts[column];
        let rows = &self.rows[start..self.starts[column + 1]];
        rows.binary_search(&row).ok().map(|k| start + k)
    }

    /// Factorises the matrix stored (lower triangle, elimination order) in `values`; None where it
    /// is not positive.
    pub(super) fn factorise(&self, mut values: Vec<f64>) -> Option<Factor> {
        let n = self.len();
        let mut work = vec![0.0; n];
        // Columns waiting to update column j next, as linked lists.
        let mut head: Vec<usize> = vec![usize::MAX; n];
        let mut next: Vec<usize> = vec![usize::MAX; n];
        let mut at: Vec<usize> = vec![0; n];
        for j in 0..self.dense_from {
            let (start, end) = (self.starts[j], self.starts[j + 1]);
            for k in start..end {
                work[self.rows[k]] = values[k];
            }
            let mut waiting = head[j];
            while waiting != usize::MAX {
                let k = waiting;
                waiting = next[k];
                let from = at[k];
                let stop = self.starts[k + 1];
                let factor = values[from];
                for (row, value) in self.rows[from..stop].iter().zip(&values[from..stop]) {
                    work[*row] -= factor * value;
                }
                at[k] = from + 1;
                if from + 1 < stop {
                    let row = self.rows[from + 1];
                    next[k] = head[row];
                    head[row] = k;
                }
            }
            let pivot = work[j];
            if !(pivot > 0.0) || !pivot.is_finite() {
                return None;
            }
            let root = pivot.sqrt();
            values[start] = root;
            for k in start + 1..end {
                values[k] = work[self.rows[k]] / root;
            }
            if start + 1 < end {
                at[j] = start + 1;
                let row = self.rows[start + 1];
                next[j] = head[row];
                head[row] = j;
            }
        }
        if self.dense_from < n {
            self.factorise_last(&mut values)?;
        }
        Some(Factor { values })
    }

    /// Factorises the last columns, which the others have not updated yet. What is not in the pattern
    /// stays zero: the pattern is that of the factor.
    fn factorise_last(&self, values: &mut [f64]) -> Option<()> {
        let from = self.dense_from;
        let mut last = DMatrix::zeros(self.len() - from, self.len() - from);
        for (j, bounds) in self.starts[from..].windows(2).enumerate() {
            for k in bounds[0]..bounds[1] {
                last[(self.rows[k] - from, j)] = values[k];
            }
        }
        for bounds in self.starts[..=from].windows(2) {
            let column = &self.rows[bounds[0]..bounds[1]];
            let first = bounds[0] + column.partition_point(|row| *row < from);
            let rows = &self.rows[first..bounds[1]];
            let entries = &values[first..bounds[1]];
            for (at, (row, factor)) in rows.iter().zip(entries).enumerate() {
                let mut target = last.column_mut(row - from);
                let target = target.as_mut_slice();
                for (row, value) in rows[at..].iter().zip(&entries[at..]) {
                    target[row - from] -= factor * value;
                }
            }
        }
        dense::factorise(&mut last)?;
        for (j, bounds) in self.starts[from..].windows(2).enumerate() {
            for k in bounds[0]..bounds[1] {
                values[k] = last[(self.rows[k] - from, j)];
            }
        }
        Some(())
    }

    /// Log of the determinant of the factorised matrix.
    pub(super) fn ln_determinant(&self, factor: &Factor) -> f64 {
        2.0 * self.starts[..self.len()]
            .iter()
            .map(|s| factor.values[*s].ln())
            .sum::<f64>()
    }

    /// Sum of squares of z in L z = b, for a b of few entries (places in elimination order).
    ///
    /// z is zero but for the ways from those places to the root of the elimination tree (Davis 2006,
    /// section 4.1), which are short where effects are eliminated before what they share.
    pub(super) fn squares_of_lower(&self, factor: &Factor, b: &[(usize, f64)]) -> f64 {
        let mut way: Vec<usize> = Vec::new();
        for (place, _) in b {
            let mut at = Some(*place);
            while let Some(column) = at {
                way.push(column);
                at = self.parent(column);
            }
        }
        way.sort_unstable();
        way.dedup();
        let mut z = vec![0.0; way.len()];
        for (place, value) in b {
            if let Ok(at) = way.binary_search(place) {
                z[at] += value;
            }
        }
        let mut sum = 0.0;
        for (at, column) in way.iter().enumerate() {
            let (start, end) = (self.starts[*column], self.starts[column + 1]);
            let value = z[at] / factor.values[start];
            sum += value * value;
            let mut below = at + 1;
            for k in start + 1..end {
                while way[below] != self.rows[k] {
                    below += 1;
                }
                z[below] -= factor.values[k] * value;
            }
        }
        sum
    }

    /// The first row below the diagonal of a column.
    fn parent(&self, column: usize) -> Option<usize> {
        let first = self.starts[column] + 1;
        (first < self.starts[column + 1]).then(|| self.rows[first])
    }

    /// Solves L z = b in place (elimination order); zero leading parts cost nothing.
    pub(super) fn solve_lower(&self, factor: &Factor, b: &mut [f64]) {
        for j in 0..self.len() {
            if b[j] == 0.0 {
                continue;
            }
            let (start, end) = (self.starts[j], self.starts[j + 1]);
            let z = b[j] / factor.values[start];
            b[j] = z;
            for k in start + 1..end {
                b[self.rows[k]] -= factor.values[k] * z;
            }
        }
    }

    /// Solves L' x = z in place (elimination order).
    pub(super) fn solve_upper(&self, factor: &Factor, z: &mut [f64]) {
        for j in (0..self.len()).rev() {
            let (start, end) = (self.starts[j], self.starts[j + 1]);
            let sum: f64 = (start + 1..end)
                .map(|k| factor.values[k] * z[self.rows[k]])
                .sum();
            z[j] = (z[j] - sum) / factor.values[start];
        }
    }
}

/// Neighbours among a few columns, as bits.
struct BitSets {
    bits: Vec<Vec<u64>>,
    degree: Vec<usize>,
}

impl BitSets {
    /// Of the columns `left` (ascending), whose neighbours are all among them.
    fn of(left: &[usize], neighbours: &[BTreeSet<usize>]) -> Self {
        let n_words = left.len().div_ceil(64);
        let mut out = Self {
            bits: vec![vec![0; n_words]; left.len()],
            degree: vec![0; left.len()],
        };
        for (at, i) in left.iter().enumerate() {
            out.degree[at] = neighbours[*i].len();
            for other in &neighbours[*i] {
                if let Ok(other) = left.binary_search(other) {
                    out.bits[at][other / 64] |= 1 << (other % 64);
                }
            }
        }
        out
    }

    fn members(&self, at: usize) -> Vec<usize> {
        let mut out = Vec::with_capacity(self.degree[at]);
        for (word, bits) in self.bits[at].iter().enumerate() {
            let mut bits = *bits;
            while bits != 0 {
                out.push(64 * word + bits.trailing_zeros() as usize);
                bits &= bits - 1;
            }
        }
        out
    }

    /// Gives `a` the neighbours of its neighbour `gone`, which leaves.
    fn join(&mut self, a: usize, gone: usize) {
        let mut own = std::mem::take(&mut self.bits[a]);
        for (word, more) in own.iter_mut().zip(&self.bits[gone]) {
            *word |= more;
        }
        for out in [a, gone] {
            own[out / 64] &= !(1 << (out % 64));
        }
        self.degree[a] = own.iter().map(|word| word.count_ones() as usize).sum();
        self.bits[a] = own;
    }
}

/// Where the dense part begins that makes the factorisation cheapest; `starts` are those of the columns.
fn dense_from(starts: &[usize]) -> usize {
    let n = starts.len() - 1;
    let work = |j: usize| ((starts[j + 1] - starts[j]) as f64).powi(2) / 2.0;
    let mut sparse: f64 = (0..n).map(work).sum();
    let mut best = (sparse, n);
    for from in (0..n).rev() {
        sparse -= work(from);
        let n_dense = n - from;
        let cost = sparse + DENSE_COST * (n_dense as f64).powi(3) / 6.0;
        if n_dense >= FEWEST_DENSE && cost < best.0 {
            best = (cost, from);
        }
    }
    best.1
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rng;
    use nalgebra::{DMatrix, DVector};

    #[test]
    fn agrees_with_the_dense_factor() {
        let n = 25;
        let mut rng = rng::seeded(3, "sparse");
        let mut dense = DMatrix::identity(n, n) * 3.0;
        let mut neighbours = vec![BTreeSet::new(); n];
        for _ in 0..40 {
            let (a, b) = (rng::index(&mut rng, n), rng::index(&mut rng, n));
            if a != b {
                let v = 0.3 * rng::standard_normal(&mut rng);
                dense[(a, b)] += v;
                dense[(b, a)] += v;
                dense[(a, a)] += 1.0;
                dense[(b, b)] += 1.0;
                neighbours[a].insert(b);
                neighbours[b].insert(a);
            }
        }
        let symbolic = Symbolic::new(neighbours, 3);
        let mut values = vec![0.0; symbolic.n_entries()];
        for a in 0..n {
            for b in 0..=a {
                if let Some(k) = symbolic.position(a, b) {
                    values[k] = dense[(a, b)];
                } else {
                    assert!(dense[(a, b)].abs() < 1e-300);
                }
            }
        }
        let factor = symbolic.factorise(values).unwrap();
        let cholesky = dense.clone().cholesky().unwrap();
        let want = 2.0 * cholesky.l().diagonal().iter().map(|d| d.ln()).sum::<f64>();
        assert!((symbolic.ln_determinant(&factor) - want).abs() < 1e-10);
        let b = DVector::from_fn(n, |i, _| (i as f64).sin());
        let mut x = vec![0.0; n];
        (0..n).for_each(|i| x[symbolic.place[i]] = b[i]);
        symbolic.solve_lower(&factor, &mut x);
        symbolic.solve_upper(&factor, &mut x);
        let want = cholesky.solve(&b);
        assert!((0..n).all(|i| (x[symbolic.place[i]] - want[i]).abs() < 1e-10));
        // The indices asked to come last do.
        assert!((n - 3..n).all(|i| symbolic.place[i] >= n - 3));
    }

    /// 300 columns that share 150 others: the others end all but full.
    #[test]
    fn a_dense_end_gives_the_factor_of_the_whole() {
        let (n_first, n_shared) = (300, 150);
        let n = n_first + n_shared;
        let mut noise = rng::seeded(5, "dense end");
        let mut dense = DMatrix::<f64>::identity(n, n) * 4.0;
        let mut neighbours = vec![BTreeSet::new(); n];
        for a in 0..n_first {
            let met: BTreeSet<usize> = (0..8)
                .map(|_| n_first + rng::index(&mut noise, n_shared))
                .collect();
            for b in met {
                let v = 0.3 * rng::standard_normal(&mut noise);
                dense[(a, b)] = v;
                dense[(b, a)] = v;
                neighbours[a].insert(b);
                neighbours[b].insert(a);
            }
        }
        for b in n_first..n {
            dense[(b, b)] += 4.0;
        }
        let mut symbolic = Symbolic::new(neighbours, 0);
        assert!(symbolic.dense_from < n);
        let mut values = vec![0.0; symbolic.n_entries()];
        for a in 0..n {
            for b in 0..=a {
                if let Some(k) = symbolic.position(a, b) {
                    values[k] = dense[(a, b)];
                }
            }
        }
        let found = symbolic.factorise(values.clone()).unwrap();
        let wanted = dense.cholesky().unwrap();
        let wanted = 2.0 * wanted.l().diagonal().iter().map(|d| d.ln()).sum::<f64>();
        assert!((symbolic.ln_determinant(&found) - wanted).abs() < 1e-9);
        symbolic.dense_from = n;
        let by_columns = symbolic.factorise(values).unwrap();
        let pairs = found.values.iter().zip(&by_columns.values);
        assert!(pairs.clone().all(|(a, b)| (a - b).abs() < 1e-12));
    }

    #[test]
    fn a_matrix_that_is_not_positive_has_no_factor() {
        let symbolic = Symbolic::new(vec![BTreeSet::from([1]), BTreeSet::from([0])], 0);
        let mut values = vec![1.0; symbolic.n_entries()];
        values[symbolic.position(0, 1).unwrap()] = 2.0;
        assert!(symbolic.factorise(values).is_none());
    }
}
