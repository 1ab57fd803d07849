//! How one table of the data contract lies on disk: its columns in three type
//! systems (Arrow, Delta, polars), its key, and the month it is partitioned by.

use std::sync::Arc;

use arrow::array::{ArrayRef, RecordBatch, StringArray, new_null_array};
use arrow::buffer::OffsetBuffer;
use arrow::datatypes::{DataType, Schema, SchemaRef, TimeUnit};
use deltalake_core::kernel::{DataType as DeltaType, StructField, StructType};
use drydown_schema::{ColumnKind, TableSpec, arrow_schema, check_batch, check_order};
use polars::prelude as pl;

use crate::error::StoreError;

/// The layout of one table.
#[derive(Clone, Debug)]
pub(crate) struct Layout {
    pub(crate) table: String,
    /// Every column in the contract's order, the partition column included.
    pub(crate) schema: SchemaRef,
    /// The columns that files are sorted by and the log keeps spans of.
    pub(crate) sort: Vec<String>,
    pub(crate) partition: Option<Partition>,
    /// The contract's own words on the table, for the checks before and after.
    pub(crate) spec: Option<&'static TableSpec>,
}

/// A table is partitioned by UTC month, `YYYY-MM`.
#[derive(Clone, Debug)]
pub(crate) struct Partition {
    pub(crate) column: String,
    pub(crate) source: MonthSource,
}

/// What gives the month of a row.
#[derive(Clone, Debug)]
pub(crate) enum MonthSource {
    /// A column of stamps.
    Stamp(String),
    /// A column of run ids, which carry the run's start: `U-7@20260103T114500Z`.
    RunId(String),
}

impl Layout {
    /// The layout of a table of the data contract.
    pub(crate) fn of(table: &str) -> Result<Self, StoreError> {
        let spec = drydown_schema::table(table).ok_or_else(|| StoreError::UnknownTable {
            table: table.to_owned(),
        })?;
        let partition = match &spec.partition {
            Some(column) => Some(Partition {
                column: column.clone(),
                source: month_source(spec)?,
            }),
            None => None,
        };
        Ok(Self {
            table: spec.name.clone(),
            schema: Arc::new(arrow_schema(spec)),
            sort: spec.sort.clone(),
            partition,
            spec: Some(spec),
        })
    }

    /// The schema of the data files: all columns but the partition column, whose
    /// value stands in the log.
    pub(crate) fn file_schema(&self) -> SchemaRef {
        let fields: Vec<_> = self
            .schema
            .fields()
            .iter()
            .filter(|field| !self.is_partition(field.name()))
            .map(Arc::clone)
            .collect();
        Arc::new(Schema::new(fields))
    }

    pub(crate) fn is_partition(&self, column: &str) -> bool {
        self.partition
            .as_ref()
            .is_some_and(|partition| partition.column == column)
    }

    /// The columns as Delta fields. All may be null on disk: that keys never are is
    /// the contract's rule, checked before every write.
    pub(crate) fn delta_fields(&self) -> Result<Vec<StructField>, StoreError> {
        self.schema
            .fields()
            .iter()
            .map(|field| {
                let kind = to_delta_type(field.data_type())
                    .ok_or_else(|| self.no_such_type(field.name(), field.data_type()))?;
                Ok(StructField::nullable(field.name().clone(), kind))
            })
            .collect()
    }

    /// The columns as a polars schema, partition column included.
    pub(crate) fn polars_schema(&self) -> Result<pl::Schema, StoreError> {
        self.schema
            .fields()
            .iter()
            .map(|field| {
                let kind = to_polars_type(field.data_type())
                    .ok_or_else(|| self.no_such_type(field.name(), field.data_type()))?;
                Ok(pl::Field::new(field.name().as_str().into(), kind))
            })
            .collect()
    }

    /// The columns of the data files as a polars schema.
    pub(crate) fn polars_file_schema(&self) -> Result<pl::Schema, StoreError> {
        let mut schema = self.polars_schema()?;
        if let Some(partition) = &self.partition {
            schema.shift_remove(&partition.column);
        }
        Ok(schema)
    }

