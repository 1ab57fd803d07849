//! The job `findings`: every rule replayed, and forecasts made and scored.

use std::collections::BTreeMap;

use anyhow::Result;
use arrow::array::RecordBatch;
use drydown_findings::{Case, LastHeard, SourceHealth, find, forecasts};
use drydown_pumps::PumpHealth;
use drydown_removal::RemovalRun;
use drydown_runs::Run;
use drydown_tables::{Load, to_batch};

use super::snapshots::snapshots;
use super::{Context, Job};

pub(super) const JOB: Job = Job {
    name: "findings",
    reads: &[
        "readings",
        "samples",
        "loads",
        "runs",
        "run_series",
        "removal_runs",
        "removal_coefficients",
        "removal_quarters",
        "sensor_checks",
        "pump_health",
        "reservoir_risk",
        "lab_alarms",
    ],
    writes: &["findings", "forecasts"],
    needs: "nothing: silence is a finding too",
    run,
};

fn run(context: &Context<'_>) -> Result<Vec<(&'static str, RecordBatch)>> {
    let registers = context.registers()?;
    let samples = context.samples()?;
    let fits: Vec<RemovalRun> = context.records()?;
    let mut runs: Vec<Run> = context.records()?;
    runs.sort_by(|a, b| (&a.unit_id, a.started_at).cmp(&(&b.unit_id, b.started_at)));
    let health = by_unit(context.records()?);
    let snapshots = snapshots(context)?;
    let last_heard: Vec<LastHeard> = context
        .last_heard()?
        .into_iter()
        .map(|(unit_id, at)| LastHeard { unit_id, at })
        .collect();
    let case = Case {
        as_of: context.as_of,
        registers: &registers,
        runs: &runs,
        removal_runs: &fits,
        pump_health: &health,
        sensor_checks: &context.records()?,
        lab_alarms: &context.records()?,
        samples: &samples,
        snapshots: &snapshots,
        last_heard: &last_heard,
        sources: &sources(context.records()?),
    };
    let found = find(&case, &context.config.findings.to_stage());
    Ok(vec![
        ("findings", to_batch(&found, context.as_of)?),
        ("forecasts", to_batch(&forecasts(&case), context.as_of)?),
    ])
}

/// Health by unit and time; the table is keyed by run.
fn by_unit(mut rows: Vec<PumpHealth>) -> Vec<PumpHealth> {
    rows.sort_by(|a, b| (&a.unit_id, a.at, &a.run_id).cmp(&(&b.unit_id, b.at, &b.run_id)));
    rows
}

/// The load ledger by source.
fn sources(loads: Vec<Load>) -> Vec<SourceHealth> {
    let mut by_source: BTreeMap<String, SourceHealth> = BTreeMap::new();
    for load in loads {
        let source = by_source
            .entry(load.source.clone())
            .or_insert_with(|| SourceHealth {
                source: load.source.clone(),
                rows_in: 0,
                rows_rejected: 0,
                loaded_at: Vec::new(),
            });
        source.rows_in += load.rows_in;
        source.rows_rejected += load.rows_rejected;
        source.loaded_at.extend(load.loaded_at);
    }
    let mut sources: Vec<SourceHealth> = by_source.into_values().collect();
    for source in &mut sources {
        source.loaded_at.sort();
        source.loaded_at.dedup();
    }
    sources
}
