//! The job `pumps`: starts and runs to pump health.

use std::collections::BTreeMap;

use anyhow::Result;
use arrow::array::RecordBatch;
use drydown_pumps::{
    PumpCause, PumpHealth, PumpStart, PumpsConfig, fit_start, fleet_prior, judge_unit,
};
use drydown_quantity::UnitId;
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

fn pumps_config(section: &AnalysisSection) -> PumpsConfig {
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
    let mut runs_of: BTreeMap<UnitId, Vec<Run>> = BTreeMap::new();
    for run in context.records::<Run>()? {
        runs_of.entry(run.unit_id.clone()).or_default().push(run);
    }
    for runs in runs_of.values_mut() {
        runs.sort_by_key(|run| run.started_at);
    }
    let mut starts_of: BTreeMap<&UnitId, Vec<PumpStart>> = BTreeMap::new();
    for start in &starts {
        starts_of
            .entry(&start.unit_id)
            .or_default()
            .push(start.clone());
    }
    let prior = fleet_prior(&starts, &registers, context.as_of, &config);
    let units: Vec<(&UnitId, &Vec<Run>)> = runs_of.iter().collect();
    let judged: Vec<_> = units
        .par_iter()
        .map(|(unit, runs)| {
            let starts = starts_of.get(unit).map_or(&[][..], Vec::as_slice);
            judge_unit(
                registers.unit(unit),
                starts,
                runs,
                registers.maintenance_of(unit),
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