    /// The polars type of a stored column that the contract does not know.
    pub(crate) fn polars_type_of_stored(
        &self,
        field: &StructField,
    ) -> Result<pl::DataType, StoreError> {
        let known = [
            DataType::Utf8,
            DataType::Int64,
            DataType::Float64,
            DataType::Boolean,
            DataType::Date32,
            DataType::Timestamp(TimeUnit::Microsecond, Some(Arc::from("UTC"))),
        ];
        known
            .iter()
            .find(|kind| to_delta_type(kind).as_ref() == Some(field.data_type()))
            .and_then(to_polars_type)
            .ok_or_else(|| StoreError::Misfit {
                table: self.table.clone(),
                problems: vec![format!(
                    "column \"{}\" has type {}, which this program cannot read",
                    field.name(),
                    field.data_type()
                )],
            })
    }

    fn no_such_type(&self, column: &str, kind: &DataType) -> StoreError {
        let problem = format!("column \"{column}\" has type {kind}, which the store does not hold");
        StoreError::Misfit {
            table: self.table.clone(),
            problems: vec![problem],
        }
    }

    /// What keeps the stored columns from holding this layout; empty when they do.
    /// Columns missing from the stored table are no problem (they read as null).
    pub(crate) fn check_stored(&self, stored: &StructType) -> Vec<String> {
        let mut problems = Vec::new();
        for field in self.schema.fields() {
            let Some(found) = stored.field(field.name()) else {
                continue;
            };
            let expected = to_delta_type(field.data_type());
            if expected.as_ref() != Some(found.data_type()) {
                problems.push(format!(
                    "column \"{}\": found {}, expected {}",
                    field.name(),
                    found.data_type(),
                    field.data_type()
                ));
            }
        }
        problems
    }

    /// The columns of this layout that the stored table lacks.
    pub(crate) fn new_fields(&self, stored: &StructType) -> Result<Vec<StructField>, StoreError> {
        let mut fields = self.delta_fields()?;
        fields.retain(|field| stored.field(field.name()).is_none());
        Ok(fields)
    }

    /// Brings rows into the file schema's columns and order. The partition column may
    /// be left out; columns of the contract may not, and there may be no others.
    pub(crate) fn to_file_columns(&self, batch: &RecordBatch) -> Result<RecordBatch, StoreError> {
        let mut problems: Vec<String> = Vec::new();
        for field in batch.schema().fields() {
            if self.schema.field_with_name(field.name()).is_err() {
                problems.push(format!(
                    "column \"{}\" is not in the contract",
                    field.name()
                ));
            }
        }
        let schema = self.file_schema();
        let mut columns = Vec::with_capacity(schema.fields().len());
        for field in schema.fields() {
            match batch.column_by_name(field.name()) {
                Some(column) if column.data_type() == field.data_type() => {
                    columns.push(Arc::clone(column));
                }
                Some(column) => problems.push(format!(
                    "column \"{}\": found {}, expected {}",
                    field.name(),
                    column.data_type(),
                    field.data_type()
                )),
                None => problems.push(format!("column \"{}\" is missing", field.name())),
            }
        }
        if problems.is_empty() {
            RecordBatch::try_new(schema, columns).map_err(|e| self.bad_rows(e.to_string()))
        } else {
            Err(StoreError::BadRows {
                table: self.table.clone(),
                problems,
            })
        }
    }

