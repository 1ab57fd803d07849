//! What can be read by column: a polars frame (from the store) or an Arrow batch (from a stream).

use arrow::array::{Array, AsArray, RecordBatch};
use arrow::datatypes as arrow_types;
use arrow::datatypes::DataType as ArrowType;
use polars::prelude::{DataFrame, DataType, Series, TimeUnit};

/// The type found where another was expected.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mistyped {
    pub found: String,
}

/// Cells of one column, None for null; the outer None where there is no such column.
pub(crate) type Cells<T> = Result<Option<Vec<Option<T>>>, Mistyped>;

/// A table by column. Every column is `height` long; a column of nulls only may have any type.
pub trait Frame {
    /// Number of rows.
    fn height(&self) -> usize;
    /// A string column.
    ///
    /// # Errors
    /// Where the column has another type; so for the others below.
    fn texts(&self, column: &str) -> Cells<&str>;
    /// A 64-bit integer column.
    ///
    /// # Errors
    /// Where the column has another type.
    fn ints(&self, column: &str) -> Cells<i64>;
    /// A double column.
    ///
    /// # Errors
    /// Where the column has another type.
    fn reals(&self, column: &str) -> Cells<f64>;
    /// A yes/no column.
    ///
    /// # Errors
    /// Where the column has another type.
    fn bools(&self, column: &str) -> Cells<bool>;
    /// A timestamp column, microseconds since 1970-01-01T00:00Z.
    ///
    /// # Errors
    /// Where the column has another type.
    fn micros(&self, column: &str) -> Cells<i64>;
    /// A date column, days since 1970-01-01.
    ///
    /// # Errors
    /// Where the column has another type.
    fn days(&self, column: &str) -> Cells<i32>;
}

fn of_series<'a, T>(
    frame: &'a DataFrame,
    column: &str,
    cells: impl FnOnce(&'a Series) -> Option<Vec<Option<T>>>,
) -> Cells<T> {
    let Ok(column) = frame.column(column) else {
        return Ok(None);
    };
    let series = column.as_materialized_series();
    match cells(series) {
        Some(cells) => Ok(Some(cells)),
        None if series.null_count() == series.len() => Ok(None),
        None => Err(Mistyped {
            found: series.dtype().to_string(),
        }),
    }
}

impl Frame for DataFrame {
    fn height(&self) -> usize {
        Self::height(self)
    }

    fn texts(&self, column: &str) -> Cells<&str> {
        of_series(self, column, |series| {
            series.try_str().map(|cells| cells.iter().collect())
        })
    }

    fn ints(&self, column: &str) -> Cells<i64> {
        of_series(self, column, |series| {
            series.try_i64().map(|cells| cells.iter().collect())
        })
    }

    fn reals(&self, column: &str) -> Cells<f64> {
        of_series(self, column, |series| {
            series.try_f64().map(|cells| cells.iter().collect())
        })
    }

    fn bools(&self, column: &str) -> Cells<bool> {
        of_series(self, column, |series| {
            series.try_bool().map(|cells| cells.iter().collect())
        })
    }

    fn micros(&self, column: &str) -> Cells<i64> {
        of_series(self, column, |series| match series.dtype() {
            DataType::Datetime(TimeUnit::Microseconds, _) => series
                .try_datetime()
                .map(|cells| cells.physical().iter().collect()),
            _ => None,
        })
    }

    fn days(&self, column: &str) -> Cells<i32> {
        of_series(self, column, |series| {
            series
                .try_date()
                .map(|cells| cells.physical().iter().collect())
        })
    }
}

fn of_array<'a, T>(
    batch: &'a RecordBatch,
    column: &str,
    cells: impl FnOnce(&'a dyn Array) -> Option<Vec<Option<T>>>,
) -> Cells<T> {
    let Some(array) = batch.column_by_name(column) else {
        return Ok(None);
    };
    match cells(array.as_ref()) {
        Some(cells) => Ok(Some(cells)),
        None if array.logical_null_count() == array.len() => Ok(None),
        None => Err(Mistyped {
            found: array.data_type().to_string(),
        }),
    }
}

impl Frame for RecordBatch {
    fn height(&self) -> usize {
        self.num_rows()
    }

    fn texts(&self, column: &str) -> Cells<&str> {
        of_array(self, column, |array| match array.data_type() {
            ArrowType::Utf8 => array
                .as_string_opt::<i32>()
                .map(|cells| cells.iter().collect()),
            ArrowType::LargeUtf8 => array
                .as_string_opt::<i64>()
                .map(|cells| cells.iter().collect()),
            ArrowType::Utf8View => array
                .as_string_view_opt()
                .map(|cells| cells.iter().collect()),
            _ => None,
        })
    }

    fn ints(&self, column: &str) -> Cells<i64> {
        of_array(self, column, |array| {
            array
                .as_primitive_opt::<arrow_types::Int64Type>()
                .map(|cells| cells.iter().collect())
        })
    }

    fn reals(&self, column: &str) -> Cells<f64> {
        of_array(self, column, |array| {
            array
                .as_primitive_opt::<arrow_types::Float64Type>()
                .map(|cells| cells.iter().collect())
        })
    }

    fn bools(&self, column: &str) -> Cells<bool> {
        of_array(self, column, |array| {
            array.as_boolean_opt().map(|cells| cells.iter().collect())
        })
    }

    fn micros(&self, column: &str) -> Cells<i64> {
        of_array(self, column, |array| {
            let cells = array.as_primitive_opt::<arrow_types::TimestampMicrosecondType>();
            cells.map(|cells| cells.iter().collect())
        })
    }

    fn days(&self, column: &str) -> Cells<i32> {
        of_array(self, column, |array| {
            array
                .as_primitive_opt::<arrow_types::Date32Type>()
                .map(|cells| cells.iter().collect())
        })
    }
}
