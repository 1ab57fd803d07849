//! The way into the store and back with the real binary: again, check, mend, export, context, filter.

use std::collections::BTreeSet;
use std::io::Write as _;
use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::Arc;

use arrow::array::RecordBatch;
use arrow::csv::{ReaderBuilder, WriterBuilder};
use arrow::ipc::reader::StreamReader;
use arrow::ipc::writer::StreamWriter;

use crate::binary::{self, Rows, call, export, number, parse_csv, succeed};
use crate::cli::{SMALL_CONFIG, write, write_single_run};

/// A second source of the same table, which speaks for the alarm alone.
const ALARMS: &str = r#"
[[source]]
name = "alarms"
table = "readings"
files = ["alarms/*.csv"]
[source.columns]
unit_id = { from = "Unit" }
at = { from = "Time", format = "rfc3339" }
alarm = { from = "Alarm" }
"#;

/// Two run logs, the second correcting the first, and alarms between them.
fn write_logs(folder: &Path) {
    write(folder, "drydown.toml", format!("{SMALL_CONFIG}{ALARMS}"));
    write(
        folder,
        "log/a.csv",
        "Unit,Time,P,Q,W\nU-1,2026-03-01T10:00:00Z,20,16,300\nU-1,2026-03-01T10:05:00Z,19,17,x\nU-1,soon,19,17,290\n",
    );
    write(
        folder,
        "log/b.csv",
        "Unit,Time,P,Q,W\nU-1,2026-03-01T10:05:00Z,19,18,280\nU-2,2026-03-01T10:00:00Z,30,19,\n",
    );
    write(
        folder,
        "alarms/a.csv",
        "Unit,Time,Alarm\nU-1,2026-03-01T10:05:00Z,low flow\nU-3,2026-03-01T10:05:00Z,hot\nnot,a,row,at all\n",
    );
}

/// The cells of rows, without what differs from ingest to ingest.
fn cells(rows: Rows, without: &[&str]) -> Vec<String> {
    rows.into_iter()
        .map(|mut row| {
            for column in without {
                row.remove(*column);
            }
            format!("{row:?}")
        })
        .collect()
}

#[test]
fn again_rebuilds_a_table_after_its_description_changed() {
    let folder = tempfile::tempdir().unwrap();
    write_logs(folder.path());
    succeed(folder.path(), &["ingest"]);
    let before = succeed(folder.path(), &["export", "readings"]);
    let loads = export(folder.path(), "loads");
    // The flow was in gallons all along: 1 gal/min is 3.785 411 784 L/min (NIST SP 811, exact).
    let config = format!("{SMALL_CONFIG}{ALARMS}").replace(
        "{ from = \"Q\", unit = \"L/min\" }",
        "{ from = \"Q\", unit = \"gpm\" }",
    );
    write(folder.path(), "drydown.toml", &config);
    let said = call(folder.path(), &["ingest"]);
    assert_eq!(said.status, 0, "{}", said.stderr);
    assert!(
        said.stderr.contains("ingest --again log") && !said.stderr.contains("--again alarms"),
        "{}",
        said.stderr
    );
    assert_eq!(before, succeed(folder.path(), &["export", "readings"]));

    succeed(folder.path(), &["ingest", "--again", "log"]);
    let rows = export(folder.path(), "readings");
    let flow = number(&rows[0], "oil_flow_lpm").unwrap();
    assert!((flow - 16.0 * 3.785_411_784).abs() < 1e-9, "{flow}");
    assert_eq!(rows[1]["alarm"], "low flow");

    // The same as if the description had been right from the start, but for when it was loaded.
    let fresh = tempfile::tempdir().unwrap();
    write_logs(fresh.path());
    write(fresh.path(), "drydown.toml", &config);
    succeed(fresh.path(), &["ingest"]);
    let tables: [(&str, &[&str]); 3] = [
        ("readings", &[]),
        ("rejects", &[]),
        ("loads", &["loaded_at"]),
    ];
    for (table, without) in tables {
        assert_eq!(
            cells(export(folder.path(), table), without),
            cells(export(fresh.path(), table), without),
            "{table}"
        );
    }
    let times =
        |rows: &Rows| -> Vec<String> { rows.iter().map(|row| row["loaded_at"].clone()).collect() };
    assert_eq!(times(&loads), times(&export(folder.path(), "loads")));
    let quiet = call(folder.path(), &["ingest"]);
    assert!(!quiet.stderr.contains("again"), "{}", quiet.stderr);
}

