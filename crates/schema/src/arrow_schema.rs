//! Tables as Arrow schemas.

use std::sync::Arc;

use arrow::datatypes::{DataType, Field, Schema, TimeUnit};

use crate::spec::{ColumnKind, ColumnSpec, TableSpec};

/// The Arrow type of a column kind.
#[must_use]
pub fn arrow_type(kind: ColumnKind) -> DataType {
    match kind {
        ColumnKind::Text => DataType::Utf8,
        ColumnKind::Int => DataType::Int64,
        ColumnKind::Real => DataType::Float64,
        ColumnKind::Bool => DataType::Boolean,
        ColumnKind::Stamp => DataType::Timestamp(TimeUnit::Microsecond, Some(Arc::from("UTC"))),
        ColumnKind::Date => DataType::Date32,
    }
}

/// The Arrow field of a column; only key columns are non-null.
#[must_use]
pub fn arrow_field(column: &ColumnSpec) -> Field {
    Field::new(&column.name, arrow_type(column.kind), !column.required)
}

/// The Arrow schema of a table, columns in the order of the contract.
#[must_use]
pub fn arrow_schema(table: &TableSpec) -> Schema {
    Schema::new(table.columns.iter().map(arrow_field).collect::<Vec<_>>())
}
