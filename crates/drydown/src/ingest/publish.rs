//! One batch of files of one table: merged with what is stored, and committed.

use std::collections::BTreeMap;

use anyhow::Result;
use drydown_ingest::{
    FileRows, LoadRow, MergePlan, Merged, Part, Source, loads_batch, rejects_batch,
};
use drydown_quantity::Stamp;
use drydown_store::{CommitNote, LiveFile, Store, WriteGuard};
use serde_json::json;

use super::ledger::LOADS_KEY;
use super::{FileDone, Guard};

/// One part's outcome and the stored files it replaces.
struct Laid {
    touched: Vec<LiveFile>,
    merged: Merged,
}

/// Merges and, under a guard, commits: rejects, data with the ledger rows in its metadata, loads.
pub(super) fn take(
    rows: Vec<FileRows>,
    store: Option<&Store>,
    guard: Guard<'_>,
    sources: &[Source],
    loaded_at: Stamp,
) -> Result<Vec<FileDone>> {
    let Some(table) = rows.first().map(FileRows::table) else {
        return Ok(Vec::new());
    };
    let base = match store {
        Some(store) => store.table_version(&table.name)?,
        None => None,
    };
    let live = match store {
        Some(store) => store.live_files(&table.name, None)?,
        None => Vec::new(),
    };
    let mut plan = MergePlan::new(table, rows);
    let mut laid = Vec::new();
    for part in plan.parts() {
        let touched = touched(&live, &part, table);
        let stored = match store {
            Some(store) if !touched.is_empty() => store.load_files(&table.name, &touched)?,
            _ => Vec::new(),
        };
        laid.push(Laid {
            merged: plan.merge_part(&part, &stored)?,
            touched,
        });
    }
    let files = plan.into_files();
    let ledger: Vec<LoadRow> = files
        .iter()
        .map(|file| LoadRow::of(file, hash_of(sources, file), loaded_at))
        .collect();
    if let (Some(store), Some(guard)) = (store, guard) {
        commit(
            store,
            guard,
            &Commit {
                table: &table.name,
                base,
                files: &files,
                ledger: &ledger,
                laid: &laid,
            },
        )?;
    }
    Ok(files
        .iter()
        .map(|file| FileDone {
            source: file.source().to_owned(),
            file: file.file().to_owned(),
            counts: file.counts(),
        })
        .collect())
}

struct Commit<'a> {
    table: &'a str,
    base: Option<i64>,
    files: &'a [FileRows],
    ledger: &'a [LoadRow],
    laid: &'a [Laid],
}

fn commit(store: &Store, guard: &WriteGuard, commit: &Commit<'_>) -> Result<()> {
    let rejects = rejects_batch(commit.files)?;
    if rejects.num_rows() > 0 {
        store.append(guard, "rejects", vec![rejects], CommitNote::default())?;
    }
    let changes = commit
        .laid
        .iter()
        .any(|part| part.merged.n_added + part.merged.n_changed > 0);
    if changes {
        let mut staged = store.stage(guard, commit.table)?;
        for part in commit.laid {
            if part.merged.n_changed > 0 {
                staged.remove(&part.touched)?;
                staged.write(&part.merged.rewritten)?;
            }
            staged.write(&part.merged.added)?;
        }
        let note = BTreeMap::from([(LOADS_KEY.to_owned(), json!(commit.ledger))]);
        staged.commit(CommitNote::new(note).computed_from(commit.base))?;
    }
    store.append(
        guard,
        "loads",
        vec![loads_batch(commit.ledger)?],
        CommitNote::default(),
    )?;
    Ok(())
}

/// Stored files that may hold a row of the part.
fn touched(live: &[LiveFile], part: &Part, table: &drydown_schema::TableSpec) -> Vec<LiveFile> {
    let text_key = table.key.first().map(String::as_str).unwrap_or_default();
    let stamp_key = table.key.get(1).map(String::as_str).unwrap_or_default();
    live.iter()
        .filter(|file| part.month.is_none() || file.month == part.month)
        .filter(|file| part.may_touch(file.text_span(text_key), file.stamp_span(stamp_key)))
        .cloned()
        .collect()
}

pub(super) fn hash_of<'a>(sources: &'a [Source], file: &FileRows) -> &'a str {
    sources
        .iter()
        .find(|source| source.name() == file.source())
        .map_or("", Source::source_hash)
}
