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
    // As many units at a time as there are workers: a log is large, its runs are small.
    let (mut runs, mut series, mut starts) = (Vec::new(), Vec::new(), Vec::<StartCurve>::new());
    for some in units.chunks(rayon::current_num_threads().max(1)) {
        let cut: Vec<UnitRuns> = some
            .par_iter()
            .map(|unit| {
                let readings = context.readings(unit)?;
                Ok(cut_runs(
                    &registers,
                    &readings,
                    &samples,
                    context.as_of,
                    &config,
                ))
            })
            .collect::<Result<_>>()?;
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
