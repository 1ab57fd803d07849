//! One file too large to hold: read, merged and written piece by piece, committed whole.

use std::io::Read as _;
use std::sync::mpsc::sync_channel;

use anyhow::{Context as _, Result};
use arrow::array::RecordBatch;
use drydown_ingest::{
    Counts, FileHashes, FileHead, FileRows, LoadRow, MergePlan, NextPiece, Part, Piece,
    PieceReader, PieceRows, Pieces, SiteContext, Source, TextError, WideFile, rejects_batch,
};
use drydown_store::{LiveFile, Prepared, Staged, Store, WriteGuard};
use rayon::prelude::*;

use super::matching::Found;
use super::publish::{self, touched};
use super::{FILE_TEXT, FileDone, PIECE_TEXT, tall};
use crate::output::Loading;
use drydown_quantity::Stamp;

/// Pieces decoded before they are asked for.
const PIECES_AHEAD: usize = 2;
/// Reject entries held before they are written.
const MAX_REJECTS: usize = 50_000;
/// Rows of one data file, where a stretch of a tall file gives fewer.
const GATHERED_ROWS: usize = 1 << 15;

/// Where a large file goes.
#[derive(Clone, Copy)]
pub(super) struct Into<'a> {
    pub(super) store: &'a Store,
    pub(super) guard: &'a WriteGuard,
    pub(super) site: &'a SiteContext,
    pub(super) loaded_at: Stamp,
    pub(super) step: &'a Loading,
}

/// What became of a large file, and what the reader of the summary should know.
pub(super) struct Taken {
    pub(super) done: FileDone,
    pub(super) notes: Vec<String>,
}

/// What the ledger knows a large file by; None for the file of an archive that cannot be unpacked.
pub(super) fn hashes(source: &Source, file: &Found) -> Result<Option<FileHashes>> {
    let hashed = file.with_reader(|reader| Ok(source.file_hashes_of(&file.name, reader)))?;
    match hashed {
        Ok(Ok(hashes)) => Ok(Some(hashes)),
        Err(_) => Ok(None),
        Ok(Err(_)) if file.member.is_some() => Ok(None),
        Ok(Err(error)) => {
            Err(error).with_context(|| format!("cannot read {}", file.path.display()))
        }
    }
}

/// Takes one file in one commit.
pub(super) fn take(
    into: &Into<'_>,
    source: &Source,
    file: &Found,
    hashes: &FileHashes,
) -> Result<Taken> {
    let head = FileHead {
        name: &file.name,
        hashes,
        loaded_at: into.loaded_at,
    };
    match take_pieces(into, source, file, head)? {
        Ok(taken) => Ok(taken),
        Err(error) => {
            let first = file.with_reader(|reader| {
                let mut bytes = Vec::new();
                let read = reader.take(64).read_to_end(&mut bytes);
                read.with_context(|| format!("cannot read {}", file.path.display()))?;
                Ok(bytes)
            })?;
            let first = first.unwrap_or_default();
            let rows = source.unreadable_file(head, &first, file.n_bytes(), &error);
            let notes = rows.notes().to_vec();
            let sources = std::slice::from_ref(source);
            let done = publish::take(
                vec![rows],
                Some(into.store),
                Some(into.guard),
                sources,
                into.loaded_at,
            )?;
            let done = done
                .into_iter()
                .next()
                .context("a file without an outcome")?;
            Ok(Taken { done, notes })
        }
    }
}

/// The inner error: the bytes do not unpack, and nothing was committed.
fn take_pieces(
    into: &Into<'_>,
    source: &Source,
    file: &Found,
    head: FileHead<'_>,
) -> Result<Result<Taken, TextError>> {
    let names = file.with_reader(|reader| Ok(source.names_in(reader, PIECE_TEXT, FILE_TEXT)))?;
    let names = match names {
        Ok(Ok(names)) => names,
        Ok(Err(error)) | Err(error) => return Ok(Err(error)),
    };
    let mut sink = Sink::new(into, source)?;
    let taken = file.with_reader(|reader| {
        let pieces = source.pieces(into.step.watched(reader), PIECE_TEXT, FILE_TEXT);
        match pieces {
            Ok(pieces) => read_into(&mut sink, into, (source, head), pieces.named(names)),
            Err(error) => Ok(Err(error)),
        }
    })?;
    if let Ok(Err(error)) | Err(error) = taken {
        return Ok(Err(error));
    }
    let notes = std::mem::take(&mut sink.notes);
    let counts = sink.commit(source, head)?;
    Ok(Ok(Taken {
        done: FileDone {
            source: source.name().to_owned(),
            file: file.name.clone(),
            counts,
        },
        notes,
    }))
}

