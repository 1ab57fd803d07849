//! Opening a store and reaching its tables; one [`Store`] may be shared by threads.

use std::collections::BTreeMap;
use std::fmt;
use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use deltalake_core::{DeltaTable, DeltaTableBuilder};
use tokio::runtime::Runtime;
use url::Url;

use crate::error::StoreError;
use crate::lock::{LockHolder, WriteGuard, load_holder};

/// The file that makes a folder a store.
const MARKER: &str = "drydown-store.json";
/// Number of the layout on disk that this program writes.
const LAYOUT: u64 = 1;

/// A folder of Delta tables, one subfolder each.
pub struct Store {
    root: PathBuf,
    runtime: Runtime,
    /// Tables as last seen, so that a later look reads only what is new in the log.
    seen: Mutex<BTreeMap<String, DeltaTable>>,
}

impl fmt::Debug for Store {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Store")
            .field("root", &self.root)
            .finish_non_exhaustive()
    }
}

impl Store {
    /// Opens the store in the folder `path`.
    ///
    /// # Errors
    /// Nothing there (says which command makes a store), something else there, a
    /// store of a later program, a URL other than `file:`, a disk error.
    pub fn open(path: impl AsRef<Path>) -> Result<Self, StoreError> {
        let path = to_folder(path.as_ref())?;
        match look(&path)? {
            Found::Store => Self::at(&path),
            Found::Nothing | Found::EmptyFolder => Err(StoreError::Missing { path }),
            Found::Other(found) => Err(StoreError::NotAStore { path, found }),
        }
    }

    /// Opens the store in the folder `path`, making an empty one where there is
    /// nothing or an empty folder.
    ///
    /// # Errors
    /// As [`Store::open`], but for a missing store; a folder that cannot be made.
    pub fn open_or_create(path: impl AsRef<Path>) -> Result<Self, StoreError> {
        let path = to_folder(path.as_ref())?;
        match look(&path)? {
            Found::Store => {}
            Found::Nothing | Found::EmptyFolder => create(&path)?,
            Found::Other(found) => return Err(StoreError::NotAStore { path, found }),
        }
        Self::at(&path)
    }

    fn at(path: &Path) -> Result<Self, StoreError> {
        let root =
            fs::canonicalize(path).map_err(|e| StoreError::disk(path, "open the store", e))?;
        let runtime = tokio::runtime::Builder::new_multi_thread()
            .worker_threads(2)
            .thread_name("drydown-store")
            .enable_all()
            .build()
            .map_err(|e| StoreError::disk(&root, "start the store's threads", e))?;
        Ok(Self {
            root,
            runtime,
            seen: Mutex::new(BTreeMap::new()),
        })
    }

    /// The store's folder, absolute.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.root
    }

    /// Takes the right to write, waiting at most `wait` (`None`: for ever; zero: not
    /// at all). `owner` is the name that others waiting are shown. A writer that was
    /// killed holds nothing.
    ///
    /// # Errors
    /// [`StoreError::Locked`] naming the holder when the wait is over; a disk error.
    pub fn lock(&self, owner: &str, wait: Option<Duration>) -> Result<WriteGuard, StoreError> {
        WriteGuard::take(&self.root, owner, wait)
    }

    /// Who is named in the lock file now; for messages, not for decisions.
    #[must_use]
    pub fn lock_holder(&self) -> Option<LockHolder> {
        load_holder(&self.root)
    }

    /// The folder of one table.
    pub(crate) fn table_folder(&self, table: &str) -> PathBuf {
        self.root.join(table)
    }

    /// Runs one operation of the Delta library to its end.
    pub(crate) fn wait_for<T>(&self, work: impl Future<Output = T>) -> T {
        self.runtime.block_on(work)
    }

    /// The table as it is now; `None` where it was never written.
    pub(crate) fn newest(&self, table: &str) -> Result<Option<DeltaTable>, StoreError> {
        let folder = self.table_folder(table);
        if !has_log(&folder)? {
            return Ok(None);
        }
        let known = self.lock_seen().get(table).cloned();
        let mut handle = match known {
            Some(handle) => handle,
            None => self.unloaded(table)?,
        };
        self.wait_for(handle.update_state())
            .map_err(|e| StoreError::delta(&folder, "read the table's log", e))?;
        self.remember(table, &handle);
        Ok(Some(handle))
    }

    /// The table as it was at `version` (`None`: as it is now).
    pub(crate) fn at_version(
        &self,
        table: &str,
        version: Option<i64>,
    ) -> Result<Option<DeltaTable>, StoreError> {
        let newest = self.newest(table)?;
        let Some(version) = version else {
            return Ok(newest);
        };
        let latest = newest.as_ref().and_then(DeltaTable::version);
        let wanted = u64::try_from(version)
            .ok()
            .filter(|v| latest.is_some_and(|last| *v <= last));
        let Some(wanted) = wanted else {
            let latest = latest.map_or_else(|| "none".to_owned(), |v| v.to_string());
            return Err(StoreError::NoVersion {
                table: table.to_owned(),
                version,
                latest,
            });
        };
        if latest == Some(wanted) {
            return Ok(newest);
        }
        let mut handle = self.unloaded(table)?;
        self.wait_for(handle.load_version(wanted)).map_err(|e| {
            StoreError::delta(&self.table_folder(table), "read an older version", e)
        })?;
        Ok(Some(handle))
    }

    /// A handle on a table's folder, nothing read yet.
    pub(crate) fn unloaded(&self, table: &str) -> Result<DeltaTable, StoreError> {
        let folder = self.table_folder(table);
        let url = Url::from_directory_path(&folder).map_err(|()| StoreError::NotAStore {
            path: folder.clone(),
            found: "a path that is not absolute",
        })?;
        DeltaTableBuilder::from_url(url)
            .and_then(DeltaTableBuilder::build)
            .map_err(|e| StoreError::delta(&folder, "open the table", e))
    }

    /// Keeps a table as last seen.
    pub(crate) fn remember(&self, table: &str, handle: &DeltaTable) {
        self.lock_seen().insert(table.to_owned(), handle.clone());
    }

    fn lock_seen(&self) -> std::sync::MutexGuard<'_, BTreeMap<String, DeltaTable>> {
        // The map is only ever replaced entry by entry, so a panic elsewhere leaves it whole.
        self.seen.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// What stands at a path.
