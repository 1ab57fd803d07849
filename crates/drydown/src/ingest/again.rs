//! `drydown ingest --again SOURCE`: the table of a source rebuilt from its files, in their first order.
//!
//! Later files may have superseded cells of earlier ones, so the whole table is laid anew from every
//! file of the ledger. A file that is gone or changed stops the rebuild before anything is written.

use std::collections::{BTreeMap, BTreeSet};

use anyhow::{Context as _, Result, bail};
use drydown_ingest::{Content, FileRows, LoadRow, MergePlan, Source, loads_batch, rejects_batch};
use drydown_quantity::Stamp;
use drydown_store::{CommitNote, Store, WriteGuard};
use drydown_tables::Load;
use serde_json::json;

use super::ledger::{self, LOADS_KEY};
use super::matching::{Found, find_files};
use super::publish::hash_of;
use super::{FileDone, IngestInputs, IngestSummary, missing, read_file, source_of};
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
    let rows = read_all(&wanted, &found, sources, store)?;
    let mut plan = MergePlan::new(table, rows);
    let mut staged = store.stage(guard, &table.name)?;
    let live = staged.live_files()?;
    staged.remove(&live)?;
    for part in plan.parts() {
        let merged = plan.merge_part(&part, &[])?;
        staged.write(&merged.added)?;
    }
    let files = plan.into_files();
    let times: BTreeMap<(&str, &str), Stamp> = wanted
        .iter()
        .map(|load| {
            (
                (load.source.as_str(), load.file_hash.as_str()),
                load.loaded_at.unwrap_or(inputs.loaded_at),
            )
        })
        .collect();
    let rebuilt: Vec<LoadRow> = files
        .iter()
        .map(|file| {
            let at = times
                .get(&(file.source(), file.file_hash()))
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

/// The files of the ledger, read anew in the order in which they were first loaded.
fn read_all(
    wanted: &[Load],
    found: &[Found],
    sources: &[Source],
    store: &Store,
) -> Result<Vec<FileRows>> {
    let site = super::site::stored(Some(store))?;
    let mut on_disk: BTreeMap<(String, String), (&Found, Content)> = BTreeMap::new();
    for file in found {
        let source = source_of(sources, file);
        if wanted.iter().any(|load| load.source == source.name()) {
            let content = file.content()?;
            on_disk.insert(
                (
                    source.name().to_owned(),
                    source.file_hash(&file.name, &content.bytes),
                ),
                (file, content),
            );
        }
    }
    let name = |load: &Load| load.file.clone().unwrap_or_default();
    let all: BTreeSet<String> = wanted.iter().map(name).collect();
    let had: BTreeSet<String> = wanted
        .iter()
        .filter(|load| on_disk.contains_key(&(load.source.clone(), load.file_hash.clone())))
        .map(name)
        .collect();
    let gone = missing(&all, &had);
    if !gone.is_empty() {
        bail!(
            "{} loaded files are gone or changed on disk ({}{}); nothing was rebuilt\nhint: bring them back, or keep the rows as they are",
            gone.len(),
            gone.iter().take(3).copied().collect::<Vec<_>>().join(", "),
            if gone.len() > 3 { ", …" } else { "" }
        );
    }
    let mut rows = Vec::with_capacity(wanted.len());
    for load in wanted {
        let Some((file, content)) = on_disk.get(&(load.source.clone(), load.file_hash.clone()))
        else {
            continue;
        };
        let at = load.loaded_at.unwrap_or(Stamp::from_micros(i64::MAX / 2));
        rows.push(read_file(
            source_of(sources, file),
            file,
            content,
            at,
            &site,
        ));
    }
    Ok(rows)
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
