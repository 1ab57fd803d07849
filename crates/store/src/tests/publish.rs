//! What goes in comes out: appending, replacing, checking.

use std::sync::Arc;

use arrow::array::{ArrayRef, Float64Array, Int64Array, StringArray};
use arrow::datatypes::{DataType, Field, Schema};
use drydown_schema::{arrow_schema, table};

use super::{at, fill, lines, lock, note, now_lines, readings, store};
use crate::layout::Layout;
use crate::{CommitNote, Store, StoreError};

#[test]
fn appended_rows_come_back_by_month_and_key() {
    let (_folder, store) = store();
    let guard = lock(&store);
    assert_eq!(store.table_version("readings").unwrap(), None);
    let rows = [
        readings(&[
            ("U-2", "2026-02-01T00:00:00Z", 3.0),
            ("U-1", "2026-02-01T00:00:00Z", 2.0),
        ]),
        readings(&[("U-1", "2026-01-31T23:59:59.999999Z", 1.5)]),
    ];
    let version = store
        .append(&guard, "readings", rows.to_vec(), note("k", "v"))
        .unwrap();
    assert_eq!(store.table_version("readings").unwrap(), Some(version));
    assert_eq!(
        now_lines(&store),
        [
            "U-1 2026-01-31T23:59:59.999999Z 1.5 2026-01",
            "U-1 2026-02-01T00:00:00Z 2 2026-02",
            "U-2 2026-02-01T00:00:00Z 3 2026-02",
        ]
    );
    let only = store
        .scan("readings", None, Some(&["2026-01".to_owned()]))
        .unwrap();
    assert_eq!(lines(only), ["U-1 2026-01-31T23:59:59.999999Z 1.5 2026-01"]);
    let none = store
        .scan("readings", None, Some(&["1999-01".to_owned()]))
        .unwrap();
    assert_eq!(lines(none), [""; 0]);
}

#[test]
fn the_log_knows_rows_and_spans_of_each_file() {
    let (_folder, store) = store();
    let guard = lock(&store);
    let rows = readings(&[
        ("U-3", "2026-01-02T00:00:00.0000015Z", 1.0),
        ("U-1", "2026-01-31T10:20:30.123456Z", 2.0),
    ]);
    store
        .append(&guard, "readings", vec![rows], note("k", "v"))
        .unwrap();
    let files = store.live_files("readings", None).unwrap();
    assert_eq!(files.len(), 1);
    assert_eq!(
        (files[0].n_rows, files[0].month.as_deref()),
        (2, Some("2026-01"))
    );
    assert_eq!(files[0].text_span("unit_id"), Some(("U-1", "U-3")));
    let span = (at("2026-01-02T00:00:00Z"), at("2026-01-31T10:20:30.124Z"));
    assert_eq!(files[0].stamp_span("at"), Some(span));
    assert!(files[0].size_bytes > 0 && files[0].stamp_span("unit_id").is_none());
}

#[test]
fn a_table_never_written_is_empty_with_the_contracts_columns() {
    let (_folder, store) = store();
    for spec in drydown_schema::tables() {
        let frame = store
            .scan(&spec.name, None, None)
            .unwrap()
            .collect()
            .unwrap();
        let names: Vec<&str> = frame
            .get_column_names()
            .iter()
            .map(|name| name.as_str())
            .collect();
        let expected: Vec<&str> = spec
            .columns
            .iter()
            .map(|column| column.name.as_str())
            .collect();
        assert_eq!((frame.height(), names), (0, expected), "{}", spec.name);
        assert_eq!(store.live_files(&spec.name, None).unwrap(), []);
        assert_eq!(store.commits(&spec.name).unwrap(), []);
    }
    assert!(matches!(
        store.scan("nonsense", None, None),
        Err(StoreError::UnknownTable { .. })
    ));
    assert!(matches!(
        store.scan("readings", Some(0), None),
        Err(StoreError::NoVersion { .. })
    ));
}

#[test]
fn a_full_table_has_the_same_types_as_an_empty_one() {
    let (_folder, store) = store();
    let empty = store
        .scan("readings", None, None)
        .unwrap()
        .collect()
        .unwrap();
    let guard = lock(&store);
    let rows = readings(&[
        ("U-1", "2026-01-01T00:00:00Z", 1.0),
        ("U-1", "2026-02-01T00:00:00Z", 1.0),
    ]);
    store
        .append(&guard, "readings", vec![rows], note("k", "v"))
        .unwrap();
    let full = store
        .scan("readings", None, None)
        .unwrap()
        .collect()
        .unwrap();
    assert_eq!(full.schema(), empty.schema());
    assert_eq!(full.height(), 2);
}