#[test]
fn again_stops_before_anything_is_written_when_a_file_is_gone() {
    let folder = tempfile::tempdir().unwrap();
    write_logs(folder.path());
    succeed(folder.path(), &["ingest"]);
    let state = || -> Vec<String> {
        ["readings", "rejects", "loads"]
            .iter()
            .map(|table| succeed(folder.path(), &["export", table]))
            .collect()
    };
    let before = state();
    std::fs::remove_file(folder.path().join("log/b.csv")).unwrap();
    let said = call(folder.path(), &["ingest", "--again", "log"]);
    assert_eq!(said.status, 1, "{}", said.stdout);
    assert!(said.stderr.contains("log/b.csv"), "{}", said.stderr);
    assert_eq!(before, state());
    let said = call(folder.path(), &["ingest", "--again", "lok"]);
    assert_eq!(said.status, 2, "{}", said.stderr);
    assert!(said.stderr.contains("alarms"), "{}", said.stderr);
}

/// A file that is written over: by what it held and more, and by other rows.
#[test]
fn again_never_drops_the_rows_of_a_file_that_was_written_over() {
    let folder = tempfile::tempdir().unwrap();
    write_logs(folder.path());
    let first = "Unit,Time,P,Q,W\nU-1,2026-03-01T10:00:00Z,20,16,300\nU-1,soon,19,17,290\n";
    let path = "log/a.csv";
    write(folder.path(), path, first);
    succeed(folder.path(), &["ingest"]);
    let grown = format!("{first}U-1,2026-03-02T10:00:00Z,21,16,280\n");
    write(folder.path(), path, &grown);
    succeed(folder.path(), &["ingest"]);
    let before = export(folder.path(), "readings").len();
    succeed(folder.path(), &["ingest", "--again", "log"]);
    assert_eq!(before, export(folder.path(), "readings").len());
    let other = "Unit,Time,P,Q,W\nU-1,2026-04-01T10:00:00Z,20,16,300\nU-1,2026-04-01T10:05:00Z,2,16,3\n\
                 U-1,2026-04-01T10:10:00Z,20,16,300\n";
    write(folder.path(), path, other);
    succeed(folder.path(), &["ingest"]);
    let before = export(folder.path(), "readings");
    let said = call(folder.path(), &["ingest", "--again", "log"]);
    assert_eq!(said.status, 1, "{}", said.stdout);
    assert!(
        said.stderr.contains("log/a.csv") && said.stderr.contains("3 rows"),
        "{}",
        said.stderr
    );
    assert_eq!(before, export(folder.path(), "readings"));
    // Brought back under another name, nothing is lost.
    write(folder.path(), "log/a_march.csv", &grown);
    succeed(folder.path(), &["ingest", "--again", "log"]);
    assert_eq!(before, export(folder.path(), "readings"));
}

/// The unit is taken from the file's name, first by a pattern that does not fit.
#[test]
fn again_finds_files_by_their_bytes_when_file_name_was_mended() {
    let folder = tempfile::tempdir().unwrap();
    let config = |pattern: &str| {
        format!(
            r#"
[store]
path = "store"
[[source]]
name = "log"
table = "readings"
files = ["log/*"]
file_name = '{pattern}'
[source.columns]
at = {{ from = "Time", format = "rfc3339" }}
oil_flow_lpm = {{ from = "Q", unit = "L/min" }}
"#
        )
    };
    let text = "Time,Q\n2026-03-01T10:00:00Z,16\n";
    write(folder.path(), "drydown.toml", config(r"^(?<unit_id>U)-\d"));
    write(folder.path(), "log/U-1.csv", text);
    write(folder.path(), "log/U-2.csv", text);
    // Alone in its archive: the folder inside names the unit.
    let mut zip = zip::ZipWriter::new(std::io::Cursor::new(Vec::new()));
    zip.start_file("U-3/log.csv", zip::write::SimpleFileOptions::default())
        .unwrap();
    zip.write_all(text.as_bytes()).unwrap();
    let bytes = zip.finish().unwrap().into_inner();
    std::fs::write(folder.path().join("log/dump.zip"), bytes).unwrap();
    succeed(folder.path(), &["ingest"]);
    let units = || -> Vec<String> {
        let rows = export(folder.path(), "readings");
        rows.iter().map(|row| row["unit_id"].clone()).collect()
    };
    assert_eq!(units(), ["U"]);
    write(
        folder.path(),
        "drydown.toml",
        config(r"(?<unit_id>U-\d)(\.csv$|/log)"),
    );
    succeed(folder.path(), &["ingest", "--again", "log"]);
    assert_eq!(units(), ["U-1", "U-3"]);
    assert_eq!(export(folder.path(), "rejects").len(), 0);
    assert_eq!(export(folder.path(), "loads").len(), 2);
    // By the first pattern the second file said what the first had said.
    let said = succeed(folder.path(), &["ingest"]);
    assert!(said.contains("1 new files, 2 known"), "{said}");
    assert_eq!(units(), ["U-1", "U-2", "U-3"]);
}

