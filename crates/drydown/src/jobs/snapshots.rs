//! The estimates at each month's start of the last six months, with what was known then, and
//! those of the earlier jobs at as_of.

use std::collections::{BTreeMap, BTreeSet};

use anyhow::Result;
use drydown_findings::Snapshot;
use drydown_pumps::PumpHealth;
use drydown_quantity::{ReservoirId, RunId, Stamp};
use drydown_removal::{RemovalConfig, RemovalRun, RunInput};
use drydown_runs::history::{Registers, Sample};
use drydown_runs::{Run, SeriesPoint};
use rayon::prelude::*;

use super::Context;
use super::removal::{
    fit_all, indicators, near_samples, pool_pairs, removal_config, samples_by_reservoir,
    series_by_run, to_input,
};
use super::reservoirs::risks_at;

/// Month starts replayed beside as_of (contract: six months).
const MONTHS: usize = 6;

/// The rows that a replay takes its past from; what was not known then is left out.
pub(crate) struct Past {
    registers: Registers,
    samples: Vec<Sample>,
    /// Runs by unit and start, with their fits as of today.
    pairs: Vec<(Run, RemovalRun)>,
    points: Vec<SeriesPoint>,
    indicators: BTreeMap<RunId, f64>,
}

impl Past {
    /// Everything before the context's as_of.
    pub(crate) fn load(context: &Context<'_>) -> Result<Self> {
        let fits: Vec<RemovalRun> = context.records()?;
        let fit_of: BTreeMap<&RunId, &RemovalRun> =
            fits.iter().map(|fit| (&fit.run_id, fit)).collect();
        let mut runs: Vec<Run> = context.records()?;
        runs.sort_by(|a, b| (&a.unit_id, a.started_at).cmp(&(&b.unit_id, b.started_at)));
        let pairs = runs
            .into_iter()
            .filter_map(|run| {
                let fit = (*fit_of.get(&run.run_id)?).clone();
                Some((run, fit))
            })
            .collect();
        Ok(Self {
            registers: context.registers()?,
            samples: context.samples()?,
            pairs,
            points: context.records()?,
            indicators: indicators(&context.records::<PumpHealth>()?),
        })
    }

    /// The runs that had ended by then, with the fits that their samples known by then allow.
    ///
    /// A reservoir without a later run, whose samples were all known, keeps today's fits. The runs of each other are fitted
    /// again, together: what a later run tells of how the oil mixes was not known.
    fn pairs_at(&self, at: Stamp, config: &RemovalConfig) -> Vec<(Run, RemovalRun)> {
        let by_reservoir = samples_by_reservoir(&self.samples);
        let series = series_by_run(&self.points);
        let ended: Vec<&(Run, RemovalRun)> = self
            .pairs
            .iter()
            .filter(|(run, _)| run.ended_at < at)
            .collect();
        let known: Vec<(Vec<&Sample>, bool)> = ended
            .iter()
            .map(|(run, _)| {
                let near = near_samples(run, &by_reservoir);
                let known: Vec<&Sample> = near
                    .iter()
                    .copied()
                    .filter(|sample| is_known(sample, at))
                    .collect();
                let lacks = known.len() < near.len();
                (known, lacks)
            })
            .collect();
        let by_sample = ended
            .iter()
            .zip(&known)
            .filter(|(_, (_, lacks))| *lacks)
            .map(|((run, _), _)| run.reservoir_id.as_ref());
        let by_run = self
            .pairs
            .iter()
            .filter(|(run, _)| run.ended_at >= at && run.reservoir_id.is_some())
            .map(|(run, _)| run.reservoir_id.as_ref());
        let lacking: BTreeSet<Option<&ReservoirId>> = by_sample.chain(by_run).collect();
        let again: Vec<RunInput<'_>> = ended
            .iter()
            .zip(&known)
            .filter(|((run, _), _)| lacking.contains(&run.reservoir_id.as_ref()))
            .map(|((run, _), (known, _))| {
                let bins = series.get(&run.run_id).copied().unwrap_or(&[]);
                to_input(run, bins, known, &self.registers)
            })
            .collect();
        let refitted: BTreeMap<RunId, RemovalRun> = fit_all(&again, config)
            .into_iter()
            .map(|fit| (fit.run_id.clone(), fit))
            .collect();
        ended
            .into_iter()
            .map(|(run, fit)| {
                let then = refitted.get(&run.run_id).unwrap_or(fit);
                (run.clone(), then.clone())
            })
            .collect()
    }
}

fn is_known(sample: &Sample, at: Stamp) -> bool {
    sample.known_at().is_some_and(|known| known < at)
}

/// The estimates at each of some times, as they would have been made then.
pub(crate) fn replay(context: &Context<'_>, past: &Past, times: &[Stamp]) -> Result<Vec<Snapshot>> {
    let section = &context.config.analysis;
    let config = removal_config(section);
    times
        .par_iter()
        .map(|at| {
            let registers = context.registers_at(*at)?;
            let known: Vec<Sample> = past
                .samples
                .iter()
                .filter(|sample| is_known(sample, *at))
                .cloned()
                .collect();
            let before = past.pairs_at(*at, &config);
            let fleet = pool_pairs(&before, &past.indicators, &registers, &config);
            let (runs, fits): (Vec<Run>, Vec<RemovalRun>) = before.into_iter().unzip();
            Ok(Snapshot {
                as_of: *at,
                risks: risks_at(&registers, &known, &runs, &fits, *at, section),
                coefficients: fleet.coefficients,
                quarters: fleet.quarters,
            })
        })
        .collect()
}

/// Snapshots, ascending; the last is as_of.
pub(super) fn snapshots(context: &Context<'_>) -> Result<Vec<Snapshot>> {
    let past = Past::load(context)?;
    let mut snapshots = replay(context, &past, &last_month_starts(context.as_of))?;
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
fn last_month_starts(as_of: Stamp) -> Vec<Stamp> {
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
        let shown: Vec<String> = last_month_starts(as_of)
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
        let latest = last_month_starts(later)
            .last()
            .map(|at| at.day().to_string());
        assert_eq!(latest.as_deref(), Some("2026-10-01"));
    }
}
