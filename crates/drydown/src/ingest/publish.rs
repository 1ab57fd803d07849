//! One batch of files of one table: merged with what is stored, and committed.

use std::collections::BTreeMap;

use anyhow::{Result, bail};
use drydown_ingest::{
    FileRows, LoadRow, MergePlan, Merged, Part, Source, loads_batch, rejects_batch,
};
use drydown_quantity::Stamp;
use drydown_store::{CommitNote, LiveFile, Staged, Store, WriteGuard};
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
        let (rejects, data) = stage(store, guard, &table.name, &files, &laid)?;
        if data.base_version() != base {
            // Nobody else may write under our lock.
            bail!(
                "table \"{}\" changed while its rows were merged",
                table.name
            );
        }
        commit_staged(
            store,
            guard,
            StagedCommit {
                rejects,
                data,
                ledger,
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

/// Everything of one commit: rejects, data with the ledger rows in its metadata, loads.
pub(super) struct StagedCommit<'a> {
    pub(super) rejects: Staged<'a>,
    pub(super) data: Staged<'a>,
    pub(super) ledger: Vec<LoadRow>,
}

/// Makes a write count, in the order in which a crash can be completed from.
pub(super) fn commit_staged(
    store: &Store,
    guard: &WriteGuard,
    commit: StagedCommit<'_>,
) -> Result<()> {
    if commit.rejects.is_change() {
        commit.rejects.commit(CommitNote::default())?;
    }
    if commit.data.is_change() {
        let base = commit.data.base_version();
        let note = BTreeMap::from([(LOADS_KEY.to_owned(), json!(commit.ledger))]);
        commit
            .data
            .commit(CommitNote::new(note).computed_from(base))?;
    }
    store.append(
        guard,
        "loads",
        vec![loads_batch(&commit.ledger)?],
        CommitNote::default(),
    )?;
    Ok(())
}

fn stage<'a>(
    store: &'a Store,
    guard: &'a WriteGuard,
    table: &str,
    files: &[FileRows],
    laid: &[Laid],
) -> Result<(Staged<'a>, Staged<'a>)> {
    let mut rejects = store.stage(guard, "rejects")?;
    rejects.write(&[rejects_batch(files)?])?;
    let mut data = store.stage(guard, table)?;
    for part in laid {
        lay(&mut data, &part.touched, &part.merged)?;
    }
    Ok((rejects, data))
}

/// Stages what merging gave in the place of the files it was merged with.
pub(super) fn lay(data: &mut Staged<'_>, touched: &[LiveFile], merged: &Merged) -> Result<()> {
    if merged.n_changed > 0 {
        data.remove(touched)?;
        data.write(&merged.rewritten)?;
    }
    data.write(&merged.added)?;
    Ok(())
}

/// Stored files that may hold a row of the part.
pub(super) fn touched(
    live: &[LiveFile],
    part: &Part,
    table: &drydown_schema::TableSpec,
) -> Vec<LiveFile> {
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
