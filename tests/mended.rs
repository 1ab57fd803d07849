//! Rejects mended in the list that `drydown export rejects` prints, and given back.

use std::fs;

use crate::binary::{Rows, call, export, succeed};
use crate::cli::{SMALL_CONFIG, write};

/// Column, reason and line do not matter to whoever mends: text for text.
fn mend(list: &str, texts: &[(&str, &str)]) -> String {
    let mended = texts.iter().fold(list.to_owned(), |list, (found, now)| {
        assert!(list.contains(found), "{found} in {list}");
        list.replacen(found, now, 1)
    });
    assert_ne!(mended, list);
    mended
}

fn values(rows: &Rows) -> Vec<String> {
    let told = |row: &std::collections::BTreeMap<String, String>| {
        format!("{} {} {}", row["at"], row["oil_flow_lpm"], row["water_ppm"])
    };
    rows.iter().map(told).collect()
}

const LOG: &str = "Unit,Time,P,Q,W\r\n\
    U-1,2026-03-01T10:00:00Z,20,60,300\r\n\
    U-1,2026-03-01 quarter past,19,61,290\r\n\
    U-1,2026-03-01T10:10:00Z,18,62,28o\r\n\
    U-1,2026-03-01T10:15:00Z,17,63,270,9\r\n";

#[test]
fn a_list_of_rejects_mended_and_given_back_is_ingested() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    write(folder, "drydown.toml", SMALL_CONFIG);
    write(folder, "log/a.v2.csv", LOG);
    succeed(folder, &["ingest"]);
    let list = succeed(folder, &["export", "rejects"]);
    assert_eq!(list.lines().count(), 4, "{list}");
    let mended = mend(
        &list,
        &[
            (
                ",\"U-1,2026-03-01 quarter past,",
                ",\"U-1,2026-03-01T10:05:00Z,",
            ),
            (",28o,", ",280,"),
        ],
    );
    // Where a list lies and what it is called does not matter.
    write(folder, "sorted out.csv", &mended);
    let said = call(folder, &["ingest", "sorted out.csv"]);
    assert_eq!(said.status, 0, "{}", said.stderr);
    assert!(
        said.stderr.contains("2 entries mended in a copy"),
        "{}",
        said.stderr
    );
    let expected = [
        "2026-03-01T10:00:00Z 60.0 300.0",
        "2026-03-01T10:05:00Z 61.0 290.0",
        "2026-03-01T10:10:00Z 62.0 280.0",
    ];
    assert_eq!(values(&export(folder, "readings")), expected);
    // The export itself is as it was, and the copy holds the rest of it too.
    assert_eq!(
        fs::read_to_string(folder.join("log/a.v2.csv")).unwrap(),
        LOG
    );
    let copy = fs::read_to_string(folder.join("log/a_mended.v2.csv")).unwrap();
    assert_eq!(copy.lines().count(), 5);
    let mut rejected: Vec<String> = export(folder, "loads")
        .into_iter()
        .map(|load| format!("{} of {}", load["rows_rejected"], load["rows_in"]))
        .collect();
    rejected.sort();
    assert_eq!(rejected, ["1 of 4", "2 of 4"]);

    // The copy is a file like others: rebuilt, everything is as it was.
    let before = succeed(folder, &["export", "readings"]);
    succeed(folder, &["ingest"]);
    succeed(folder, &["ingest", "--again", "log"]);
    assert_eq!(succeed(folder, &["export", "readings"]), before);
}

#[test]
fn a_list_that_changes_nothing_or_is_out_of_date_writes_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    write(folder, "drydown.toml", SMALL_CONFIG);
    write(folder, "log/a.csv", LOG);
    succeed(folder, &["ingest"]);
    let list = succeed(folder, &["export", "rejects"]);
    write(folder, "rejects.csv", &list);
    let said = call(folder, &["ingest", "rejects.csv"]);
    assert_eq!(said.status, 0, "{}", said.stderr);
    assert!(
        said.stderr.contains("mend it in the column raw"),
        "{}",
        said.stderr
    );

    write(folder, "rejects.csv", mend(&list, &[(",28o,", ",280,")]));
    write(folder, "log/a.csv", LOG.replace("28o", "281"));
    let said = call(folder, &["ingest", "rejects.csv"]);
    assert!(
        said.stderr
            .contains("it has changed since the list was printed"),
        "{}",
        said.stderr
    );
    assert!(!folder.join("log/a_mended.csv").exists());
    assert_eq!(export(folder, "loads").len(), 1);
}

/// A link to a file that is gone, a share that is off.
#[cfg(unix)]
#[test]
fn a_path_that_cannot_be_looked_at_does_not_keep_the_others_out() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    write(folder, "drydown.toml", SMALL_CONFIG);
    write(folder, "log/a.csv", LOG);
    std::os::unix::fs::symlink("nowhere.csv", folder.join("log/broken.csv")).unwrap();
    for arguments in [["check"], ["ingest"]] {
        let said = call(folder, &arguments);
        assert_eq!(said.status, 0, "{}", said.stderr);
        assert!(said.stderr.contains("broken.csv"), "{}", said.stderr);
    }
    assert_eq!(export(folder, "readings").len(), 2);
}
