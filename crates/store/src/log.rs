//! The table's log, read entry by entry: history, notes left beside rows, what changed.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::io;
use std::path::Path;

use deltalake_core::kernel::{Add, Remove};
use drydown_quantity::Stamp;
use serde::de::DeserializeOwned;
use serde_json::Value;

use crate::error::StoreError;
use crate::layout::Layout;
use crate::publish::NOTE_KEY;
use crate::store::Store;

/// One version of a table.
#[derive(Clone, Debug, PartialEq)]
pub struct CommitInfo {
    /// The version it made.
    pub version: i64,
    /// When, by the clock of the machine that wrote it.
    pub committed_at: Stamp,
    /// The log's word for it, such as `WRITE`.
    pub operation: String,
    /// Files it added and took out.
    pub n_files_added: usize,
    /// Files it took out.
    pub n_files_removed: usize,
    /// Rows in the files it added.
    pub n_rows_added: u64,
    /// The note its writer left.
    pub metadata: BTreeMap<String, Value>,
}

/// One log entry.
#[derive(Debug)]
pub(crate) struct LogEntry {
    pub(crate) version: i64,
    pub(crate) committed_at: Stamp,
    operation: String,
    metadata: BTreeMap<String, Value>,
    pub(crate) adds: Vec<Add>,
    pub(crate) removes: Vec<Remove>,
}

impl Store {
    /// Every version of the table with the notes left beside the rows, oldest first.
    ///
    /// # Errors
    /// An unknown table; a log that cannot be read.
    pub fn commits(&self, table: &str) -> Result<Vec<CommitInfo>, StoreError> {
        self.commits_after(table, None)
    }

    /// As [`Store::commits`], without the versions up to and including `version`.
    ///
    /// # Errors
    /// As [`Store::commits`].
    pub fn commits_after(
        &self,
        table: &str,
        version: Option<i64>,
    ) -> Result<Vec<CommitInfo>, StoreError> {
        let layout = Layout::of(table)?;
        let entries = self.load_log(&layout.table, version)?;
        Ok(entries.into_iter().map(to_commit).collect())
    }

    /// The months whose rows changed after `version` (`None`: ever); compaction changes
    /// nothing. For a table without partitions the one entry is `None`.
    ///
    /// # Errors
    /// As [`Store::commits`].
    pub fn changed_months(
        &self,
        table: &str,
        version: Option<i64>,
    ) -> Result<BTreeSet<Option<String>>, StoreError> {
        let layout = Layout::of(table)?;
        let mut months = BTreeSet::new();
        let month_of = |values: &std::collections::HashMap<String, Option<String>>| {
            let column = &layout.partition.as_ref()?.column;
            values.get(column).cloned().flatten()
        };
        for entry in self.load_log(&layout.table, version)? {
            for add in entry.adds.iter().filter(|add| add.data_change) {
                months.insert(month_of(&add.partition_values));
            }
            for remove in entry.removes.iter().filter(|remove| remove.data_change) {
                months.insert(remove.partition_values.as_ref().and_then(month_of));
            }
        }
        Ok(months)
    }

    /// The log entries after `version`, oldest first.
    pub(crate) fn load_log(
        &self,
        table: &str,
        version: Option<i64>,
    ) -> Result<Vec<LogEntry>, StoreError> {
        let log = self.table_folder(table).join("_delta_log");
        let listed = match fs::read_dir(&log) {
            Ok(listed) => listed,
            Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
            Err(e) => return Err(StoreError::disk(&log, "list the table's log", e)),
        };
        let mut versions = BTreeSet::new();
        for entry in listed {
            let entry = entry.map_err(|e| StoreError::disk(&log, "list the table's log", e))?;
            let found = parse_version(&entry.file_name().to_string_lossy());
            versions.extend(found.filter(|found| version.is_none_or(|after| *found > after)));
        }
        versions
            .into_iter()
            .map(|version| load_entry(&log, version))
            .collect()
    }
}

/// The version of a log file's name, `00000000000000000007.json`.
fn parse_version(name: &str) -> Option<i64> {
    let digits = name.strip_suffix(".json")?;
    if digits.len() == 20 {
        digits.parse().ok()
    } else {
        None
    }
}

fn load_entry(log: &Path, version: i64) -> Result<LogEntry, StoreError> {
    let path = log.join(format!("{version:020}.json"));
    let text =
        fs::read_to_string(&path).map_err(|e| StoreError::disk(&path, "read a log entry", e))?;
    let mut entry = LogEntry {
        version,
        committed_at: Stamp::from_micros(0),
        operation: String::new(),
        metadata: BTreeMap::new(),
        adds: Vec::new(),
        removes: Vec::new(),
    };
    for (index, line) in text.lines().enumerate() {
        let wrong = |e: serde_json::Error| StoreError::BadLog {
            path: path.clone(),
            line: index + 1,
            problem: e.to_string(),
        };
        let mut action: BTreeMap<String, Value> = serde_json::from_str(line).map_err(wrong)?;
        if let Some(info) = action.get("commitInfo") {
            read_info(&mut entry, info);
        }
        entry
            .adds
            .extend(take::<Add>(&mut action, "add").map_err(wrong)?);
        entry
            .removes
            .extend(take::<Remove>(&mut action, "remove").map_err(wrong)?);
    }
    Ok(entry)
}

fn take<T: DeserializeOwned>(
    action: &mut BTreeMap<String, Value>,
    name: &str,
) -> Result<Option<T>, serde_json::Error> {
    action.remove(name).map(serde_json::from_value).transpose()
}

fn read_info(entry: &mut LogEntry, info: &Value) {
    let millis = info
        .get("timestamp")
        .and_then(Value::as_i64)
        .unwrap_or_default();
    entry.committed_at = Stamp::from_micros(millis.saturating_mul(1000));
    info.get("operation")
        .and_then(Value::as_str)
        .unwrap_or_default()
        .clone_into(&mut entry.operation);
    if let Some(note) = info.get(NOTE_KEY).and_then(Value::as_object) {
        entry.metadata = note
            .iter()
            .map(|(key, value)| (key.clone(), value.clone()))
            .collect();
    }
}

fn to_commit(entry: LogEntry) -> CommitInfo {
    let n_rows = |add: &Add| -> Option<u64> {
        let stats: Value = serde_json::from_str(add.stats.as_deref()?).ok()?;
        stats.get("numRecords")?.as_u64()
    };
    CommitInfo {
        version: entry.version,
        committed_at: entry.committed_at,
        operation: entry.operation,
        n_files_added: entry.adds.len(),
        n_files_removed: entry.removes.len(),
        n_rows_added: entry.adds.iter().filter_map(n_rows).sum(),
        metadata: entry.metadata,
    }
}
