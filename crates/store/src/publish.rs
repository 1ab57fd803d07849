//! Publishing rows: data files first, then one log entry that makes them count.
//!
//! A [`Staged`] write starts from one version of the table and is committed on top
//! of exactly that version or not at all. Nothing is retried in silence: the library
//! would let two appends of the same rows through, one after the other.

use std::collections::{BTreeMap, BTreeSet};
use std::fs::{self, File};
use std::path::{Path, PathBuf};

use arrow::array::RecordBatch;
use deltalake_core::kernel::transaction::{CommitBuilder, CommitProperties, TransactionError};
use deltalake_core::kernel::{Action, Add};
use deltalake_core::protocol::{DeltaOperation, SaveMode};
use deltalake_core::{DeltaTable, DeltaTableError, checkpoints};
use serde_json::Value;

use crate::error::StoreError;
use crate::layout::Layout;
use crate::live::LiveFile;
use crate::lock::WriteGuard;
use crate::prepared::{Checking, Prepared, PreparedFile};
use crate::store::Store;

/// A checkpoint of the log after this many versions, so that opening a table stays quick.
const VERSIONS_PER_CHECKPOINT: u64 = 50;
/// The key in the log under which our metadata stands.
pub(crate) const NOTE_KEY: &str = "drydown";
/// For ever, in the only words the format has for it.
const FOR_EVER: &str = "interval 36500 days";

/// What is written into the log beside the rows, and what they were computed from.
#[derive(Clone, Debug, Default)]
pub struct CommitNote {
    metadata: BTreeMap<String, Value>,
    computed_from: Option<Option<i64>>,
}

impl CommitNote {
    /// A note with metadata, for rows that hang on no earlier version of the table.
    #[must_use]
    pub fn new(metadata: BTreeMap<String, Value>) -> Self {
        Self {
            metadata,
            computed_from: None,
        }
    }

    /// The rows were computed from this version of the table (`None`: from there being
    /// no table), and count only if it is still the newest.
    #[must_use]
    pub fn computed_from(mut self, version: Option<i64>) -> Self {
        self.computed_from = Some(version);
        self
    }
}

impl From<BTreeMap<String, Value>> for CommitNote {
    fn from(metadata: BTreeMap<String, Value>) -> Self {
        Self::new(metadata)
    }
}

/// A write in the making: files already on disk that no reader sees before
/// [`Staged::commit`]. Dropped without a commit, it takes its files away again.
#[derive(Debug)]
pub struct Staged<'a> {
    store: &'a Store,
    layout: Layout,
    base: Option<DeltaTable>,
    files: Vec<PreparedFile>,
    removes: Vec<LiveFile>,
    kind: Kind,
    _guard: &'a WriteGuard,
}

/// What kind of change a commit is, for the log's own words.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Kind {
    /// Rows come, go or change.
    Change,
    /// The same rows in fewer files.
    Compaction,
}

