//! The command line in an empty folder: exit statuses, messages, bad input, small fleets.

use std::path::Path;

use crate::binary::{call, export, number, succeed};

/// Writes a file below a folder, with the folders above it.
pub(crate) fn write(folder: &Path, file: &str, text: impl AsRef<[u8]>) {
    let path = folder.join(file);
    std::fs::create_dir_all(path.parent().unwrap()).unwrap();
    std::fs::write(path, text).unwrap();
}

/// A store and one source of run logs.
pub(crate) const SMALL_CONFIG: &str = r#"
[store]
path = "store"

[[source]]
name = "log"
table = "readings"
files = ["log/*.csv"]
layout = "wide"
timezone = "UTC"

[source.columns]
unit_id = { from = "Unit" }
at = { from = "Time", format = "rfc3339" }
chamber_pressure_kpa = { from = "P", unit = "kPa", reference = "absolute" }
oil_flow_lpm = { from = "Q", unit = "L/min" }
water_ppm = { from = "W", unit = "mg/kg" }
"#;

const REGISTERS: &str = r#"
[[source]]
name = "units"
table = "units"
files = ["units.csv"]
layout = "wide"
[source.columns]
unit_id = { from = "Unit" }
nameplate_flow_lpm = { from = "Flow", unit = "L/min" }
chamber_volume_l = { from = "Chamber", unit = "L" }

[[source]]
name = "reservoirs"
table = "reservoirs"
files = ["reservoirs.csv"]
layout = "wide"
[source.columns]
reservoir_id = { from = "Reservoir" }
oil_type = { from = "Oil" }
volume_l = { from = "Volume", unit = "L" }
volume_basis = { value = "dip" }
water_limit_ppm = { from = "Limit", unit = "mg/kg" }

[[source]]
name = "oils"
table = "oils"
files = ["oils.csv"]
layout = "wide"
[source.columns]
oil_type = { from = "Oil" }
family = { value = "turbine" }

[[source]]
name = "deployments"
table = "deployments"
files = ["deployments.csv"]
layout = "wide"
timezone = "UTC"
[source.columns]
unit_id = { from = "Unit" }
from_at = { from = "From", format = "rfc3339" }
reservoir_id = { from = "Reservoir" }
"#;

/// A fleet of one unit with one run of two days, its water falling from 400 ppm towards 40.
pub(crate) fn write_single_run(folder: &Path) {
    write(folder, "drydown.toml", format!("{SMALL_CONFIG}{REGISTERS}"));
    write(folder, "units.csv", "Unit,Flow,Chamber\nU-1,76,150\n");
    write(
        folder,
        "reservoirs.csv",
        "Reservoir,Oil,Volume,Limit\nR-1,VG46,8000,200\nR-2,VG46,500,\n",
    );
    write(folder, "oils.csv", "Oil\nVG46\n");
    write(
        folder,
        "deployments.csv",
        "Unit,From,Reservoir\nU-1,2026-03-01T00:00:00Z,R-1\n",
    );
    let mut log = String::from("Unit,Time,P,Q,W\n");
    for minute in (0..2880).step_by(10) {
        let hours = f64::from(minute) / 60.0;
        let pressure = 15.0 + 86.0 * (-hours * 60.0).exp();
        let water = 40.0 + 360.0 * (-0.15 * hours).exp();
        let (day, hour) = (2 + minute / 1440, minute / 60 % 24);
        log.push_str(&format!(
            "U-1,2026-03-{day:02}T{hour:02}:{:02}:00Z,{pressure:.2},60.0,{water:.2}\n",
            minute % 60
        ));
    }
    write(folder, "log/a.csv", log);
}