/// Reads a file into what is staged; the inner error: the bytes do not unpack.
fn read_into(
    sink: &mut Sink<'_>,
    into: &Into<'_>,
    (source, head): (&Source, FileHead<'_>),
    pieces: Pieces<'_>,
) -> Result<Result<(), TextError>> {
    std::thread::scope(|scope| {
        let next = read_ahead(scope, pieces);
        let mut take = |rows: Vec<FileRows>| -> Result<()> {
            let counts = rows.iter().map(FileRows::counts);
            let sum = counts.fold(Counts::default(), Counts::plus);
            sink.take(rows)?;
            into.step.rows_done(sum.rows_in, sum.rows_rejected);
            Ok(())
        };
        if source.is_tall() {
            // Beside the store's data, where there is room for it; gone when it is closed, however that is.
            let scratch = tempfile::tempfile_in(into.store.path());
            let scratch = scratch.context("cannot write to the store")?;
            return tall::read((source, into.site, head), next, scratch, &mut take);
        }
        let mut reader = match PieceReader::open(source, into.site, head, next) {
            Ok(reader) => reader,
            Err(error) => return Ok(Err(error)),
        };
        loop {
            match reader.read(rayon::current_num_threads(), &read_all) {
                Ok(Some(rows)) => take(rows)?,
                Ok(None) => return Ok(Ok(())),
                Err(error) => return Ok(Err(error)),
            }
        }
    })
}

/// Unpacks and decodes on a thread of its own, a few pieces ahead of those that are read.
fn read_ahead<'scope, 'r: 'scope>(
    scope: &'scope std::thread::Scope<'scope, '_>,
    mut pieces: Pieces<'r>,
) -> NextPiece<'scope> {
    let (sender, receiver) = sync_channel(PIECES_AHEAD);
    scope.spawn(move || {
        loop {
            let piece = pieces.read();
            let is_end = !matches!(piece, Ok(Some(_)));
            if sender.send(piece).is_err() || is_end {
                return;
            }
        }
    });
    Box::new(move || receiver.recv().unwrap_or(Ok(None)))
}

fn read_all(file: &WideFile<'_>, pieces: &[Piece]) -> Vec<PieceRows> {
    pieces
        .par_iter()
        .map(|piece| file.read_alone(piece))
        .collect()
}

/// What was merged and written so far, seen by nobody before the commit.
struct Sink<'a> {
    store: &'a Store,
    guard: &'a WriteGuard,
    table: &'static str,
    staged: Staged<'a>,
    live: Vec<LiveFile>,
    /// Parts already written. Their spans are told unit by unit: a piece often begins within the
    /// instant that the one before it ends in, which spans of whole files would take for one key.
    written: Vec<Part>,
    /// Whether the parts are small, so that several make a data file.
    gathers: bool,
    /// New rows, in the order of time, that no data file holds yet.
    gathered: Vec<RecordBatch>,
    /// Files that hold more than a part: rows merged with others.
    mixed: Vec<LiveFile>,
    staged_rejects: Staged<'a>,
    rejects: Vec<RecordBatch>,
    counts: Counts,
    notes: Vec<String>,
}

impl<'a> Sink<'a> {
    fn new(into: &Into<'a>, source: &Source) -> Result<Self> {
        let table = source.table().name.as_str();
        let staged = into.store.stage(into.guard, table)?;
        Ok(Self {
            store: into.store,
            guard: into.guard,
            table,
            live: staged.live_files()?,
            staged,
            written: Vec::new(),
            gathers: source.is_tall(),
            gathered: Vec::new(),
            mixed: Vec::new(),
            staged_rejects: into.store.stage(into.guard, "rejects")?,
            rejects: Vec::new(),
            counts: Counts::default(),
            notes: Vec::new(),
        })
    }

    /// Merges pieces, in their order. Those that touch no stored row and none of each other are
    /// written at the same time.
    fn take(&mut self, pieces: Vec<FileRows>) -> Result<()> {
        let mut plans: Vec<Planned> = pieces.into_par_iter().map(Planned::of).collect();
        let mut begin = 0;
        while begin < plans.len() {
            let rest = plans.get_mut(begin..).unwrap_or(&mut []);
            let n_apart = self.n_apart(rest);
            let (apart, later) = rest.split_at_mut(n_apart);
            if self.gathers {
                self.gather(apart)?;
            } else {
                let staged = &self.staged;
                let written: Result<Vec<Vec<Prepared>>> = apart
                    .par_iter_mut()
                    .map(|plan| plan.write(staged))
                    .collect();
                for prepared in written?.into_iter().flatten() {
                    self.staged.take(prepared);
                }
            }
            self.written
                .extend(apart.iter().flat_map(|plan| plan.parts.iter().cloned()));
            if let Some(plan) = later.first_mut() {
                self.merge(plan)?;
            }
            begin += n_apart + 1;
        }
        for plan in plans {
            for file in plan.plan.into_files() {
                self.counts = self.counts.plus(file.counts());
                // Every piece says of itself what is true of the file.
                for note in file.notes() {
                    if !self.notes.contains(note) {
                        self.notes.push(note.clone());
                    }
                }
                self.rejects.push(rejects_batch(&[file])?);
            }
        }
        if self
            .rejects
            .iter()
            .map(RecordBatch::num_rows)
            .sum::<usize>()
            > MAX_REJECTS
        {
            self.write_rejects()?;
        }
        Ok(())
    }

