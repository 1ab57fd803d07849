//! Cells to Arrow columns and back.

use std::sync::Arc;

use arrow::array::{
    Array, ArrayRef, AsArray, BooleanArray, Date32Array, Float64Array, Int64Array, RecordBatch,
    StringArray, TimestampMicrosecondArray,
};
use arrow::buffer::{NullBuffer, OffsetBuffer};
use arrow::datatypes::{Date32Type, Float64Type, Int64Type, TimestampMicrosecondType};
use arrow::error::ArrowError;
use drydown_schema::{ColumnKind, TableSpec, arrow_schema};

use crate::texts::{NULL, TextPool, from_real, from_whole, to_real, to_whole};

/// One stored column, typed.
#[derive(Clone, Copy, Debug)]
enum Typed<'a> {
    Text(&'a StringArray),
    Real(&'a Float64Array),
    Whole(&'a Int64Array),
    YesNo(&'a BooleanArray),
    Stamp(&'a TimestampMicrosecondArray),
    Date(&'a Date32Array),
}

/// Stored rows, by cell.
#[derive(Debug)]
pub(super) struct Stored<'a> {
    columns: Vec<Typed<'a>>,
    keys: Vec<usize>,
}

impl<'a> Stored<'a> {
    pub(super) fn new(table: &TableSpec, batch: &'a RecordBatch) -> Result<Self, ArrowError> {
        let columns = table
            .columns
            .iter()
            .map(|column| {
                batch
                    .column_by_name(&column.name)
                    .and_then(|array| typed(column.kind, array))
                    .ok_or_else(|| {
                        ArrowError::SchemaError(format!(
                            "no column \"{}\" of kind {}",
                            column.name, column.kind
                        ))
                    })
            })
            .collect::<Result<Vec<_>, _>>()?;
        let keys = table
            .key
            .iter()
            .filter_map(|name| table.columns.iter().position(|column| column.name == *name))
            .collect();
        Ok(Self { columns, keys })
    }

    /// The text of a key column; None where it is of another kind.
    pub(super) fn key_text(&self, place: usize, row: usize) -> Option<&'a str> {
        match self.columns.get(*self.keys.get(place)?)? {
            Typed::Text(cells) if cells.is_valid(row) => Some(cells.value(row)),
            _ => None,
        }
    }

    /// The cell of a key column that is no text.
    pub(super) fn key_cell(&self, place: usize, row: usize) -> Option<u64> {
        let column = *self.columns.get(*self.keys.get(place)?)?;
        let cell = cell_of(column, row, &mut |_| NULL);
        (cell != NULL).then_some(cell)
    }

    /// Reads a row into the state.
    pub(super) fn load(&self, row: usize, pool: &mut TextPool, state: &mut [u64]) {
        for (slot, column) in state.iter_mut().zip(&self.columns) {
            *slot = cell_of(*column, row, &mut |text| pool.cell(text));
        }
    }
}

fn typed(kind: ColumnKind, array: &ArrayRef) -> Option<Typed<'_>> {
    match kind {
        ColumnKind::Text => array.as_string_opt::<i32>().map(Typed::Text),
        ColumnKind::Real => array.as_primitive_opt::<Float64Type>().map(Typed::Real),
        ColumnKind::Int => array.as_primitive_opt::<Int64Type>().map(Typed::Whole),
        ColumnKind::Bool => array.as_boolean_opt().map(Typed::YesNo),
        ColumnKind::Stamp => array
            .as_primitive_opt::<TimestampMicrosecondType>()
            .map(Typed::Stamp),
        ColumnKind::Date => array.as_primitive_opt::<Date32Type>().map(Typed::Date),
    }
}

fn cell_of(column: Typed<'_>, row: usize, text: &mut dyn FnMut(&str) -> u64) -> u64 {
    match column {
        Typed::Text(cells) if cells.is_valid(row) => text(cells.value(row)),
        Typed::Real(cells) if cells.is_valid(row) => from_real(cells.value(row)),
        Typed::Whole(cells) if cells.is_valid(row) => from_whole(cells.value(row)),
        Typed::YesNo(cells) if cells.is_valid(row) => from_whole(i64::from(cells.value(row))),
        Typed::Stamp(cells) if cells.is_valid(row) => from_whole(cells.value(row)),
        Typed::Date(cells) if cells.is_valid(row) => from_whole(i64::from(cells.value(row))),
        _ => NULL,
    }
}

/// Rows in cells, one vector per column of the table, as a batch of the contract.
pub(super) fn to_batch(
    table: &TableSpec,
    pool: &TextPool,
    columns: Vec<Vec<u64>>,
) -> Result<RecordBatch, ArrowError> {
    let arrays: Vec<ArrayRef> = table
        .columns
        .iter()
        .zip(columns)
        .map(|(spec, cells)| to_array(spec.kind, pool, cells))
        .collect();
    RecordBatch::try_new(Arc::new(arrow_schema(table)), arrays)
}

pub(super) fn to_array(kind: ColumnKind, pool: &TextPool, cells: Vec<u64>) -> ArrayRef {
    match kind {
        ColumnKind::Text => texts(pool, &cells),
        ColumnKind::Real => {
            let nulls = nulls_of(&cells);
            let values: Vec<f64> = cells
                .into_iter()
                .map(|cell| to_real(cell).unwrap_or(0.0))
                .collect();
            Arc::new(Float64Array::new(values.into(), nulls))
        }
        ColumnKind::Int => {
            let nulls = nulls_of(&cells);
            Arc::new(Int64Array::new(wholes(cells).into(), nulls))
        }
        ColumnKind::Bool => Arc::new(
            cells
                .into_iter()
                .map(|cell| to_whole(cell).map(|value| value != 0))
                .collect::<BooleanArray>(),
        ),
        ColumnKind::Stamp => {
            let nulls = nulls_of(&cells);
            let array = TimestampMicrosecondArray::new(wholes(cells).into(), nulls);
            Arc::new(array.with_timezone("UTC"))
        }
        ColumnKind::Date => Arc::new(
            cells
                .into_iter()
                .map(|cell| to_whole(cell).and_then(|day| i32::try_from(day).ok()))
                .collect::<Date32Array>(),
        ),
    }
}

/// The cells at these rows, gathered and converted at once; None where one of them is null, or the
/// kind is not of numbers and stamps.
pub(super) fn picked(kind: ColumnKind, cells: &[u64], rows: &[u32]) -> Option<ArrayRef> {
    let mut has_null = false;
    let mut cell = |row: &u32| {
        let cell = cells.get(*row as usize).copied().unwrap_or(NULL);
        has_null |= cell == NULL;
        cell
    };
    let array: ArrayRef = match kind {
        ColumnKind::Real => {
            let values: Vec<f64> = rows.iter().map(|row| f64::from_bits(cell(row))).collect();
            Arc::new(Float64Array::new(values.into(), None))
        }
        ColumnKind::Stamp => {
            let values: Vec<i64> = rows.iter().map(|row| whole_of(cell(row))).collect();
            let array = TimestampMicrosecondArray::new(values.into(), None);
            Arc::new(array.with_timezone("UTC"))
        }
        ColumnKind::Int | ColumnKind::Text | ColumnKind::Bool | ColumnKind::Date => return None,
    };
    (!has_null).then_some(array)
}

fn whole_of(cell: u64) -> i64 {
    to_whole(cell).unwrap_or(0)
}

/// One text, again and again.
pub(super) fn repeated_text(text: &str, n_rows: usize) -> ArrayRef {
    let bytes = text.repeat(n_rows).into_bytes();
    let offsets = OffsetBuffer::from_repeated_length(text.len(), n_rows);
    match StringArray::try_new(offsets, bytes.into(), None) {
        Ok(array) => Arc::new(array),
        Err(_) => Arc::new(std::iter::repeat_n(Some(text), n_rows).collect::<StringArray>()),
    }
}

/// Which cells hold something; None where all do.
fn nulls_of(cells: &[u64]) -> Option<NullBuffer> {
    cells
        .contains(&NULL)
        .then(|| cells.iter().map(|cell| *cell != NULL).collect())
}

fn wholes(cells: Vec<u64>) -> Vec<i64> {
    cells
        .into_iter()
        .map(|cell| to_whole(cell).unwrap_or(0))
        .collect()
}

fn texts(pool: &TextPool, cells: &[u64]) -> ArrayRef {
    let mut bytes = Vec::new();
    let mut lengths = Vec::with_capacity(cells.len());
    // Rows in key order mostly hold the texts of the row before.
    for run in cells.chunk_by(|a, b| a == b) {
        let text = run.first().and_then(|cell| pool.get(*cell)).unwrap_or("");
        bytes.extend(text.repeat(run.len()).into_bytes());
        lengths.resize(lengths.len() + run.len(), text.len());
    }
    let is_held = |cell: &u64| pool.get(*cell).is_some();
    let has_null = cells
        .chunk_by(|a, b| a == b)
        .any(|run| !run.first().is_some_and(is_held));
    let nulls = has_null.then(|| cells.iter().map(is_held).collect());
    if i32::try_from(bytes.len()).is_ok()
        && let Ok(array) =
            StringArray::try_new(OffsetBuffer::from_lengths(lengths), bytes.into(), nulls)
    {
        return Arc::new(array);
    }
    Arc::new(
        cells
            .iter()
            .map(|cell| pool.get(*cell))
            .collect::<StringArray>(),
    )
}
