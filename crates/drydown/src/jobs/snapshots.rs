//! The estimates at each month's start of the last six months, with what was known then, and
//! those of the earlier jobs at as_of.

use std::collections::BTreeMap;

use anyhow::Result;
use drydown_findings::Snapshot;
use drydown_quantity::{RunId, Stamp};
use drydown_removal::RemovalRun;
use drydown_runs::Run;
use drydown_runs::history::Sample;
use rayon::prelude::*;

use super::Context;
use super::removal::{pool_before, removal_config};
use super::reservoirs::risks_at;

/// Month starts replayed beside as_of (contract: six months).
const MONTHS: usize = 6;

/// Snapshots, ascending; the last is as_of.
pub(super) fn snapshots(
    context: &Context<'_>,
    pairs: &[(Run, RemovalRun)],
    samples: &[Sample],
    indicators: &BTreeMap<RunId, f64>,
) -> Result<Vec<Snapshot>> {
    let config = removal_config(&context.config.analysis);
    let mut snapshots = month_starts(context.as_of)
        .par_iter()
        .map(|at| {
            let registers = context.registers_at(*at)?;
            let known: Vec<Sample> = samples
                .iter()
                .filter(|sample| sample.known_at().is_some_and(|known| known < *at))
                .cloned()
                .collect();
            let before: Vec<(Run, RemovalRun)> = pairs
                .iter()
                .filter(|(run, _)| run.ended_at < *at)
                .cloned()
                .collect();
            let runs: Vec<Run> = before.iter().map(|(run, _)| run.clone()).collect();
            let fits: Vec<RemovalRun> = before.iter().map(|(_, fit)| fit.clone()).collect();
            let fleet = pool_before(*at, &before, indicators, &registers, &config);
            Ok(Snapshot {
                as_of: *at,
                risks: risks_at(
                    &registers,
                    &known,
                    &runs,
                    &fits,
                    *at,
                    &context.config.analysis,
                ),
                coefficients: fleet.coefficients,
                quarters: fleet.quarters,
            })
        })
        .collect::<Result<Vec<_>>>()?;
    // The jobs before this one made these from the same rows.
    snapshots.push(Snapshot {
        as_of: context.as_of,
        risks: context.records()?,
        coefficients: context.records()?,
        quarters: context.records()?,
    });
    Ok(snapshots)
}

/// The starts of the last months before as_of, ascending.
fn month_starts(as_of: Stamp) -> Vec<Stamp> {
    let mut starts = Vec::with_capacity(MONTHS);
    let mut at = as_of;
    for _ in 0..MONTHS {
        at = at.plus_hours(-1.0).month_start();
        starts.push(at);
    }
    starts.reverse();
    starts
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn month_starts_before_as_of() {
        let as_of: Stamp = "2026-10-01".parse().unwrap();
        let shown: Vec<String> = month_starts(as_of)
            .iter()
            .map(|at| at.day().to_string())
            .collect();
        assert_eq!(
            shown,
            [
                "2026-04-01",
                "2026-05-01",
                "2026-06-01",
                "2026-07-01",
                "2026-08-01",
                "2026-09-01"
            ]
        );
        let later: Stamp = "2026-10-15".parse().unwrap();
        let latest = month_starts(later).last().map(|at| at.day().to_string());
        assert_eq!(latest.as_deref(), Some("2026-10-01"));
    }
}
