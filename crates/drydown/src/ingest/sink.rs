//! Rows of files on their way into the store: merged and written as they come, committed whole.

use std::collections::BTreeMap;

use anyhow::{Context as _, Result};
use arrow::array::RecordBatch;
use drydown_ingest::{
    Counts, FileHashes, FileRows, LoadRow, MergePlan, Part, Source, rejects_batch,
};
use drydown_store::{LiveFile, Prepared, Staged, Store, WriteGuard};
use rayon::prelude::*;

use super::publish::{self, StagedCommit, touched};

/// Reject entries held before they are written.
const MAX_REJECTS: usize = 50_000;
/// Rows of one data file, where a stretch of a tall file gives fewer.
const GATHERED_ROWS: usize = 1 << 15;

/// What was merged and written so far, seen by nobody before the commit.
pub(super) struct Sink<'a> {
    store: &'a Store,
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
    /// By source and hash, what became of the files.
    counts: BTreeMap<(String, String), Counts>,
    pub(super) notes: Vec<String>,
}

impl<'a> Sink<'a> {
    /// Lays rows over what is stored.
    pub(super) fn new(store: &'a Store, guard: &'a WriteGuard, source: &Source) -> Result<Self> {
        let table = source.table().name.as_str();
        let staged = store.stage(guard, table)?;
        let live = staged.live_files()?;
        let rejects = store.stage(guard, "rejects")?;
        Ok(Self {
            store,
            table,
            staged,
            live,
            written: Vec::new(),
            gathers: source.is_tall(),
            gathered: Vec::new(),
            mixed: Vec::new(),
            staged_rejects: rejects,
            rejects: Vec::new(),
            counts: BTreeMap::new(),
            notes: Vec::new(),
        })
    }

    /// Puts rows in the place of all that is stored, and their rejects beside these.
    pub(super) fn anew(
        store: &'a Store,
        guard: &'a WriteGuard,
        source: &Source,
        other_rejects: &[RecordBatch],
    ) -> Result<Self> {
        let mut sink = Self::new(store, guard, source)?;
        let live = std::mem::take(&mut sink.live);
        sink.staged.remove(&live)?;
        let rejects = sink.staged_rejects.live_files()?;
        sink.staged_rejects.remove(&rejects)?;
        sink.staged_rejects.write(other_rejects)?;
        sink.gathers = false;
        Ok(sink)
    }

    /// Whether what comes next comes in small parts.
    pub(super) fn set_gathers(&mut self, gathers: bool) -> Result<()> {
        self.write_gathered()?;
        self.gathers = gathers;
        Ok(())
    }

    /// What became of a file, as far as it was taken.
    pub(super) fn counts_of(&self, source: &str, hashes: &FileHashes) -> Counts {
        let key = (source.to_owned(), hashes.of_rows.clone());
        self.counts.get(&key).copied().unwrap_or_default()
    }

    /// Merges pieces, in their order. Those that touch no stored row and none of each other are
    /// written at the same time.
    pub(super) fn take(&mut self, pieces: Vec<FileRows>) -> Result<()> {
        let plans = pieces.into_par_iter();
        let plans = plans.filter_map(|rows| Planned::of(vec![rows]));
        self.take_plans(plans.collect())
    }

    /// Merges some files at once, in their order.
    pub(super) fn take_together(&mut self, files: Vec<FileRows>) -> Result<()> {
        self.take_plans(Planned::of(files).into_iter().collect())
    }

    fn take_plans(&mut self, mut plans: Vec<Planned>) -> Result<()> {
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
                let key = (file.source().to_owned(), file.file_hash().to_owned());
                let counts = self.counts.entry(key).or_default();
                *counts = counts.plus(file.counts());
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

    /// All of it, to be committed with the ledger's rows.
    pub(super) fn finish(mut self, ledger: Vec<LoadRow>) -> Result<StagedCommit<'a>> {
        self.write_gathered()?;
        self.write_rejects()?;
        Ok(StagedCommit {
            rejects: self.staged_rejects,
            data: self.staged,
            ledger,
        })
    }
}

/// Rows with their keys in order.
struct Planned {
    plan: MergePlan,
    parts: Vec<Part>,
}

impl Planned {
    fn of(files: Vec<FileRows>) -> Option<Self> {
        let table = files.first()?.table();
        let plan = MergePlan::new(table, files);
        let parts = plan.parts();
        Some(Self { plan, parts })
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