    /// Brings what a data file held into the full schema: columns the file lacks are
    /// null, the partition column has the file's value.
    pub(crate) fn to_full_columns(
        &self,
        batch: &RecordBatch,
        month: Option<&str>,
    ) -> Result<RecordBatch, StoreError> {
        let n_rows = batch.num_rows();
        let mut columns: Vec<ArrayRef> = Vec::with_capacity(self.schema.fields().len());
        for field in self.schema.fields() {
            let column = if self.is_partition(field.name()) {
                match month {
                    Some(month) => repeated(month, n_rows),
                    None => new_null_array(field.data_type(), n_rows),
                }
            } else {
                match batch.column_by_name(field.name()) {
                    Some(column) => Arc::clone(column),
                    None => new_null_array(field.data_type(), n_rows),
                }
            };
            columns.push(column);
        }
        // Read back as the contract has it, not as the file spelt it: nullable.
        let fields: Vec<_> = self
            .schema
            .fields()
            .iter()
            .map(|field| field.as_ref().clone().with_nullable(true))
            .collect();
        RecordBatch::try_new(Arc::new(Schema::new(fields)), columns).map_err(|e| {
            StoreError::Misfit {
                table: self.table.clone(),
                problems: vec![e.to_string()],
            }
        })
    }

    /// What breaks the contract in rows that are about to be published: file columns,
    /// in key order, of one month. `is_strict`: their order was looked at before.
    pub(crate) fn check_rows(
        &self,
        rows: &RecordBatch,
        month: Option<&str>,
        is_strict: bool,
    ) -> Result<Vec<String>, StoreError> {
        let Some(spec) = self.spec else {
            return Ok(Vec::new());
        };
        let full = self.to_full_columns(rows, month)?;
        let mut problems = check_batch(spec, &full);
        if !is_strict {
            problems.extend(check_order(spec, &full));
        }
        Ok(problems.iter().map(ToString::to_string).collect())
    }

    pub(crate) fn bad_rows(&self, problem: String) -> StoreError {
        StoreError::BadRows {
            table: self.table.clone(),
            problems: vec![problem],
        }
    }
}

/// One text, again and again.
fn repeated(text: &str, n_rows: usize) -> ArrayRef {
    let offsets = OffsetBuffer::from_repeated_length(text.len(), n_rows);
    match StringArray::try_new(offsets, text.repeat(n_rows).into_bytes().into(), None) {
        Ok(array) => Arc::new(array),
        Err(_) => Arc::new(StringArray::from(vec![text; n_rows])),
    }
}

/// Tables of runs go by the month of the run's start, others by their key's stamp.
fn month_source(spec: &TableSpec) -> Result<MonthSource, StoreError> {
    if spec.is_key("run_id") {
        return Ok(MonthSource::RunId("run_id".to_owned()));
    }
    spec.columns
        .iter()
        .find(|column| column.kind == ColumnKind::Stamp && spec.is_key(&column.name))
        .map(|column| MonthSource::Stamp(column.name.clone()))
        .ok_or_else(|| StoreError::Misfit {
            table: spec.name.clone(),
            problems: vec!["found no stamp in the key that could give the month".to_owned()],
        })
}

fn to_delta_type(kind: &DataType) -> Option<DeltaType> {
    match kind {
        DataType::Utf8 => Some(DeltaType::STRING),
        DataType::Int64 => Some(DeltaType::LONG),
        DataType::Float64 => Some(DeltaType::DOUBLE),
        DataType::Boolean => Some(DeltaType::BOOLEAN),
        DataType::Date32 => Some(DeltaType::DATE),
        DataType::Timestamp(TimeUnit::Microsecond, Some(_)) => Some(DeltaType::TIMESTAMP),
        _ => None,
    }
}

fn to_polars_type(kind: &DataType) -> Option<pl::DataType> {
    match kind {
        DataType::Utf8 => Some(pl::DataType::String),
        DataType::Int64 => Some(pl::DataType::Int64),
        DataType::Float64 => Some(pl::DataType::Float64),
        DataType::Boolean => Some(pl::DataType::Boolean),
        DataType::Date32 => Some(pl::DataType::Date),
        DataType::Timestamp(TimeUnit::Microsecond, Some(_)) => Some(pl::DataType::Datetime(
            pl::TimeUnit::Microseconds,
            Some(pl::TimeZone::UTC),
        )),
        _ => None,
    }
}