#[test]
fn check_shows_rows_as_they_would_be_stored_and_stores_nothing() {
    let folder = tempfile::tempdir().unwrap();
    write_logs(folder.path());
    let said = call(folder.path(), &["check"]);
    assert_eq!(said.status, 0, "{}", said.stderr);
    for expected in [
        "2 sources",
        "log → readings: 2 files",
        "log/a.csv: 3 rows in, 1 would be rejected",
        "line 4: ",
        "\"U-1,soon,19,17,290\"",
        "line 3, column water_ppm: ",
        "unit_id=U-1 at=2026-03-01T10:00:00Z chamber_pressure_kpa=20",
        "alarms → readings: 1 files",
        "alarm=low flow",
    ] {
        assert!(
            said.stdout.contains(expected),
            "expected {expected} in\n{}",
            said.stdout
        );
    }
    assert!(!folder.path().join("store").exists());
    // Neither does a dry run; it counts as an ingest would.
    let dry = succeed(folder.path(), &["ingest", "--dry-run"]);
    assert!(!folder.path().join("store").exists());
    let real = succeed(folder.path(), &["ingest"]);
    assert!(dry.starts_with(&real), "{dry}\nagainst\n{real}");
}

/// A yard at 1 600 m, whose registers and logs come with one ingest.
const UP_HIGH: &str = r#"
[[source]]
name = "high"
table = "readings"
files = ["high/*.csv"]
[source.columns]
unit_id = { from = "Unit" }
at = { from = "Time", format = "rfc3339" }
chamber_pressure_kpa = { from = "Vac", unit = "kPa", reference = "vacuum" }
[[source]]
name = "units"
table = "units"
files = ["units.csv"]
[source.columns]
unit_id = { from = "unit" }
home_site_id = { from = "site" }
[[source]]
name = "sites"
table = "sites"
files = ["sites.csv"]
[source.columns]
site_id = { from = "site" }
altitude_m = { from = "altitude", unit = "m" }
"#;

#[test]
fn a_stamp_without_its_time_of_day_is_warned_of() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let config = SMALL_CONFIG.replace(
        "{ from = \"Time\", format = \"rfc3339\" }",
        "{ from = \"Day\", format = \"%Y-%m-%d\" }",
    );
    assert!(config.contains("Day"));
    write(folder, "drydown.toml", config);
    let mut log = String::from("Unit,Day,P,Q,W\n");
    for flow in 0..20 {
        log.push_str(&format!("U-1,2026-03-01,20,{flow},300\n"));
    }
    write(folder, "log/a.csv", &log);
    let said = call(folder, &["ingest"]);
    assert_eq!(said.status, 0);
    let told = said
        .stderr
        .contains("log/a.csv: 19 of 20 rows changed an earlier value");
    assert!(told, "{}", said.stderr);
    // A second export with a few corrections is not worth a word.
    write(
        folder,
        "log/b.csv",
        "Unit,Day,P,Q,W\nU-1,2026-03-01,20,5,300\n",
    );
    let said = call(folder, &["ingest"]);
    assert!(
        !said.stderr.contains("changed an earlier"),
        "{}",
        said.stderr
    );
}

