//! What other readers rely on: the log as the Delta Lake protocol has it.
//!
//! Source of the expectations: "Delta Transaction Log Protocol", PROTOCOL.md of the
//! delta-io/delta project (sections Actions, Per-file Statistics, Partition Value
//! Serialization, Table Properties).

use std::collections::BTreeSet;
use std::fs;
use std::fs::File;

use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;
use serde_json::Value;

use super::{lock, note, readings, store};

/// The actions of one version: (name, body).
fn actions(folder: &std::path::Path, version: u64) -> Vec<(String, Value)> {
    let path = folder.join(format!("store/readings/_delta_log/{version:020}.json"));
    fs::read_to_string(path)
        .unwrap()
        .lines()
        .map(|line| {
            let Value::Object(action) = serde_json::from_str(line).unwrap() else {
                panic!("{line}")
            };
            assert_eq!(action.len(), 1, "one action a line: {line}");
            action.into_iter().next().unwrap()
        })
        .collect()
}

#[test]
fn the_log_holds_what_the_protocol_asks_for() {
    let (folder, store) = store();
    let guard = lock(&store);
    let rows = readings(&[
        ("U-1", "2026-01-01T00:00:00.0000019Z", 1.0),
        ("U-2", "2026-01-31T23:59:59.999001Z", 2.0),
    ]);
    store
        .append(&guard, "readings", vec![rows], note("k", "v"))
        .unwrap();

    let made = actions(folder.path(), 0);
    let find = |name: &str| &made.iter().find(|(found, _)| found == name).unwrap().1;
    assert_eq!(find("protocol")["minReaderVersion"], 1);
    assert_eq!(find("protocol")["minWriterVersion"], 2);
    let metadata = find("metaData");
    assert_eq!(metadata["format"]["provider"], "parquet");
    assert_eq!(metadata["partitionColumns"], serde_json::json!(["month"]));
    let properties = &metadata["configuration"];
    assert_eq!(
        properties["delta.logRetentionDuration"],
        "interval 36500 days"
    );
    assert_eq!(
        properties["delta.deletedFileRetentionDuration"],
        "interval 36500 days"
    );
    assert_eq!(properties["delta.enableExpiredLogCleanup"], "false");
    let schema: Value = serde_json::from_str(metadata["schemaString"].as_str().unwrap()).unwrap();
    let types: BTreeSet<&str> = schema["fields"]
        .as_array()
        .unwrap()
        .iter()
        .map(|f| f["type"].as_str().unwrap())
        .collect();
    let known = ["boolean", "date", "double", "long", "string", "timestamp"];
    assert!(types.iter().all(|found| known.contains(found)), "{types:?}");

    let written = actions(folder.path(), 1);
    let (_, add) = written.iter().find(|(name, _)| name == "add").unwrap();
    assert_eq!(
        add["partitionValues"],
        serde_json::json!({"month": "2026-01"})
    );
    assert_eq!(add["dataChange"], true);
    let path = folder
        .path()
        .join("store/readings")
        .join(add["path"].as_str().unwrap());
    assert_eq!(
        add["size"].as_u64().unwrap(),
        fs::metadata(path).unwrap().len()
    );
    assert!(add["modificationTime"].as_i64().unwrap() > 0);
    let stats: Value = serde_json::from_str(add["stats"].as_str().unwrap()).unwrap();
    assert_eq!(stats["numRecords"], 2);
    assert_eq!(stats["minValues"]["at"], "2026-01-01T00:00:00.000Z");
    // Milliseconds, rounded up: no value may lie above the greatest one stated.
    assert_eq!(stats["maxValues"]["at"], "2026-02-01T00:00:00.000Z");
    assert_eq!(stats["maxValues"]["unit_id"], "U-2");
    assert_eq!(stats["nullCount"]["water_ppm"], 0);
    assert_eq!(stats["nullCount"]["heater_kw"], 2);
}

#[test]
fn data_files_hold_no_partition_column_and_are_compressed_and_described() {
    let (folder, store) = store();
    let guard = lock(&store);
    let rows = readings(&[
        ("U-2", "2026-01-01T00:00:00Z", 2.0),
        ("U-1", "2026-01-01T00:00:00Z", 1.0),
    ]);
    store
        .append(&guard, "readings", vec![rows], note("k", "v"))
        .unwrap();
    let live = store.live_files("readings", None).unwrap();
    let file = File::open(folder.path().join("store/readings").join(&live[0].path)).unwrap();
    let reader = ParquetRecordBatchReaderBuilder::try_new(file).unwrap();
    assert!(reader.schema().field_with_name("month").is_err());
    let group = reader.metadata().row_group(0);
    assert_eq!(group.sorting_columns().map(Vec::len), Some(2));
    for column in group.columns() {
        assert!(format!("{:?}", column.compression()).starts_with("ZSTD"));
        // Of what rows are looked up by; no reader skips rows by a temperature.
        let name = column.column_path().string();
        let is_sought = ["unit_id", "at"].contains(&name.as_str());
        assert_eq!(column.statistics().is_some(), is_sought, "{name}");
    }
}
