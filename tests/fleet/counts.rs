//! What ingest counted against what the exports were made to hold.

use std::collections::BTreeMap;
use std::path::Path;

use super::truth;
use crate::binary::{export, number, succeed};

/// Every file's counts, the identity of counts, and a second ingest that changes nothing.
pub(crate) fn check(demo: &Path) {
    let loads = export(demo, "loads");
    let mut by_file = BTreeMap::new();
    for load in &loads {
        let count = |column| number(load, column).unwrap() as i64;
        assert_eq!(
            count("rows_in"),
            count("rows_kept") + count("rows_duplicate") + count("rows_rejected"),
            "{load:?}"
        );
        by_file.insert(load["file"].clone(), load);
    }
    let mut wrong = Vec::new();
    for expected in truth(demo, "files") {
        let Some(load) = by_file.get(&expected["file"]) else {
            wrong.push(format!("{} was not loaded", expected["file"]));
            continue;
        };
        for column in [
            "rows_in",
            "rows_kept",
            "rows_duplicate",
            "rows_superseded",
            "rows_rejected",
            "rows_ignored",
        ] {
            if load[column] != expected[column] {
                wrong.push(format!(
                    "{} {column}: counted {}, made {}",
                    expected["file"], load[column], expected[column]
                ));
            }
        }
    }
    assert!(
        wrong.is_empty(),
        "{} counts differ:\n{}",
        wrong.len(),
        wrong
            .iter()
            .take(20)
            .cloned()
            .collect::<Vec<_>>()
            .join("\n")
    );
    succeed(demo, &["-q", "ingest"]);
    assert_eq!(
        loads,
        export(demo, "loads"),
        "a second ingest changed the ledger"
    );
}