#[test]
fn check_and_a_dry_run_read_the_registers_that_come_with_the_logs() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    write(folder, "drydown.toml", format!("{SMALL_CONFIG}{UP_HIGH}"));
    write(folder, "units.csv", "unit,site\nU-9,mesa\n");
    write(folder, "sites.csv", "site,altitude\nmesa,1600\n");
    // The standard atmosphere (ISO 2533) gives 83.5 kPa at 1 600 m: 60 kPa of vacuum are possible
    // there, 90 are not, though they are at sea level.
    write(
        folder,
        "high/a.csv",
        "Unit,Time,Vac\nU-9,2026-03-01T10:00:00Z,60\nU-9,2026-03-01T10:05:00Z,90\n",
    );
    write(
        folder,
        "high/b.csv",
        "Unit,Time,Vac\nU-9,2026-03-02T10:00:00Z,60\nU-9,later,60\n",
    );
    let said = succeed(folder, &["check"]);
    for expected in [
        "high → readings: 2 files",
        "high/a.csv: 2 rows in, 0 would be rejected",
        "line 3, column chamber_pressure_kpa: ",
        "chamber_pressure_kpa=23.5",
        "barometer_basis=altitude",
        "high/b.csv: 2 rows in, 1 would be rejected",
        "all 2 files: 4 rows in, 1 would be rejected",
    ] {
        assert!(said.contains(expected), "expected {expected} in\n{said}");
    }
    let dry = succeed(folder, &["ingest", "--dry-run"]);
    let real = succeed(folder, &["ingest"]);
    assert!(dry.starts_with(&real), "{dry}\nagainst\n{real}");
    let stored = export(folder, "readings");
    assert_eq!(stored.len(), 3);
    assert!(stored[0]["chamber_pressure_kpa"].starts_with("23.5"));
}

#[test]
fn rejected_records_are_mended_and_ingested_again() {
    let folder = tempfile::tempdir().unwrap();
    write(folder.path(), "drydown.toml", SMALL_CONFIG);
    let header = "Unit,Time,P,Q,W";
    let good = [
        "U-1,2026-03-01T10:00:00Z,20,60,300",
        "U-1,2026-03-01T10:05:00Z,19,61,290",
        "\"U-1\",2026-03-01T10:10:00Z,18,\"62\",280",
        "U-1,2026-03-01T10:15:00Z,17,63,270",
    ];
    let broken = [
        good[0].to_owned(),
        good[1].replace("2026-03-01T10:05", "2026-02-30T10:05"),
        good[2].replace("2026-03-01T10:10", "2026-03-01 quarter past"),
        format!("{},", good[3]),
    ];
    write(
        folder.path(),
        "log/a.csv",
        format!("{header}\n{}\n", broken.join("\n")),
    );
    succeed(folder.path(), &["ingest"]);
    assert_eq!(export(folder.path(), "readings").len(), 1);
    let rejects = export(folder.path(), "rejects");
    assert_eq!(rejects.len(), 3, "{rejects:?}");
    let mut mended = format!("{header}\n");
    for (reject, broken) in rejects.iter().zip(&broken[1..]) {
        assert_eq!(reject["scope"], "row");
        assert_eq!(&reject["raw"], broken, "a reject holds the whole record");
        let line: usize = reject["line"].parse().unwrap();
        mended.push_str(good[line - 2]);
        mended.push('\n');
    }
    write(folder.path(), "log/mended.csv", mended);
    succeed(folder.path(), &["ingest"]);

    let fresh = tempfile::tempdir().unwrap();
    write(fresh.path(), "drydown.toml", SMALL_CONFIG);
    write(
        fresh.path(),
        "log/a.csv",
        format!("{header}\n{}\n", good.join("\n")),
    );
    succeed(fresh.path(), &["ingest"]);
    let origin = ["file_hash", "line"];
    assert_eq!(
        cells(export(folder.path(), "readings"), &origin),
        cells(export(fresh.path(), "readings"), &origin)
    );
    // What was rejected stays on record.
    assert_eq!(export(folder.path(), "rejects").len(), 3);
}

