//! The built command line in an empty folder of its own.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// The binary under test: `DRYDOWN_BIN`, else the one built beside the tests.
pub(crate) fn path() -> PathBuf {
    let beside = || {
        let test = std::env::current_exe().unwrap();
        test.ancestors().nth(2).unwrap().join("drydown")
    };
    let binary = std::env::var_os("DRYDOWN_BIN").map_or_else(beside, PathBuf::from);
    assert!(
        binary.exists(),
        "{} is not there: run `cargo build --release` first",
        binary.display()
    );
    binary
}

/// What one call of the binary gave.
pub(crate) struct Said {
    pub(crate) status: i32,
    pub(crate) stdout: String,
    pub(crate) stderr: String,
}

/// Calls the binary in a folder.
pub(crate) fn call(folder: &Path, arguments: &[&str]) -> Said {
    let out: Output = Command::new(path())
        .current_dir(folder)
        .args(arguments)
        .output()
        .unwrap();
    let said = Said {
        status: out.status.code().unwrap_or(-1),
        stdout: String::from_utf8(out.stdout).unwrap(),
        stderr: String::from_utf8(out.stderr).unwrap(),
    };
    assert!(
        !said.stderr.contains("panicked at"),
        "{arguments:?} panicked:\n{}",
        said.stderr
    );
    said
}

/// Calls the binary and expects status 0.
pub(crate) fn succeed(folder: &Path, arguments: &[&str]) -> String {
    let said = call(folder, arguments);
    assert_eq!(
        said.status, 0,
        "{arguments:?}\n{}\n{}",
        said.stdout, said.stderr
    );
    said.stdout
}

/// Rows of a CSV with a header, as column → cell.
pub(crate) type Rows = Vec<BTreeMap<String, String>>;

/// The live rows of a table, through `export`.
pub(crate) fn export(folder: &Path, table: &str) -> Rows {
    parse_csv(&succeed(folder, &["export", table]))
}

/// Reads RFC 4180 CSV.
pub(crate) fn parse_csv(text: &str) -> Rows {
    let mut records = split_records(text).into_iter();
    let Some(header) = records.next() else {
        return Vec::new();
    };
    records
        .map(|record| header.iter().cloned().zip(record).collect())
        .collect()
}

fn split_records(text: &str) -> Vec<Vec<String>> {
    let mut records = Vec::new();
    let mut record = Vec::new();
    let mut cell = String::new();
    let mut quoted = false;
    let mut chars = text.chars().peekable();
    while let Some(c) = chars.next() {
        match c {
            '"' if quoted && chars.peek() == Some(&'"') => {
                chars.next();
                cell.push('"');
            }
            '"' => quoted = !quoted,
            ',' if !quoted => record.push(std::mem::take(&mut cell)),
            '\n' if !quoted => {
                record.push(std::mem::take(&mut cell));
                records.push(std::mem::take(&mut record));
            }
            '\r' if !quoted => {}
            _ => cell.push(c),
        }
    }
    records
}

/// A number of a row, None where the cell is empty.
pub(crate) fn number(row: &BTreeMap<String, String>, column: &str) -> Option<f64> {
    let cell = row
        .get(column)
        .unwrap_or_else(|| panic!("no column {column} in {:?}", row.keys()));
    (!cell.is_empty()).then(|| cell.parse().unwrap())
}
