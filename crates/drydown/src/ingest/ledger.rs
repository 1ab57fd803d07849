//! The load ledger: what was loaded, and what a crash left between two commits.

use std::collections::{BTreeMap, BTreeSet};

use anyhow::{Context as _, Result};
use arrow::array::{AsArray, BooleanArray, RecordBatch};
use arrow::compute::filter_record_batch;
use drydown_ingest::{LoadRow, Source, loads_batch};
use drydown_quantity::Stamp;
use drydown_schema::{TableKind, tables};
use drydown_store::{CommitNote, Store, WriteGuard};
use drydown_tables::Load;
use serde_json::Value;

/// Key of the ledger rows in a data commit's metadata.
pub(super) const LOADS_KEY: &str = "loads";

/// Files already loaded, and by which description of their source.
#[derive(Debug, Default)]
pub(super) struct Ledger {
    known: BTreeSet<(String, String)>,
    descriptions: BTreeMap<String, BTreeSet<String>>,
}

impl Ledger {
    pub(super) fn load(store: Option<&Store>) -> Result<Self> {
        let mut ledger = Self::default();
        let Some(store) = store else {
            return Ok(ledger);
        };
        for row in rows(store)? {
            ledger.known.insert((row.source.clone(), row.file_hash));
            ledger
                .descriptions
                .entry(row.source)
                .or_default()
                .extend(row.source_hash);
        }
        Ok(ledger)
    }

    /// Whether a file was loaded already; from now on it counts as loaded.
    pub(super) fn knows_or_adds(&mut self, source: &str, file_hash: &str) -> bool {
        !self.known.insert((source.to_owned(), file_hash.to_owned()))
    }

    /// A warning for each source whose description is no longer the one its files were loaded by.
    pub(super) fn changed_descriptions(&self, sources: &[Source]) -> Vec<String> {
        sources
            .iter()
            .filter(|source| {
                self.descriptions
                    .get(source.name())
                    .is_some_and(|had| had.iter().any(|hash| hash != source.source_hash()))
            })
            .map(|source| {
                format!(
                    "the description of source \"{0}\" changed since its files were loaded; their rows stand as they were\nhint: `drydown ingest --again {0}` rebuilds them",
                    source.name()
                )
            })
            .collect()
    }
}

pub(super) fn rows(store: &Store) -> Result<Vec<Load>> {
    Ok(drydown_tables::from_frame(
        &store.scan("loads", None, None)?.collect()?,
    )?)
}

/// Finishes what a crash left: ledger rows that stand in a data commit but not, or otherwise, in
/// `loads`, and rejects of files whose data never arrived.
pub(super) fn complete(store: &Store, guard: &WriteGuard) -> Result<()> {
    let had = rows(store)?;
    let mut known: BTreeMap<(String, String), LoadRow> = had
        .into_iter()
        .map(to_load_row)
        .map(|row| ((row.source.clone(), row.file_hash.clone()), row))
        .collect();
    let mut lost = Vec::new();
    let mut is_rebuilt = false;
    for row in noted(store)? {
        let key = (row.source.clone(), row.file_hash.clone());
        match known.insert(key, row.clone()) {
            None => lost.push(row),
            // The end of a rebuild: its data are in, its ledger rows are not.
            Some(before) => is_rebuilt |= before != row,
        }
    }
    if is_rebuilt {
        let all: Vec<LoadRow> = known.values().cloned().collect();
        let all = vec![loads_batch(&all)?];
        store.replace_all(guard, "loads", all, CommitNote::default())?;
    } else if !lost.is_empty() {
        let lost = vec![loads_batch(&lost)?];
        store.append(guard, "loads", lost, CommitNote::default())?;
    }
    drop_orphan_rejects(store, guard, &known.into_keys().collect())
}

/// The ledger rows in the last data commit of each table; of a file in several, the last.
fn noted(store: &Store) -> Result<Vec<LoadRow>> {
    let mut last: BTreeMap<(String, String), LoadRow> = BTreeMap::new();
    for spec in tables()
        .iter()
        .filter(|spec| spec.kind == TableKind::Ingested)
    {
        let Some(version) = store.table_version(&spec.name)? else {
            continue;
        };
        // One commit at most can lack its ledger rows: they follow it before the next data commit.
        for commit in store.commits_after(&spec.name, Some(version - 2))? {
            let Some(Value::Array(noted)) = commit.metadata.get(LOADS_KEY) else {
                continue;
            };
            for value in noted {
                let row: LoadRow = serde_json::from_value(value.clone()).with_context(|| {
                    format!(
                        "the log of table \"{}\" holds ledger rows that cannot be read",
                        spec.name
                    )
                })?;
                last.insert((row.source.clone(), row.file_hash.clone()), row);
            }
        }
    }
    Ok(last.into_values().collect())
}

/// A row of `loads` as it was written.
pub(super) fn to_load_row(load: Load) -> LoadRow {
    let count = |n: i64| u64::try_from(n).unwrap_or(0);
    LoadRow {
        source: load.source,
        file_hash: load.file_hash,
        bytes_hash: load.bytes_hash,
        file: load.file.unwrap_or_default(),
        source_hash: load.source_hash.unwrap_or_default(),
        loaded_at: load.loaded_at.map_or(0, Stamp::micros),
        rows_in: count(load.rows_in),
        rows_kept: count(load.rows_kept),
        rows_duplicate: count(load.rows_duplicate),
        rows_superseded: count(load.rows_superseded),
        rows_superseded_by_own: load.rows_superseded_by_own.map(count),
        rows_rejected: count(load.rows_rejected),
        rows_ignored: count(load.rows_ignored),
    }
}

/// Rejects whose file is in no ledger row were published before their data could follow.
fn drop_orphan_rejects(
    store: &Store,
    guard: &WriteGuard,
    known: &BTreeSet<(String, String)>,
) -> Result<()> {
    let files = store.live_files("rejects", None)?;
    if files.is_empty() {
        return Ok(());
    }
    let batches = store.load_files("rejects", &files)?;
    let mut kept = Vec::with_capacity(batches.len());
    let mut n_orphans = 0;
    for batch in &batches {
        let keep = is_known(batch, known)?;
        n_orphans += keep.iter().filter(|keep| *keep != Some(true)).count();
        kept.push(filter_record_batch(batch, &keep)?);
    }
    if n_orphans > 0 {
        store.replace_all(guard, "rejects", kept, CommitNote::default())?;
    }
    Ok(())
}

fn is_known(batch: &RecordBatch, known: &BTreeSet<(String, String)>) -> Result<BooleanArray> {
    let column = |name: &str| {
        batch
            .column_by_name(name)
            .and_then(|column| column.as_string_opt::<i32>())
            .with_context(|| format!("table \"rejects\" has no text column \"{name}\""))
    };
    let (sources, hashes) = (column("source")?, column("file_hash")?);
    Ok(sources
        .iter()
        .zip(hashes.iter())
        .map(|(source, hash)| {
            let (source, hash) = (source.unwrap_or_default(), hash.unwrap_or_default());
            Some(known.contains(&(source.to_owned(), hash.to_owned())))
        })
        .collect())
}
