//! What a killed writer leaves behind.

use std::fs;
use std::process::{Command, Stdio};
use std::thread;
use std::time::Duration;

use super::{lock, note, now_lines, readings, store};
use crate::{Store, StoreError};

const CHILD: &str = "DRYDOWN_STORE_TEST_CHILD";
const ROWS: usize = 3;

/// Appends and replaces until it is killed; a commit's note says how many rows there
/// are after it.
fn write_for_ever(path: &str) {
    let store = Store::open(path).unwrap();
    let guard = store.lock("child", None).unwrap();
    for round in 0.. {
        let stamp = |day: usize| format!("2026-0{}-01T00:00:{:02}Z", day % 3 + 1, round % 60);
        let unit = format!("U-{round}");
        let stamps: Vec<String> = (0..ROWS).map(stamp).collect();
        let rows: Vec<(&str, &str, f64)> = stamps
            .iter()
            .map(|stamp| (unit.as_str(), stamp.as_str(), round as f64))
            .collect();
        let before = store.live_files("readings", None).unwrap();
        let n_before: u64 = before.iter().map(|file| file.n_rows).sum();
        if round % 5 == 4 {
            let metadata = note("rows", &ROWS.to_string());
            store
                .replace_all(&guard, "readings", vec![readings(&rows)], metadata)
                .unwrap();
        } else {
            let metadata = note("rows", &(n_before as usize + ROWS).to_string());
            store
                .append(&guard, "readings", vec![readings(&rows)], metadata)
                .unwrap();
        }
    }
}

#[test]
fn a_killed_writer_leaves_a_whole_version_and_no_lock() {
    if let Ok(path) = std::env::var(CHILD) {
        write_for_ever(&path);
    }
    let (_folder, store) = store();
    for wait_ms in [300, 457, 611, 783] {
        let mut child = Command::new(std::env::current_exe().unwrap())
            .args([
                "--exact",
                "tests::kill::a_killed_writer_leaves_a_whole_version_and_no_lock",
            ])
            .env(CHILD, store.path())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        thread::sleep(Duration::from_millis(wait_ms));
        let locked = store.lock("test", Some(Duration::ZERO));
        assert!(
            child.try_wait().unwrap().is_none(),
            "the child gave up by itself"
        );
        child.kill().unwrap();
        child.wait().unwrap();
        if let Err(error) = locked {
            assert!(matches!(&error, StoreError::Locked { holder, .. } if holder.owner == "child"));
        }
        let guard = store.lock("test", Some(Duration::ZERO)).unwrap();
        let commits = store.commits("readings").unwrap();
        let rows = commits
            .last()
            .and_then(|commit| commit.metadata.get("rows"));
        let expected = rows.map_or(0, |rows| rows.as_str().unwrap().parse().unwrap());
        assert_eq!(now_lines(&store).len(), expected);
        store
            .append(
                &guard,
                "readings",
                Vec::new(),
                note("rows", &expected.to_string()),
            )
            .unwrap();
        assert_eq!(now_lines(&store).len(), expected);
    }
    assert!(
        store.table_version("readings").unwrap() > Some(10),
        "the children wrote too little"
    );
}

#[test]
fn files_without_a_log_entry_are_never_read() {
    let (folder, store) = store();
    let guard = lock(&store);
    let rows = readings(&[("U-1", "2026-01-01T00:00:00Z", 1.0)]);
    store
        .append(&guard, "readings", vec![rows], note("k", "v"))
        .unwrap();
    let table = folder.path().join("store/readings");
    let live = store.live_files("readings", None).unwrap();
    fs::copy(
        table.join(&live[0].path),
        table.join("month=2026-01/part-lost.zstd.parquet"),
    )
    .unwrap();
    fs::write(table.join("month=2026-01/part-half.zstd.parquet"), "PAR1").unwrap();
    fs::write(
        table.join("_delta_log/00000000000000000002.json#1"),
        "{\"add",
    )
    .unwrap();
    let again = Store::open(folder.path().join("store")).unwrap();
    assert_eq!(now_lines(&again), ["U-1 2026-01-01T00:00:00Z 1 2026-01"]);
    let more = readings(&[("U-2", "2026-01-01T00:00:00Z", 1.0)]);
    store
        .append(&guard, "readings", vec![more], note("k", "v"))
        .unwrap();
    assert_eq!(now_lines(&again).len(), 2);
}

#[test]
fn a_table_killed_before_its_first_entry_is_no_table() {
    let (folder, store) = store();
    fs::create_dir_all(folder.path().join("store/readings/_delta_log")).unwrap();
    assert_eq!(store.table_version("readings").unwrap(), None);
    assert_eq!(now_lines(&store), [""; 0]);
    let guard = lock(&store);
    let rows = readings(&[("U-1", "2026-01-01T00:00:00Z", 1.0)]);
    store
        .append(&guard, "readings", vec![rows], note("k", "v"))
        .unwrap();
    assert_eq!(now_lines(&store).len(), 1);
}

#[test]
fn a_disk_that_refuses_is_named() {
    let (folder, store) = store();
    let guard = lock(&store);
    let blocked = folder.path().join("store/readings");
    fs::write(&blocked, "a file where a folder should be").unwrap();
    let rows = readings(&[("U-1", "2026-01-01T00:00:00Z", 1.0)]);
    let refused = store
        .append(&guard, "readings", vec![rows], note("k", "v"))
        .unwrap_err();
    assert!(matches!(refused, StoreError::Disk { .. }), "{refused}");
    assert!(refused.to_string().contains("readings"), "{refused}");
}
