//! A batch that keeps the contract has no problem; each breach is one problem that names its place.

use std::sync::Arc;

use arrow::array::{Float64Array, Int64Array, StringArray, new_null_array};

use super::*;
use crate::arrow_schema::arrow_schema;
use crate::contract::table;

/// A batch of `samples` in which the named columns hold the given arrays and the rest is null.
fn samples(columns: &[(&str, ArrayRef)]) -> RecordBatch {
    let spec = table("samples").unwrap();
    let rows = columns.first().map_or(0, |(_, array)| array.len());
    let array_of = |column: &ColumnSpec| {
        let given = columns.iter().find(|(name, _)| *name == column.name);
        given.map_or_else(
            || new_null_array(&arrow_type(column.kind), rows),
            |(_, array)| array.clone(),
        )
    };
    let schema = arrow_schema(spec);
    // Nullable keys, so that a null in one reaches the check.
    let loose = arrow::datatypes::Schema::new(
        schema
            .fields()
            .iter()
            .map(|f| f.as_ref().clone().with_nullable(true))
            .collect::<Vec<_>>(),
    );
    RecordBatch::try_new(Arc::new(loose), spec.columns.iter().map(array_of).collect()).unwrap()
}

fn texts(cells: &[Option<&str>]) -> ArrayRef {
    Arc::new(StringArray::from(cells.to_vec()))
}

fn reals(cells: &[Option<f64>]) -> ArrayRef {
    Arc::new(Float64Array::from(cells.to_vec()))
}

fn found(columns: &[(&str, ArrayRef)]) -> Vec<String> {
    check_batch(table("samples").unwrap(), &samples(columns))
        .iter()
        .map(ToString::to_string)
        .collect()
}

fn keys(n: usize) -> [(&'static str, ArrayRef); 2] {
    let ids: Vec<String> = (0..n).map(|row| format!("S-{row}")).collect();
    [
        ("lab", texts(&vec![Some("L"); n])),
        (
            "sample_id",
            texts(&ids.iter().map(|id| Some(id.as_str())).collect::<Vec<_>>()),
        ),
    ]
}

#[test]
fn a_batch_that_keeps_the_contract_has_no_problem() {
    let [lab, id] = keys(2);
    let water = ("water_ppm", reals(&[Some(0.0), Some(200_000.0)]));
    let censor = ("water_censor", texts(&[Some("<"), None]));
    assert_eq!(found(&[lab, id, water, censor]), Vec::<String>::new());
}

#[test]
fn a_null_key_is_named_with_its_row() {
    let lab = ("lab", texts(&[Some("L"), None, None]));
    let id = ("sample_id", texts(&[Some("1"), Some("2"), Some("3")]));
    assert_eq!(
        found(&[lab, id]),
        ["samples.lab: found null in a key column (2 rows, first 1)"]
    );
}

#[test]
fn numbers_are_finite_and_within_bounds() {
    let [lab, id] = keys(4);
    let water = (
        "water_ppm",
        reals(&[
            Some(f64::NAN),
            Some(-0.1),
            Some(f64::INFINITY),
            Some(200_000.1),
        ]),
    );
    assert_eq!(
        found(&[lab, id, water]),
        [
            "samples.water_ppm: found NaN or an infinite number (2 rows, first 0)",
            "samples.water_ppm: found a number outside 0…200000 (2 rows, first 1)",
        ]
    );
}

#[test]
fn one_wrong_number_among_many_is_seen_wherever_it_stands() {
    let below_zero = -f64::from_bits(1);
    for wrong in [
        f64::NAN,
        f64::INFINITY,
        f64::NEG_INFINITY,
        below_zero,
        200_000.1,
    ] {
        for row in 0..19 {
            let [lab, id] = keys(19);
            let mut cells = vec![Some(150.0); 19];
            cells[row] = Some(wrong);
            let problems = check_batch(
                table("samples").unwrap(),
                &samples(&[lab, id, ("water_ppm", reals(&cells))]),
            );
            assert_eq!(problems.len(), 1, "{wrong} in row {row}");
            assert_eq!(problems[0].first_row, Some(row), "{wrong}");
        }
    }
}

#[test]
fn codes_are_within_bounds() {
    let [lab, id] = keys(2);
    let code: ArrayRef = Arc::new(Int64Array::from(vec![29, 30]));
    assert_eq!(
        found(&[lab, id, ("iso4406_4um", code)]),
        ["samples.iso4406_4um: found a number outside 0…29 (row 1)"]
    );
}

#[test]
fn an_unknown_word_is_named_with_the_known_ones() {
    let [lab, id] = keys(3);
    let censor = ("water_censor", texts(&[Some("="), Some("~"), Some("~")]));
    assert_eq!(
        found(&[lab, id, censor]),
        ["samples.water_censor: found \"~\", expected =, <, > (2 rows, first 1)"]
    );
}

#[test]
fn a_month_keeps_its_pattern() {
    let spec = table("readings").unwrap();
    let column = spec.column("month").unwrap();
    let array = texts(&[Some("2026-01"), Some("2026-1"), None]);
    let problems = check_cells(spec, column, &array);
    assert_eq!(problems.len(), 1);
    assert_eq!(problems[0].first_row, Some(1));
}

#[test]
fn a_missing_a_foreign_and_a_mistyped_column_are_each_named() {
    let spec = table("pump_causes").unwrap();
    let foreign = RecordBatch::try_from_iter([
        ("run_id", texts(&[Some("U-1@20260101T000000Z")])),
        ("cause", texts(&[Some("wear")])),
        ("probability", texts(&[Some("0.5")])),
        ("colour", texts(&[None])),
    ])
    .unwrap();
    let problems: Vec<String> = check_batch(spec, &foreign)
        .iter()
        .map(ToString::to_string)
        .collect();
    assert_eq!(
        problems,
        [
            "pump_causes.probability: found the type Utf8, expected Float64",
            "pump_causes.as_of: the column is missing",
            "pump_causes.colour: the table has no such column",
        ]
    );
}

#[test]
fn rows_ascend_by_the_sort_columns_and_no_key_stands_twice() {
    let spec = table("samples").unwrap();
    let order = |labs: &[&str], ids: &[&str]| -> Option<usize> {
        let cells = |words: &[&str]| texts(&words.iter().map(|w| Some(*w)).collect::<Vec<_>>());
        let batch = samples(&[("lab", cells(labs)), ("sample_id", cells(ids))]);
        check_order(spec, &batch)
            .first()
            .and_then(|problem| problem.first_row)
    };
    assert_eq!(order(&["a", "a", "b"], &["1", "2", "1"]), None);
    assert_eq!(order(&["a", "b", "a"], &["1", "2", "3"]), Some(2));
    assert_eq!(order(&["a", "a"], &["1", "1"]), Some(1));
    assert_eq!(order(&[], &[]), None);
}

proptest::proptest! {
    #[test]
    fn a_repeated_text_is_that_of_every_row(
        cells in proptest::collection::vec(proptest::option::weighted(0.95, "[ab]{0,2}"), 0..5),
        from in 0_usize..3,
        n_more in 0_usize..4,
    ) {
        let mut cells = cells;
        if let Some(last) = cells.last().cloned() {
            cells.extend(std::iter::repeat_n(last, n_more));
        }
        let array = StringArray::from(cells.clone());
        let from = from.min(cells.len());
        let rest = &cells[from..];
        let first = rest.first().cloned().flatten();
        let expected = first.filter(|_| rest.iter().all(|cell| *cell == rest[0]));
        let part = array.slice(from, rest.len());
        proptest::prop_assert_eq!(repeated_text(&part), expected.as_deref());
    }
}
