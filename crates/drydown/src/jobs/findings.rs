//! The job `findings`: every rule replayed, and forecasts made and scored.

use std::collections::BTreeMap;

use anyhow::Result;
use arrow::array::RecordBatch;
use drydown_findings::{
    Case, FileRejects, LastHeard, RejectedCells, SourceHealth, find, forecasts,
};
use drydown_pumps::PumpHealth;
use drydown_removal::RemovalRun;
use drydown_runs::Run;
use drydown_tables::{Load, to_batch};
use polars::prelude::{DataType, SortMultipleOptions, col, lit};

use super::snapshots::snapshots;
use super::{Context, Job};

pub(super) const JOB: Job = Job {
    name: "findings",
    reads: &[
        "readings",
        "samples",
        "loads",
        "rejects",
        "runs",
        "run_series",
        "removal_runs",
        "removal_coefficients",
        "removal_quarters",
        "sensor_checks",
        "pump_starts",
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
        pump_limit_kpa: context.config.analysis.pump_limit_kpa,
        sensor_checks: &context.records()?,
        lab_alarms: &context.records()?,
        samples: &samples,
        snapshots: &snapshots,
        last_heard: &last_heard,
        sources: &sources(context.records()?, rejected_cells(context)?),
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

/// Values kept out of one file in one column.
struct CellRejects {
    source: String,
    column: String,
    file_hash: String,
    file: String,
    n: i64,
    example: String,
}

/// The values kept out, counted by source, column and file.
fn rejected_cells(context: &Context<'_>) -> Result<Vec<CellRejects>> {
    let frame = context
        .scan("rejects")?
        .filter(col("scope").eq(lit("cell")))
        .group_by([col("source"), col("column"), col("file_hash")])
        .agg([
            col("line").len().cast(DataType::Int64).alias("n"),
            col("file")
                .sort_by([col("line")], SortMultipleOptions::default())
                .first(),
            col("reason")
                .sort_by([col("line")], SortMultipleOptions::default())
                .first(),
        ])
        .sort(
            ["source", "column", "file_hash"],
            SortMultipleOptions::default(),
        )
        .collect()?;
    let sources = frame.column("source")?.str()?.iter();
    let columns = frame.column("column")?.str()?.iter();
    let hashes = frame.column("file_hash")?.str()?.iter();
    let files = frame.column("file")?.str()?.iter();
    let counts = frame.column("n")?.i64()?.iter();
    let reasons = frame.column("reason")?.str()?.iter();
    let keys = sources.zip(columns).zip(hashes);
    let values = files.zip(counts).zip(reasons);
    Ok(keys
        .zip(values)
        .filter_map(|(((source, column), hash), ((file, n), reason))| {
            Some(CellRejects {
                source: source?.to_owned(),
                column: column?.to_owned(),
                file_hash: hash?.to_owned(),
                file: file.unwrap_or_default().to_owned(),
                n: n?,
                example: reason.unwrap_or("no reason given").to_owned(),
            })
        })
        .collect())
}

/// The load ledger by source, and the values kept out of its files.
fn sources(loads: Vec<Load>, cells: Vec<CellRejects>) -> Vec<SourceHealth> {
    let mut by_source: BTreeMap<String, SourceHealth> = BTreeMap::new();
    let mut rows_in: BTreeMap<(String, String), i64> = BTreeMap::new();
    for load in loads {
        let source = by_source
            .entry(load.source.clone())
            .or_insert_with(|| SourceHealth {
                source: load.source.clone(),
                rows_in: 0,
                rows_rejected: 0,
                loaded_at: Vec::new(),
                cells: Vec::new(),
                overwritten: Vec::new(),
            });
        source.rows_in += load.rows_in;
        source.rows_rejected += load.rows_rejected;
        source.loaded_at.extend(load.loaded_at);
        if let Some(n) = load.rows_superseded_by_own.filter(|n| *n > 0) {
            source.overwritten.push(FileRejects {
                file: load.file.unwrap_or_default(),
                n,
                rows_in: load.rows_in,
            });
        }
        rows_in.insert((load.source, load.file_hash), load.rows_in);
    }
    for row in cells {
        let Some(source) = by_source.get_mut(&row.source) else {
            continue;
        };
        let file = FileRejects {
            n: row.n,
            // A file that no ledger row tells of counts by its source's share alone.
            rows_in: rows_in
                .get(&(row.source, row.file_hash))
                .copied()
                .unwrap_or(source.rows_in),
            file: row.file,
        };
        // Sorted by column, so that a column's files follow one another.
        match source.cells.last_mut() {
            Some(last) if last.column == row.column => last.files.push(file),
            _ => source.cells.push(RejectedCells {
                column: row.column,
                example: row.example,
                files: vec![file],
            }),
        }
    }
    let mut sources: Vec<SourceHealth> = by_source.into_values().collect();
    for source in &mut sources {
        source.loaded_at.sort();
        source.loaded_at.dedup();
    }
    sources
}
