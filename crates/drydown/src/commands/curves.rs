//! The curves behind the fits of a quarter's runs, from the same bins and samples as the fits.

use std::collections::BTreeMap;

use anyhow::Result;
use drydown_quantity::{Quarter, RunId};
use drydown_removal::{RemovalRun, RunCurve, run_curve};
use drydown_runs::history::Sample;
use drydown_runs::{Run, SeriesPoint};
use polars::prelude::{col, lit};
use rayon::prelude::*;

use super::answers::Answers;
use crate::jobs::{
    near_samples, removal_config, samples_by_reservoir, series_by_run, stamp_literal, to_input,
};

/// The curve of every run that ended in the quarter and has a row of its own.
pub(super) fn curves(answers: &Answers<'_>, quarter: Quarter) -> Result<BTreeMap<RunId, RunCurve>> {
    let runs: Vec<(&Run, &RemovalRun)> = answers
        .runs
        .iter()
        .filter(|run| run.ended_at >= quarter.start() && run.ended_at < quarter.end())
        .filter_map(|run| Some((run, answers.removal_runs.get(&run.run_id)?)))
        .collect();
    let Some(first) = runs.iter().map(|(run, _)| run.started_at).min() else {
        return Ok(BTreeMap::new());
    };
    let frame = answers
        .context
        .scan("run_series")?
        .filter(col("at").gt_eq(stamp_literal(first)))
        .filter(col("month").gt_eq(lit(first.month())))
        .collect()?;
    let points: Vec<SeriesPoint> = drydown_tables::from_frame(&frame)?;
    let series = series_by_run(&points);
    let samples = answers.context.samples()?;
    let by_reservoir = samples_by_reservoir(&samples);
    let config = removal_config(&answers.context.config.analysis);
    Ok(runs
        .par_iter()
        .map(|(run, row)| {
            let near: Vec<&Sample> = near_samples(run, &by_reservoir);
            let input = to_input(run, &series, &near, &answers.registers);
            (run.run_id.clone(), run_curve(&input, row, &config.run))
        })
        .collect())
}
