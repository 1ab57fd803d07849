//! The job `pumps`: starts and runs to pump health.

use std::collections::{BTreeMap, BTreeSet};

use anyhow::Result;
use arrow::array::RecordBatch;
use drydown_pumps::{
    PumpCause, PumpHealth, PumpStart, PumpsConfig, fit_start, fleet_prior_with_runs, frames_of,
    judge_unit,
};
use drydown_quantity::UnitId;
use drydown_runs::history::Maintenance;
use drydown_runs::{Run, StartCurve};
use drydown_tables::to_batch;
use rayon::prelude::*;

use super::{Context, Job};
use crate::config::AnalysisSection;

pub(super) const JOB: Job = Job {
    name: "pumps",
    reads: &["runs", "start_points"],
    writes: &["pump_starts", "pump_health", "pump_causes"],
    needs: "one run; a state needs a few accepted starts",
    run,
};

pub(super) fn pumps_config(section: &AnalysisSection) -> PumpsConfig {
    PumpsConfig {
        limit_kpa: section.pump_limit_kpa,
        false_alerts_per_unit_year: section.false_alerts_per_unit_year,
        ..PumpsConfig::documented()
    }
}

fn run(context: &Context<'_>) -> Result<Vec<(&'static str, RecordBatch)>> {
    let registers = context.registers()?;
    let config = pumps_config(&context.config.analysis);
    let curves: Vec<StartCurve> = context.records()?;
    let starts: Vec<PumpStart> = curves
        .par_iter()
        .map(|curve| fit_start(curve, registers.unit(&curve.unit_id), &config))
        .collect();
    let runs: Vec<Run> = context.records()?;
    let prior = fleet_prior_with_runs(&starts, &runs, &registers, context.as_of, &config);
    let mut runs_of: BTreeMap<UnitId, Vec<Run>> = BTreeMap::new();
    for run in runs {
        runs_of.entry(run.unit_id.clone()).or_default().push(run);
    }
    let mut starts_of: BTreeMap<UnitId, Vec<PumpStart>> = BTreeMap::new();
    for start in &starts {
        starts_of
            .entry(start.unit_id.clone())
            .or_default()
            .push(start.clone());
    }
    let units: Vec<(&UnitId, &Vec<Run>)> = runs_of.iter().collect();
    let judged: Vec<_> = units
        .par_iter()
        .map(|(unit, runs)| {
            // A pump that was swapped in brings the starts and the maintenance of the frame it came from.
            let frames: BTreeSet<UnitId> = frames_of(unit, &registers.maintenance)
                .into_iter()
                .chain([(*unit).clone()])
                .collect();
            let starts: Vec<PumpStart> = frames
                .iter()
                .filter_map(|frame| starts_of.get(frame))
                .flatten()
                .cloned()
                .collect();
            let maintenance: Vec<Maintenance> = frames
                .iter()
                .flat_map(|frame| registers.maintenance_of(frame).iter().cloned())
                .collect();
            judge_unit(
                registers.unit(unit),
                &starts,
                runs,
                &maintenance,
                &prior,
                &config,
            )
        })
        .collect();
    let health: Vec<PumpHealth> = judged
        .iter()
        .flat_map(|unit| unit.health.iter().cloned())
        .collect();
    let causes: Vec<PumpCause> = judged
        .iter()
        .flat_map(|unit| unit.causes.iter().cloned())
        .collect();
    Ok(vec![
        ("pump_starts", to_batch(&starts, context.as_of)?),
        ("pump_health", to_batch(&health, context.as_of)?),
        ("pump_causes", to_batch(&causes, context.as_of)?),
    ])
}
