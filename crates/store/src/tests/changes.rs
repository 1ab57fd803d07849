//! Tables over the years: new columns, compaction, pruning, checkpoints.

use std::collections::BTreeSet;
use std::fs;
use std::sync::Arc;

use arrow::array::{ArrayRef, Float64Array, StringArray, TimestampMicrosecondArray};
use arrow::datatypes::{DataType, Field, Schema};

use super::{at, fill, lines, lock, note, now_lines, readings, store};
use crate::layout::Layout;
use crate::{CompactRule, Store, StoreError, WriteGuard};

/// `readings` as another version of the program knows it.
fn other_readings(change: impl Fn(&mut Vec<Arc<Field>>)) -> Layout {
    let mut layout = Layout::of("readings").unwrap();
    let mut fields: Vec<_> = layout.schema.fields().iter().map(Arc::clone).collect();
    change(&mut fields);
    layout.schema = Arc::new(Schema::new(fields));
    layout.spec = None;
    layout
}

/// Publishes one row of unit U-0 under another layout.
fn publish_other(
    store: &Store,
    guard: &WriteGuard,
    layout: &Layout,
    extra: &[(&str, ArrayRef)],
) -> i64 {
    let stamp = at("2026-01-01T00:00:00Z").micros();
    let mut columns: Vec<(&str, ArrayRef)> = vec![
        ("unit_id", Arc::new(StringArray::from(vec!["U-0"]))),
        (
            "at",
            Arc::new(TimestampMicrosecondArray::from(vec![stamp]).with_timezone("UTC")),
        ),
    ];
    columns.extend(extra.iter().cloned());
    let mut staged = store.stage_in(guard, layout.clone()).unwrap();
    staged.write(&[fill(&layout.schema, &columns)]).unwrap();
    staged.commit(note("k", "v")).unwrap()
}

#[test]
fn a_table_without_the_newest_columns_reads_null_and_grows() {
    let (_folder, store) = store();
    let guard = lock(&store);
    let old = other_readings(|fields| fields.retain(|field| field.name() != "water_ppm"));
    let first = publish_other(&store, &guard, &old, &[]);
    assert_eq!(now_lines(&store), ["U-0 2026-01-01T00:00:00Z - 2026-01"]);
    let rows = readings(&[("U-1", "2026-01-01T00:00:00Z", 7.0)]);
    store
        .append(&guard, "readings", vec![rows], note("k", "v"))
        .unwrap();
    assert_eq!(
        now_lines(&store),
        [
            "U-0 2026-01-01T00:00:00Z - 2026-01",
            "U-1 2026-01-01T00:00:00Z 7 2026-01"
        ]
    );
    let then = lines(store.scan("readings", Some(first), None).unwrap());
    assert_eq!(then, ["U-0 2026-01-01T00:00:00Z - 2026-01"]);
    let live = store.live_files("readings", None).unwrap();
    let loaded = store.load_files("readings", &live).unwrap();
    assert!(
        loaded
            .iter()
            .all(|batch| batch.column_by_name("water_ppm").is_some())
    );
}

#[test]
fn columns_of_a_later_program_are_passed_over() {
    let (_folder, store) = store();
    let guard = lock(&store);
    let new = other_readings(|fields| {
        fields.push(Arc::new(Field::new(
            "of_the_future",
            DataType::Float64,
            true,
        )));
    });
    let value: ArrayRef = Arc::new(Float64Array::from(vec![1.0]));
    publish_other(&store, &guard, &new, &[("of_the_future", value)]);
    let rows = readings(&[("U-1", "2026-01-01T00:00:00Z", 7.0)]);
    store
        .append(&guard, "readings", vec![rows], note("k", "v"))
        .unwrap();
    assert_eq!(now_lines(&store).len(), 2);
    let frame = store
        .scan("readings", None, None)
        .unwrap()
        .collect()
        .unwrap();
    assert!(frame.column("of_the_future").is_err());
    let wide = store.scan_in(&new, None, None).unwrap().collect().unwrap();
    assert_eq!(wide.column("of_the_future").unwrap().null_count(), 1);
}

