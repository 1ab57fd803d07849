//! `drydown export TABLE`: live rows, sorted by key, as CSV or as one JSON document.

use std::collections::BTreeSet;
use std::io::Write;
use std::sync::Arc;

use anyhow::{Context as _, Result};
use arrow::array::{Array, ArrayRef, RecordBatch, StringArray};
use arrow::compute::{SortColumn, concat, interleave_record_batch, lexsort_to_indices};
use arrow::csv::WriterBuilder;
use arrow::datatypes::{DataType, Field, Schema};
use drydown_quantity::Stamp;
use drydown_schema::{ColumnKind, TableSpec, nearest, table, tables};
use drydown_store::Store;
use serde_json::Value;

use super::objects::object;
use crate::cli::{Cli, Format};
use crate::config::Config;
use crate::usage::UsageError;

pub(super) fn run(cli: &Cli, name: &str) -> Result<u8> {
    let spec = table(name).ok_or_else(|| {
        let hint = nearest(name, tables().iter().map(|spec| spec.name.as_str()))
            .map_or_else(String::new, |near| {
                format!("\nhint: did you mean \"{near}\"?")
            });
        UsageError(format!(
            "found \"{name}\", expected a table of the data contract{hint}"
        ))
    })?;
    let config = Config::load(&cli.config)?;
    let store = super::open_store(&config)?;
    let mut out = std::io::BufWriter::new(std::io::stdout().lock());
    let written = match cli.format {
        Format::Text => write_csv(&mut out, spec, &store),
        Format::Json => write_json(&mut out, spec, &store),
    };
    match written {
        Ok(()) => Ok(0),
        // A reader that went away (`| head`) has what it wanted.
        Err(error) if is_reader_gone(&error) => Ok(0),
        Err(error) => Err(error).context("cannot write to standard output"),
    }
}

fn is_reader_gone(error: &anyhow::Error) -> bool {
    format!("{error:#}").contains("Broken pipe")
}

fn write_csv(out: &mut impl Write, spec: &TableSpec, store: &Store) -> Result<()> {
    let nothing = RecordBatch::new_empty(Arc::new(drydown_schema::arrow_schema(spec)));
    write_batch(out, spec, &nothing, Header::Yes)?;
    each_group(spec, store, |rows| write_batch(out, spec, rows, Header::No))
}

/// The table's name and its rows, one a line.
fn write_json(out: &mut impl Write, spec: &TableSpec, store: &Store) -> Result<()> {
    write!(out, "{{\"table\": \"{}\", \"rows\": [", spec.name)?;
    let mut separator = "\n";
    each_group(spec, store, |rows| {
        let columns = spec.columns.iter().map(|column| column.name.as_str());
        let ordered = rows.project(
            &columns
                .filter_map(|name| rows.schema().index_of(name).ok())
                .collect::<Vec<_>>(),
        )?;
        for row in 0..ordered.num_rows() {
            write!(out, "{separator}{}", Value::Object(object(&ordered, row)?))?;
            separator = ",\n";
        }
        Ok(())
    })?;
    writeln!(out, "\n]}}")?;
    out.flush()?;
    Ok(())
}

/// Hands out the live rows, sorted by key.
///
/// Where the month leads the order of the key, months come one by one and memory stays small;
/// `readings` is keyed by unit first, so its rows are gathered whole, and handed out piece by piece.
fn each_group(
    spec: &TableSpec,
    store: &Store,
    mut take: impl FnMut(&RecordBatch) -> Result<()>,
) -> Result<()> {
    let files = store.live_files(&spec.name, None)?;
    let months: BTreeSet<Option<String>> = files.iter().map(|file| file.month.clone()).collect();
    let groups: Vec<Vec<_>> = if spec.key.first().map(String::as_str) == Some("month") {
        let of = |month| files.iter().filter(move |file| file.month == month);
        months
            .into_iter()
            .map(|month| of(month).cloned().collect())
            .collect()
    } else {
        vec![files]
    };
    for group in groups {
        let batches = store.load_files(&spec.name, &group)?;
        in_order(spec, &batches, &mut take)?;
    }
    Ok(())
}

#[derive(Clone, Copy, PartialEq)]
enum Header {
    Yes,
    No,
}

/// Rows handed out at a time: a table is in memory once, and not a second time in the order of its key.
const PIECE_ROWS: usize = 65_536;

/// Hands out the rows of some batches in the order of the key.
fn in_order(
    spec: &TableSpec,
    batches: &[RecordBatch],
    mut take: impl FnMut(&RecordBatch) -> Result<()>,
) -> Result<()> {
    let mut columns = Vec::new();
    for name in &spec.key {
        let parts: Option<Vec<&dyn Array>> = batches
            .iter()
            .map(|batch| batch.column_by_name(name).map(AsRef::as_ref))
            .collect();
        if let Some(parts) = parts.filter(|parts| !parts.is_empty()) {
            columns.push(SortColumn {
                values: concat(&parts)?,
                options: None,
            });
        }
    }
    if columns.is_empty() {
        return batches.iter().try_for_each(take);
    }
    let order = lexsort_to_indices(&columns, None)?;
    drop(columns);
    let firsts: Vec<usize> = batches
        .iter()
        .scan(0, |before, batch| {
            let first = *before;
            *before += batch.num_rows();
            Some(first)
        })
        .collect();
    let place = |row: &u32| {
        let row = *row as usize;
        let batch = firsts
            .partition_point(|first| *first <= row)
            .saturating_sub(1);
        (batch, row - firsts.get(batch).copied().unwrap_or(0))
    };
    let all: Vec<&RecordBatch> = batches.iter().collect();
    for piece in order.values().chunks(PIECE_ROWS) {
        let places: Vec<(usize, usize)> = piece.iter().map(place).collect();
        take(&interleave_record_batch(&all, &places)?)?;
    }
    Ok(())
}

/// Writes the columns in the contract's order; times as RFC 3339, numbers in their shortest exact form.
fn write_batch(
    out: &mut impl Write,
    spec: &TableSpec,
    batch: &RecordBatch,
    header: Header,
) -> Result<()> {
    let mut fields = Vec::new();
    let mut columns: Vec<ArrayRef> = Vec::new();
    for column in &spec.columns {
        let Some(array) = batch.column_by_name(&column.name) else {
            continue;
        };
        if column.kind == ColumnKind::Stamp {
            fields.push(Field::new(&column.name, DataType::Utf8, true));
            columns.push(Arc::new(stamps_as_text(array)?));
        } else {
            fields.push(Field::new(&column.name, array.data_type().clone(), true));
            columns.push(Arc::clone(array));
        }
    }
    let shown = RecordBatch::try_new(Arc::new(Schema::new(fields)), columns)?;
    let mut writer = WriterBuilder::new()
        .with_header(header == Header::Yes)
        .build(&mut *out);
    writer.write(&shown)?;
    drop(writer);
    out.flush()?;
    Ok(())
}

fn stamps_as_text(array: &ArrayRef) -> Result<StringArray> {
    use arrow::array::AsArray;
    let micros = array
        .as_primitive_opt::<arrow::datatypes::TimestampMicrosecondType>()
        .context("a time column is not stored as microseconds")?;
    Ok(micros
        .iter()
        .map(|at| at.map(|at| Stamp::from_micros(at).rfc3339()))
        .collect())
}
