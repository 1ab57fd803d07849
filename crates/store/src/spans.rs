//! What the log says about a data file without opening it: rows, and for key and
//! time columns the least and greatest value and the number of nulls.

use std::collections::BTreeMap;

use arrow::array::{Array, ArrayRef, AsArray, RecordBatch};
use arrow::compute::concat;
use arrow::datatypes::{DataType, Date32Type, Int64Type, TimeUnit, TimestampMicrosecondType};
use drydown_quantity::{Day, Stamp};
use serde_json::{Map, Value, json};

use crate::layout::Layout;

/// Longest text kept in the log; a column with a longer one gets no span, because a
/// shortened greatest value would be wrong.
const MAX_TEXT: usize = 128;
const MICROS_PER_MILLI: i64 = 1000;

/// One value of a key or time column.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum KeyValue {
    /// A word or id.
    Text(String),
    /// A whole number.
    Whole(i64),
    /// A stamp.
    At(Stamp),
    /// A date.
    On(Day),
}

/// The least and greatest value of one column in one file. Stamps are widened to
/// whole milliseconds, so a span may reach up to a millisecond past its values.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Span {
    /// Not above any value.
    pub min: KeyValue,
    /// Not below any value.
    pub max: KeyValue,
}

/// The statistics of one file, as the Delta log writes them; its rows are in key order.
pub(crate) fn to_stats(layout: &Layout, batch: &RecordBatch) -> Value {
    let mut min_values = Map::new();
    let mut max_values = Map::new();
    let mut null_count = Map::new();
    for (field, column) in batch.schema().fields().iter().zip(batch.columns()) {
        null_count.insert(field.name().clone(), json!(column.null_count()));
        if !wants_span(layout, field.name(), field.data_type()) {
            continue;
        }
        let is_first = layout.sort.first() == Some(field.name());
        let sorted = is_first.then(|| ends_of(column)).flatten();
        if let Some(span) = span_of(sorted.as_ref().unwrap_or(column)) {
            min_values.insert(field.name().clone(), to_json(&span.min));
            max_values.insert(field.name().clone(), to_json(&span.max));
        }
    }
    json!({
        "numRecords": batch.num_rows(),
        "minValues": min_values,
        "maxValues": max_values,
        "nullCount": null_count,
    })
}

/// The spans in a file's statistics; what cannot be read is left out.
pub(crate) fn parse_spans(layout: &Layout, stats: &Value) -> BTreeMap<String, Span> {
    let mut spans = BTreeMap::new();
    for field in layout.schema.fields() {
        let value = |side: &str| {
            let value = stats.get(side)?.get(field.name())?;
            parse_value(field.data_type(), value)
        };
        if let (Some(min), Some(max)) = (value("minValues"), value("maxValues")) {
            spans.insert(field.name().clone(), Span { min, max });
        }
    }
    spans
}

/// The first and the last value of a column that its rows are sorted by: between them stand no other
/// extremes. None where some are null.
fn ends_of(column: &ArrayRef) -> Option<ArrayRef> {
    let last = column.len().checked_sub(1)?;
    if column.null_count() > 0 {
        return None;
    }
    let ends = [column.slice(0, 1), column.slice(last, 1)];
    concat(&[ends[0].as_ref(), ends[1].as_ref()]).ok()
}

fn wants_span(layout: &Layout, column: &str, kind: &DataType) -> bool {
    layout.sort.iter().any(|key| key == column)
        || matches!(
            kind,
            DataType::Timestamp(TimeUnit::Microsecond, _) | DataType::Date32
        )
}

fn span_of(column: &ArrayRef) -> Option<Span> {
    match column.data_type() {
        DataType::Utf8 => {
            let texts = column.as_string_opt::<i32>()?;
            let min = texts.iter().flatten().min()?;
            let max = texts.iter().flatten().max()?;
            if min.len().max(max.len()) > MAX_TEXT {
                return None;
            }
            Some(Span {
                min: KeyValue::Text(min.to_owned()),
                max: KeyValue::Text(max.to_owned()),
            })
        }
        DataType::Int64 => {
            let values = column.as_primitive_opt::<Int64Type>()?;
            let (min, max) = extremes(values.iter().flatten())?;
            Some(Span {
                min: KeyValue::Whole(min),
                max: KeyValue::Whole(max),
            })
        }
        DataType::Date32 => {
            let values = column.as_primitive_opt::<Date32Type>()?;
            let (min, max) = extremes(values.iter().flatten())?;
            Some(Span {
                min: KeyValue::On(Day::from_number(min)),
                max: KeyValue::On(Day::from_number(max)),
            })
        }
        DataType::Timestamp(TimeUnit::Microsecond, _) => {
            let values = column.as_primitive_opt::<TimestampMicrosecondType>()?;
            let (min, max) = extremes(values.iter().flatten())?;
            let down = min
                .div_euclid(MICROS_PER_MILLI)
                .saturating_mul(MICROS_PER_MILLI);
            let up = max
                .saturating_neg()
                .div_euclid(MICROS_PER_MILLI)
                .saturating_mul(-MICROS_PER_MILLI);
            Some(Span {
                min: KeyValue::At(Stamp::from_micros(down)),
                max: KeyValue::At(Stamp::from_micros(up)),
            })
        }
        _ => None,
    }
}

fn extremes<T: Ord + Copy>(values: impl Iterator<Item = T>) -> Option<(T, T)> {
    values.fold(None, |seen, value| match seen {
        None => Some((value, value)),
        Some((min, max)) => Some((min.min(value), max.max(value))),
    })
}

fn to_json(value: &KeyValue) -> Value {
    match value {
        KeyValue::Text(text) => json!(text),
        KeyValue::Whole(number) => json!(number),
        KeyValue::On(day) => json!(day.to_string()),
        KeyValue::At(stamp) => {
            let day = stamp.day();
            let milli = (stamp.micros() - day.start().micros()) / MICROS_PER_MILLI;
            json!(format!(
                "{day}T{:02}:{:02}:{:02}.{:03}Z",
                milli / 3_600_000,
                milli / 60_000 % 60,
                milli / 1000 % 60,
                milli % 1000
            ))
        }
    }
}

fn parse_value(kind: &DataType, value: &Value) -> Option<KeyValue> {
    match kind {
        DataType::Utf8 => value.as_str().map(|text| KeyValue::Text(text.to_owned())),
        DataType::Int64 => value.as_i64().map(KeyValue::Whole),
        DataType::Date32 => value.as_str()?.parse().ok().map(KeyValue::On),
        DataType::Timestamp(TimeUnit::Microsecond, _) => {
            value.as_str()?.parse().ok().map(KeyValue::At)
        }
        _ => None,
    }
}