#[test]
fn a_column_of_another_type_is_a_misfit() {
    let (_folder, store) = store();
    let guard = lock(&store);
    let odd = other_readings(|fields| {
        for field in fields
            .iter_mut()
            .filter(|field| field.name() == "water_ppm")
        {
            *field = Arc::new(Field::new("water_ppm", DataType::Utf8, true));
        }
    });
    publish_other(&store, &guard, &odd, &[]);
    let rows = readings(&[("U-1", "2026-01-01T00:00:00Z", 7.0)]);
    let read = store.scan("readings", None, None).map(|_| ());
    let written = store
        .append(&guard, "readings", vec![rows], note("k", "v"))
        .map(|_| ());
    for refused in [read, written] {
        let error = refused.unwrap_err();
        assert!(matches!(error, StoreError::Misfit { .. }), "{error}");
        assert!(error.to_string().contains("\"water_ppm\""), "{error}");
    }
}

#[test]
fn compaction_changes_files_and_no_row() {
    let (_folder, store) = store();
    let guard = lock(&store);
    for n in 0..12 {
        let unit = format!("U-{}", 11 - n);
        let mut rows = vec![(unit.as_str(), "2026-01-01T00:00:00Z", f64::from(n))];
        if n < 3 {
            rows.push((unit.as_str(), "2026-02-01T00:00:00Z", f64::from(n)));
        }
        store
            .append(&guard, "readings", vec![readings(&rows)], note("k", "v"))
            .unwrap();
    }
    let mut before = now_lines(&store);
    let version = store.table_version("readings").unwrap();
    let rule = CompactRule {
        small_rows: 100,
        max_small_files: 5,
        batch_rows: 8,
    };
    let after = store.compact(&guard, "readings", rule).unwrap();
    assert!(after > version);
    let mut rows = now_lines(&store);
    before.sort();
    rows.sort();
    assert_eq!(rows, before);
    let files = store.live_files("readings", None).unwrap();
    let in_month = |month: &str| {
        files
            .iter()
            .filter(|f| f.month.as_deref() == Some(month))
            .count()
    };
    assert_eq!((in_month("2026-01"), in_month("2026-02")), (2, 3));
    assert_eq!(
        store.changed_months("readings", version).unwrap(),
        BTreeSet::new()
    );
    assert_eq!(store.compact(&guard, "readings", rule).unwrap(), None);
    let then = lines(store.scan("readings", version, None).unwrap());
    assert_eq!(then.len(), before.len());
}

#[test]
fn changed_months_are_those_with_rows_come_or_gone() {
    let (_folder, store) = store();
    let guard = lock(&store);
    let months = |names: &[&str]| -> BTreeSet<Option<String>> {
        names.iter().map(|name| Some((*name).to_owned())).collect()
    };
    let rows = readings(&[
        ("U-1", "2026-01-01T00:00:00Z", 1.0),
        ("U-1", "2026-02-01T00:00:00Z", 1.0),
    ]);
    let first = store
        .append(&guard, "readings", vec![rows], note("k", "v"))
        .unwrap();
    assert_eq!(
        store.changed_months("readings", None).unwrap(),
        months(&["2026-01", "2026-02"])
    );
    assert_eq!(
        store.changed_months("readings", Some(first)).unwrap(),
        months(&[])
    );
    let live = store.live_files("readings", None).unwrap();
    let rows = readings(&[("U-1", "2026-03-01T00:00:00Z", 1.0)]);
    store
        .replace_files(&guard, "readings", &live[..1], vec![rows], note("k", "v"))
        .unwrap();
    let changed = store.changed_months("readings", Some(first)).unwrap();
    assert_eq!(changed, months(&["2026-01", "2026-03"]));
}