enum Found {
    Nothing,
    EmptyFolder,
    Store,
    Other(&'static str),
}

fn look(path: &Path) -> Result<Found, StoreError> {
    let kind = match fs::metadata(path) {
        Ok(metadata) => metadata,
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(Found::Nothing),
        Err(e) => return Err(StoreError::disk(path, "open the store", e)),
    };
    if !kind.is_dir() {
        return Ok(Found::Other("a file"));
    }
    if path.join(MARKER).exists() {
        check_layout(&path.join(MARKER))?;
        return Ok(Found::Store);
    }
    let entries = fs::read_dir(path).map_err(|e| StoreError::disk(path, "list the folder", e))?;
    for entry in entries {
        let entry = entry.map_err(|e| StoreError::disk(path, "list the folder", e))?;
        // A marker half-made by a killed program is ours, not somebody's file.
        if !entry.file_name().to_string_lossy().starts_with(MARKER) {
            return Ok(Found::Other("a folder with other things in it"));
        }
    }
    Ok(Found::EmptyFolder)
}

fn check_layout(marker: &Path) -> Result<(), StoreError> {
    let text = fs::read_to_string(marker)
        .map_err(|e| StoreError::disk(marker, "read the store's marker", e))?;
    let value: serde_json::Value = serde_json::from_str(&text).map_err(|e| StoreError::BadLog {
        path: marker.to_path_buf(),
        line: e.line(),
        problem: e.to_string(),
    })?;
    match value.get("layout").and_then(serde_json::Value::as_u64) {
        Some(found) if found <= LAYOUT => Ok(()),
        Some(found) => Err(StoreError::Newer {
            path: marker.to_path_buf(),
            found,
            known: LAYOUT,
        }),
        None => Err(StoreError::BadLog {
            path: marker.to_path_buf(),
            line: 1,
            problem: "found no number under \"layout\"".to_owned(),
        }),
    }
}

/// Makes the folder and its marker; the marker appears whole or not at all.
fn create(path: &Path) -> Result<(), StoreError> {
    fs::create_dir_all(path).map_err(|e| StoreError::disk(path, "make the store's folder", e))?;
    let temporary = path.join(format!("{MARKER}.{}", std::process::id()));
    let marker = path.join(MARKER);
    let text = serde_json::json!({
        "layout": LAYOUT,
        "about": "Delta Lake tables of drydown, one folder each; read them through their logs",
    });
    fs::File::create(&temporary)
        .and_then(|mut file| {
            file.write_all(format!("{text:#}\n").as_bytes())?;
            file.sync_all()
        })
        .and_then(|()| fs::rename(&temporary, &marker))
        .map_err(|e| StoreError::disk(&marker, "write the store's marker", e))
}

/// The folder a configured store path means.
fn to_folder(path: &Path) -> Result<PathBuf, StoreError> {
    let text = path.to_string_lossy();
    if has_percent_escape(&text) {
        return Err(StoreError::NotAStore {
            path: path.to_path_buf(),
            found: "a path with a percent escape such as %20, which the Delta library would misread",
        });
    }
    let Some((scheme, _)) = text.split_once("://") else {
        return Ok(path.to_path_buf());
    };
    let refused = || StoreError::UrlNotBuilt {
        url: text.to_string(),
    };
    if scheme != "file" {
        return Err(refused());
    }
    Url::parse(&text)
        .ok()
        .and_then(|url| url.to_file_path().ok())
        .ok_or_else(refused)
}

/// Whether a text holds a percent sign before two hexadecimal digits.
fn has_percent_escape(text: &str) -> bool {
    text.as_bytes().windows(3).any(|part| {
        matches!(part, [b'%', high, low] if high.is_ascii_hexdigit() && low.is_ascii_hexdigit())
    })
}

/// Whether a table's folder holds at least one commit. A log folder without one is
/// what a killed first write leaves, and means no table.
fn has_log(folder: &Path) -> Result<bool, StoreError> {
    let log = folder.join("_delta_log");
    let entries = match fs::read_dir(&log) {
        Ok(entries) => entries,
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(false),
        Err(e) => return Err(StoreError::disk(&log, "list the table's log", e)),
    };
    for entry in entries {
        let entry = entry.map_err(|e| StoreError::disk(&log, "list the table's log", e))?;
        let name = entry.file_name();
        if Path::new(&name)
            .extension()
            .is_some_and(|end| end == "json")
        {
            return Ok(true);
        }
    }
    Ok(false)
}
