//! `drydown ingest`: from the files that the sources match to rows in the store.
//!
//! Whole files are committed, in the order rejects, data, loads. The data commit carries its
//! ledger rows as metadata, so that the next ingest completes what a crash left between: a file
//! is wholly in or wholly out.

mod again;
mod large;
mod ledger;
mod look;
mod matching;
mod mended;
mod publish;
mod sink;
mod site;
mod tall;

use std::path::PathBuf;
use std::time::Duration;

use anyhow::{Context as _, Result};
use drydown_ingest::{Content, Counts, FileInput, FileRows, SiteContext, Source};
use drydown_quantity::Stamp;
use drydown_store::{CompactRule, Store, WriteGuard};
use rayon::prelude::*;

use crate::config::Config;
use crate::output::Progress;
use ledger::Ledger;
pub(crate) use look::{Looked, look_at};
use matching::Batch;
pub(crate) use matching::Found;
pub(crate) use site::expected as expected_site;

/// Text unpacked at once, bytes: bounds the memory of one commit.
const BATCH_TEXT: u64 = 32 << 20;
/// Text in one piece of a file that is read in pieces, bytes: with two threads, about 250 MB are in
/// use at a time.
const PIECE_TEXT: usize = 8 << 20;
/// Text of one file at most, bytes.
const FILE_TEXT: usize = 8 << 30;

/// Fewer rows than this that changed others are not worth a word.
const FEWEST_SUPERSEDED: u64 = 10;

/// What to ingest, and how.
pub(crate) struct IngestInputs<'a> {
    pub(crate) config: &'a Config,
    /// Files named on the command line; empty: all that the sources match.
    pub(crate) files: Vec<PathBuf>,
    pub(crate) dry_run: bool,
    /// Rebuild the table of this source.
    pub(crate) again: Option<String>,
    pub(crate) loaded_at: Stamp,
    pub(crate) progress: &'a Progress,
}

/// What an ingest did with one file.
#[derive(Clone, Debug)]
pub(crate) struct FileDone {
    pub(crate) source: String,
    pub(crate) file: String,
    pub(crate) counts: Counts,
}

/// What an ingest did.
#[derive(Debug, Default)]
pub(crate) struct IngestSummary {
    pub(crate) files: Vec<FileDone>,
    /// Files already in the ledger.
    pub(crate) n_known: usize,
    pub(crate) warnings: Vec<String>,
}

impl IngestSummary {
    /// A count over all files.
    pub(crate) fn total(&self, of: fn(&Counts) -> u64) -> u64 {
        self.files.iter().map(|file| of(&file.counts)).sum()
    }
}

/// The sources of the configuration, checked; a wrong one is named with file, line and key.
pub(crate) fn compile_sources(config: &Config) -> Result<Vec<Source>> {
    let mut sources = Vec::new();
    for (idx, spec) in config.sources.iter().enumerate() {
        match spec.compile() {
            Ok(source) => sources.push(source),
            Err(problems) => {
                let Some(first) = problems.first() else {
                    continue;
                };
                let key: Vec<&str> = first.key.iter().map(String::as_str).collect();
                let mut text = first.what.clone();
                if let Some(hint) = &first.hint {
                    text.push_str(&format!("\nhint: {hint}"));
                }
                for other in problems.iter().skip(1) {
                    text.push_str(&format!("\nalso {other}"));
                }
                return Err(config.source_error(idx, &key, &text).into());
            }
        }
    }
    Ok(sources)
}

/// Takes what is new. Without a store (a dry run before the first ingest) every file is new.
pub(crate) fn ingest(inputs: &IngestInputs<'_>, store: Option<&Store>) -> Result<IngestSummary> {
    let sources = compile_sources(inputs.config)?;
    let given = mended::take(inputs, &sources, store)?;
    if given.nothing_to_do {
        return Ok(IngestSummary {
            warnings: given.warnings,
            ..IngestSummary::default()
        });
    }
    let inputs = IngestInputs {
        files: given.files,
        again: inputs.again.clone(),
        ..*inputs
    };
    let mut summary = take_new(&inputs, &sources, store)?;
    summary.warnings.splice(0..0, given.warnings);
    Ok(summary)
}

