//! The power fails in the middle of an ingest: nothing is lost, nothing is doubled.
//!
//! The real binary reads a small invented fleet and is ended by SIGKILL at random moments. After
//! each the store must be readable and hold whole files only; the next ingest must finish, and the
//! store must then hold what an undisturbed ingest gives. `DRYDOWN_KILLS` says how often (20).

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use crate::binary::{self, Rows, call, parse_csv, succeed};

/// Tables that an ingest writes.
const TABLES: [&str; 11] = [
    "units",
    "sites",
    "oils",
    "reservoirs",
    "deployments",
    "maintenance",
    "reservoir_events",
    "unit_events",
    "readings",
    "samples",
    "results",
];

/// What an undisturbed ingest gave.
struct Calm {
    tables: Vec<String>,
    loads: Vec<String>,
    rejects: String,
    took: Duration,
}

/// The ledger's rows, without the time that every ingest has of its own.
fn loads(folder: &Path) -> Vec<String> {
    let rows = parse_csv(&succeed(folder, &["export", "loads"]));
    rows.into_iter()
        .map(|mut row| {
            row.remove("loaded_at");
            format!("{row:?}")
        })
        .collect()
}

fn tables(folder: &Path) -> Vec<String> {
    TABLES
        .iter()
        .map(|table| succeed(folder, &["export", table]))
        .collect()
}

fn ingest_calmly(folder: &Path) -> Calm {
    let begun = Instant::now();
    succeed(folder, &["-q", "ingest"]);
    Calm {
        took: begun.elapsed(),
        tables: tables(folder),
        loads: loads(folder),
        rejects: succeed(folder, &["export", "rejects"]),
    }
}

/// Starts an ingest and ends it after `after`; whether it was still at work.
fn kill_ingest(folder: &Path, after: Duration) -> bool {
    let mut child = Command::new(binary::path())
        .current_dir(folder)
        .args(["-q", "ingest"])
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    std::thread::sleep(after);
    // SIGKILL: the process learns nothing of it.
    child.kill().unwrap();
    let done = child.wait_with_output().unwrap();
    let said = String::from_utf8_lossy(&done.stderr).into_owned();
    // Killed it has no status of its own; with one it must have come to its end.
    assert!(
        done.status.code().is_none_or(|code| code == 0),
        "the ingest after a kill failed: {said}"
    );
    done.status.code().is_none()
}

/// Whatever stands in the store can be read, and is a part of what will stand there in the end.
fn check_readable(folder: &Path, calm: &Calm) {
    let first = call(folder, &["export", "loads"]);
    if first.status != 0 {
        // Killed before there was a store.
        assert!(
            first.stderr.contains("drydown ingest"),
            "the store cannot be read: {}",
            first.stderr
        );
        return;
    }
    let known: BTreeSet<&String> = calm.loads.iter().collect();
    let found = loads(folder);
    assert!(
        found.iter().all(|load| known.contains(load)),
        "a file is half in the ledger"
    );
    assert_eq!(
        found.iter().collect::<BTreeSet<_>>().len(),
        found.len(),
        "a file stands twice in the ledger"
    );
    for (table, whole) in TABLES.iter().zip(&calm.tables) {
        let said = succeed(folder, &["export", table]);
        let known: BTreeSet<&str> = whole.lines().collect();
        let mut rows = BTreeSet::new();
        for line in said.lines() {
            assert!(
                known.contains(line),
                "{table} holds a row of no file: {line}"
            );
            assert!(rows.insert(line), "{table} holds a row twice: {line}");
        }
    }
}

fn check_equal(folder: &Path, calm: &Calm, history: &str) {
    for ((table, found), expected) in TABLES.iter().zip(tables(folder)).zip(&calm.tables) {
        assert!(
            found == *expected,
            "after {history} the table {table} is another: {}",
            difference(&found, expected)
        );
    }
    assert_eq!(loads(folder), calm.loads, "after {history}");
    let rejects = succeed(folder, &["export", "rejects"]);
    assert!(
        rejects == calm.rejects,
        "after {history} the rejects are others: {}",
        difference(&rejects, &calm.rejects)
    );
    let again: Rows = parse_csv(&succeed(folder, &["export", "loads"]));
    succeed(folder, &["-q", "ingest"]);
    assert_eq!(
        again,
        parse_csv(&succeed(folder, &["export", "loads"])),
        "a further ingest took something"
    );
}

/// The first line that is not the same, and the numbers of lines.
fn difference(found: &str, expected: &str) -> String {
    let (n_found, n_expected) = (found.lines().count(), expected.lines().count());
    let first = found
        .lines()
        .zip(expected.lines())
        .find(|(a, b)| a != b)
        .map_or_else(String::new, |(a, b)| format!("found {a}, expected {b}"));
    format!("{n_found} lines, expected {n_expected}; {first}")
}

/// The exports of an invented fleet and its configuration, nothing ingested yet.
fn exports(folder: &Path) -> PathBuf {
    let arguments = [
        "-q",
        "demo",
        "--out",
        "fleet",
        "--units",
        "3",
        "--months",
        "3",
        "--seed",
        "7",
        "--exports-only",
    ];
    succeed(folder, &arguments);
    folder.join("fleet")
}

#[test]
fn an_ingest_killed_at_any_moment_loses_and_doubles_nothing() {
    let n_kills: u32 = std::env::var("DRYDOWN_KILLS").map_or(20, |text| text.parse().unwrap());
    let scratch = tempfile::tempdir().unwrap();
    let fleet = exports(scratch.path());
    let calm = ingest_calmly(&fleet);
    let n_rows: usize = calm
        .tables
        .iter()
        .map(|table| table.lines().count() - 1)
        .sum();
    assert!(
        n_rows > 1000 && calm.rejects.lines().count() > 1,
        "{n_rows} rows"
    );
    let store = fleet.join("store");
    let mut random = 7_u64;
    let (mut kills, mut stores, mut history) = (0, 0, Vec::new());
    std::fs::remove_dir_all(&store).unwrap();
    while kills < n_kills || !history.is_empty() {
        // A linear congruential step (Knuth, MMIX); the high bits are the good ones.
        random = random
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        let share = (random >> 40) as f64 / (1_u64 << 24) as f64;
        let after = calm.took.mul_f64(share);
        // One kill in three is followed by another into what it left.
        let goes_on = history.is_empty() || (random >> 33).is_multiple_of(3);
        if kills < n_kills && goes_on {
            let at_work = kill_ingest(&fleet, after);
            kills += 1;
            history.push(format!(
                "{} ms{}",
                after.as_millis(),
                if at_work { "" } else { " (done before)" }
            ));
            check_readable(&fleet, &calm);
            continue;
        }
        succeed(&fleet, &["-q", "ingest"]);
        check_equal(&fleet, &calm, &format!("kills at {}", history.join(", ")));
        std::fs::remove_dir_all(&store).unwrap();
        history.clear();
        stores += 1;
    }
    println!(
        "{kills} kills within {} ms over {stores} stores of {n_rows} rows",
        calm.took.as_millis()
    );
}