#[test]
fn a_fleet_of_one_unit_with_one_run_gets_answers_or_named_reasons() {
    let folder = tempfile::tempdir().unwrap();
    write_single_run(folder.path());
    succeed(folder.path(), &["ingest"]);
    succeed(folder.path(), &["analyse", "--as-of", "2026-04-01"]);
    let runs = export(folder.path(), "runs");
    assert_eq!(runs.len(), 1, "{runs:?}");
    assert_eq!(runs[0]["reservoir_id"], "R-1");
    let fits = export(folder.path(), "removal_runs");
    let rate = number(&fits[0], "removal_rate_per_h");
    if let Some(rate) = rate {
        let lower = number(&fits[0], "removal_rate_lower_90").unwrap_or(0.0);
        let upper = number(&fits[0], "removal_rate_upper_90").unwrap_or(f64::INFINITY);
        assert!(
            lower < 0.15 && 0.15 < upper,
            "{lower} < 0.15 < {upper}, estimate {rate}"
        );
    }
    assert_eq!(fits[0]["status"], "identified", "{:?}", fits[0]);
    let coefficients = export(folder.path(), "removal_coefficients");
    assert_eq!(coefficients.len(), 1);
    assert_eq!(coefficients[0]["separable"], "false");
    assert!(number(&coefficients[0], "removal_per_pass").is_some());
    // R-2 has no sample, no run and no limit: it must still be there, and say why it has no numbers.
    let risks = export(folder.path(), "reservoir_risk");
    assert_eq!(risks.len(), 2);
    let bare = risks
        .iter()
        .find(|row| row["reservoir_id"] == "R-2")
        .unwrap();
    assert!(!bare["driver"].is_empty());
    succeed(folder.path(), &["report", "--quarter", "2026Q1"]);
    succeed(folder.path(), &["report", "--quarter", "2025Q2"]);
    // Pages of a past quarter are pages: what is answered stays as of what was analysed to stand.
    let said = call(folder.path(), &["digest", "--out", "mail"]);
    assert_eq!(said.status, 0, "{}", said.stderr);
    assert!(said.stdout.contains("2026-04-01"), "{}", said.stdout);
    let size = [
        "size", "--volume", "8000", "--oil", "VG46", "--start", "300", "--target", "100",
    ];
    let said = call(folder.path(), &size);
    assert!(!said.stderr.contains("an earlier one"), "{}", said.stderr);
    assert!(said.stdout.contains("as of 2026-04-01"), "{}", said.stdout);
    // Who asks for the past by `analyse` gets it, though the report had left nothing to do, and is told.
    succeed(folder.path(), &["analyse", "--as-of", "2025-07-01"]);
    let said = call(folder.path(), &size);
    assert!(
        said.stderr
            .contains("the last analysis is as of 2025-07-01"),
        "{}",
        said.stderr
    );
    assert!(
        said.stderr.contains("an earlier one as of 2026-04-01"),
        "{}",
        said.stderr
    );
    succeed(folder.path(), &["analyse", "--as-of", "2026-04-01"]);
    let said = call(folder.path(), &size);
    assert!(!said.stderr.contains("an earlier one"), "{}", said.stderr);
    assert!(
        said.stdout.contains("begins cold, at 20"),
        "{}",
        said.stdout
    );
}

#[test]
fn a_second_ingest_changes_nothing() {
    let folder = tempfile::tempdir().unwrap();
    write_single_run(folder.path());
    succeed(folder.path(), &["ingest"]);
    let before = succeed(folder.path(), &["export", "readings"]);
    let loads = succeed(folder.path(), &["export", "loads"]);
    succeed(folder.path(), &["ingest"]);
    assert_eq!(before, succeed(folder.path(), &["export", "readings"]));
    assert_eq!(loads, succeed(folder.path(), &["export", "loads"]));
}

#[test]
fn a_configuration_error_names_file_line_and_key() {
    let folder = tempfile::tempdir().unwrap();
    for (text, expected) in [
        ("[stor]\npath = \"x\"\n", "drydown.toml:1"),
        ("[store]\npath = \"x\"\npaht = \"y\"\n", "drydown.toml:3"),
        (
            "[store]\npath = \"x\"\n[display]\ntimezone = \"Nowhere/Land\"\n",
            "drydown.toml:4, key \"display.timezone\"",
        ),
        (
            &SMALL_CONFIG.replace("\"kPa\", reference", "\"furlong\", reference"),
            "drydown.toml:15, key \"source.columns.chamber_pressure_kpa",
        ),
        (
            &SMALL_CONFIG.replace("water_ppm =", "water_pmm ="),
            "drydown.toml:17, key \"source.columns.water_pmm\"",
        ),
        (
            &SMALL_CONFIG.replace("table = \"readings\"", "table = \"reading\""),
            "drydown.toml:7, key \"source.table\"",
        ),
    ] {
        write(folder.path(), "drydown.toml", text);
        let said = call(folder.path(), &["check"]);
        assert_eq!(said.status, 2, "{}", said.stderr);
        assert!(
            said.stderr.contains(expected),
            "expected {expected} in\n{}",
            said.stderr
        );
    }
}

#[test]
fn a_missing_store_says_which_command_makes_one() {
    let folder = tempfile::tempdir().unwrap();
    write(folder.path(), "drydown.toml", "[store]\npath = \"store\"\n");
    let said = call(folder.path(), &["analyse"]);
    assert_eq!(said.status, 1);
    assert!(said.stderr.contains("drydown ingest"), "{}", said.stderr);
}

#[test]
fn no_configuration_is_status_2_with_a_hint() {
    let folder = tempfile::tempdir().unwrap();
    let said = call(folder.path(), &["analyse"]);
    assert_eq!(said.status, 2);
    assert!(
        said.stderr.contains("drydown.toml") && said.stderr.contains("hint"),
        "{}",
        said.stderr
    );
}

