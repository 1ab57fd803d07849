//! The job `runs`: each unit's log, once, into runs, their series and start curves.

use anyhow::Result;
use arrow::array::RecordBatch;
use drydown_pumps::{PumpStart, fill_pump_down, fit_start};
use drydown_quantity::UnitId;
use drydown_runs::{Run, RunsConfig, StartCurve, UnitRuns, cut_runs};
use drydown_tables::to_batch;
use rayon::prelude::*;

use super::pumps::pumps_config;
use super::{Context, Job};
use crate::config::AnalysisSection;

pub(super) const JOB: Job = Job {
    name: "runs",
    reads: &["readings", "samples"],
    writes: &["runs", "run_series", "start_points"],
    needs: "one reading of one unit",
    run,
};

/// The stage's settings from the configuration.
pub(crate) fn runs_config(section: &AnalysisSection) -> RunsConfig {
    RunsConfig {
        stop_ends_run_h: section.stop_ends_run_h,
        series_bin_min: section.series_bin_min,
        start_window_min: section.start_window_min,
        ..RunsConfig::documented()
    }
}

fn run(context: &Context<'_>) -> Result<Vec<(&'static str, RecordBatch)>> {
    let registers = context.registers()?;
    let samples = context.samples()?;
    let config = runs_config(&context.config.analysis);
    let units: Vec<UnitId> = context
        .last_heard()?
        .into_iter()
        .map(|(unit, _)| unit)
        .collect();
    // Independent by unit; collected in the units' order, so the number of workers changes nothing.
    // Some units at a time: their logs are large, their runs are small.
    let (mut runs, mut series, mut starts) = (Vec::new(), Vec::new(), Vec::<StartCurve>::new());
    let mut rest = units.as_slice();
    let mut n_next = rayon::current_num_threads().max(1);
    while !rest.is_empty() {
        let (some, later) = rest.split_at(n_next.min(rest.len()));
        rest = later;
        let logs = context.readings(some)?;
        let n_rows: usize = logs.iter().map(|log| log.at.len()).sum();
        n_next = next_batch(some.len(), n_rows);
        let cut: Vec<UnitRuns> = logs
            .par_iter()
            .map(|readings| cut_runs(&registers, readings, &samples, context.as_of, &config))
            .collect();
        drop(logs);
        for unit in cut {
            runs.extend(unit.runs);
            series.extend(unit.series);
            starts.extend(unit.starts);
        }
    }
    // The pump-down columns of a run are those of its first accepted start.
    let pumps = pumps_config(&context.config.analysis);
    let fitted: Vec<PumpStart> = starts
        .par_iter()
        .map(|curve| fit_start(curve, registers.unit(&curve.unit_id), &pumps))
        .collect();
    let runs: Vec<Run> = fill_pump_down(runs, &fitted);
    Ok(vec![
        ("runs", to_batch(&runs, context.as_of)?),
        ("run_series", to_batch(&series, context.as_of)?),
        ("start_points", to_batch(&starts, context.as_of)?),
    ])
}

/// How many units to read next, after some with so many rows: opening the store's files costs the same for one as for many.
fn next_batch(n_units: usize, n_rows: usize) -> usize {
    /// About 150 MB in memory.
    const ROWS: usize = 500_000;
    let least = rayon::current_num_threads().max(1);
    // Growing slowly, as the next units may have longer logs.
    (n_units * ROWS / n_rows.max(1)).min(4 * n_units).max(least)
}