#[test]
fn an_export_ingested_again_is_the_same_table() {
    let folder = tempfile::tempdir().unwrap();
    write_single_run(folder.path());
    succeed(folder.path(), &["ingest"]);
    let table = succeed(folder.path(), &["export", "readings"]);
    let header = table.lines().next().unwrap();
    let mut config = String::from(
        "[store]\npath = \"store\"\n[[source]]\nname = \"back\"\ntable = \"readings\"\nfiles = [\"readings.csv\"]\n[source.columns]\n",
    );
    let own = ["month", "file_hash", "line", "barometer_basis"];
    for column in header.split(',').filter(|column| !own.contains(column)) {
        let reference = if column == "chamber_pressure_kpa" {
            ", reference = \"absolute\""
        } else {
            ""
        };
        config.push_str(&format!(
            "{column} = {{ from = \"{column}\"{reference} }}\n"
        ));
    }
    let other = tempfile::tempdir().unwrap();
    write(other.path(), "drydown.toml", config);
    write(other.path(), "readings.csv", &table);
    succeed(other.path(), &["ingest", "--strict"]);
    assert!(export(other.path(), "rejects").is_empty());
    let origin = ["file_hash", "line"];
    assert_eq!(
        cells(parse_csv(&table), &origin),
        cells(export(other.path(), "readings"), &origin)
    );
}

#[test]
fn a_named_file_must_belong_to_one_table() {
    let folder = tempfile::tempdir().unwrap();
    write_logs(folder.path());
    write(folder.path(), "stray.csv", "Unit,Time\n");
    let said = call(folder.path(), &["ingest", "stray.csv"]);
    assert_eq!(said.status, 2, "{}", said.stderr);
    assert!(said.stderr.contains("drydown draft"), "{}", said.stderr);
    assert_eq!(call(folder.path(), &["ingest", "gone.csv"]).status, 2);
    succeed(folder.path(), &["ingest", "log/b.csv"]);
    let files: BTreeSet<String> = export(folder.path(), "loads")
        .into_iter()
        .map(|load| load["file"].clone())
        .collect();
    assert_eq!(files, BTreeSet::from(["log/b.csv".to_owned()]));
    // Two sources of one table may share a file; two tables may not.
    let sites = "\n[[source]]\nname = \"sites\"\ntable = \"sites\"\nfiles = [\"log/*.csv\"]\n[source.columns]\nsite_id = { from = \"Unit\" }\n";
    write(
        folder.path(),
        "drydown.toml",
        format!("{SMALL_CONFIG}{ALARMS}{sites}"),
    );
    let said = call(folder.path(), &["ingest", "log/a.csv"]);
    assert_eq!(said.status, 2, "{}", said.stderr);
    assert!(
        said.stderr.contains("readings") && said.stderr.contains("sites"),
        "{}",
        said.stderr
    );
}

