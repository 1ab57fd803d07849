//! Entries of the inverse that many predictions ask for.
//!
//! Most stand in the pattern of the factor. A machine and an oil that never met may not; then the whole column of
//! the one of the smaller group is solved for, once for all that ask: such columns are few (the oils).

use std::cell::RefCell;
use std::collections::BTreeMap;

use super::selected::Selected;
use super::system::{Row, Solution, System};

/// Most columns kept; entries of others are not to be had.
const MOST_COLUMNS: usize = 64;

/// The inverse at one solution, as far as it has been asked for.
#[derive(Debug)]
pub(super) struct Entries<'a> {
    system: &'a System,
    solution: &'a Solution,
    selected: &'a Selected,
    columns: RefCell<BTreeMap<usize, Vec<f64>>>,
}

impl<'a> Entries<'a> {
    pub(super) fn new(system: &'a System, solution: &'a Solution, selected: &'a Selected) -> Self {
        Self {
            system,
            solution,
            selected,
            columns: RefCell::default(),
        }
    }

    /// Covariance of two contrasts of the equations' columns; None where an entry is not to be had. Columns that no
    /// observation meets are as independent as they were.
    pub(super) fn between(&self, left: &Row, right: &Row) -> Option<f64> {
        let mut sum = 0.0;
        for (a, x) in left {
            for (b, y) in right {
                let product = x * y;
                if product.to_bits() & !(1 << 63) != 0 {
                    sum += product * self.entry(*a, *b)?;
                }
            }
        }
        Some(sum)
    }

    fn entry(&self, a: usize, b: usize) -> Option<f64> {
        let (reduced, symbolic) = (&self.system.reduced, &self.system.symbolic);
        if reduced.is_idle(a) || reduced.is_idle(b) {
            return Some(if a == b { 1.0 } else { 0.0 });
        }
        if let Some(position) = symbolic.position(a, b) {
            return Some(self.selected.at(position));
        }
        // The column of the smaller group, which more pairs share.
        let size = |column: usize| self.n_siblings(column);
        let (other, asked) = if size(b) <= size(a) { (a, b) } else { (b, a) };
        let mut columns = self.columns.borrow_mut();
        if !columns.contains_key(&asked) {
            if columns.len() >= MOST_COLUMNS {
                return None;
            }
            let mut right = vec![0.0; symbolic.len()];
            *right.get_mut(asked)? = 1.0;
            columns.insert(
                asked,
                self.system.solve_right(&self.solution.factor, &right),
            );
        }
        columns.get(&asked)?.get(other).copied()
    }

    /// Number of columns of a column's group.
    fn n_siblings(&self, column: usize) -> usize {
        let starts = &self.system.group_starts;
        let after = starts.partition_point(|start| *start <= column);
        let end = starts.get(after).unwrap_or(&self.system.fixed_start);
        let group = after.checked_sub(1).and_then(|at| starts.get(at));
        group.map_or(0, |start| end.saturating_sub(*start))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::linear::Design;
    use crate::mixed::{CrossedModel, Group, Outliers, Residual, Spread};
    use crate::rng;

    /// Every pair of a machine and an oil, most of which never met, against a solution for each.
    #[test]
    fn pairs_that_never_met_have_their_covariance() {
        let mut noise = rng::seeded(2, "entries");
        let n = 160;
        let units: Vec<usize> = (0..n).map(|i| i % 80).collect();
        let oils: Vec<usize> = units.iter().map(|unit| unit / 10).collect();
        let group = |levels, n_levels| Group {
            levels,
            n_levels,
            spread: Spread::Estimated { prior_scale: 0.3 },
        };
        let model = CrossedModel {
            y: rng::standard_normals(&mut noise, n),
            known_var: vec![0.1; n],
            fixed: Design::with_intercept(n, Vec::new()).unwrap(),
            fixed_priors: Vec::new(),
            groups: vec![group(units, 80), group(oils, 8)],
            residual: Residual::Estimated { prior_scale: 0.3 },
            outliers: Outliers::Normal,
        };
        let system = System::new(&model).unwrap();
        let solution = system.solve(&system.components(&[0.5, 0.7, 0.2])).unwrap();
        let selected = Selected::of(&system.symbolic, &solution.factor).unwrap();
        let entries = Entries::new(&system, &solution, &selected);
        let mut n_missing = 0;
        for unit in 0..80 {
            for oil in 80..88 {
                n_missing += usize::from(system.symbolic.position(unit, oil).is_none());
                let contrast = vec![(unit, 0.5), (oil, 0.7), (88, 1.0)];
                let places: Vec<(usize, f64)> = contrast
                    .iter()
                    .map(|(column, value)| (system.symbolic.place[*column], *value))
                    .collect();
                let wanted = system.symbolic.squares_of_lower(&solution.factor, &places);
                let found = entries.between(&contrast, &contrast).unwrap();
                assert!(
                    (found - wanted).abs() < 1e-11,
                    "{unit} {oil}: {found} {wanted}"
                );
            }
        }
        assert!(n_missing > 300);
    }
}
