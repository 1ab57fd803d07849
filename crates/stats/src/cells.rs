//! Shares of a few cells from cases of which each is only known to lie in some of them.

/// The cells, by number, in which a case may lie: from the first to the last, both included.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Cells {
    /// The first.
    pub first: usize,
    /// The last.
    pub last: usize,
}

/// Steps of the iteration: each takes the shares nearer to the likeliest, and few cells need few.
const STEPS: usize = 2000;

/// The likeliest shares of the cells under interval- and right-censored cases (self-consistency; Turnbull, Journal of
/// the Royal Statistical Society B 38, 1976, 290–295, from memory).
///
/// `start` are shares to begin with, one a cell, all above 0: where no case tells two cells apart they stay in that
/// proportion. None where there is no case, or one names a cell that is not there.
#[must_use]
pub fn shares(cases: &[Cells], start: &[f64]) -> Option<Vec<f64>> {
    let is_known = |case: &Cells| case.first <= case.last && case.last < start.len();
    if cases.is_empty() || !cases.iter().all(is_known) {
        return None;
    }
    let mut shares = start.to_vec();
    for _ in 0..STEPS {
        let mut next = vec![0.0; shares.len()];
        for case in cases {
            let mine = shares.get(case.first..=case.last)?;
            let total: f64 = mine.iter().sum();
            let slots = next.get_mut(case.first..=case.last)?;
            for (slot, share) in slots.iter_mut().zip(mine) {
                *slot += share / (total.max(f64::MIN_POSITIVE) * cases.len() as f64);
            }
        }
        shares = next;
    }
    Some(shares)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::survival::product_limit;

    fn case(first: usize, last: usize) -> Cells {
        Cells { first, last }
    }

    #[test]
    fn cases_that_are_all_known_are_counted() {
        let cases = [case(0, 0), case(1, 1), case(1, 1), case(2, 2)];
        let found = shares(&cases, &[0.4, 0.3, 0.3]).unwrap();
        for (found, expected) in found.iter().zip([0.25, 0.5, 0.25]) {
            assert!((found - expected).abs() < 1e-12);
        }
    }

    #[test]
    fn right_censored_cases_give_the_product_limit() {
        // Times 1, 2+, 2, 3+, 4 (+: lost after that time, cells 0 to 3 and one behind).
        let cases = [case(0, 0), case(2, 4), case(1, 1), case(3, 4), case(3, 3)];
        let found = shares(&cases, &[0.2; 5]).unwrap();
        let rows = product_limit(
            &[1.0, 2.0, 2.0, 3.0, 4.0],
            &[true, false, true, false, true],
        );
        for (time, before, after) in rows.unwrap() {
            let cell = time as usize - 1;
            assert!((found[cell] - (before - after)).abs() < 1e-6, "{found:?}");
        }
    }

    #[test]
    fn cells_that_nobody_tells_apart_keep_their_proportion() {
        let found = shares(&[case(1, 2), case(0, 0)], &[0.2, 0.6, 0.2]).unwrap();
        assert!((found[1] - 0.375).abs() < 1e-9 && (found[2] - 0.125).abs() < 1e-9);
        assert_eq!(shares(&[], &[0.5, 0.5]), None);
        assert_eq!(shares(&[case(1, 2)], &[0.5, 0.5]), None);
    }
}