impl Store {
    /// Starts a write on the table as it is now, making no change yet.
    ///
    /// # Errors
    /// An unknown table; a guard of another store; a log that cannot be read; a stored
    /// table that cannot hold the contract's columns.
    pub fn stage<'a>(
        &'a self,
        guard: &'a WriteGuard,
        table: &str,
    ) -> Result<Staged<'a>, StoreError> {
        self.stage_in(guard, Layout::of(table)?)
    }

    pub(crate) fn stage_in<'a>(
        &'a self,
        guard: &'a WriteGuard,
        layout: Layout,
    ) -> Result<Staged<'a>, StoreError> {
        guard.check_root(self.path())?;
        let base = self.newest(&layout.table)?;
        if let Some(base) = &base {
            let folder = self.table_folder(&layout.table);
            let state = base
                .snapshot()
                .map_err(|e| StoreError::delta(&folder, "read the table's log", e))?;
            let problems = layout.check_stored(state.schema().as_ref());
            if !problems.is_empty() {
                return Err(StoreError::Misfit {
                    table: layout.table,
                    problems,
                });
            }
        }
        Ok(Staged {
            store: self,
            layout,
            base,
            files: Vec::new(),
            removes: Vec::new(),
            kind: Kind::Change,
            _guard: guard,
        })
    }

    /// Adds rows in one commit and returns the new version.
    ///
    /// # Errors
    /// Rows that break the contract; a lost race; what [`Store::stage`] may fail with;
    /// a disk that refuses. Nothing is visible after an error.
    pub fn append(
        &self,
        guard: &WriteGuard,
        table: &str,
        batches: Vec<RecordBatch>,
        note: impl Into<CommitNote>,
    ) -> Result<i64, StoreError> {
        let mut staged = self.stage(guard, table)?;
        staged.write(&batches)?;
        staged.commit(note)
    }

    /// Puts these rows in the place of all others in one commit and returns the new
    /// version.
    ///
    /// # Errors
    /// As [`Store::append`].
    pub fn replace_all(
        &self,
        guard: &WriteGuard,
        table: &str,
        batches: Vec<RecordBatch>,
        note: impl Into<CommitNote>,
    ) -> Result<i64, StoreError> {
        let mut staged = self.stage(guard, table)?;
        let live = staged.live_files()?;
        staged.remove(&live)?;
        staged.write(&batches)?;
        staged.commit(note)
    }

    /// Puts these rows in the place of the rows of `remove` in one commit and returns
    /// the new version: the way corrections are made.
    ///
    /// # Errors
    /// As [`Store::append`]; a file of `remove` that is no longer live is a lost race.
    pub fn replace_files(
        &self,
        guard: &WriteGuard,
        table: &str,
        remove: &[LiveFile],
        batches: Vec<RecordBatch>,
        note: impl Into<CommitNote>,
    ) -> Result<i64, StoreError> {
        let mut staged = self.stage(guard, table)?;
        staged.remove(remove)?;
        staged.write(&batches)?;
        staged.commit(note)
    }
}

