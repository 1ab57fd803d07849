//! A column of which many values were kept out, though its records were kept.

use super::Rule;
use crate::case::{Case, FileRejects, FindingsConfig, RejectedCells, SourceHealth};
use crate::episode::Episode;
use crate::rows::{Kind, Severity};

/// A file counts by itself from so many times the configured share: a large source dilutes what
/// one unit's file lost.
const FILE_TIMES: f64 = 10.0;
/// And from so many values: one bad cell of a file of ten lines is no finding.
const FILE_FEWEST: i64 = 20;
/// Files named in one sentence; the others are counted.
const NAMED_MOST: usize = 3;

pub(super) const RULE: Rule = Rule {
    name: "cell_rejects",
    title: "many values kept out",
    kind: Kind::Data,
    watches: "A column of a source of which values were kept out (read as missing) in more than the configured share of the rows, or in more than ten times that share of one file.",
    replay,
};

fn replay(case: &Case<'_>, config: &FindingsConfig) -> Vec<Episode> {
    case.sources
        .iter()
        .filter_map(|source| to_episode(source, config))
        .collect()
}

fn to_episode(source: &SourceHealth, config: &FindingsConfig) -> Option<Episode> {
    let mut held: Vec<&RejectedCells> = source
        .cells
        .iter()
        .filter(|cells| is_many(cells, source, config))
        .collect();
    held.sort_by(|a, b| {
        total(b)
            .cmp(&total(a))
            .then_with(|| a.column.cmp(&b.column))
    });
    let told: Vec<String> = held
        .iter()
        .map(|cells| describe(cells, source.rows_in))
        .collect();
    (!told.is_empty()).then_some(())?;
    Some(Episode {
        subject: source.source.clone(),
        severity: Severity::Watch,
        onset_at: None,
        first_seen: source.loaded_at.first().copied()?,
        last_seen: source.loaded_at.last().copied()?,
        holds: true,
        evidence: told.join(" "),
        action: format!(
            "Read `drydown export rejects`{}. Mend the source's description, the register or the file, then `drydown ingest --again {}`.",
            if held.iter().any(|cells| cells.column.contains("kpa")) {
                " and look whether the unit's deployments of that time are in the register: their site gives the barometer of a gauge pressure"
            } else {
                ""
            },
            source.source
        ),
    })
}

fn total(cells: &RejectedCells) -> i64 {
    cells.files.iter().map(|file| file.n).sum()
}

fn share(n: i64, rows_in: i64) -> f64 {
    n as f64 / rows_in.max(1) as f64
}

fn is_many(cells: &RejectedCells, source: &SourceHealth, config: &FindingsConfig) -> bool {
    share(total(cells), source.rows_in) > config.rejected_share
        || cells.files.iter().any(|file| {
            file.n >= FILE_FEWEST
                && share(file.n, file.rows_in) > FILE_TIMES * config.rejected_share
        })
}

fn describe(cells: &RejectedCells, rows_in: i64) -> String {
    let n = total(cells);
    let mut files: Vec<&FileRejects> = cells.files.iter().collect();
    files.sort_by(|a, b| b.n.cmp(&a.n).then_with(|| a.file.cmp(&b.file)));
    let named: Vec<String> = files
        .iter()
        .take(NAMED_MOST)
        .map(|file| {
            format!(
                "{} ({}, {:.0} % of its rows)",
                file.file,
                file.n,
                100.0 * share(file.n, file.rows_in)
            )
        })
        .collect();
    let more = match files.len() - named.len() {
        0 => String::new(),
        1 => ", and one more file".to_owned(),
        n => format!(", and {n} more files"),
    };
    format!(
        "{n} values of {} were kept out and read as missing ({:.1} % of the source's rows), in {}{more}. One of them: {}.",
        cells.column,
        100.0 * share(n, rows_in),
        named.join(", "),
        cells.example.trim_end_matches('.')
    )
}
