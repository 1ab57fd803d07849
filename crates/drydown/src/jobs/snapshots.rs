//! The estimates at each month's start of the last six months, with what was known then, and
//! those of the earlier jobs at as_of.

use std::collections::BTreeMap;

use anyhow::Result;
use drydown_findings::Snapshot;
use drydown_pumps::PumpHealth;
use drydown_quantity::{ReservoirId, RunId, Stamp};
use drydown_removal::{RemovalConfig, RemovalRun, RunInput, fit_reservoir_at};
use drydown_reservoirs::{StartOil, histories};
use drydown_runs::history::{Registers, Sample};
use drydown_runs::{Run, SeriesPoint};
use rayon::prelude::*;

use super::Context;
use super::removal::{
    indicators, near_samples, pool_pairs, removal_config, samples_by_reservoir, series_by_run,
    to_input,
};
use super::reservoirs::{risks_at, start_oils};

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
    start_oils: Vec<StartOil>,
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
            start_oils: start_oils(context)?,
        })
    }

    /// What was known at a time: runs that had ended, and the samples near them.
    fn known_at(&self, at: Stamp) -> Known<'_> {
        let by_reservoir = samples_by_reservoir(&self.samples);
        let mut known = Known::default();
        for pair in &self.pairs {
            let (run, _) = pair;
            let later = run.ended_at >= at;
            let near = if later {
                Vec::new()
            } else {
                near_samples(run, &by_reservoir)
            };
            let samples: Vec<&Sample> = near
                .iter()
                .copied()
                .filter(|sample| is_known(sample, at))
                .collect();
            if let Some(id) = &run.reservoir_id {
                let counts = known.counts.entry(id).or_default();
                counts.n_runs += usize::from(!later);
                counts.n_samples += samples.len();
                counts.lacks |= later || samples.len() < near.len();
            }
            if !later {
                known.ended.push((pair, samples));
            }
        }
        known
    }

    /// The fits of the reservoirs of which less was known at some of the times, each made once.
    ///
    /// What a later run or sample tells of how the oil mixes was not known: the runs of such a reservoir are fitted again,
    /// together. A reservoir of which everything was known keeps today's fits.
    fn refits(&self, times: &[Known<'_>], config: &RemovalConfig) -> Refits {
        let series = series_by_run(&self.points);
        let mut wanted: BTreeMap<Key, Vec<RunInput<'_>>> = BTreeMap::new();
        for known in times {
            let mut of_time: BTreeMap<Key, Vec<RunInput<'_>>> = BTreeMap::new();
            for ((run, _), samples) in &known.ended {
                let Some(key) = known.key_of(run).filter(|key| !wanted.contains_key(key)) else {
                    continue;
                };
                let input = to_input(run, &series, samples, &self.registers);
                of_time.entry(key).or_default().push(input);
            }
            wanted.append(&mut of_time);
        }
        // A reservoir's states together: most of its runs are the same in all of them.
        let wanted: Vec<(Key, Vec<RunInput<'_>>)> = wanted.into_iter().collect();
        let by_reservoir: Vec<&[(Key, Vec<RunInput<'_>>)]> =
            wanted.chunk_by(|(a, _), (b, _)| a.0 == b.0).collect();
        by_reservoir
            .into_par_iter()
            .flat_map_iter(|states| {
                let inputs: Vec<&[RunInput<'_>]> =
                    states.iter().map(|(_, inputs)| inputs.as_slice()).collect();
                let fits = fit_reservoir_at(&inputs, &config.run);
                states.iter().zip(fits).flat_map(|((key, _), fits)| {
                    fits.into_iter()
                        .map(move |fit| ((key.clone(), fit.run_id.clone()), fit))
                })
            })
            .collect()
    }
}

/// What a reservoir's fits hang on: how many of its runs had ended and how many samples near them were known. Both only
/// grow with time, so the numbers name them.
type Key = (ReservoirId, usize, usize);
type Refits = BTreeMap<(Key, RunId), RemovalRun>;

/// What was known at a time.
#[derive(Default)]
struct Known<'a> {
    ended: Vec<(&'a (Run, RemovalRun), Vec<&'a Sample>)>,
    counts: BTreeMap<&'a ReservoirId, Counts>,
}

#[derive(Default)]
struct Counts {
    n_runs: usize,
    n_samples: usize,
    /// More is known today.
    lacks: bool,
}

impl Known<'_> {
    /// The key of a run's reservoir; None where everything was known.
    fn key_of(&self, run: &Run) -> Option<Key> {
        let id = run.reservoir_id.as_ref()?;
        let counts = self.counts.get(id).filter(|counts| counts.lacks)?;
        Some((id.clone(), counts.n_runs, counts.n_samples))
    }

    /// The runs that had ended, with the fits that were possible then.
    fn pairs(&self, refits: &Refits) -> Vec<(Run, RemovalRun)> {
        self.ended
            .iter()
            .map(|((run, fit), _)| {
                let again = self
                    .key_of(run)
                    .and_then(|key| refits.get(&(key, run.run_id.clone())));
                (run.clone(), again.unwrap_or(fit).clone())
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
    let known: Vec<Known<'_>> = times.iter().map(|at| past.known_at(*at)).collect();
    let refits = past.refits(&known, &config);
    times
        .par_iter()
        .zip(&known)
        .map(|(at, known_then)| {
            let registers = context.registers_at(*at)?;
            let known: Vec<Sample> = past
                .samples
                .iter()
                .filter(|sample| is_known(sample, *at))
                .cloned()
                .collect();
            let before = known_then.pairs(&refits);
            let fleet = pool_pairs(&before, &past.indicators, &registers, &config);
            let (runs, fits): (Vec<Run>, Vec<RemovalRun>) = before.into_iter().unzip();
            Ok(Snapshot {
                as_of: *at,
                risks: risks_at(
                    &histories(&registers, &known, &runs, &fits, &past.start_oils, *at),
                    *at,
                    section,
                ),
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
