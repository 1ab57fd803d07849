//! The order of rows by their sort columns.

use std::cmp::Ordering;

use arrow::array::{
    Array, ArrayRef, AsArray, BooleanArray, Date32Array, Float64Array, Int64Array, StringArray,
    TimestampMicrosecondArray,
};
use arrow::datatypes::{Date32Type, Float64Type, Int64Type, TimestampMicrosecondType};

use crate::check::repeated_text;

/// Texts compared at once: rows in order mostly hold those of the row before.
const ROWS_AT_ONCE: usize = 64;

/// Sort columns whose rows can be compared; null comes first.
///
/// Typed once, so that comparing two rows costs a few nanoseconds and no allocation.
#[derive(Debug)]
pub struct RowOrder<'a> {
    columns: Vec<Typed<'a>>,
    n_rows: usize,
}

#[derive(Debug)]
enum Typed<'a> {
    Text(&'a StringArray),
    Whole(&'a Int64Array),
    Stamp(&'a TimestampMicrosecondArray),
    Date(&'a Date32Array),
    Real(&'a Float64Array),
    YesNo(&'a BooleanArray),
}

impl<'a> RowOrder<'a> {
    /// None where a column is of a type that no table of the contract has.
    #[must_use]
    pub fn of(columns: &'a [ArrayRef]) -> Option<Self> {
        let n_rows = columns.first().map_or(0, |column| column.len());
        let columns = columns.iter().map(typed).collect::<Option<Vec<_>>>()?;
        Some(Self { columns, n_rows })
    }

    /// Row `a` against row `b`.
    #[must_use]
    pub fn compare(&self, a: usize, b: usize) -> Ordering {
        compare_by(&self.columns, a, b)
    }

    /// The rows that do not come after the row before them; with `strictly` also its equals.
    pub fn out_of_order(&self, strictly: Strictness) -> impl Iterator<Item = usize> {
        let starts = (1..self.n_rows).step_by(ROWS_AT_ONCE);
        starts.flat_map(move |start| {
            let end = self.n_rows.min(start + ROWS_AT_ONCE);
            let columns = self.columns_that_differ(start - 1, end);
            (start..end).filter(move |row| match compare_by(columns, *row - 1, *row) {
                Ordering::Less => false,
                Ordering::Equal => strictly == Strictness::Distinct,
                Ordering::Greater => true,
            })
        })
    }

    /// The columns without the first where that is one text in all these rows.
    fn columns_that_differ(&self, start: usize, end: usize) -> &[Typed<'a>] {
        match self.columns.split_first() {
            Some((Typed::Text(cells), rest))
                if repeated_text(&StringArray::slice(cells, start, end - start)).is_some() =>
            {
                rest
            }
            _ => &self.columns,
        }
    }
}

fn compare_by(columns: &[Typed<'_>], a: usize, b: usize) -> Ordering {
    for column in columns {
        let order = match column {
            Typed::Text(cells) => {
                let at = |row| cells.is_valid(row).then(|| cells.value(row));
                at(a).cmp(&at(b))
            }
            Typed::Whole(cells) => {
                let at = |row| cells.is_valid(row).then(|| cells.value(row));
                at(a).cmp(&at(b))
            }
            Typed::Stamp(cells) => {
                let at = |row| cells.is_valid(row).then(|| cells.value(row));
                at(a).cmp(&at(b))
            }
            Typed::Date(cells) => {
                let at = |row| cells.is_valid(row).then(|| cells.value(row));
                at(a).cmp(&at(b))
            }
            Typed::Real(cells) => match (cells.is_valid(a), cells.is_valid(b)) {
                (true, true) => cells.value(a).total_cmp(&cells.value(b)),
                (here, there) => here.cmp(&there),
            },
            Typed::YesNo(cells) => {
                let at = |row| cells.is_valid(row).then(|| cells.value(row));
                at(a).cmp(&at(b))
            }
        };
        if order != Ordering::Equal {
            return order;
        }
    }
    Ordering::Equal
}

/// Whether neighbouring rows may be equal.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Strictness {
    MayRepeat,
    Distinct,
}

fn typed(array: &ArrayRef) -> Option<Typed<'_>> {
    let text = array.as_string_opt::<i32>().map(Typed::Text);
    let whole = || array.as_primitive_opt::<Int64Type>().map(Typed::Whole);
    let stamp = || {
        array
            .as_primitive_opt::<TimestampMicrosecondType>()
            .map(Typed::Stamp)
    };
    let date = || array.as_primitive_opt::<Date32Type>().map(Typed::Date);
    let real = || array.as_primitive_opt::<Float64Type>().map(Typed::Real);
    let yes_no = || array.as_boolean_opt().map(Typed::YesNo);
    text.or_else(whole)
        .or_else(stamp)
        .or_else(date)
        .or_else(real)
        .or_else(yes_no)
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use arrow::compute::{LexicographicalComparator, SortColumn, SortOptions};

    use super::*;

    proptest::proptest! {
        /// The reference is the comparison that arrow has for any types.
        #[test]
        fn rows_compare_as_arrow_compares_them(
            rows in proptest::collection::vec((proptest::option::of("[ab]{0,2}"), proptest::option::of(0..3_i64)), 2..20),
            n_same in 1_usize..40,
        ) {
            // Stretches of one text longer than are compared at once.
            let rows: Vec<_> = rows
                .iter()
                .flat_map(|row| std::iter::repeat_n(row.clone(), n_same))
                .enumerate()
                .map(|(n, (text, number))| (text, number.map(|number| number + n as i64 % 3)))
                .take(200)
                .collect();
            let texts: StringArray = rows.iter().map(|(text, _)| text.clone()).collect();
            let numbers: Int64Array = rows.iter().map(|(_, number)| *number).collect();
            let columns: Vec<ArrayRef> = vec![Arc::new(texts), Arc::new(numbers)];
            let sort: Vec<SortColumn> = columns
                .iter()
                .map(|column| SortColumn {
                    values: Arc::clone(column),
                    options: Some(SortOptions { descending: false, nulls_first: true }),
                })
                .collect();
            let reference = LexicographicalComparator::try_new(&sort).unwrap();
            let order = RowOrder::of(&columns).unwrap();
            let expected: Vec<usize> = (1..rows.len())
                .filter(|row| reference.compare(*row - 1, *row) != Ordering::Less)
                .collect();
            let found: Vec<usize> = order.out_of_order(Strictness::Distinct).collect();
            proptest::prop_assert_eq!(found, expected);
            for a in 0..rows.len() {
                for b in 0..rows.len() {
                    proptest::prop_assert_eq!(order.compare(a, b), reference.compare(a, b));
                }
            }
        }
    }
}
