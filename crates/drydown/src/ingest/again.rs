//! `drydown ingest --again SOURCE`: the table of a source rebuilt from its files, in their first order.
//!
//! Later files may have superseded cells of earlier ones, so the whole table is laid anew from every
//! file of the ledger. A file that is gone, or was written over by other rows, stops the rebuild before
//! anything is written.

use std::collections::{BTreeMap, BTreeSet};

use anyhow::{Context as _, Result, bail};
use drydown_ingest::{
    Content, FileHashes, FileRows, LoadRow, MergePlan, Source, loads_batch, rejects_batch,
};
use drydown_quantity::Stamp;
use drydown_store::{CommitNote, Store, WriteGuard};
use drydown_tables::Load;
use serde_json::json;

use super::ledger::{self, LOADS_KEY};
use super::matching::{Found, find_files};
use super::publish::hash_of;
use super::{FileDone, IngestInputs, IngestSummary, read_file, source_of};
use crate::usage::UsageError;

pub(super) fn rebuild(
    inputs: &IngestInputs<'_>,
    store: &Store,
    guard: &WriteGuard,
    sources: &[Source],
    name: &str,
) -> Result<IngestSummary> {
    let source = sources
        .iter()
        .find(|source| source.name() == name)
        .ok_or_else(|| {
            let known: Vec<&str> = sources.iter().map(Source::name).collect();
            UsageError(format!(
                "--again: found \"{name}\", expected one of {}",
                known.join(", ")
            ))
        })?;
    let table = source.table();
    let of_table: BTreeSet<&str> = sources
        .iter()
        .filter(|other| other.table().name == table.name)
        .map(Source::name)
        .collect();
    let (mut wanted, others): (Vec<Load>, Vec<Load>) = ledger::rows(store)?
        .into_iter()
        .partition(|load| of_table.contains(load.source.as_str()));
    wanted.sort_by(|a, b| (a.loaded_at, &a.file).cmp(&(b.loaded_at, &b.file)));
    let found = find_files(inputs, sources)?;
    let (rows, times) = read_all(&wanted, &found, sources, store)?;
    let mut plan = MergePlan::new(table, rows);
    let mut staged = store.stage(guard, &table.name)?;
    let live = staged.live_files()?;
    staged.remove(&live)?;
    for part in plan.parts() {
        let merged = plan.merge_part(&part, &[])?;
        staged.write(&merged.added)?;
    }
    let files = plan.into_files();
    let rebuilt: Vec<LoadRow> = files
        .iter()
        .map(|file| {
            let at = times
                .get(&(file.source().to_owned(), file.file_hash().to_owned()))
                .copied()
                .unwrap_or(inputs.loaded_at);
            LoadRow::of(file, hash_of(sources, file), at)
        })
        .collect();
    // As in any ingest: what a crash leaves after the data is completed from their metadata; before
    // it, the ledger still shows the old description, and the warning to rebuild stands.
    replace_rejects(store, guard, &of_table, &files)?;
    staged.commit(CommitNote::new(BTreeMap::from([(
        LOADS_KEY.to_owned(),
        json!(rebuilt),
    )])))?;
    let mut loads: Vec<LoadRow> = others.into_iter().map(ledger::to_load_row).collect();
    loads.extend(rebuilt);
    store.replace_all(
        guard,
        "loads",
        vec![loads_batch(&loads)?],
        CommitNote::default(),
    )?;
    Ok(IngestSummary {
        files: files
            .iter()
            .map(|file| FileDone {
                source: file.source().to_owned(),
                file: file.file().to_owned(),
                counts: file.counts(),
            })
            .collect(),
        ..IngestSummary::default()
    })
}

/// When each file was first loaded, by its source and its hash.
type Times = BTreeMap<(String, String), Stamp>;

/// The files of the ledger, read anew in the order in which they were first loaded.
fn read_all(
    wanted: &[Load],
    found: &[Found],
    sources: &[Source],
    store: &Store,
) -> Result<(Vec<FileRows>, Times)> {
    let site = super::site::stored(Some(store))?;
    let disk = OnDisk::read(wanted, found, sources)?;
    let gone: Vec<&Load> = wanted
        .iter()
        .enumerate()
        .filter(|(at, load)| {
            let later = wanted.get(at + 1..).unwrap_or(&[]);
            disk.find(load).is_none() && !is_held_by_next(load, later)
        })
        .map(|(_, load)| load)
        .collect();
    if !gone.is_empty() {
        bail!("{}", refusal(&gone));
    }
    let mut rows = Vec::with_capacity(wanted.len());
    let mut times = Times::new();
    for load in wanted {
        let Some(file) = disk.find(load) else {
            continue;
        };
        let key = (load.source.clone(), file.hashes.of_rows.clone());
        // Its file_name changed, and it was loaded under both.
        if times.contains_key(&key) {
            continue;
        }
        let at = load.loaded_at.unwrap_or(Stamp::from_micros(i64::MAX / 2));
        times.insert(key, at);
        let source = source_of(sources, file.found);
        rows.push(read_file(source, file.found, &file.content, at, &site));
    }
    Ok((rows, times))
}

