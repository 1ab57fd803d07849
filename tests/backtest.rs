//! A replay of the past must not know what came later.

use std::path::Path;

use serde_json::Value;

use crate::binary::{call, export, succeed};
use crate::cli::write;

const POISON: &str = r#"
[[source]]
name = "later"
table = "samples"
files = ["later.csv"]
layout = "wide"
timezone = "UTC"
[source.columns]
lab = { value = "later" }
sample_id = { from = "Sample" }
reservoir_id = { from = "Reservoir" }
taken_at = { from = "Taken", format = "rfc3339" }
reported_at = { from = "Reported", format = "rfc3339" }
sample_point = { value = "reservoir_mid" }
water_ppm = { from = "Water", unit = "mg/kg" }
"#;

/// Chances by subject and time of what a backtest would have said.
fn said(folder: &Path, to: &str) -> Vec<(String, String, String)> {
    let arguments = [
        "--format",
        "json",
        "backtest",
        "--from",
        "2026-06-01",
        "--to",
        to,
    ];
    let document: Value = serde_json::from_str(&succeed(folder, &arguments)).unwrap();
    document["forecasts"]
        .as_array()
        .unwrap()
        .iter()
        .map(|row| {
            let text = |key: &str| row[key].to_string();
            (text("subject"), text("made_at"), text("probability"))
        })
        .collect()
}

/// Absurd results for every reservoir: one taken before a replay and reported after it, one taken after.
#[test]
fn what_was_reported_later_changes_nothing_that_was_said_before() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    succeed(
        folder,
        &["-q", "demo", "--out", ".", "--units", "3", "--months", "8"],
    );
    let before = said(folder, "2026-09-01");
    assert!(before.len() > 20, "{}", before.len());
    let then = chances(folder);
    let mut rows = String::from("Sample,Reservoir,Taken,Reported,Water\n");
    for reservoir in export(folder, "reservoirs") {
        let id = &reservoir["reservoir_id"];
        rows.push_str(&format!(
            "{id}-a,{id},2026-08-20T10:00:00Z,2026-09-10T10:00:00Z,9000\n{id}-b,{id},2026-09-11T10:00:00Z,2026-09-12T10:00:00Z,9000\n"
        ));
    }
    write(folder, "later.csv", rows);
    let mut config = std::fs::read_to_string(folder.join("drydown.toml")).unwrap();
    config.push_str(POISON);
    write(folder, "drydown.toml", config);
    succeed(folder, &["-q", "ingest"]);
    succeed(folder, &["-q", "analyse", "--as-of", "2026-10-01"]);
    assert_eq!(said(folder, "2026-09-01"), before);
    // The poison works: what is said once it is known is another thing.
    let after: Vec<_> = said(folder, "2026-09-15");
    assert_eq!(after, before, "no month begins between");
    let now = chances(folder);
    let n_moved = now.iter().zip(&then).filter(|(a, b)| a != b).count();
    assert!(n_moved > now.len() / 2, "{n_moved} of {}", now.len());
}

fn chances(folder: &Path) -> Vec<(String, String)> {
    export(folder, "reservoir_risk")
        .into_iter()
        .map(|row| (row["reservoir_id"].clone(), row["p_water_limit"].clone()))
        .collect()
}

#[test]
fn months_that_cannot_be_replayed_are_named() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    crate::cli::write_single_run(folder);
    succeed(folder, &["-q", "ingest"]);
    succeed(folder, &["-q", "analyse", "--as-of", "2026-10-01"]);
    for (from, to, expected) in [
        (
            "2026-01-01",
            "soon",
            "--to: found \"soon\", expected a date",
        ),
        ("2026-03-02", "2026-03-30", "no month begins there"),
        ("2030-01-01", "2031-01-01", "no month begins there"),
        ("1990-01-01", "2026-01-01", "expected fewer"),
    ] {
        let done = call(folder, &["backtest", "--from", from, "--to", to]);
        assert_eq!(done.status, 2, "{}", done.stderr);
        assert!(done.stderr.contains(expected), "{}", done.stderr);
    }
    let text = succeed(
        folder,
        &["backtest", "--from", "2026-03-01", "--to", "2026-06-30"],
    );
    assert!(
        text.contains("too few outcomes to judge") || text.contains("no forecast"),
        "{text}"
    );
}