#[test]
fn replacing_all_leaves_the_old_version_readable() {
    let (_folder, store) = store();
    let guard = lock(&store);
    let old = readings(&[
        ("U-1", "2026-01-01T00:00:00Z", 1.0),
        ("U-1", "2026-03-01T00:00:00Z", 2.0),
    ]);
    let first = store
        .append(&guard, "readings", vec![old], note("k", "v"))
        .unwrap();
    let new = readings(&[("U-9", "2026-05-01T00:00:00Z", 9.0)]);
    let second = store
        .replace_all(&guard, "readings", vec![new], note("k", "v"))
        .unwrap();
    assert_eq!(second, first + 1);
    assert_eq!(now_lines(&store), ["U-9 2026-05-01T00:00:00Z 9 2026-05"]);
    let then = lines(store.scan("readings", Some(first), None).unwrap());
    assert_eq!(
        then,
        [
            "U-1 2026-01-01T00:00:00Z 1 2026-01",
            "U-1 2026-03-01T00:00:00Z 2 2026-03"
        ]
    );
    let empty = store
        .replace_all(&guard, "readings", Vec::new(), note("k", "v"))
        .unwrap();
    assert_eq!(now_lines(&store), [""; 0]);
    assert_eq!(store.table_version("readings").unwrap(), Some(empty));
    assert!(matches!(
        store.scan("readings", Some(empty + 1), None),
        Err(StoreError::NoVersion { .. })
    ));
    assert!(matches!(
        store.scan("readings", Some(-1), None),
        Err(StoreError::NoVersion { .. })
    ));
}

#[test]
fn a_correction_rewrites_only_the_files_it_names() {
    let (_folder, store) = store();
    let guard = lock(&store);
    let rows = readings(&[
        ("U-1", "2026-01-01T00:00:00Z", 1.0),
        ("U-1", "2026-02-01T00:00:00Z", 2.0),
    ]);
    store
        .append(&guard, "readings", vec![rows], note("k", "v"))
        .unwrap();
    let live = store.live_files("readings", None).unwrap();
    let (touched, kept): (Vec<_>, Vec<_>) = live
        .into_iter()
        .partition(|file| file.month.as_deref() == Some("2026-01"));
    let loaded = store.load_files("readings", &touched).unwrap();
    assert_eq!(
        loaded.iter().map(|batch| batch.num_rows()).sum::<usize>(),
        1
    );
    let month = loaded[0].column_by_name("month").unwrap();
    assert_eq!(
        month
            .as_any()
            .downcast_ref::<StringArray>()
            .unwrap()
            .value(0),
        "2026-01"
    );
    let mended = readings(&[("U-1", "2026-01-01T00:00:00Z", 1.25)]);
    store
        .replace_files(&guard, "readings", &touched, vec![mended], note("k", "v"))
        .unwrap();
    assert_eq!(
        now_lines(&store),
        [
            "U-1 2026-01-01T00:00:00Z 1.25 2026-01",
            "U-1 2026-02-01T00:00:00Z 2 2026-02"
        ]
    );
    let live = store.live_files("readings", None).unwrap();
    assert!(live.contains(&kept[0]) && live.len() == 2);
}

#[test]
fn loaded_rows_can_be_published_again_as_they_are() {
    let (_folder, store) = store();
    let guard = lock(&store);
    let rows = readings(&[
        ("U-1", "2026-01-01T00:00:00Z", 1.0),
        ("U-1", "2026-02-01T00:00:00Z", 2.0),
    ]);
    store
        .append(&guard, "readings", vec![rows], note("k", "v"))
        .unwrap();
    let before = now_lines(&store);
    let live = store.live_files("readings", None).unwrap();
    let loaded = store.load_files("readings", &live).unwrap();
    store
        .replace_files(&guard, "readings", &live, loaded, note("k", "v"))
        .unwrap();
    assert_eq!(now_lines(&store), before);
}

#[test]
fn a_large_source_is_written_slice_by_slice_and_counts_at_once() {
    let (_folder, store) = store();
    let guard = lock(&store);
    let mut staged = store.stage(&guard, "readings").unwrap();
    assert_eq!(staged.base_version(), None);
    staged
        .write(&[readings(&[("U-1", "2026-01-01T00:00:00Z", 1.0)])])
        .unwrap();
    staged
        .write(&[readings(&[("U-2", "2026-01-01T00:00:00Z", 2.0)])])
        .unwrap();
    assert_eq!(now_lines(&store), [""; 0]);
    staged.commit(note("k", "v")).unwrap();
    assert_eq!(now_lines(&store).len(), 2);
}