    /// Keeps rows that share no key with any stored one, until there are enough for data files.
    fn gather(&mut self, plans: &mut [Planned]) -> Result<()> {
        let new: Result<Vec<Vec<RecordBatch>>> =
            plans.par_iter_mut().map(Planned::new_rows).collect();
        self.gathered.extend(new?.into_iter().flatten());
        let n_rows: usize = self.gathered.iter().map(RecordBatch::num_rows).sum();
        if n_rows >= GATHERED_ROWS * rayon::current_num_threads() {
            self.write_gathered()?;
        }
        Ok(())
    }

    fn write_gathered(&mut self) -> Result<()> {
        let mut files: Vec<Vec<RecordBatch>> = Vec::new();
        let mut n_rows = GATHERED_ROWS;
        for batch in std::mem::take(&mut self.gathered) {
            if n_rows >= GATHERED_ROWS {
                files.push(Vec::new());
                n_rows = 0;
            }
            n_rows += batch.num_rows();
            files.last_mut().context("no data file")?.push(batch);
        }
        let staged = &self.staged;
        let written = files.par_iter().map(|batches| staged.prepare(batches));
        for prepared in written.collect::<Result<Vec<Prepared>, _>>()? {
            self.staged.take(prepared);
        }
        Ok(())
    }

    /// How many of the plans come before the first that shares keys with a stored row, or with a
    /// plan before it.
    fn n_apart(&self, plans: &[Planned]) -> usize {
        plans
            .iter()
            .enumerate()
            .position(|(idx, plan)| {
                let earlier = plans.get(..idx).unwrap_or(&[]);
                plan.parts.iter().any(|part| {
                    let table = plan.plan.table();
                    !touched(&self.live, part, table).is_empty()
                        || !touched(&self.mixed, part, table).is_empty()
                        || self
                            .written
                            .iter()
                            .chain(earlier.iter().flat_map(|other| &other.parts))
                            .any(|other| part.overlaps(other))
                })
            })
            .unwrap_or(plans.len())
    }

    /// Merges one plan with what is stored, or was staged before it.
    fn merge(&mut self, plan: &mut Planned) -> Result<()> {
        self.write_gathered()?;
        for part in &plan.parts {
            let table = plan.plan.table();
            let mut replaced = touched(&self.live, part, table);
            replaced.extend(touched(&self.staged.staged_files(), part, table));
            let stored = self.store.load_files(self.table, &replaced)?;
            let merged = plan.plan.merge_part(part, &stored)?;
            let had = self.staged.staged_files();
            publish::lay(&mut self.staged, &replaced, &merged)?;
            if merged.n_changed > 0 {
                let is_gone = |file: &LiveFile| replaced.iter().any(|gone| gone.path == file.path);
                self.live.retain(|file| !is_gone(file));
                self.mixed.retain(|file| !is_gone(file));
            }
            let new = self.staged.staged_files();
            self.mixed
                .extend(new.into_iter().filter(|file| !had.contains(file)));
        }
        Ok(())
    }

    fn write_rejects(&mut self) -> Result<()> {
        let rejects = std::mem::take(&mut self.rejects);
        self.staged_rejects.write(&rejects)?;
        Ok(())
    }

    fn commit(mut self, source: &Source, head: FileHead<'_>) -> Result<Counts> {
        self.write_gathered()?;
        self.write_rejects()?;
        let row = LoadRow::of_file(source.name(), head, source.source_hash(), self.counts);
        publish::commit_staged(
            self.store,
            self.guard,
            publish::StagedCommit {
                rejects: self.staged_rejects,
                data: self.staged,
                ledger: vec![row],
            },
        )?;
        Ok(self.counts)
    }
}

/// A piece with its keys in order.
struct Planned {
    plan: MergePlan,
    parts: Vec<Part>,
}

impl Planned {
    fn of(rows: FileRows) -> Self {
        let plan = MergePlan::new(rows.table(), vec![rows]);
        let parts = plan.parts();
        Self { plan, parts }
    }

    /// Writes rows that share no key with any stored one.
    fn write(&mut self, staged: &Staged<'_>) -> Result<Vec<Prepared>> {
        let mut written = Vec::with_capacity(self.parts.len());
        for part in &self.parts {
            let merged = self.plan.merge_part(part, &[])?;
            written.push(staged.prepare(&merged.added)?);
        }
        Ok(written)
    }

    /// Rows that share no key with any stored one.
    fn new_rows(&mut self) -> Result<Vec<RecordBatch>> {
        let mut rows = Vec::with_capacity(self.parts.len());
        for part in &self.parts {
            rows.extend(self.plan.merge_part(part, &[])?.added);
        }
        Ok(rows)
    }
}
