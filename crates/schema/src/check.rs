//! Checks a batch against its table before it is published, and again after it was read.

use std::fmt;

use arrow::array::{Array, ArrayRef, AsArray, RecordBatch, StringArray};
use arrow::datatypes::{Float64Type, Int64Type};
use regex::Regex;

use crate::arrow_schema::arrow_type;
use crate::order::{RowOrder, Strictness};
use crate::spec::{Bounds, ColumnKind, ColumnSpec, TableSpec};

/// One thing that is wrong with a batch.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problem {
    pub table: String,
    /// The column; None where the problem is of the whole batch.
    pub column: Option<String>,
    /// How many cells or rows have it; 0 where it is of the schema.
    pub n_cells: usize,
    /// The first of them, from 0.
    pub first_row: Option<usize>,
    /// What was found and what was expected.
    pub what: String,
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.table)?;
        if let Some(column) = &self.column {
            write!(f, ".{column}")?;
        }
        write!(f, ": {}", self.what)?;
        match self.first_row {
            Some(row) if self.n_cells == 1 => write!(f, " (row {row})"),
            Some(row) => write!(f, " ({} rows, first {row})", self.n_cells),
            None => Ok(()),
        }
    }
}

/// Everything in the batch that breaks the contract of its table; empty where nothing does.
///
/// Columns and types must be the table's, in its order; keys are not null; numbers are
/// finite and within the stored bounds; closed vocabularies and patterns are kept.
#[must_use]
pub fn check_batch(table: &TableSpec, batch: &RecordBatch) -> Vec<Problem> {
    let mut problems = check_columns(table, batch);
    for column in &table.columns {
        let Some(array) = batch.column_by_name(&column.name) else {
            continue;
        };
        if *array.data_type() == arrow_type(column.kind) {
            problems.extend(check_cells(table, column, array));
        }
    }
    problems
}

fn check_columns(table: &TableSpec, batch: &RecordBatch) -> Vec<Problem> {
    let of_schema = |column: &str, what: String| Problem {
        table: table.name.clone(),
        column: Some(column.to_owned()),
        n_cells: 0,
        first_row: None,
        what,
    };
    let mut problems = Vec::new();
    let schema = batch.schema();
    for (idx, column) in table.columns.iter().enumerate() {
        let expected = arrow_type(column.kind);
        match schema.column_with_name(&column.name) {
            None => problems.push(of_schema(&column.name, "the column is missing".to_owned())),
            Some((_, field)) if *field.data_type() != expected => problems.push(of_schema(
                &column.name,
                format!("found the type {}, expected {expected}", field.data_type()),
            )),
            Some((place, _)) if place != idx => problems.push(of_schema(
                &column.name,
                format!("found at place {place}, expected at {idx}"),
            )),
            Some(_) => {}
        }
    }
    for field in schema.fields() {
        if table.column(field.name()).is_none() {
            problems.push(of_schema(
                field.name(),
                "the table has no such column".to_owned(),
            ));
        }
    }
    problems
}

fn check_cells(table: &TableSpec, column: &ColumnSpec, array: &ArrayRef) -> Vec<Problem> {
    let mut faults = Faults::new(table, column);
    if !column.required && array.null_count() == array.len() {
        return Vec::new();
    }
    if column.required && array.null_count() > 0 {
        faults.mark((0..array.len()).filter(|row| array.is_null(*row)), || {
            "found null in a key column".to_owned()
        });
    }
    match column.kind {
        ColumnKind::Real => check_reals(&mut faults, column.stored_bounds(), array),
        ColumnKind::Int => check_ints(&mut faults, column.stored_bounds(), array),
        ColumnKind::Text => check_texts(&mut faults, column, array),
        ColumnKind::Bool | ColumnKind::Stamp | ColumnKind::Date => {}
    }
    faults.problems
}

fn check_reals(faults: &mut Faults<'_>, bounds: Bounds, array: &ArrayRef) {
    let Some(cells) = array.as_primitive_opt::<Float64Type>() else {
        return;
    };
    let rows = |wrong: &dyn Fn(f64) -> bool| -> Vec<usize> {
        cells
            .iter()
            .enumerate()
            .filter_map(|(row, cell)| cell.filter(|v| wrong(*v)).map(|_| row))
            .collect()
    };
    let least = bounds.minimum.unwrap_or(f64::NEG_INFINITY);
    let most = bounds.maximum.unwrap_or(f64::INFINITY);
    // As `Bounds::admit`, of every value and without a branch that hangs on it: the processor then
    // takes several at a time.
    let fits = |value: f64| value.is_finite() & (least <= value) & (value <= most);
    let all_fit = |values: &[f64]| values.iter().fold(true, |all, value| all & fits(*value));
    if cells.null_count() == 0 && all_fit(cells.values()) {
        return;
    }
    faults.mark(rows(&|value| !value.is_finite()), || {
        "found NaN or an infinite number".to_owned()
    });
    faults.mark(
        rows(&|value| value.is_finite() && !bounds.admit(value)),
        || format!("found a number outside {bounds}"),
    );
}

