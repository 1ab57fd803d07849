//! The only code that deletes history: files that no kept version needs.

use std::collections::BTreeSet;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::time::UNIX_EPOCH;

use drydown_quantity::Stamp;

use crate::error::StoreError;
use crate::layout::Layout;
use crate::lock::WriteGuard;
use crate::store::Store;

/// Files no log entry names are left alone this long: another program may be about
/// to commit them.
const ORPHAN_DAYS: f64 = 1.0;

/// What [`Store::prune`] deleted.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Pruned {
    /// Data files that only older versions needed.
    pub n_old_files: usize,
    /// Data files that a killed write left behind.
    pub n_orphans: usize,
    /// Bytes freed.
    pub bytes: u64,
}

impl Store {
    /// Deletes the table's data files that were out of use before `now` − `keep_days`
    /// and those that killed writes left behind. Every version that was the newest at
    /// some time since can still be read; older ones cannot. The log stays whole.
    ///
    /// # Errors
    /// An unknown table; a guard of another store; a log that cannot be read; a disk
    /// that refuses.
    pub fn prune(
        &self,
        guard: &WriteGuard,
        table: &str,
        keep_days: u32,
        now: Stamp,
    ) -> Result<Pruned, StoreError> {
        guard.check_root(self.path())?;
        let layout = Layout::of(table)?;
        let cutoff = now.plus_days(-f64::from(keep_days));
        let live: BTreeSet<String> = self
            .live_in(&layout, None)?
            .into_iter()
            .map(|file| file.path)
            .collect();
        // Two views of the same log would be a race with another writer; one look decides.
        let mut named = BTreeSet::new();
        let mut needed = live;
        let mut old = BTreeSet::new();
        for entry in self.load_log(&layout.table, None)? {
            named.extend(entry.adds.iter().map(|add| add.path.clone()));
            for remove in &entry.removes {
                named.insert(remove.path.clone());
                if entry.committed_at < cutoff {
                    old.insert(remove.path.clone());
                } else {
                    needed.insert(remove.path.clone());
                }
            }
        }
        let mut pruned = Pruned::default();
        let folder = self.table_folder(&layout.table);
        for path in old.difference(&needed) {
            if let Some(bytes) = delete(&folder.join(path))? {
                pruned.n_old_files += 1;
                pruned.bytes += bytes;
            }
        }
        for (path, modified_at) in data_files(&folder)? {
            let relative = to_relative(&folder, &path);
            let is_orphan = !named.contains(&relative) && !needed.contains(&relative);
            if is_orphan
                && modified_at < now.plus_days(-ORPHAN_DAYS)
                && let Some(bytes) = delete(&path)?
            {
                pruned.n_orphans += 1;
                pruned.bytes += bytes;
            }
        }
        Ok(pruned)
    }
}

/// Deletes a file; its size, or `None` if it was gone already.
fn delete(path: &Path) -> Result<Option<u64>, StoreError> {
    let size = fs::metadata(path).map(|metadata| metadata.len());
    match size.and_then(|size| fs::remove_file(path).map(|()| size)) {
        Ok(size) => Ok(Some(size)),
        Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(e) => Err(StoreError::disk(path, "delete a data file", e)),
    }
}

/// The Parquet files below a table's folder (its log apart) and when they were written.
fn data_files(folder: &Path) -> Result<Vec<(PathBuf, Stamp)>, StoreError> {
    let mut found = Vec::new();
    let mut folders = vec![folder.to_path_buf()];
    while let Some(folder) = folders.pop() {
        let wrong = |e| StoreError::disk(&folder, "list the table's folder", e);
        let entries = match fs::read_dir(&folder) {
            Ok(entries) => entries,
            Err(e) if e.kind() == io::ErrorKind::NotFound => continue,
            Err(e) => return Err(wrong(e)),
        };
        for entry in entries {
            let entry = entry.map_err(wrong)?;
            let path = entry.path();
            let metadata = entry.metadata().map_err(wrong)?;
            if metadata.is_dir() {
                if !entry.file_name().to_string_lossy().starts_with('_') {
                    folders.push(path);
                }
            } else if path.extension().is_some_and(|end| end == "parquet") {
                let since = metadata
                    .modified()
                    .map_err(wrong)?
                    .duration_since(UNIX_EPOCH);
                let micros = since.map_or(0, |since| i64::try_from(since.as_micros()).unwrap_or(0));
                found.push((path, Stamp::from_micros(micros)));
            }
        }
    }
    found.sort();
    Ok(found)
}

/// A file's path as the log writes it: below the table's folder, with `/`.
fn to_relative(folder: &Path, path: &Path) -> String {
    let parts: Vec<String> = path
        .strip_prefix(folder)
        .unwrap_or(path)
        .components()
        .map(|part| part.as_os_str().to_string_lossy().into_owned())
        .collect();
    parts.join("/")
}
