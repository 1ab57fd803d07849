//! `drydown context` and `drydown runs --arrow --context FILE`: readings in, runs out, no store, no state.
//!
//! Any engine that can pipe Arrow can drive this over its own files. The context file is an
//! Arrow IPC file with one row per register table: its name, and its rows as an Arrow IPC stream.

use std::collections::{BTreeMap, BTreeSet};
use std::io::{BufReader, BufWriter, Read, Write};
use std::path::Path;
use std::sync::Arc;

use anyhow::{Context as _, Result, bail};
use arrow::array::{Array, ArrayRef, AsArray, BinaryArray, RecordBatch, StringArray};
use arrow::compute::concat_batches;
use arrow::datatypes::{DataType, Field, Schema};
use arrow::ipc::reader::{FileReader, StreamReader};
use arrow::ipc::writer::{FileWriter, StreamWriter};
use drydown_quantity::Stamp;
use drydown_runs::history::{Registers, Sample};
use drydown_runs::{RunsConfig, cut_runs};
use drydown_schema::{arrow_schema, table};
use drydown_tables::{REGISTER_TABLES, to_batch};
use serde_json::json;

use crate::cli::{Cli, ContextArgs, Format, RunsArgs};
use crate::config::{AnalysisSection, Config};
use crate::jobs::runs_config;
use crate::output::print_result;
use crate::usage::UsageError;

const SAMPLES: &str = "samples";

/// Writes the registers and samples that the filter needs.
pub(super) fn write_context(cli: &Cli, arguments: &ContextArgs) -> Result<u8> {
    let config = Config::load(&cli.config)?;
    let as_of = match &arguments.as_of {
        Some(text) => super::parse_when("--as-of", text)?,
        None => super::now(),
    };
    let store = super::open_store(&config)?;
    let (mut names, mut contents) = (Vec::new(), Vec::new());
    for name in REGISTER_TABLES.iter().copied().chain([SAMPLES]) {
        let batches = store.load_files(name, &store.live_files(name, None)?)?;
        names.push(name);
        contents.push(to_stream(&all_rows(name, &batches)?)?);
    }
    let metadata = std::collections::HashMap::from([
        ("as_of".to_owned(), as_of.rfc3339()),
        (
            "analysis".to_owned(),
            serde_json::to_string(&config.analysis)?,
        ),
    ]);
    let fields = vec![
        Field::new("table", DataType::Utf8, false),
        Field::new("rows", DataType::Binary, false),
    ];
    let schema = Arc::new(Schema::new(fields).with_metadata(metadata));
    let columns: Vec<ArrayRef> = vec![
        Arc::new(StringArray::from(names)),
        Arc::new(BinaryArray::from_iter_values(&contents)),
    ];
    let beside = arguments.out.with_extension("part");
    let file = std::fs::File::create(&beside)
        .with_context(|| format!("cannot write {}", beside.display()))?;
    let mut writer = FileWriter::try_new(BufWriter::new(file), &schema)?;
    writer.write(&RecordBatch::try_new(Arc::clone(&schema), columns)?)?;
    writer.finish()?;
    std::fs::rename(&beside, &arguments.out)
        .with_context(|| format!("cannot write {}", arguments.out.display()))?;
    print_result(&match cli.format {
        Format::Text => format!(
            "registers and samples as of {} written to {}\n",
            as_of.rfc3339(),
            arguments.out.display()
        ),
        Format::Json => format!(
            "{}\n",
            json!({"as_of": as_of.rfc3339(), "file": arguments.out})
        ),
    });
    Ok(0)
}

fn all_rows(name: &str, batches: &[RecordBatch]) -> Result<RecordBatch> {
    let spec = table(name).with_context(|| format!("no table \"{name}\" in the data contract"))?;
    match batches.first() {
        Some(first) => Ok(concat_batches(&first.schema(), batches)?),
        None => Ok(RecordBatch::new_empty(Arc::new(arrow_schema(spec)))),
    }
}

fn to_stream(batch: &RecordBatch) -> Result<Vec<u8>> {
    let mut bytes = Vec::new();
    let mut writer = StreamWriter::try_new(&mut bytes, &batch.schema())?;
    writer.write(batch)?;
    writer.finish()?;
    drop(writer);
    Ok(bytes)
}

/// What the filter knows beside the readings.
struct Known {
    registers: Registers,
    samples: Vec<Sample>,
    as_of: Stamp,
    config: RunsConfig,
}