#[test]
fn pruning_deletes_what_no_kept_version_needs() {
    let (folder, store) = store();
    let guard = lock(&store);
    let rows = |ppm| vec![readings(&[("U-1", "2026-01-01T00:00:00Z", ppm)])];
    let first = store
        .append(&guard, "readings", rows(1.0), note("k", "v"))
        .unwrap();
    store
        .replace_all(&guard, "readings", rows(2.0), note("k", "v"))
        .unwrap();
    let orphan = folder
        .path()
        .join("store/readings/month=2026-01/part-lost.zstd.parquet");
    fs::write(&orphan, "left by a killed write").unwrap();
    let replaced_at = store
        .commits("readings")
        .unwrap()
        .last()
        .unwrap()
        .committed_at;
    let soon = store
        .prune(&guard, "readings", 30, replaced_at.plus_days(29.9))
        .unwrap();
    assert_eq!((soon.n_old_files, soon.n_orphans), (0, 1));
    assert!(!orphan.exists());
    assert_eq!(
        lines(store.scan("readings", Some(first), None).unwrap()).len(),
        1
    );
    let later = store
        .prune(&guard, "readings", 30, replaced_at.plus_days(30.1))
        .unwrap();
    assert_eq!((later.n_old_files, later.n_orphans), (1, 0));
    assert!(later.bytes > 0);
    assert_eq!(now_lines(&store), ["U-1 2026-01-01T00:00:00Z 2 2026-01"]);
    let gone = store
        .scan("readings", Some(first), None)
        .map(|_| ())
        .unwrap_err();
    assert!(matches!(gone, StoreError::FileGone { .. }), "{gone}");
    let again = store
        .prune(&guard, "readings", 0, replaced_at.plus_days(60.0))
        .unwrap();
    assert_eq!(again, crate::Pruned::default());
    assert_eq!(now_lines(&Store::open(store.path()).unwrap()).len(), 1);
}

#[test]
fn an_orphan_of_today_is_left_alone() {
    let (folder, store) = store();
    let guard = lock(&store);
    let rows = readings(&[("U-1", "2026-01-01T00:00:00Z", 1.0)]);
    store
        .append(&guard, "readings", vec![rows], note("k", "v"))
        .unwrap();
    let orphan = folder
        .path()
        .join("store/readings/month=2026-01/part-foreign.parquet");
    fs::write(&orphan, "about to be committed by somebody").unwrap();
    let now = store
        .commits("readings")
        .unwrap()
        .last()
        .unwrap()
        .committed_at;
    assert_eq!(
        store.prune(&guard, "readings", 0, now).unwrap(),
        crate::Pruned::default()
    );
    assert!(orphan.exists());
}

#[test]
fn two_hundred_appends_stay_readable_through_checkpoints() {
    let (folder, store) = store();
    let guard = lock(&store);
    for n in 0..200 {
        let unit = format!("U-{n:03}");
        let rows = readings(&[(unit.as_str(), "2026-01-01T00:00:00Z", f64::from(n))]);
        store
            .append(&guard, "readings", vec![rows], note("n", &n.to_string()))
            .unwrap();
    }
    let log = fs::read_dir(folder.path().join("store/readings/_delta_log")).unwrap();
    let checkpoints = log
        .filter(|entry| {
            entry
                .as_ref()
                .unwrap()
                .file_name()
                .to_string_lossy()
                .contains(".checkpoint")
        })
        .count();
    assert_eq!(checkpoints, 4);
    let again = Store::open(store.path()).unwrap();
    assert_eq!(now_lines(&again), now_lines(&store));
    assert_eq!(now_lines(&again).len(), 200);
    assert_eq!(
        lines(again.scan("readings", Some(101), None).unwrap()).len(),
        101
    );
    let files = again.live_files("readings", None).unwrap();
    assert_eq!(files, store.live_files("readings", None).unwrap());
    assert_eq!(files[7].text_span("unit_id"), Some(("U-007", "U-007")));
    assert_eq!(
        again.commits("readings").unwrap()[200].metadata,
        note("n", "199")
    );
}
