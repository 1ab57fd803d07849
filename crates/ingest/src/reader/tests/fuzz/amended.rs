//! Reports that amend each other: the order in which they come is of no account.

use std::collections::BTreeSet;

use arrow::array::RecordBatch;

use super::super::harness::{merged, read, shown, source};
use crate::rows::FileRows;
use crate::site::SiteContext;
use crate::source::Source;

thread_local! {
    static LABORATORY: Source = source(
        r#"
        table = "samples"
        delimiter = ";"
        decimal = ","
        timezone = "UTC"
        [columns]
        lab = { value = "A" }
        sample_id = { from = "No" }
        taken_at = { from = "Taken", format = "%d.%m.%Y" }
        reported_at = { from = "Reported", format = "%d.%m.%Y %H:%M" }
        water_ppm = { from = "Water", unit = { from = "Unit" } }
        iso4406 = { from = "ISO" }
        acid_mgkoh_g = { from = "TAN" }
        "#,
    );
}

/// What is stored, but for which file and line changed it last.
fn cells(source: &Source, batches: &[RecordBatch]) -> Vec<String> {
    let names: Vec<&str> = source
        .table
        .columns
        .iter()
        .map(|column| column.name.as_str())
        .filter(|name| !matches!(*name, "file_hash" | "line"))
        .collect();
    shown(batches, &names)
}

/// In one file or line by line, forwards or backwards, at once or one after the other.
pub(super) fn reports(bytes: &[u8]) {
    LABORATORY.with(|source| {
        let read = |text: &str| read(source, "lab.csv", text.as_bytes(), &SiteContext::default());
        let text = String::from_utf8_lossy(bytes);
        let whole = read(&text);
        // A header further down orders the columns anew, and no line alone tells of it.
        let is_headed_anew = whole
            .rejects()
            .iter()
            .any(|reject| reject.reason.contains("header"));
        let (at_once, _) = merged(vec![whole], &[]);
        // A quoted cell may hold a line's end.
        if is_headed_anew || text.contains(['"', '\r', '\u{feff}', '\u{1a}', '\0']) {
            return;
        }
        let mut lines = text.lines().filter(|line| !line.trim().is_empty());
        let Some(header) = lines.next() else { return };
        let alone: Vec<String> = lines.map(|line| format!("{header}\n{line}\n")).collect();
        let dates: Vec<String> = alone
            .iter()
            .flat_map(|text| {
                shown(
                    &merged(vec![read(text)], &[]).0,
                    &["sample_id", "reported_at"],
                )
            })
            .collect();
        let distinct: BTreeSet<&String> = dates.iter().collect();
        // Of two reports of one moment, or of none, the later line holds.
        if distinct.len() < dates.len() || dates.iter().any(|date| date.ends_with("| -")) {
            return;
        }
        let files = |texts: &mut dyn Iterator<Item = &String>| -> Vec<FileRows> {
            texts.map(|text| read(text)).collect()
        };
        let one_by_one = |files: Vec<FileRows>| {
            let mut stored = Vec::new();
            for file in files {
                stored = merged(vec![file], &stored).0;
            }
            stored
        };
        let expected = cells(source, &at_once);
        for order in [
            merged(files(&mut alone.iter().rev()), &[]).0,
            one_by_one(files(&mut alone.iter())),
            one_by_one(files(&mut alone.iter().rev())),
        ] {
            assert_eq!(cells(source, &order), expected);
        }
    });
}