/// A file that lies there now.
struct Present<'a> {
    found: &'a Found,
    content: Content,
    hashes: FileHashes,
}

/// The files of the sources that are rebuilt.
struct OnDisk<'a> {
    files: Vec<Present<'a>>,
    /// By source and hash of the rows.
    by_rows: BTreeMap<(String, String), usize>,
    /// By source and hash of the bytes, all of them.
    by_bytes: BTreeMap<(String, String), Vec<usize>>,
}

impl<'a> OnDisk<'a> {
    fn read(wanted: &[Load], found: &'a [Found], sources: &[Source]) -> Result<Self> {
        let mut disk = Self {
            files: Vec::new(),
            by_rows: BTreeMap::new(),
            by_bytes: BTreeMap::new(),
        };
        for file in found {
            let source = source_of(sources, file);
            if !wanted.iter().any(|load| load.source == source.name()) {
                continue;
            }
            let content = file.content()?;
            let hashes = source.file_hashes(&file.name, &content.bytes);
            let key = |hash: &str| (source.name().to_owned(), hash.to_owned());
            let at = disk.files.len();
            disk.by_rows.insert(key(&hashes.of_rows), at);
            let same = disk.by_bytes.entry(key(&hashes.of_bytes)).or_default();
            same.push(at);
            disk.files.push(Present {
                found: file,
                content,
                hashes,
            });
        }
        Ok(disk)
    }

    /// The file of a load. What the source takes from the file's name may have changed since: then its
    /// bytes tell, of the same path first.
    fn find(&self, load: &Load) -> Option<&Present<'a>> {
        let key = |hash: &str| (load.source.clone(), hash.to_owned());
        if let Some(at) = self.by_rows.get(&key(&load.file_hash)) {
            return self.files.get(*at);
        }
        let same = self.by_bytes.get(&key(load.bytes_hash.as_deref()?))?;
        let mut same = same.iter().filter_map(|at| self.files.get(*at));
        let first = same.clone().next();
        let name = load.file.as_deref();
        same.find(|file| Some(file.found.name.as_str()) == name)
            .or(first)
    }
}

/// Whether what was loaded from the same path next held all rows of this load again, as a log does that
/// grows: each of them was a duplicate then, or changed. `later` are the loads that followed.
fn is_held_by_next(load: &Load, later: &[Load]) -> bool {
    let same = |other: &&Load| other.source == load.source && other.file == load.file;
    let own = load.rows_superseded_by_own.unwrap_or(0);
    let n_rows = load.rows_kept + load.rows_duplicate - own;
    later.iter().find(same).is_some_and(|next| {
        next.rows_in >= load.rows_in && next.rows_duplicate + next.rows_superseded >= n_rows
    })
}

/// Why nothing can be rebuilt.
fn refusal(gone: &[&Load]) -> String {
    let shown: Vec<String> = gone
        .iter()
        .take(3)
        .map(|load| {
            format!(
                "{}, loaded {}, {} rows",
                load.file.as_deref().unwrap_or("?"),
                load.loaded_at
                    .map_or_else(|| "?".to_owned(), |at| at.to_string()),
                load.rows_in
            )
        })
        .collect();
    let hint = if gone.iter().any(|load| load.bytes_hash.is_none()) {
        "bring them back, or keep the rows as they are; if only the source's file_name changed, \
         `drydown ingest` first: an earlier version loaded these, and did not keep what they could be told by"
    } else {
        "bring them back under any name that the source matches, or keep the rows as they are"
    };
    format!(
        "{} loaded files are gone or changed on disk ({}{}); nothing was rebuilt, because their rows would be lost\nhint: {hint}",
        gone.len(),
        shown.join("; "),
        if gone.len() > 3 { "; …" } else { "" }
    )
}

fn replace_rejects(
    store: &Store,
    guard: &WriteGuard,
    of_table: &BTreeSet<&str>,
    files: &[FileRows],
) -> Result<()> {
    use arrow::array::{AsArray, BooleanArray};
    let mut kept = vec![rejects_batch(files)?];
    for batch in store.load_files("rejects", &store.live_files("rejects", None)?)? {
        let sources = batch
            .column_by_name("source")
            .and_then(|column| column.as_string_opt::<i32>())
            .context("table \"rejects\" has no text column \"source\"")?;
        let others: BooleanArray = sources
            .iter()
            .map(|source| Some(!of_table.contains(source.unwrap_or_default())))
            .collect();
        kept.push(arrow::compute::filter_record_batch(&batch, &others)?);
    }
    store.replace_all(guard, "rejects", kept, CommitNote::default())?;
    Ok(())
}