#[test]
fn a_write_given_up_takes_its_files_away() {
    let (folder, store) = store();
    let guard = lock(&store);
    let mut staged = store.stage(&guard, "readings").unwrap();
    staged
        .write(&[readings(&[("U-1", "2026-01-01T00:00:00Z", 1.0)])])
        .unwrap();
    let month = folder.path().join("store/readings/month=2026-01");
    assert_eq!(std::fs::read_dir(&month).unwrap().count(), 1);
    drop(staged);
    assert_eq!(std::fs::read_dir(&month).unwrap().count(), 0);
    assert_eq!(store.table_version("readings").unwrap(), None);
}

/// Publishes one batch that must be refused, and checks that nothing came of it.
#[track_caller]
fn check_refused(columns: &[(&str, ArrayRef)], expected: &str) {
    let (_folder, store) = store();
    let guard = lock(&store);
    let nullable: Vec<Field> = arrow_schema(table("readings").unwrap())
        .fields()
        .iter()
        .map(|field| {
            let given = columns.iter().find(|(name, _)| name == field.name());
            let kind = given.map_or(field.data_type(), |(_, column)| column.data_type());
            Field::new(field.name(), kind.clone(), true)
        })
        .collect();
    let rows = fill(&Arc::new(Schema::new(nullable)), columns);
    let refused = store
        .append(&guard, "readings", vec![rows], note("k", "v"))
        .unwrap_err();
    assert!(matches!(refused, StoreError::BadRows { .. }), "{refused}");
    assert!(refused.to_string().contains(expected), "{refused}");
    assert_eq!(store.table_version("readings").unwrap(), None);
    assert_eq!(now_lines(&store), [""; 0]);
}

#[test]
fn rows_that_break_the_contract_are_refused_whole() {
    let texts = |values: Vec<Option<&str>>| -> ArrayRef { Arc::new(StringArray::from(values)) };
    let stamps = |values: Vec<Option<&str>>| -> ArrayRef {
        let micros: Vec<Option<i64>> = values
            .into_iter()
            .map(|text| text.map(|text| at(text).micros()))
            .collect();
        Arc::new(arrow::array::TimestampMicrosecondArray::from(micros).with_timezone("UTC"))
    };
    let day = Some("2026-01-01T00:00:00Z");
    let unit = || texts(vec![Some("U-1")]);
    let one = || stamps(vec![day]);
    let real = |value: f64| -> ArrayRef { Arc::new(Float64Array::from(vec![value])) };
    check_refused(
        &[("unit_id", texts(vec![None])), ("at", one())],
        "'unit_id' is declared as non-nullable but contains null",
    );
    check_refused(
        &[("unit_id", unit()), ("at", stamps(vec![None]))],
        "gives no month",
    );
    check_refused(
        &[
            ("unit_id", unit()),
            ("at", one()),
            ("water_ppm", real(f64::NAN)),
        ],
        "NaN",
    );
    check_refused(
        &[
            ("unit_id", unit()),
            ("at", one()),
            ("water_activity", real(7.0)),
        ],
        "outside",
    );
    check_refused(
        &[
            ("unit_id", unit()),
            ("at", one()),
            ("month", texts(vec![Some("2025-12")])),
        ],
        "found month 2025-12, expected 2026-01",
    );
    let whole: ArrayRef = Arc::new(Int64Array::from(vec![1]));
    check_refused(
        &[("unit_id", unit()), ("at", one()), ("water_ppm", whole)],
        "expected Float64",
    );
    check_refused(
        &[
            ("unit_id", texts(vec![Some("U-1"); 2])),
            ("at", stamps(vec![day; 2])),
        ],
        "do not ascend strictly",
    );
}

#[test]
fn rows_with_other_columns_are_refused() {
    let layout = Layout::of("oils").unwrap();
    let mut fields: Vec<_> = layout.schema.fields().iter().map(Arc::clone).collect();
    fields.pop();
    fields.push(Arc::new(Field::new("colour", DataType::Utf8, true)));
    let name: ArrayRef = Arc::new(StringArray::from(vec!["VG 32"]));
    let rows = fill(&Arc::new(Schema::new(fields)), &[("oil_type", name)]);
    let (_folder, store) = store();
    let guard = lock(&store);
    let refused = store
        .append(&guard, "oils", vec![rows], note("k", "v"))
        .unwrap_err()
        .to_string();
    assert!(
        refused.contains("\"colour\" is not in the contract"),
        "{refused}"
    );
    assert!(refused.contains("is missing"), "{refused}");
}

