//! A file whose own records share keys, so that only the last of them stayed.

use super::Rule;
use crate::case::{Case, FileRejects, FindingsConfig, SourceHealth};
use crate::episode::Episode;
use crate::rows::{Kind, Severity};

/// Share of a file's records, and how many at least: a logger now and then corrects a line.
const SHARE: f64 = 0.05;
const FEWEST: i64 = 20;
/// Files named in one sentence; the others are counted.
const NAMED_MOST: usize = 3;

pub(super) const RULE: Rule = Rule {
    name: "overwritten_rows",
    title: "rows lost under one key",
    kind: Kind::Data,
    watches: "A file of which more than one record in twenty changed a value that the same file had given: stamps without their seconds, or a part of the key that is not read.",
    replay,
};

fn replay(case: &Case<'_>, _: &FindingsConfig) -> Vec<Episode> {
    case.sources.iter().filter_map(to_episode).collect()
}

fn to_episode(source: &SourceHealth) -> Option<Episode> {
    let mut files: Vec<&FileRejects> = source
        .overwritten
        .iter()
        .filter(|file| file.n >= FEWEST && file.n as f64 > SHARE * file.rows_in as f64)
        .collect();
    files.sort_by(|a, b| b.n.cmp(&a.n).then_with(|| a.file.cmp(&b.file)));
    if files.is_empty() {
        return None;
    }
    let mut named: Vec<String> = files
        .iter()
        .take(NAMED_MOST)
        .map(|file| format!("{} of {} rows of {}", file.n, file.rows_in, file.file))
        .collect();
    if files.len() > NAMED_MOST {
        named.push(format!(
            "and rows of {} more files",
            files.len() - NAMED_MOST
        ));
    }
    Some(Episode {
        subject: source.source.clone(),
        severity: Severity::Watch,
        onset_at: None,
        first_seen: source.loaded_at.first().copied()?,
        last_seen: source.loaded_at.last().copied()?,
        holds: true,
        evidence: format!(
            "{} changed a value that the same file had given for one stamp and unit: only the last of such rows stays.",
            named.join(", ")
        ),
        action: format!(
            "Look whether the export writes its stamps with their seconds and whether the source reads the whole key (date and time, the unit) from the right columns; then `drydown ingest --again {}`. Nothing is to be done where the file corrects itself.",
            source.source
        ),
    })
}
