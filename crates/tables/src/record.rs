//! Records of a table as a whole: read sorted by key, written as one batch of the table's schema.

use std::cmp::Ordering;
use std::sync::Arc;

use arrow::array::{Array, ArrayRef, RecordBatch, UInt64Array, new_null_array};
use arrow::compute::take_record_batch;
use arrow::error::ArrowError;
use arrow::row::{RowConverter, SortField};
use drydown_quantity::{RunId, Stamp};
use drydown_schema::{TableSpec, arrow_schema, arrow_type, table};

use crate::cell::{Atom, Cell, Place};
use crate::error::TableError;
use crate::frame::Frame;

/// A row struct of one table; its field names are column names.
pub trait Record: Sized {
    /// The table.
    const TABLE: &'static str;

    /// The columns that the records fill, by name.
    fn columns(rows: &[Self]) -> Vec<(&'static str, ArrayRef)>;

    /// The records of a frame, in its order.
    ///
    /// # Errors
    /// Where a type or a word is not the contract's, or a null stands where none may.
    fn read(frame: &dyn Frame) -> Result<Vec<Self>, TableError>;

    /// The order of the table's key.
    fn order(&self, other: &Self) -> Ordering;
}

/// The records of a frame or batch, sorted by the table's key.
///
/// # Errors
/// Where a type or a word is not the contract's, or a null stands where none may.
pub fn from_frame<R: Record>(frame: &dyn Frame) -> Result<Vec<R>, TableError> {
    let mut rows = R::read(frame)?;
    rows.sort_by(R::order);
    Ok(rows)
}

/// The batch of these records: the table's schema, rows sorted as the store keeps them.
///
/// `as_of` fills the column of that name in derived tables that do not carry their own; what
/// records do not know (the provenance of ingested rows) is null.
///
/// # Errors
/// Where record and schema disagree, or Arrow refuses the batch (a null in a key).
pub fn to_batch<R: Record>(rows: &[R], as_of: Stamp) -> Result<RecordBatch, TableError> {
    let uncontracted = |column: &str| TableError::Uncontracted {
        table: R::TABLE,
        column: column.to_owned(),
    };
    let spec = table(R::TABLE).ok_or_else(|| uncontracted("*"))?;
    let given = R::columns(rows);
    if let Some((name, _)) = given.iter().find(|(name, _)| spec.column(name).is_none()) {
        return Err(uncontracted(name));
    }
    let n_rows = given.first().map_or(0, |(_, array)| array.len());
    let array_of = |name: &str, kind| {
        let known = given
            .iter()
            .find(|(given, _)| *given == name)
            .map(|(_, array)| Arc::clone(array));
        known.unwrap_or_else(|| match name {
            "as_of" => Stamp::array_of(&mut std::iter::repeat_n(as_of, n_rows)),
            _ => new_null_array(&arrow_type(kind), n_rows),
        })
    };
    let arrays = spec
        .columns
        .iter()
        .map(|column| array_of(&column.name, column.kind))
        .collect();
    let refused = |source| TableError::Refused {
        table: R::TABLE,
        source,
    };
    let batch = RecordBatch::try_new(Arc::new(arrow_schema(spec)), arrays).map_err(refused)?;
    sorted(spec, batch).map_err(refused)
}

/// The rows in the order of the table's sort columns; equal ones stay as they were.
fn sorted(spec: &TableSpec, batch: RecordBatch) -> Result<RecordBatch, ArrowError> {
    let columns: Vec<ArrayRef> = spec
        .sort
        .iter()
        .filter_map(|name| batch.column_by_name(name).cloned())
        .collect();
    let fields = columns
        .iter()
        .map(|column| SortField::new(column.data_type().clone()))
        .collect();
    let rows = RowConverter::new(fields)?.convert_columns(&columns)?;
    if rows.iter().is_sorted() {
        return Ok(batch);
    }
    let mut places: Vec<usize> = (0..rows.num_rows()).collect();
    places.sort_by(|a, b| rows.row(*a).cmp(&rows.row(*b)));
    let places = places.into_iter().map(|place| place as u64);
    take_record_batch(&batch, &places.collect::<UInt64Array>())
}

/// Owned cells to a column; for what is computed rather than read off a record.
pub(crate) trait ArrayOf: Atom {
    fn array_of(cells: &mut dyn Iterator<Item = Self>) -> ArrayRef {
        let cells: Vec<Self> = cells.collect();
        <Self as Atom>::array(&mut cells.iter().map(Some))
    }
}

impl<T: Atom> ArrayOf for T {}

/// The column of one field.
pub(crate) fn array<'a, C: Cell + 'a>(cells: impl Iterator<Item = &'a C>) -> ArrayRef {
    let mut cells = cells;
    C::array(&mut cells)
}

/// The cells of one field.
pub(crate) fn cells<C: Cell>(
    frame: &dyn Frame,
    table: &'static str,
    column: &'static str,
) -> Result<std::vec::IntoIter<C>, TableError> {
    C::read(frame, Place { table, column }).map(Vec::into_iter)
}

/// The partition column of tables kept by the month of a run's start; null for a foreign identifier.
pub(crate) fn months<'a>(runs: impl Iterator<Item = &'a RunId>) -> ArrayRef {
    let months: Vec<Option<String>> = runs.map(month_of).collect();
    array(months.iter())
}

/// The month of `U-7@20260103T114500Z` as 2026-01.
fn month_of(run_id: &RunId) -> Option<String> {
    let (_, start) = run_id.as_str().rsplit_once('@')?;
    let year = start.get(..4)?;
    let month = start.get(4..6)?;
    let digits = year
        .chars()
        .chain(month.chars())
        .all(|c| c.is_ascii_digit());
    digits.then(|| format!("{year}-{month}"))
}

/// Makes a row struct a [`Record`]: its table, its key, its fields, and how it is partitioned.
macro_rules! record {
    ($row:ty, $table:literal, key($($key:ident),+) $(, month_of($run_id:ident))?, { $($field:ident),+ $(,)? }) => {
        impl $crate::record::Record for $row {
            const TABLE: &'static str = $table;

            fn columns(rows: &[Self]) -> Vec<(&'static str, arrow::array::ArrayRef)> {
                vec![
                    $((stringify!($field), $crate::record::array(rows.iter().map(|row| &row.$field))),)+
                    $(("month", $crate::record::months(rows.iter().map(|row| &row.$run_id))),)?
                ]
            }

            fn read(
                frame: &dyn $crate::frame::Frame,
            ) -> Result<Vec<Self>, $crate::error::TableError> {
                $(let mut $field = $crate::record::cells(frame, $table, stringify!($field))?;)+
                let rows = (0..frame.height()).map(|_| Some(Self { $($field: $field.next()?),+ }));
                rows.collect::<Option<Vec<Self>>>().ok_or($crate::error::TableError::Missing {
                    table: $table,
                    column: "*",
                    row: frame.height(),
                })
            }

            fn order(&self, other: &Self) -> std::cmp::Ordering {
                std::cmp::Ordering::Equal$(.then_with(|| self.$key.cmp(&other.$key)))+
            }
        }
    };
}

pub(crate) use record;

#[cfg(test)]
mod tests;