#[test]
fn the_same_rows_in_any_order_read_the_same() {
    let rows = [
        ("U-1", "2026-01-01T00:00:00Z", 1.0),
        ("U-1", "2026-01-02T00:00:00Z", 2.0),
        ("U-2", "2026-01-01T00:00:00Z", 3.0),
        ("U-3", "2026-02-01T00:00:00Z", 4.0),
    ];
    let publish = |order: &[&[usize]]| {
        let (_folder, store) = store();
        let guard = lock(&store);
        for part in order {
            let part: Vec<_> = part.iter().map(|row| rows[*row]).collect();
            store
                .append(&guard, "readings", vec![readings(&part)], note("k", "v"))
                .unwrap();
        }
        now_lines(&store)
    };
    let expected = publish(&[&[0, 1, 2, 3]]);
    for order in [
        &[&[3, 1, 0, 2][..]][..],
        &[&[2], &[0, 3], &[1]],
        &[&[3], &[2], &[1], &[0]],
    ] {
        assert_eq!(publish(order), expected, "{order:?}");
    }
}

#[test]
fn every_table_of_the_contract_takes_a_row_and_gives_it_back() {
    let (_folder, store) = store();
    let guard = lock(&store);
    for spec in drydown_schema::tables() {
        let schema = Arc::new(arrow_schema(spec));
        let keys: Vec<(&str, ArrayRef)> = spec
            .key
            .iter()
            .map(|key| {
                (
                    key.as_str(),
                    sample_key(key, schema.field_with_name(key).unwrap()),
                )
            })
            .collect();
        let rows = fill(&schema, &keys);
        let version = store
            .append(&guard, &spec.name, vec![rows], note("k", "v"))
            .unwrap();
        let frame = store
            .scan(&spec.name, Some(version), None)
            .unwrap()
            .collect()
            .unwrap();
        assert_eq!(frame.height(), 1, "{}", spec.name);
    }
    assert_eq!(reopened(&store).table_version("runs").unwrap(), Some(1));
}

fn sample_key(key: &str, field: &Field) -> ArrayRef {
    match field.data_type() {
        DataType::Int64 => Arc::new(Int64Array::from(vec![7])),
        DataType::Float64 => Arc::new(Float64Array::from(vec![7.0])),
        DataType::Utf8 => Arc::new(StringArray::from(vec![match key {
            "run_id" => "U-1@20260103T114500Z",
            "quarter" => "2026Q1",
            "cause" => "wear",
            _ => "other",
        }])),
        _ => {
            let stamp = at("2026-01-03T11:45:00Z").micros();
            Arc::new(
                arrow::array::TimestampMicrosecondArray::from(vec![stamp]).with_timezone("UTC"),
            )
        }
    }
}

fn reopened(store: &Store) -> Store {
    Store::open(store.path()).unwrap()
}

#[test]
fn a_note_comes_back_with_its_version() {
    let (_folder, store) = store();
    let guard = lock(&store);
    let rows = readings(&[("U-1", "2026-01-01T00:00:00Z", 1.0)]);
    let ledger = serde_json::json!([{"source": "north", "rows_in": 1, "timestamp": "kept"}]);
    let metadata = [
        ("loads".to_owned(), ledger.clone()),
        ("operation".to_owned(), "x".into()),
    ];
    let with_rows = store
        .append(
            &guard,
            "readings",
            vec![rows],
            CommitNote::new(metadata.into_iter().collect()),
        )
        .unwrap();
    let bare = store
        .append(&guard, "readings", Vec::new(), note("rows", "none"))
        .unwrap();
    let commits = reopened(&store).commits("readings").unwrap();
    let find = |version| {
        commits
            .iter()
            .find(|commit| commit.version == version)
            .unwrap()
    };
    assert_eq!(find(with_rows).metadata.get("loads"), Some(&ledger));
    assert_eq!(find(with_rows).metadata.get("operation"), Some(&"x".into()));
    assert_eq!(
        (find(with_rows).n_rows_added, find(with_rows).n_files_added),
        (1, 1)
    );
    assert_eq!(find(bare).metadata, note("rows", "none"));
    assert_eq!(
        (find(bare).n_rows_added, find(bare).operation.as_str()),
        (0, "WRITE")
    );
    let later = store.commits_after("readings", Some(with_rows)).unwrap();
    assert_eq!(
        later
            .iter()
            .map(|commit| commit.version)
            .collect::<Vec<_>>(),
        [bare]
    );
}