#[test]
fn empty_binary_and_truncated_files_are_rejected_not_fatal() {
    let folder = tempfile::tempdir().unwrap();
    write(folder.path(), "drydown.toml", SMALL_CONFIG);
    let noise: Vec<u8> = (0..4000_u32)
        .map(|n| (n.wrapping_mul(2_654_435_761) >> 13) as u8)
        .collect();
    write(folder.path(), "log/binary.csv", noise);
    write(folder.path(), "log/empty.csv", "");
    write(folder.path(), "log/header_only.csv", "Unit,Time,P,Q,W\n");
    write(
        folder.path(),
        "log/truncated.csv",
        "Unit,Time,P,Q,W\nU-1,2026-03-01T00:00:00Z,20,60,100\nU-1,2026-03-01T00:1",
    );
    succeed(folder.path(), &["ingest"]);
    let readings = export(folder.path(), "readings");
    assert_eq!(readings.len(), 1, "{readings:?}");
    for load in export(folder.path(), "loads") {
        let count = |column| number(&load, column).unwrap() as i64;
        assert_eq!(
            count("rows_in"),
            count("rows_kept") + count("rows_duplicate") + count("rows_rejected"),
            "{load:?}"
        );
    }
    let rejects = export(folder.path(), "rejects");
    assert!(
        rejects
            .iter()
            .any(|row| row["file"].ends_with("truncated.csv") && row["raw"].contains("00:1")),
        "{rejects:?}"
    );
}

#[test]
fn strict_turns_rejected_rows_into_status_3() {
    let folder = tempfile::tempdir().unwrap();
    write(folder.path(), "drydown.toml", SMALL_CONFIG);
    write(
        folder.path(),
        "log/a.csv",
        "Unit,Time,P,Q,W\nU-1,not a time,20,60,100\n",
    );
    assert_eq!(call(folder.path(), &["ingest", "--strict"]).status, 3);
}

#[test]
fn a_month_without_data_has_a_report() {
    let folder = tempfile::tempdir().unwrap();
    write_single_run(folder.path());
    succeed(folder.path(), &["ingest"]);
    succeed(folder.path(), &["report", "--quarter", "2026Q2"]);
    let page = std::fs::read_to_string(folder.path().join("report-2026Q2/index.html")).unwrap();
    assert!(page.contains("Heard from 0 of 1 units"), "{page}");
}

#[test]
fn the_demo_refuses_a_folder_that_is_not_its_own() {
    let folder = tempfile::tempdir().unwrap();
    write(folder.path(), "mine/thesis.txt", "ten years of work");
    let said = call(folder.path(), &["demo", "--out", "mine"]);
    assert_eq!(said.status, 2, "{}", said.stderr);
    assert_eq!(
        std::fs::read_to_string(folder.path().join("mine/thesis.txt")).unwrap(),
        "ten years of work"
    );
}

#[test]
fn an_unknown_table_is_status_2_and_names_the_nearest() {
    let folder = tempfile::tempdir().unwrap();
    let said = call(folder.path(), &["export", "reading"]);
    assert_eq!(said.status, 2);
    assert!(said.stderr.contains("\"readings\""), "{}", said.stderr);
}

#[test]
fn results_fit_a_terminal_of_80_columns() {
    let folder = tempfile::tempdir().unwrap();
    for arguments in [
        vec!["schema"],
        vec!["schema", "readings"],
        vec!["--help"],
        vec!["size", "--help"],
    ] {
        let text = succeed(folder.path(), &arguments);
        let widest = text.lines().map(|line| line.chars().count()).max().unwrap();
        assert!(
            widest <= 100,
            "{arguments:?}: a line of {widest} characters"
        );
    }
}

#[test]
fn an_energised_transformer_is_barred_from_sizing() {
    let folder = tempfile::tempdir().unwrap();
    write_single_run(folder.path());
    let config = format!("{SMALL_CONFIG}{REGISTERS}").replace(
        "water_limit_ppm = { from = \"Limit\", unit = \"mg/kg\" }",
        "water_limit_ppm = { from = \"Limit\", unit = \"mg/kg\" }\nenergised = { from = \"Live\" }\npcb_status = { value = \"none\" }",
    );
    write(folder.path(), "drydown.toml", config);
    write(
        folder.path(),
        "reservoirs.csv",
        "Reservoir,Oil,Volume,Limit,Live\nR-1,VG46,8000,200,no\nR-2,VG46,500,100,yes\n",
    );
    succeed(folder.path(), &["ingest"]);
    succeed(folder.path(), &["analyse", "--as-of", "2026-04-01"]);
    let said = call(
        folder.path(),
        &[
            "size",
            "--reservoir",
            "R-2",
            "--target",
            "50",
            "--within",
            "72",
        ],
    );
    assert_eq!(said.status, 0, "{}", said.stderr);
    assert!(said.stdout.contains("energised"), "{}", said.stdout);
    assert!(said.stdout.contains("licensed"), "{}", said.stdout);
}