/// Calls the filter with a stream on its standard input.
fn pipe(folder: &Path, arguments: &[&str], input: &[u8]) -> (i32, Vec<u8>, String) {
    let mut child = Command::new(binary::path())
        .current_dir(folder)
        .args(arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut stdin = child.stdin.take().unwrap();
    let input = input.to_vec();
    // A filter that refuses its input closes it early: that is not the writer's failure.
    let writer = std::thread::spawn(move || drop(stdin.write_all(&input)));
    let done = child.wait_with_output().unwrap();
    writer.join().unwrap();
    (
        done.status.code().unwrap_or(-1),
        done.stdout,
        String::from_utf8_lossy(&done.stderr).into_owned(),
    )
}

/// The readings that `export` prints, as an Arrow stream of batches of `n_rows`.
fn stream(table: &str, n_rows: usize) -> Vec<u8> {
    let spec = drydown_schema::table("readings").unwrap();
    let schema = Arc::new(drydown_schema::arrow_schema(spec));
    let reader = ReaderBuilder::new(Arc::clone(&schema))
        .with_header(true)
        .with_batch_size(n_rows)
        .build(table.as_bytes())
        .unwrap();
    let mut bytes = Vec::new();
    let mut writer = StreamWriter::try_new(&mut bytes, &schema).unwrap();
    for batch in reader {
        writer.write(&batch.unwrap()).unwrap();
    }
    writer.finish().unwrap();
    drop(writer);
    bytes
}

fn to_csv(batches: &[RecordBatch]) -> Rows {
    let mut bytes = Vec::new();
    let mut writer = WriterBuilder::new().with_header(true).build(&mut bytes);
    for batch in batches {
        writer.write(batch).unwrap();
    }
    drop(writer);
    parse_csv(&String::from_utf8(bytes).unwrap())
}

#[test]
fn the_filter_cuts_the_runs_that_analyse_cuts() {
    let folder = tempfile::tempdir().unwrap();
    write_single_run(folder.path());
    succeed(folder.path(), &["ingest"]);
    succeed(folder.path(), &["analyse", "--as-of", "2026-04-01"]);
    let expected = export(folder.path(), "runs");
    assert_eq!(expected.len(), 1);
    succeed(
        folder.path(),
        &["context", "--as-of", "2026-04-01", "--out", "context.arrow"],
    );
    assert!(!folder.path().join("context.part").exists());
    // Elsewhere, with neither store nor configuration: the two files are all it needs.
    let elsewhere = tempfile::tempdir().unwrap();
    std::fs::copy(
        folder.path().join("context.arrow"),
        elsewhere.path().join("context.arrow"),
    )
    .unwrap();
    let readings = succeed(folder.path(), &["export", "readings"]);
    let arguments = ["runs", "--arrow", "--context", "context.arrow"];
    for n_rows in [7, 100_000] {
        let (status, out, err) = pipe(elsewhere.path(), &arguments, &stream(&readings, n_rows));
        assert_eq!(status, 0, "{err}");
        let batches: Vec<RecordBatch> = StreamReader::try_new(out.as_slice(), None)
            .unwrap()
            .map(Result::unwrap)
            .collect();
        let found = to_csv(&batches);
        assert_eq!(found.len(), expected.len());
        for (found, expected) in found.iter().zip(&expected) {
            for (column, value) in expected {
                // Two writers print the same instant and the same number in two ways.
                let same = found[column] == *value
                    || matches!(
                        (found[column].parse::<f64>(), value.parse::<f64>()),
                        (Ok(a), Ok(b)) if a.to_bits() == b.to_bits()
                    )
                    || (column.ends_with("_at") || column == "as_of")
                        && found[column].trim_end_matches('Z').trim_end_matches(".000")
                            == value.trim_end_matches('Z');
                assert!(same, "{column}: found {}, expected {value}", found[column]);
            }
        }
    }
    assert_eq!(
        elsewhere.path().read_dir().unwrap().count(),
        1,
        "the filter keeps no state"
    );
}

#[test]
fn the_filter_refuses_what_it_cannot_cut() {
    let folder = tempfile::tempdir().unwrap();
    write_single_run(folder.path());
    succeed(folder.path(), &["ingest"]);
    succeed(folder.path(), &["context", "--out", "context.arrow"]);
    let arguments = ["runs", "--arrow", "--context", "context.arrow"];
    let (status, _, err) = pipe(folder.path(), &arguments, b"Unit,Time\nU-1,now\n");
    assert_eq!(status, 1, "{err}");
    assert!(err.contains("Arrow"), "{err}");
    // A unit that comes back would be cut in two: its readings must stand together.
    let readings = succeed(folder.path(), &["export", "readings"]);
    let mut lines: Vec<String> = readings.lines().take(4).map(str::to_owned).collect();
    lines[2] = lines[2].replacen("U-1", "U-2", 1);
    let (status, _, err) = pipe(folder.path(), &arguments, &stream(&lines.join("\n"), 10));
    assert_eq!(status, 1, "{err}");
    assert!(err.contains("not together"), "{err}");
    for (file, text) in [("no.arrow", None), ("text.arrow", Some("not arrow"))] {
        if let Some(text) = text {
            write(folder.path(), file, text);
        }
        let (status, _, err) = pipe(folder.path(), &["runs", "--arrow", "--context", file], b"");
        assert_eq!(status, 2, "{err}");
        assert!(err.contains("drydown context"), "{err}");
    }
    let (status, _, err) = pipe(folder.path(), &["runs", "--context", "context.arrow"], b"");
    assert_eq!(status, 2, "{err}");
    // An empty stream holds no runs.
    let header: String = readings.lines().take(1).collect();
    let (status, out, err) = pipe(folder.path(), &arguments, &stream(&header, 10));
    assert_eq!(status, 0, "{err}");
    assert_eq!(
        StreamReader::try_new(out.as_slice(), None).unwrap().count(),
        0
    );
}
