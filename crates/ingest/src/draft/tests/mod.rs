//! What stands in the proposals for files of many kinds, and what always holds of them.

mod any_text;
mod by_row;
mod controllers;
mod files;
mod order;
mod refused;
mod registers;
mod shapes;
mod stamps;
mod tags;
mod unsaid;

use std::collections::BTreeSet;

use drydown_quantity::Stamp;

use super::FILL_IN;
use super::render::to_text;
use super::settle::filled_in;
use super::shape::find_shape;
use crate::reader::FileInput;
use crate::rows::{Body, FileRows};
use crate::site::SiteContext;
use crate::source::SourceSpec;

#[derive(serde::Deserialize)]
struct File {
    source: Vec<SourceSpec>,
}

/// The block of a proposal as the configuration reads it.
fn block_of(proposal: &str) -> SourceSpec {
    let file: File = toml::from_str(proposal).unwrap_or_else(|error| panic!("{error}\n{proposal}"));
    file.source.into_iter().next().unwrap()
}

/// The proposal for a file. It must read back as it was meant, and compile unless a person must fill it in.
fn proposed(name: &str, bytes: &[u8]) -> String {
    let shape = find_shape(bytes).unwrap_or_else(|error| panic!("{name}: {error}"));
    let proposal = super::proposal::propose(name, &shape, None);
    let text = to_text(&proposal);
    let spec = block_of(&text);
    assert_eq!(spec, proposal.spec, "{text}");
    if !text.contains(FILL_IN) {
        assert!(spec.compile().is_ok(), "{:?}\n{text}", spec.compile().err());
    }
    if let Some(other) = &proposal.alternative {
        let commented = text
            .split_once("\n\n# # the same file")
            .map_or("", |(_, rest)| rest);
        let plain: String = commented
            .lines()
            .skip(1)
            .map(|line| format!("{}\n", line.strip_prefix("# ").unwrap_or(line)))
            .collect();
        assert_eq!(block_of(&plain), other.spec, "{plain}");
    }
    text
}

/// What must hold for any bytes: the proposal reads back as it was meant, and what ingest makes of the
/// file with it accounts for every record.
pub(crate) fn check_any(name: &str, bytes: &[u8]) {
    if super::propose(name, bytes).is_err() {
        return;
    }
    proposed(name, bytes);
    let shape = find_shape(bytes).unwrap();
    let spec = filled_in(&super::proposal::propose(name, &shape, None).spec);
    if let Ok(source) = spec.compile() {
        crate::reader::check_any(&source, name, bytes);
    }
}

/// What ingest makes of the file with the proposal, once a person has filled it in.
fn read_with(name: &str, bytes: &[u8]) -> FileRows {
    let shape = find_shape(bytes).unwrap();
    let spec = filled_in(&super::proposal::propose(name, &shape, None).spec);
    let source = spec
        .compile()
        .unwrap_or_else(|problems| panic!("{name}: {problems:?}"));
    let input = FileInput {
        name,
        bytes,
        loaded_at: Stamp::from_micros(4_000_000_000_000_000),
        max_text: 1 << 30,
    };
    source.read_file(&input, &SiteContext::default())
}

/// Asserts that ingest takes the rows of the file with its proposal, and no two for one.
fn check_read(what: &str, name: &str, bytes: &[u8], proposal: &str) {
    let shape = find_shape(bytes).unwrap();
    let n_rejected = shape.n_odd + shape.n_repeated;
    let rows = read_with(name, bytes);
    let counts = rows.counts;
    let shown: Vec<_> = rows.rejects.iter().take(5).collect();
    assert!(counts.rows_in > 0, "{what}");
    assert_eq!(counts.rows_rejected, n_rejected as u64, "{what}: {shown:?}");
    let has_key = !proposal.contains("{ value = \"FILL-IN\" }");
    if rows.table.name == "readings" && has_key {
        let keys: Vec<(u64, u64)> = rows.keys[0]
            .iter()
            .copied()
            .zip(rows.keys[1].iter().copied())
            .collect();
        let distinct: BTreeSet<(u64, u64)> = keys.iter().copied().collect();
        assert!(
            distinct.len() == keys.len() || matches!(rows.body, Body::Tall { .. }),
            "{what}: {} of {}",
            distinct.len(),
            keys.len()
        );
    }
}

/// Asserts that lines stand in the proposal, whole, and that texts do not.
fn check(what: &str, name: &str, bytes: &[u8], lines: &[&str], absent: &[&str]) -> String {
    let proposal = proposed(name, bytes);
    for line in lines {
        let stands = proposal
            .lines()
            .any(|other| other == *line || other.strip_prefix("# ") == Some(line));
        assert!(
            stands || (*line == FILL_IN && proposal.contains(FILL_IN)),
            "{what}: no line {line}\n{proposal}"
        );
    }
    check_read(what, name, bytes, &proposal);
    for text in absent {
        assert!(!proposal.contains(text), "{what}: found {text}\n{proposal}");
    }
    proposal
}

/// A case: what it shows, the file's name and text, lines that must stand there, texts that must not.
struct Case {
    what: &'static str,
    name: &'static str,
    text: String,
    lines: &'static [&'static str],
    absent: &'static [&'static str],
}

fn check_all(cases: Vec<Case>) {
    for case in cases {
        check(
            case.what,
            case.name,
            case.text.as_bytes(),
            case.lines,
            case.absent,
        );
    }
}

/// A header and `n` rows.
fn table(header: &str, n: usize, row: impl Fn(usize) -> String) -> String {
    let mut text = format!("{header}\n");
    for at in 0..n {
        text.push_str(&row(at));
        text.push('\n');
    }
    text
}

/// Seconds after 10:00 as `HH:MM:SS`.
fn clock(seconds: usize) -> String {
    let seconds = 36_000 + seconds;
    format!(
        "{:02}:{:02}:{:02}",
        seconds / 3600,
        seconds / 60 % 60,
        seconds % 60
    )
}
