//! What becomes of each record: kept, duplicate, superseded; one ingest or several.

use arrow::array::{Array, AsArray, RecordBatch};
use arrow::datatypes::Float64Type;
use drydown_quantity::Stamp;

use super::MergePlan;
use crate::reader::FileInput;
use crate::rows::FileRows;
use crate::site::SiteContext;
use crate::source::{Source, SourceSpec};

const WIDE: &str = r#"
name = "log"
table = "readings"
files = ["*.csv"]
layout = "wide"
null = ["---"]
[columns]
unit_id = { from = "Unit" }
at = { from = "Time", format = "rfc3339" }
oil_flow_lpm = { from = "Q", unit = "L/min" }
water_ppm = { from = "W", unit = "mg/kg" }
"#;

/// Speaks for the water alone.
const WATER: &str = r#"
name = "water"
table = "readings"
files = ["w*.csv"]
layout = "wide"
[columns]
unit_id = { from = "Unit" }
at = { from = "Time", format = "rfc3339" }
water_ppm = { from = "W", unit = "mg/kg" }
"#;

fn source(toml: &str) -> Source {
    let spec: SourceSpec = toml::from_str(toml).unwrap();
    spec.compile().unwrap()
}

fn read(source: &Source, name: &str, text: &str) -> FileRows {
    let input = FileInput {
        name,
        bytes: text.as_bytes(),
        loaded_at: "2026-10-01".parse::<Stamp>().unwrap(),
        max_text: 1 << 20,
    };
    source.read_file(&input, &SiteContext::default())
}

/// Rows as `time flow water line`, and each file's `in/kept/duplicate/superseded/rejected`.
fn merge(files: Vec<FileRows>, stored: &[RecordBatch]) -> (Vec<RecordBatch>, Vec<String>) {
    let table = files[0].table();
    let mut plan = MergePlan::new(table, files);
    let mut out = Vec::new();
    for part in plan.parts() {
        let merged = plan.merge_part(&part, stored).unwrap();
        if merged.n_changed > 0 {
            out.extend(merged.rewritten);
        } else {
            out.extend(stored.iter().cloned());
        }
        out.extend(merged.added);
    }
    let counts = plan
        .into_files()
        .iter()
        .map(|file| {
            let c = file.counts();
            assert!(c.is_balanced(), "{c:?}");
            format!(
                "{}/{}/{}/{}/{}",
                c.rows_in, c.rows_kept, c.rows_duplicate, c.rows_superseded, c.rows_rejected
            )
        })
        .collect();
    (out, counts)
}

fn shown(batches: &[RecordBatch]) -> Vec<String> {
    let mut rows = Vec::new();
    for batch in batches {
        let real = |name: &str, row: usize| {
            let cells = batch
                .column_by_name(name)
                .unwrap()
                .as_primitive::<Float64Type>();
            if cells.is_null(row) {
                "-".to_owned()
            } else {
                cells.value(row).to_string()
            }
        };
        let at = batch.column_by_name("at").unwrap();
        let at = at.as_primitive::<arrow::datatypes::TimestampMicrosecondType>();
        let lines = batch.column_by_name("line").unwrap();
        let lines = lines.as_primitive::<arrow::datatypes::Int64Type>();
        for row in 0..batch.num_rows() {
            let minute = &Stamp::from_micros(at.value(row)).minute()[11..];
            let (flow, water) = (real("oil_flow_lpm", row), real("water_ppm", row));
            rows.push(format!("{minute} {flow} {water} {}", lines.value(row)));
        }
    }
    rows.sort();
    rows
}

const A: &str = "Unit,Time,Q,W\nU-1,2026-03-01T10:00:00Z,60,300\nU-1,2026-03-01T10:05:00Z,61,\nU-1,2026-03-01T10:00:00Z,60,300\nU-1,bad,1,1\n";
/// Repeats one row, changes a cell, empties a cell, brings one new row.
const B: &str = "Unit,Time,Q,W\nU-1,2026-03-01T10:05:00Z,61,\nU-1,2026-03-01T10:00:00Z,60,290\nU-1,2026-03-01T10:10:00Z,62,---\n";

#[test]
fn each_record_is_kept_duplicate_or_rejected() {
    let log = source(WIDE);
    let (rows, counts) = merge(vec![read(&log, "a.csv", A), read(&log, "b.csv", B)], &[]);
    assert_eq!(counts, ["4/2/1/0/1", "3/2/1/1/0"]);
    assert_eq!(
        shown(&rows),
        ["10:00 60 290 3", "10:05 61 - 3", "10:10 62 - 4"]
    );
}

#[test]
fn what_a_file_changes_of_its_own_is_counted_apart() {
    let log = source(WIDE);
    // Minutes of a log of ten seconds; the second file corrects the first, and repeats itself once.
    let own = "Unit,Time,Q,W\nU-1,2026-03-01T10:00:00Z,60,\nU-1,2026-03-01T10:00:00Z,61,\nU-1,2026-03-01T10:00:00Z,61,\nU-1,2026-03-01T10:00:00Z,62,\n";
    let other = "Unit,Time,Q,W\nU-1,2026-03-01T10:00:00Z,63,\nU-1,2026-03-01T10:00:00Z,63,300\n";
    let files = vec![read(&log, "a.csv", own), read(&log, "b.csv", other)];
    let mut plan = MergePlan::new(files[0].table(), files);
    for part in plan.parts() {
        plan.merge_part(&part, &[]).unwrap();
    }
    let counts: Vec<(u64, u64)> = plan
        .into_files()
        .iter()
        .map(|file| file.counts())
        .map(|counts| (counts.rows_superseded, counts.rows_superseded_by_own))
        .collect();
    // The second file's other row filled a cell that was empty: nothing is lost by that.
    assert_eq!(counts, [(2, 2), (1, 0)]);
}

