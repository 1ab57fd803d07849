//! `drydown ingest --again SOURCE`: the table of a source rebuilt from its files, in their first order.
//!
//! Later files may have superseded cells of earlier ones, so the whole table is laid anew from every
//! file of the ledger. A file that is gone, or was written over by other rows, stops the rebuild before
//! anything is written.

use std::collections::{BTreeMap, BTreeSet};

use anyhow::{Context as _, Result, bail};
use arrow::array::{AsArray, BooleanArray, RecordBatch};
use drydown_ingest::{FileHashes, FileHead, FileRows, LoadRow, Source, loads_batch};
use drydown_quantity::Stamp;
use drydown_store::{CommitNote, Store, WriteGuard};
use drydown_tables::Load;
use rayon::prelude::*;
use serde_json::json;

use super::large::{self, Into};
use super::ledger::{self, LOADS_KEY};
use super::matching::{Found, find_files, text_weight};
use super::sink::Sink;
use super::{BATCH_TEXT, FileDone, IngestInputs, IngestSummary, is_large, read_file, source_of};
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
    let found = find_files(inputs, sources)?.found;
    let disk = OnDisk::read(&wanted, &found, sources)?;
    let todo = in_first_order(&wanted, &disk)?;
    let others_rejects = rejects_of_others(store, &of_table)?;
    let mut sink = Sink::anew(store, guard, source, &others_rejects)?;
    let site = super::site::stored(Some(store))?;
    let step = inputs.progress.loading(
        todo.len(),
        todo.iter().map(|(file, _)| file.found.size).sum(),
    );
    let into = Into {
        store,
        guard,
        site: &site,
        loaded_at: inputs.loaded_at,
        step: &step,
    };
    take_all(&mut sink, &into, &todo, sources)?;
    let row = |(file, at): &(&Present<'_>, Stamp)| {
        let source = source_of(sources, file.found);
        let head = file.head(*at);
        let counts = sink.counts_of(source.name(), &file.hashes);
        LoadRow::of_file(source.name(), head, source.source_hash(), counts)
    };
    let rebuilt: Vec<LoadRow> = todo.iter().map(row).collect();
    let done: Vec<FileDone> = todo
        .iter()
        .map(|(file, _)| {
            let source = source_of(sources, file.found).name();
            FileDone {
                source: source.to_owned(),
                file: file.found.name.clone(),
                counts: sink.counts_of(source, &file.hashes),
            }
        })
        .collect();
    let staged = sink.finish(rebuilt)?;
    // As in any ingest: what a crash leaves after the data is completed from their metadata; before
    // it, the ledger still shows the old description, and the warning to rebuild stands.
    staged.rejects.commit(CommitNote::default())?;
    staged.data.commit(CommitNote::new(BTreeMap::from([(
        LOADS_KEY.to_owned(),
        json!(staged.ledger),
    )])))?;
    let mut loads: Vec<LoadRow> = others.into_iter().map(ledger::to_load_row).collect();
    loads.extend(staged.ledger);
    store.replace_all(
        guard,
        "loads",
        vec![loads_batch(&loads)?],
        CommitNote::default(),
    )?;
    Ok(IngestSummary {
        files: done,
        ..IngestSummary::default()
    })
}

/// The files of the ledger in the order in which they were first loaded, and when that was.
fn in_first_order<'d, 'f>(
    wanted: &[Load],
    disk: &'d OnDisk<'f>,
) -> Result<Vec<(&'d Present<'f>, Stamp)>> {
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
    let mut todo = Vec::with_capacity(wanted.len());
    let mut known = BTreeSet::new();
    for load in wanted {
        let Some(file) = disk.find(load) else {
            continue;
        };
        // Its file_name may have changed, and it was loaded under both.
        if known.insert((load.source.as_str(), file.hashes.of_rows.as_str())) {
            let at = load.loaded_at.unwrap_or(Stamp::from_micros(i64::MAX / 2));
            todo.push((file, at));
        }
    }
    Ok(todo)
}

/// Reads the files, in their order: large ones in pieces, small ones some at a time.
fn take_all(
    sink: &mut Sink<'_>,
    into: &Into<'_>,
    todo: &[(&Present<'_>, Stamp)],
    sources: &[Source],
) -> Result<()> {
    let mut small: Vec<(&Present<'_>, Stamp)> = Vec::new();
    let mut n_text = 0;
    for (file, at) in todo {
        let source = source_of(sources, file.found);
        let weight = text_weight(file.found);
        let is_large = is_large(source, file.found)?;
        if is_large || n_text + weight > BATCH_TEXT {
            take_small(sink, into, &std::mem::take(&mut small), sources)?;
            n_text = 0;
        }
        if !is_large {
            small.push((*file, *at));
            n_text += weight;
            continue;
        }
        // What was staged cannot be taken back: whether it unpacks is to be known before.
        match large::unpacks(source, file.found)? {
            Ok(()) => {
                sink.set_gathers(source.is_tall())?;
                let into = Into {
                    loaded_at: *at,
                    ..*into
                };
                let taken = large::take_into(sink, &into, source, file.found, file.head(*at))?;
                taken.with_context(|| format!("{} is another file now", file.found.name))?;
                sink.set_gathers(false)?;
                into.step.file_done(0);
            }
            Err(error) => sink.take_together(vec![large::unreadable(
                source,
                file.found,
                file.head(*at),
                &error,
            )?])?,
        }
    }
    take_small(sink, into, &small, sources)
}

fn take_small(
    sink: &mut Sink<'_>,
    into: &Into<'_>,
    files: &[(&Present<'_>, Stamp)],
    sources: &[Source],
) -> Result<()> {
    let rows: Result<Vec<FileRows>> = files
        .par_iter()
        .map(|(file, at)| {
            let content = file.found.content()?;
            let source = source_of(sources, file.found);
            Ok(read_file(source, file.found, &content, *at, into.site))
        })
        .collect();
    let rows = rows?;
    let is_as_it_was = |(rows, (file, _)): (&FileRows, &(&Present<'_>, Stamp))| {
        rows.file_hash() == file.hashes.of_rows
    };
    if !rows.iter().zip(files).all(is_as_it_was) {
        bail!("a file changed while it was read; nothing was rebuilt");
    }
    sink.take_together(rows)?;
    for (file, _) in files {
        into.step.file_done(file.found.size);
    }
    Ok(())
}

/// A file that lies there now.
struct Present<'a> {
    found: &'a Found,
    hashes: FileHashes,
}

impl Present<'_> {
    fn head(&self, loaded_at: Stamp) -> FileHead<'_> {
        FileHead {
            name: &self.found.name,
            hashes: &self.hashes,
            loaded_at,
        }
    }
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
            let hashes = match large::hashes(source, file)? {
                Some(hashes) => hashes,
                None => source.file_hashes(&file.name, &file.content()?.bytes),
            };
            let key = |hash: &str| (source.name().to_owned(), hash.to_owned());
            let at = disk.files.len();
            disk.by_rows.insert(key(&hashes.of_rows), at);
            let same = disk.by_bytes.entry(key(&hashes.of_bytes)).or_default();
            same.push(at);
            disk.files.push(Present {
                found: file,
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

/// The reject entries of the sources that are not rebuilt.
fn rejects_of_others(store: &Store, of_table: &BTreeSet<&str>) -> Result<Vec<RecordBatch>> {
    let mut kept = Vec::new();
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
    Ok(kept)
}
