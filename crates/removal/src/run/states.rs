//! One reservoir's runs as they were known at several times: what was the same at two of them is fitted once.

use std::collections::BTreeMap;

use drydown_quantity::RunId;

use super::RunInput;
use super::points::{Points, to_points};
use super::rebound::next_starts;
use crate::config::RunFitConfig;

/// Every run of every state, once for each way it was known: by its samples, and by how far on its next start lay.
pub(super) struct Cases<'a> {
    pub(super) cases: Vec<Case<'a>>,
    /// For each state the places of its runs' cases, in the order of its runs.
    pub(super) of_state: Vec<Vec<usize>>,
}

/// A run as it was known, with its points up to the next start.
pub(super) struct Case<'a> {
    pub(super) input: &'a RunInput<'a>,
    next_start_h: Option<f64>,
    pub(super) points: Points,
}

impl<'a> Cases<'a> {
    pub(super) fn of(states: &[&'a [RunInput<'a>]], config: &RunFitConfig) -> Self {
        let mut cases: Vec<Case<'a>> = Vec::new();
        let mut by_run: BTreeMap<&'a RunId, Vec<usize>> = BTreeMap::new();
        let mut of_state = Vec::with_capacity(states.len());
        for state in states.iter().copied() {
            let mut places = Vec::with_capacity(state.len());
            for (input, next_start_h) in state.iter().zip(next_starts(state)) {
                let known = by_run.entry(&input.run.run_id).or_default();
                let same = |place: &usize| {
                    cases.get(*place).is_some_and(|case| {
                        case.next_start_h == next_start_h && is_same(case.input, input)
                    })
                };
                let place = known.iter().copied().find(same).unwrap_or_else(|| {
                    known.push(cases.len());
                    cases.len()
                });
                if place == cases.len() {
                    let mut points = to_points(input, config);
                    if let Some(hours) = next_start_h {
                        points.reach(hours);
                    }
                    cases.push(Case {
                        input,
                        next_start_h,
                        points,
                    });
                }
                places.push(place);
            }
            of_state.push(places);
        }
        Self { cases, of_state }
    }
}

/// Whether two inputs are views of the same rows: then whatever is made of them is the same.
fn is_same(a: &RunInput<'_>, b: &RunInput<'_>) -> bool {
    fn same_row<T>(a: Option<&T>, b: Option<&T>) -> bool {
        match (a, b) {
            (Some(a), Some(b)) => std::ptr::eq(a, b),
            (None, None) => true,
            _ => false,
        }
    }
    std::ptr::eq(a.run, b.run)
        && std::ptr::eq(a.series, b.series)
        && same_row(a.unit, b.unit)
        && same_row(a.oil, b.oil)
        && same_row(a.reservoir, b.reservoir)
        && a.samples.len() == b.samples.len()
        && a.samples
            .iter()
            .zip(b.samples)
            .all(|(a, b)| std::ptr::eq(*a, *b))
}