/// As [`ingest`], of files as they lie.
fn take_new(
    inputs: &IngestInputs<'_>,
    sources: &[Source],
    store: Option<&Store>,
) -> Result<IngestSummary> {
    let files = matching::find_files(inputs, sources)?;
    let found = files.found;
    let guard = match store.filter(|_| !inputs.dry_run) {
        Some(store) => Some(
            store
                .lock("ingest", Some(Duration::from_secs(3600)))
                .context("cannot take the store's lock")?,
        ),
        None => None,
    };
    if let (Some(store), Some(guard)) = (store, &guard) {
        ledger::complete(store, guard)?;
        if let Some(name) = &inputs.again {
            return again::rebuild(inputs, store, guard, sources, name);
        }
    }
    let mut known = Ledger::load(store)?;
    let mut summary = IngestSummary {
        warnings: known.changed_descriptions(sources),
        ..IngestSummary::default()
    };
    summary.warnings.extend(files.warnings);
    let n_bytes = found.iter().map(|file| file.size).sum();
    let step = inputs.progress.loading(found.len(), n_bytes);
    // A dry run stores no register that the files after it are read with.
    let planned_site = inputs
        .dry_run
        .then(|| site::expected(sources, &found, inputs.loaded_at, store))
        .transpose()?;
    for table in matching::tables_in_order() {
        let stored_site;
        let site = match &planned_site {
            Some(planned) => planned,
            None => {
                stored_site = site::stored(store)?;
                &stored_site
            }
        };
        let of_table: Vec<&Found> = found
            .iter()
            .filter(|file| source_of(sources, file).table().name == table)
            .collect();
        for batch in matching::to_batches(&of_table, BATCH_TEXT) {
            if let (Some(store), Some(guard)) = (store, &guard)
                && let [file] = batch.files[..]
                && is_large(source_of(sources, file), file)?
            {
                let into = large::Into {
                    store,
                    guard,
                    site,
                    loaded_at: inputs.loaded_at,
                    step: &step,
                };
                let source = source_of(sources, file);
                if take_large(&into, source, file, &mut known, &mut summary)? {
                    continue;
                }
            }
            let rows = read_batch(&batch, sources, &mut known, inputs, site, &mut summary)?;
            if !rows.is_empty() {
                let taken = publish::take(rows, store, guard.as_ref(), sources, inputs.loaded_at)?;
                for file in &taken {
                    step.rows_done(file.counts.rows_in, file.counts.rows_rejected);
                    summary.warnings.extend(overwriting(file));
                }
                summary.files.extend(taken);
            }
            batch
                .files
                .iter()
                .for_each(|file| step.file_done(file.size));
        }
        if let (Some(store), Some(guard)) = (store, &guard)
            && store.table_version(&table)?.is_some()
        {
            store.compact(guard, &table, CompactRule::usual())?;
        }
    }
    if let (Some(store), Some(guard)) = (store, &guard) {
        for journal in ["rejects", "loads"] {
            if store.table_version(journal)?.is_some() {
                store.compact(guard, journal, CompactRule::usual())?;
            }
        }
    }
    Ok(summary)
}

/// Whether a file is read piece by piece. A JSON list is held whole.
fn is_large(source: &Source, file: &Found) -> Result<bool> {
    if matching::text_weight(file) <= BATCH_TEXT / 2 || !source.reads_in_pieces() {
        return Ok(false);
    }
    let is_list = file.with_reader(|reader| Ok(source.is_one_list(reader)))?;
    Ok(matches!(is_list, Ok(Ok(false))))
}

/// Takes a file piece by piece; false: it cannot be unpacked, and is to be told of whole.
fn take_large(
    into: &large::Into<'_>,
    source: &Source,
    file: &Found,
    known: &mut Ledger,
    summary: &mut IngestSummary,
) -> Result<bool> {
    let Some(hashes) = large::hashes(source, file)? else {
        return Ok(false);
    };
    if known.knows_or_adds(source.name(), &hashes.of_rows) {
        summary.n_known += 1;
        into.step.file_done(file.size);
        return Ok(true);
    }
    let taken = large::take(into, source, file, &hashes)?;
    let notes = taken.notes.iter();
    summary
        .warnings
        .extend(notes.map(|note| format!("{}: {note}", file.name)));
    summary.warnings.extend(overwriting(&taken.done));
    summary.files.push(taken.done);
    into.step.file_done(0);
    Ok(true)
}

/// What is to be said of a file most of whose rows changed others: a corrected export does so, and
/// so does one whose stamps are read without their time of day.
fn overwriting(file: &FileDone) -> Option<String> {
    let Counts {
        rows_in,
        rows_superseded,
        ..
    } = file.counts;
    (rows_superseded >= FEWEST_SUPERSEDED && 2 * rows_superseded > rows_in).then(|| {
        format!(
            "{}: {rows_superseded} of {rows_in} rows changed an earlier value of their own key; if this \
             is no corrected export, look whether source \"{}\" reads the whole key (date and time, \
             the unit) from the right columns",
            file.file, file.source
        )
    })
}

fn source_of<'a>(sources: &'a [Source], found: &Found) -> &'a Source {
    // `find_files` gives only indexes of this list.
    sources.get(found.source_idx).unwrap_or(&sources[0])
}

/// Reads the files of a batch that the ledger does not know, in parallel, in their order.
fn read_batch(
    batch: &Batch<'_>,
    sources: &[Source],
    known: &mut Ledger,
    inputs: &IngestInputs<'_>,
    site: &SiteContext,
    summary: &mut IngestSummary,
) -> Result<Vec<FileRows>> {
    let mut contents = Vec::new();
    for file in &batch.files {
        let content = file.content()?;
        let source = source_of(sources, file);
        if known.knows_or_adds(source.name(), &source.file_hash(&file.name, &content.bytes)) {
            summary.n_known += 1;
        } else {
            contents.push((*file, content));
        }
    }
    let rows: Vec<FileRows> = contents
        .par_iter()
        .map(|(file, content)| {
            let source = source_of(sources, file);
            read_file(source, file, content, inputs.loaded_at, site)
        })
        .collect();
    for file in &rows {
        let notes = file.notes().iter();
        summary
            .warnings
            .extend(notes.map(|note| format!("{}: {note}", file.file())));
    }
    Ok(rows)
}

fn read_file(
    source: &Source,
    file: &Found,
    content: &Content,
    loaded_at: Stamp,
    site: &SiteContext,
) -> FileRows {
    let input = FileInput {
        name: &file.name,
        bytes: &content.bytes,
        loaded_at,
        max_text: FILE_TEXT,
    };
    source.read_content(&input, content.error.as_ref(), site)
}

/// The files each source matches now, and a warning for each path that cannot be looked at.
pub(crate) fn files_of(
    inputs: &IngestInputs<'_>,
    sources: &[Source],
) -> Result<(Vec<Found>, Vec<String>)> {
    let files = matching::find_files(inputs, sources)?;
    Ok((files.found, files.warnings))
}

/// Puts one write under the store's lock; shared by the parts of an ingest.
pub(crate) type Guard<'a> = Option<&'a WriteGuard>;
