//! The job `reservoirs`: samples and runs to the risk of every reservoir, and what else the laboratory
//! measured to its statistical alarm limits.

use anyhow::Result;
use arrow::array::RecordBatch;
use drydown_pumps::PumpStart;
use drydown_quantity::Stamp;
use drydown_removal::RemovalRun;
use drydown_reservoirs::{
    LabResult, ReservoirHistory, ReservoirRisk, ReservoirsConfig, Spread, StartOil, assess_with,
    histories, lab_alarms,
};
use drydown_runs::Run;
use drydown_tables::to_batch;
use rayon::prelude::*;

use super::{Context, Job};
use crate::config::AnalysisSection;

pub(super) const JOB: Job = Job {
    name: "reservoirs",
    reads: &["samples", "results", "runs", "removal_runs", "pump_starts"],
    writes: &["reservoir_risk", "lab_alarms"],
    needs: "one reservoir in the register",
    run,
};

fn reservoirs_config(section: &AnalysisSection) -> ReservoirsConfig {
    ReservoirsConfig {
        horizon_days: section.horizon_days,
        seed: section.seed,
        ..ReservoirsConfig::documented()
    }
}

fn run(context: &Context<'_>) -> Result<Vec<(&'static str, RecordBatch)>> {
    let registers = context.registers()?;
    let samples = context.samples()?;
    let runs: Vec<Run> = context.records()?;
    let fits: Vec<RemovalRun> = context.records()?;
    let starts = start_oils(context)?;
    let as_of = context.as_of;
    let known = histories(&registers, &samples, &runs, &fits, &starts, as_of);
    let rows = risks_at(&known, as_of, &context.config.analysis);
    let results: Vec<LabResult> = context.records()?;
    let alarms = lab_alarms(&registers, &samples, &results, context.as_of);
    Ok(vec![
        ("reservoir_risk", to_batch(&rows, context.as_of)?),
        ("lab_alarms", to_batch(&alarms, context.as_of)?),
    ])
}

/// The risks as of a time, from what was known before it.
pub(super) fn risks_at(
    known: &[ReservoirHistory<'_>],
    as_of: Stamp,
    section: &AnalysisSection,
) -> Vec<ReservoirRisk> {
    assess_with(known, as_of, &reservoirs_config(section), &OnCores)
}

/// What the starts of all runs logged of the oil.
pub(super) fn start_oils(context: &Context<'_>) -> Result<Vec<StartOil>> {
    let starts: Vec<PumpStart> = context.records()?;
    let to_oil = |start: PumpStart| StartOil {
        run_id: start.run_id,
        started_at: start.started_at,
        oil_degc: start.oil_degc,
        ambient_degc: start.ambient_degc,
    };
    Ok(starts.into_iter().map(to_oil).collect())
}

/// Reservoirs side by side on the machine's cores.
struct OnCores;

impl Spread for OnCores {
    fn map<T: Send>(&self, n: usize, work: impl Fn(usize) -> T + Send + Sync) -> Vec<T> {
        (0..n).into_par_iter().map(work).collect()
    }
}
