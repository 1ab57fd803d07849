//! Rows of a table as JSON objects, as `--format json` prints them.

use anyhow::{Context as _, Result};
use arrow::array::{Array, AsArray, RecordBatch};
use arrow::datatypes::{
    DataType, Date32Type, Float64Type, Int64Type, TimeUnit, TimestampMicrosecondType,
};
use drydown_quantity::{Day, Stamp};
use serde_json::{Map, Value};

/// One row: every column under its name, times as RFC 3339, null where the cell is.
///
/// # Errors
/// A column of a type that no table of the contract has.
pub(super) fn object(batch: &RecordBatch, row: usize) -> Result<Map<String, Value>> {
    let schema = batch.schema();
    schema
        .fields()
        .iter()
        .zip(batch.columns())
        .map(|(field, column)| {
            let value = cell(column.as_ref(), row)
                .with_context(|| format!("column {} cannot be shown", field.name()))?;
            Ok((field.name().clone(), value))
        })
        .collect()
}

/// None for a type that no table has.
fn cell(column: &dyn Array, row: usize) -> Option<Value> {
    if column.is_null(row) {
        return Some(Value::Null);
    }
    Some(match column.data_type() {
        DataType::Utf8 => column.as_string_opt::<i32>()?.value(row).into(),
        DataType::Boolean => column.as_boolean_opt()?.value(row).into(),
        DataType::Int64 => column.as_primitive_opt::<Int64Type>()?.value(row).into(),
        DataType::Float64 => column.as_primitive_opt::<Float64Type>()?.value(row).into(),
        DataType::Date32 => {
            let day = column.as_primitive_opt::<Date32Type>()?.value(row);
            Day::from_number(day).to_string().into()
        }
        DataType::Timestamp(TimeUnit::Microsecond, _) => {
            let at = column.as_primitive_opt::<TimestampMicrosecondType>()?;
            Stamp::from_micros(at.value(row)).rfc3339().into()
        }
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use arrow::array::{
        ArrayRef, BooleanArray, Date32Array, Float64Array, Int64Array, StringArray,
        TimestampMicrosecondArray,
    };
    use serde_json::json;

    use super::*;

    #[test]
    fn every_kind_of_cell_is_written() {
        let columns: Vec<(&str, ArrayRef)> = vec![
            ("text", Arc::new(StringArray::from(vec![Some("U-1"), None]))),
            ("yes", Arc::new(BooleanArray::from(vec![true, false]))),
            ("whole", Arc::new(Int64Array::from(vec![7, 8]))),
            ("real", Arc::new(Float64Array::from(vec![0.1, 2.0]))),
            ("day", Arc::new(Date32Array::from(vec![0, 1]))),
            (
                "at",
                Arc::new(TimestampMicrosecondArray::from(vec![0, 1_500_000]).with_timezone("UTC")),
            ),
        ];
        let batch = RecordBatch::try_from_iter(columns).unwrap();
        let rows: Vec<Value> = (0..2)
            .map(|row| Value::Object(object(&batch, row).unwrap()))
            .collect();
        let wanted = json!([
            {"text": "U-1", "yes": true, "whole": 7, "real": 0.1, "day": "1970-01-01", "at": "1970-01-01T00:00:00Z"},
            {"text": null, "yes": false, "whole": 8, "real": 2.0, "day": "1970-01-02", "at": "1970-01-01T00:00:01.5Z"},
        ]);
        assert_eq!(Value::Array(rows), wanted);
    }
}
