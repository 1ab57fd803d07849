//! The store as its users see it, in temporary folders.

mod changes;
mod format;
mod kill;
mod open;
mod publish;
mod race;

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

use arrow::array::{
    ArrayRef, Float64Array, RecordBatch, StringArray, TimestampMicrosecondArray, new_null_array,
};
use arrow::datatypes::Schema;
use drydown_quantity::Stamp;
use drydown_schema::{arrow_schema, table};
use polars::prelude::LazyFrame;
use serde_json::Value;
use tempfile::TempDir;

use crate::{Store, WriteGuard};

/// A new store in a folder of its own.
fn store() -> (TempDir, Store) {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open_or_create(folder.path().join("store")).unwrap();
    (folder, store)
}

fn lock(store: &Store) -> WriteGuard {
    store.lock("test", Some(Duration::ZERO)).unwrap()
}

fn at(text: &str) -> Stamp {
    text.parse().unwrap()
}

fn note(key: &str, value: &str) -> BTreeMap<String, Value> {
    BTreeMap::from([(key.to_owned(), Value::from(value))])
}

/// Rows of `readings`: unit, stamp, water in ppm; all else null.
fn readings(rows: &[(&str, &str, f64)]) -> RecordBatch {
    let units: Vec<&str> = rows.iter().map(|row| row.0).collect();
    let stamps: Vec<i64> = rows.iter().map(|row| at(row.1).micros()).collect();
    let waters: Vec<f64> = rows.iter().map(|row| row.2).collect();
    let schema = Arc::new(arrow_schema(table("readings").unwrap()));
    fill(
        &schema,
        &[
            ("unit_id", Arc::new(StringArray::from(units))),
            (
                "at",
                Arc::new(TimestampMicrosecondArray::from(stamps).with_timezone("UTC")),
            ),
            ("water_ppm", Arc::new(Float64Array::from(waters))),
        ],
    )
}

/// A batch with these columns and nulls in all others.
fn fill(schema: &Arc<Schema>, given: &[(&str, ArrayRef)]) -> RecordBatch {
    let n_rows = given.first().unwrap().1.len();
    let columns = schema.fields().iter().map(|field| {
        given
            .iter()
            .find(|(name, _)| name == field.name())
            .map_or_else(
                || new_null_array(field.data_type(), n_rows),
                |(_, column)| Arc::clone(column),
            )
    });
    RecordBatch::try_new(Arc::clone(schema), columns.collect()).unwrap()
}

/// Rows as `unit stamp ppm month`, in the frame's own order.
fn lines(frame: LazyFrame) -> Vec<String> {
    let frame = frame.collect().unwrap();
    (0..frame.height())
        .map(|row| {
            let cell = |name: &str| frame.column(name).unwrap().get(row).unwrap();
            let stamp = cell("at").try_extract::<i64>().unwrap();
            format!(
                "{} {} {} {}",
                cell("unit_id").get_str().unwrap(),
                Stamp::from_micros(stamp),
                cell("water_ppm")
                    .try_extract::<f64>()
                    .map_or("-".to_owned(), |v| v.to_string()),
                cell("month").get_str().unwrap(),
            )
        })
        .collect()
}

fn now_lines(store: &Store) -> Vec<String> {
    lines(store.scan("readings", None, None).unwrap())
}