/// Readings from standard input, grouped by unit, to runs on standard output.
pub(super) fn run(arguments: &RunsArgs) -> Result<u8> {
    if !arguments.arrow {
        return Err(UsageError(
            "runs: expected --arrow (Arrow IPC streams on standard input and output)".to_owned(),
        )
        .into());
    }
    let known = load_context(&arguments.context)?;
    let spec = table("runs").context("no table \"runs\" in the data contract")?;
    let mut writer = StreamWriter::try_new(
        BufWriter::new(std::io::stdout().lock()),
        &arrow_schema(spec),
    )?;
    filter(BufReader::new(std::io::stdin().lock()), &known, &mut writer)?;
    writer.finish()?;
    Ok(0)
}

fn load_context(path: &Path) -> Result<Known> {
    let wrong = |what: &str| {
        UsageError(format!(
            "--context {}: {what}\nhint: make it with `drydown context --out FILE`",
            path.display()
        ))
    };
    let file =
        std::fs::File::open(path).map_err(|error| wrong(&format!("cannot be read: {error}")))?;
    let reader = FileReader::try_new(BufReader::new(file), None)
        .map_err(|_| wrong("is not an Arrow IPC file"))?;
    let schema = reader.schema();
    let said = |key: &str| {
        schema
            .metadata()
            .get(key)
            .cloned()
            .ok_or_else(|| wrong(&format!("does not say \"{key}\"")))
    };
    let as_of: Stamp = said("as_of")?.parse()?;
    let section: AnalysisSection = serde_json::from_str(&said("analysis")?)?;
    let mut frames: BTreeMap<String, RecordBatch> = BTreeMap::new();
    for batch in reader {
        let batch = batch?;
        let names = batch
            .column_by_name("table")
            .and_then(|column| column.as_string_opt::<i32>());
        let rows = batch
            .column_by_name("rows")
            .and_then(|column| column.as_binary_opt::<i32>());
        let (Some(names), Some(rows)) = (names, rows) else {
            return Err(wrong("lacks the columns table and rows").into());
        };
        for (name, bytes) in names.iter().zip(rows.iter()) {
            let (Some(name), Some(bytes)) = (name, bytes) else {
                continue;
            };
            let batches = StreamReader::try_new(bytes, None)?.collect::<Result<Vec<_>, _>>()?;
            frames.insert(name.to_owned(), all_rows(name, &batches)?);
        }
    }
    let frame = |name: &str| -> Result<RecordBatch> {
        frames
            .get(name)
            .cloned()
            .ok_or_else(|| wrong(&format!("lacks the table \"{name}\"")).into())
    };
    Ok(Known {
        registers: drydown_tables::registers(frame, as_of)?,
        samples: drydown_tables::samples(&frame(SAMPLES)?, as_of)?,
        as_of,
        config: runs_config(&section),
    })
}

/// Gathers the rows of one unit at a time; a unit that comes back would be cut wrongly, so it is refused.
fn filter(input: impl Read, known: &Known, writer: &mut StreamWriter<impl Write>) -> Result<()> {
    let reader =
        StreamReader::try_new(input, None).context("standard input is not an Arrow IPC stream")?;
    let mut seen: BTreeSet<String> = BTreeSet::new();
    let mut held: Vec<RecordBatch> = Vec::new();
    let mut current: Option<String> = None;
    for batch in reader {
        let batch = batch?;
        for (unit, rows) in split_by_unit(&batch)? {
            if current.as_deref() != Some(unit.as_str()) {
                write_runs(&std::mem::take(&mut held), known, writer)?;
                if !seen.insert(unit.clone()) {
                    bail!(
                        "the readings of unit {unit} are not together in the stream\nhint: sort the stream by unit_id and at"
                    );
                }
                current = Some(unit);
            }
            held.push(rows);
        }
    }
    write_runs(&held, known, writer)
}

/// Slices of a batch, each of one unit, in its order.
fn split_by_unit(batch: &RecordBatch) -> Result<Vec<(String, RecordBatch)>> {
    let units = batch
        .column_by_name("unit_id")
        .and_then(|column| column.as_string_opt::<i32>())
        .context("the stream lacks the string column \"unit_id\"")?;
    let mut parts = Vec::new();
    let mut start = 0;
    for row in 1..=units.len() {
        if row == units.len() || units.value(row) != units.value(start) {
            parts.push((
                units.value(start).to_owned(),
                batch.slice(start, row - start),
            ));
            start = row;
        }
    }
    Ok(parts)
}

fn write_runs(
    held: &[RecordBatch],
    known: &Known,
    writer: &mut StreamWriter<impl Write>,
) -> Result<()> {
    let Some(first) = held.first() else {
        return Ok(());
    };
    let all = concat_batches(&first.schema(), held)?;
    for readings in drydown_tables::unit_readings(&all, known.as_of)? {
        let cut = cut_runs(
            &known.registers,
            &readings,
            &known.samples,
            known.as_of,
            &known.config,
        );
        if !cut.runs.is_empty() {
            writer.write(&to_batch(&cut.runs, known.as_of)?)?;
        }
    }
    Ok(())
}