impl Staged<'_> {
    /// The version this write stands on; `None` where there is no table yet.
    #[must_use]
    pub fn base_version(&self) -> Option<i64> {
        self.base
            .as_ref()
            .and_then(DeltaTable::version)
            .and_then(|v| i64::try_from(v).ok())
    }

    /// The live files of the version this write stands on.
    ///
    /// # Errors
    /// As [`Store::live_files`].
    pub fn live_files(&self) -> Result<Vec<LiveFile>, StoreError> {
        match &self.base {
            Some(base) => self.store.live_of(&self.layout, base),
            None => Ok(Vec::new()),
        }
    }

    /// Takes these files out of the table with the commit; files of this write go at once.
    ///
    /// # Errors
    /// [`StoreError::LostRace`] for a file that is not live any more.
    pub fn remove(&mut self, files: &[LiveFile]) -> Result<(), StoreError> {
        let live: BTreeSet<String> = self
            .live_files()?
            .into_iter()
            .map(|file| file.path)
            .collect();
        for file in files {
            if let Some(at) = self.files.iter().position(|own| own.live.path == file.path) {
                // Its rows come again with their changes, before anybody saw them.
                remove_quietly(&self.files.remove(at).path);
                continue;
            }
            if !live.contains(&file.path) {
                return Err(StoreError::LostRace {
                    table: self.layout.table.clone(),
                    expected: format!("file {}", file.path),
                    found: format!("{} without it", say(self.base_version())),
                });
            }
            if !self.removes.iter().any(|known| known.path == file.path) {
                self.removes.push(file.clone());
            }
        }
        Ok(())
    }

    /// Writes rows to data files, sorted by key, a set of files for each month. May be
    /// called again: a large source is written slice by slice and committed at once.
    ///
    /// # Errors
    /// [`StoreError::BadRows`] for rows that break the contract; a disk that refuses.
    pub fn write(&mut self, batches: &[RecordBatch]) -> Result<(), StoreError> {
        let prepared = self.prepare(batches)?;
        self.take(prepared);
        Ok(())
    }

    /// The first half of [`Staged::write`], for several threads at a time.
    ///
    /// # Errors
    /// As [`Staged::write`].
    pub fn prepare(&self, batches: &[RecordBatch]) -> Result<Prepared, StoreError> {
        // Rows that only move were checked when they came.
        let checking = match self.kind {
            Kind::Change => Checking::New,
            Kind::Compaction => Checking::Checked,
        };
        Prepared::write(&self.layout, &self.folder(), batches, checking)
    }

    /// The second half of [`Staged::write`]: the files go with the commit.
    pub fn take(&mut self, mut prepared: Prepared) {
        self.files.append(&mut prepared.files);
    }

    /// Whether the commit would add or remove anything.
    #[must_use]
    pub const fn is_change(&self) -> bool {
        !self.files.is_empty() || !self.removes.is_empty()
    }

    /// The files this write has taken so far; [`Store::load_files`] reads them.
    #[must_use]
    pub fn staged_files(&self) -> Vec<LiveFile> {
        self.files.iter().map(|file| file.live.clone()).collect()
    }

    /// Marks this write as one that only moves rows between files.
    pub(crate) fn set_kind(&mut self, kind: Kind) {
        self.kind = kind;
    }

    /// Makes the write count, in one log entry, and returns the new version. A write
    /// without rows and removals leaves its note all the same.
    ///
    /// # Errors
    /// [`StoreError::LostRace`] when the table is no longer at the version this write
    /// stands on; a disk that refuses. Nothing is visible after an error.
    pub fn commit(mut self, note: impl Into<CommitNote>) -> Result<i64, StoreError> {
        let note = note.into();
        if let Some(expected) = note.computed_from
            && expected != self.base_version()
        {
            return Err(self.lost_race(&say(expected), &say(self.base_version())));
        }
        let base = self.settled_base()?;
        let actions = self.actions(&base)?;
        // From here the log may name the files, whatever comes back: they stay. What
        // no log entry names is invisible, and `prune` sweeps it up.
        self.files.clear();
        let operation = self.operation();
        let version = self.commit_on(&base, actions, operation, note.metadata)?;
        self.settle(base, version);
        i64::try_from(version).map_err(|_| self.lost_race("a version", "no number"))
    }

    /// The table this write goes on top of: made, and given new columns, where needed.
    fn settled_base(&mut self) -> Result<DeltaTable, StoreError> {
        let base = match self.base.take() {
            Some(base) => base,
            None => self.create()?,
        };
        let folder = self.folder();
        let state = base
            .snapshot()
            .map_err(|e| StoreError::delta(&folder, "read the table's log", e))?;
        let fields = self.layout.new_fields(state.schema().as_ref())?;
        self.base = Some(base.clone());
        if fields.is_empty() {
            return Ok(base);
        }
        let from = self.base_version();
        let wider = self.store.wait_for(
            base.add_columns()
                .with_fields(fields)
                .with_commit_properties(properties(BTreeMap::new()))
                .into_future(),
        );
        let wider = wider.map_err(|e| self.commit_error("add columns to the table", from, e))?;
        self.base = Some(wider.clone());
        Ok(wider)
    }

    /// Version 0: columns, partitions and the properties that keep history for ever.
    fn create(&self) -> Result<DeltaTable, StoreError> {
        let folder = self.folder();
        fs::create_dir_all(&folder)
            .map_err(|e| StoreError::disk(&folder, "make the table's folder", e))?;
        let partitions = self
            .layout
            .partition
            .iter()
            .map(|partition| partition.column.clone());
        let create = self
            .store
            .unloaded(&self.layout.table)?
            .create()
            .with_table_name(self.layout.table.clone())
            .with_columns(self.layout.delta_fields()?)
            .with_partition_columns(partitions)
            .with_configuration([
                ("delta.logRetentionDuration", Some(FOR_EVER)),
                ("delta.deletedFileRetentionDuration", Some(FOR_EVER)),
                ("delta.enableExpiredLogCleanup", Some("false")),
            ])
            .with_save_mode(SaveMode::ErrorIfExists)
            .with_commit_properties(properties(BTreeMap::new()));
        self.store.wait_for(create.into_future()).map_err(|e| {
            match self.store.newest(&self.layout.table) {
                // Somebody else made it between our look and our commit.
                Ok(Some(_)) => self.lost_race(&say(None), "a table that another writer made"),
                _ => self.commit_error("make the table", None, e),
            }
        })
    }

    fn actions(&self, base: &DeltaTable) -> Result<Vec<Action>, StoreError> {
        let folder = self.folder();
        let data_change = self.kind == Kind::Change;
        let state = base
            .snapshot()
            .map_err(|e| StoreError::delta(&folder, "read the table's log", e))?;
        let removed: BTreeSet<&str> = self.removes.iter().map(|file| file.path.as_str()).collect();
        let mut actions: Vec<Action> = state
            .snapshot()
            .log_data()
            .into_iter()
            .filter(|view| removed.contains(view.path().as_ref()))
            .map(|view| Action::Remove(view.remove_action(data_change)))
            .collect();
        actions.extend(self.files.iter().map(|file| {
            Action::Add(Add {
                data_change,
                ..file.add.clone()
            })
        }));
        Ok(actions)
    }

    fn operation(&self) -> DeltaOperation {
        if self.kind == Kind::Compaction {
            let target_size = 0;
            return DeltaOperation::Optimize {
                predicate: None,
                target_size,
            };
        }
        let mode = if self.removes.is_empty() {
            SaveMode::Append
        } else {
            SaveMode::Overwrite
        };
        let partition_by = self
            .layout
            .partition
            .as_ref()
            .map(|p| vec![p.column.clone()]);
        DeltaOperation::Write {
            mode,
            partition_by,
            predicate: None,
        }
    }

    fn commit_on(
        &self,
        base: &DeltaTable,
        actions: Vec<Action>,
        operation: DeltaOperation,
        metadata: BTreeMap<String, Value>,
    ) -> Result<u64, StoreError> {
        let folder = self.folder();
        let state = base
            .snapshot()
            .map_err(|e| StoreError::delta(&folder, "read the table's log", e))?;
        let commit = CommitBuilder::from(properties(metadata))
            .with_actions(actions)
            .build(Some(state), base.log_store(), operation);
        // Prepared and written, but without the library's own afterwork: an error there
        // would look like a failed commit although the rows are in.
        let written = self.store.wait_for(async {
            let prepared = commit.into_prepared_commit_future().await?;
            prepared.await.map(|done| done.version)
        });
        written.map_err(|e| self.commit_error("write the table's log", self.base_version(), e))
    }

    /// What may fail after a commit without taking it back.
    fn settle(&self, mut base: DeltaTable, version: u64) {
        let log = self.folder().join("_delta_log");
        let synced = File::open(log.join(format!("{version:020}.json")))
            .and_then(|entry| entry.sync_all())
            .and_then(|()| File::open(&log)?.sync_all());
        let updated = self.store.wait_for(base.update_state());
        if synced.is_ok() && updated.is_ok() {
            self.store.remember(&self.layout.table, &base);
            if version.is_multiple_of(VERSIONS_PER_CHECKPOINT) && version > 0 {
                // A table without a checkpoint only opens more slowly.
                let _ = self
                    .store
                    .wait_for(checkpoints::create_checkpoint(&base, None));
            }
        }
    }

    fn folder(&self) -> PathBuf {
        self.store.table_folder(&self.layout.table)
    }

    fn lost_race(&self, expected: &str, found: &str) -> StoreError {
        StoreError::LostRace {
            table: self.layout.table.clone(),
            expected: expected.to_owned(),
            found: found.to_owned(),
        }
    }

    fn commit_error(
        &self,
        doing: &'static str,
        from: Option<i64>,
        error: DeltaTableError,
    ) -> StoreError {
        if is_lost_race(&error) {
            self.lost_race(&say(from), "a later version")
        } else {
            StoreError::delta(&self.folder(), doing, error)
        }
    }
}

impl Drop for Staged<'_> {
    fn drop(&mut self) {
        for file in &self.files {
            remove_quietly(&file.path);
        }
    }
}

fn remove_quietly(path: &Path) {
    // A file no log entry names is invisible; `prune` sweeps up what stays here.
    let _ = fs::remove_file(path);
}

fn properties(metadata: BTreeMap<String, Value>) -> CommitProperties {
    let note = Value::Object(metadata.into_iter().collect());
    CommitProperties::default()
        .with_max_retries(0)
        .with_create_checkpoint(false)
        .with_cleanup_expired_logs(Some(false))
        .with_metadata([(NOTE_KEY.to_owned(), note)])
}

fn is_lost_race(error: &DeltaTableError) -> bool {
    match error {
        DeltaTableError::VersionAlreadyExists(_) => true,
        DeltaTableError::Transaction { source } => matches!(
            source,
            TransactionError::MaxCommitAttempts(_)
                | TransactionError::CommitConflict(_)
                | TransactionError::VersionAlreadyExists(_)
        ),
        _ => false,
    }
}

fn say(version: Option<i64>) -> String {
    version.map_or_else(
        || "no table".to_owned(),
        |version| format!("version {version}"),
    )
}