fn check_ints(faults: &mut Faults<'_>, bounds: Bounds, array: &ArrayRef) {
    let Some(cells) = array.as_primitive_opt::<Int64Type>() else {
        return;
    };
    if bounds.is_open() {
        return;
    }
    let outside = cells.iter().enumerate().filter_map(|(row, cell)| {
        cell.filter(|value| !bounds.admit(*value as f64))
            .map(|_| row)
    });
    faults.mark(outside, || format!("found a number outside {bounds}"));
}

fn check_texts(faults: &mut Faults<'_>, column: &ColumnSpec, array: &ArrayRef) {
    if column.words.is_empty() && column.pattern.is_none() {
        return;
    }
    let Some(cells) = array.as_string_opt::<i32>() else {
        return;
    };
    let pattern = column.pattern.as_deref().map(Regex::new);
    if let Some(Err(error)) = &pattern {
        faults.mark([0], || {
            format!("the pattern of the contract cannot be read: {error}")
        });
        return;
    }
    let pattern = pattern.and_then(Result::ok);
    let admits =
        |text: &str| column.admits_word(text) && pattern.as_ref().is_none_or(|p| p.is_match(text));
    if repeated_text(cells).is_some_and(admits) {
        return;
    }
    // Neighbouring rows mostly hold the same word (month, phase), so the last answer is kept.
    let mut last: Option<(&str, bool)> = None;
    let mut first_wrong = String::new();
    let mut wrong = Vec::new();
    for (row, cell) in cells.iter().enumerate() {
        let Some(text) = cell else { continue };
        let holds = match last {
            Some((known, holds)) if known == text => holds,
            _ => admits(text),
        };
        last = Some((text, holds));
        if !holds {
            if wrong.is_empty() {
                text.clone_into(&mut first_wrong);
            }
            wrong.push(row);
        }
    }
    let expected = column
        .pattern
        .clone()
        .unwrap_or_else(|| column.words.join(", "));
    faults.mark(wrong, || {
        format!("found \"{first_wrong}\", expected {expected}")
    });
}

/// The text of a column in which one stands in every row; None where others or nulls do, or no row is.
#[must_use]
pub fn repeated_text(cells: &StringArray) -> Option<&str> {
    if cells.is_empty() || cells.null_count() > 0 {
        return None;
    }
    let text = cells.value(0);
    let offsets = cells.value_offsets();
    let (begin, end) = (*offsets.first()?, *offsets.last()?);
    let length = i32::try_from(text.len()).ok()?;
    let next = offsets.iter().skip(1);
    let is_even = offsets.iter().zip(next).all(|(a, b)| b - a == length);
    let bytes = cells
        .value_data()
        .get(usize::try_from(begin).ok()?..usize::try_from(end).ok()?)?;
    // Each text is the one before it: the bytes are themselves, moved by one text.
    let repeats = bytes.get(text.len()..)? == bytes.get(..bytes.len() - text.len())?;
    (is_even && repeats).then_some(text)
}

/// Collects the problems of one column.
struct Faults<'a> {
    table: &'a TableSpec,
    column: &'a ColumnSpec,
    problems: Vec<Problem>,
}

impl<'a> Faults<'a> {
    const fn new(table: &'a TableSpec, column: &'a ColumnSpec) -> Self {
        Self {
            table,
            column,
            problems: Vec::new(),
        }
    }

    fn mark(&mut self, rows: impl IntoIterator<Item = usize>, what: impl FnOnce() -> String) {
        let mut rows = rows.into_iter();
        let Some(first) = rows.next() else { return };
        self.problems.push(Problem {
            table: self.table.name.clone(),
            column: Some(self.column.name.clone()),
            n_cells: 1 + rows.count(),
            first_row: Some(first),
            what: what(),
        });
    }
}

/// Whether the rows ascend by the table's sort columns, and no key stands twice where the sort is the key.
///
/// One problem names the first row that does not; a batch without the columns has one of the schema.
#[must_use]
pub fn check_order(table: &TableSpec, batch: &RecordBatch) -> Vec<Problem> {
    let whole = |what: String, first_row: Option<usize>, n_cells: usize| {
        vec![Problem {
            table: table.name.clone(),
            column: None,
            n_cells,
            first_row,
            what,
        }]
    };
    let columns: Option<Vec<ArrayRef>> = table
        .sort
        .iter()
        .map(|name| batch.column_by_name(name).cloned())
        .collect();
    let Some(columns) = columns else {
        return whole(
            format!("the batch lacks a column of {}", table.sort.join(", ")),
            None,
            0,
        );
    };
    let Some(order) = RowOrder::of(&columns) else {
        return whole("the rows cannot be compared".to_owned(), None, 0);
    };
    let unique = table.sort == table.key;
    let mut wrong = order.out_of_order(if unique {
        Strictness::Distinct
    } else {
        Strictness::MayRepeat
    });
    wrong.next().map_or_else(Vec::new, |first| {
        let rule = if unique { "strictly " } else { "" };
        let what = format!("rows do not ascend {rule}by {}", table.sort.join(", "));
        whole(what, Some(first), 1 + wrong.count())
    })
}

#[cfg(test)]
mod tests;