#[test]
fn one_ingest_or_two_give_the_same_rows_and_counts() {
    let log = source(WIDE);
    let (at_once, counts) = merge(vec![read(&log, "a.csv", A), read(&log, "b.csv", B)], &[]);
    let (first, counts_a) = merge(vec![read(&log, "a.csv", A)], &[]);
    let (second, counts_b) = merge(vec![read(&log, "b.csv", B)], &first);
    assert_eq!(shown(&at_once), shown(&second));
    assert_eq!(counts, [counts_a, counts_b].concat());
}

#[test]
fn a_second_time_everything_is_a_duplicate() {
    let log = source(WIDE);
    let (rows, _) = merge(vec![read(&log, "b.csv", B)], &[]);
    let (again, counts) = merge(vec![read(&log, "b.csv", B)], &rows);
    assert_eq!(counts, ["3/0/3/0/0"]);
    assert_eq!(shown(&rows), shown(&again));
}

#[test]
fn a_source_speaks_only_for_its_own_columns_and_nulls_count() {
    let (log, water) = (source(WIDE), source(WATER));
    let other = "Unit,Time,W\nU-1,2026-03-01T10:00:00Z,280\nU-1,2026-03-01T10:05:00Z,\n";
    let (rows, counts) = merge(
        vec![read(&log, "a.csv", A), read(&water, "w.csv", other)],
        &[],
    );
    assert_eq!(counts, ["4/2/1/0/1", "2/1/1/1/0"]);
    assert_eq!(shown(&rows), ["10:00 60 280 2", "10:05 61 - 3"]);
    // The log speaks for water too: a null there takes the value away again.
    let emptied = "Unit,Time,Q,W\nU-1,2026-03-01T10:00:00Z,60,---\n";
    let (rows, counts) = merge(vec![read(&log, "c.csv", emptied)], &rows);
    assert_eq!(counts, ["1/1/0/1/0"]);
    assert_eq!(shown(&rows)[0], "10:00 60 - 2");
}

const TALL: &str = r#"
name = "historian"
table = "readings"
files = ["*.csv"]
layout = "tall"
timezone = "America/Chicago"
[tall]
tag = "Tag"
value = "Value"
pattern = '(?<unit_id>[^.]+)\.(?<signal>.+)'
[columns]
unit_id = {}
at = { from = "Time", format = "%Y-%m-%d %H:%M" }
chamber_pressure_kpa = { signal = "VAC", unit = "kPa", reference = "vacuum" }
ambient_kpa = { signal = "BARO", unit = "kPa" }
"#;

#[test]
fn a_barometer_on_a_line_of_its_own_belongs_to_its_pass_of_the_repeated_hour() {
    // 2026-11-01, 01:30 happens twice in Chicago, at 06:30 and 07:30 UTC.
    let mut text = String::from("Time,Tag,Value\n");
    for (time, vacuum, barometer) in [
        ("00:50", 90.0, 100.0),
        ("01:30", 91.0, 99.0),
        ("01:30", 92.0, 98.0),
        ("02:10", 93.0, 97.0),
    ] {
        text.push_str(&format!("2026-11-01 {time},U-1.VAC,{vacuum}\n"));
        text.push_str(&format!("2026-11-01 {time},U-1.BARO,{barometer}\n"));
    }
    let historian = source(TALL);
    let input = FileInput {
        name: "h.csv",
        bytes: text.as_bytes(),
        loaded_at: "2026-12-01".parse::<Stamp>().unwrap(),
        max_text: 1 << 20,
    };
    let rows = historian.read_file(&input, &SiteContext::default());
    let (rows, counts) = merge(vec![rows], &[]);
    assert_eq!(counts, ["8/8/0/2/0"]);
    let mut found = Vec::new();
    for batch in &rows {
        let real = |name: &str| batch.column_by_name(name).unwrap().clone();
        let (chamber, ambient) = (real("chamber_pressure_kpa"), real("ambient_kpa"));
        let (chamber, ambient) = (
            chamber.as_primitive::<Float64Type>(),
            ambient.as_primitive::<Float64Type>(),
        );
        let at = batch.column_by_name("at").unwrap();
        let at = at.as_primitive::<arrow::datatypes::TimestampMicrosecondType>();
        for row in 0..batch.num_rows() {
            let minute = Stamp::from_micros(at.value(row)).minute()[11..].to_owned();
            found.push(format!(
                "{minute} {:.3} {:.3}",
                chamber.value(row),
                ambient.value(row)
            ));
        }
    }
    found.sort();
    assert_eq!(
        found,
        [
            "05:50 10.000 100.000",
            "06:30 8.000 99.000",
            "07:30 6.000 98.000",
            "08:10 4.000 97.000"
        ]
    );
}
