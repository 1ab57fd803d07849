//! One writer per store: an advisory lock on a file that says who holds it.
//!
//! The lock is the operating system's, so that it ends with the process that
//! holds it, however that ends; the text in the file is for people only. The
//! file itself stays: deleting it would let two writers lock two files.

use std::fmt;
use std::fs::{File, OpenOptions, TryLockError};
use std::io::{Read, Seek, Write};
use std::path::{Path, PathBuf};
use std::thread;
use std::time::{Duration, Instant};

use serde::{Deserialize, Serialize};

use crate::error::StoreError;

const LOCK_FILE: &str = "writer.lock";
const POLL: Duration = Duration::from_millis(50);

/// Who holds, or last held, the store's lock.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct LockHolder {
    /// The name given to [`crate::Store::lock`], such as `ingest`.
    pub owner: String,
    /// Its process number; 0 where unknown.
    pub pid: u32,
}

impl fmt::Display for LockHolder {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.pid == 0 {
            write!(f, "another process")
        } else {
            write!(f, "{} (process {})", self.owner, self.pid)
        }
    }
}

/// The right to write to one store; it ends when this is dropped.
#[derive(Debug)]
pub struct WriteGuard {
    file: File,
    root: PathBuf,
}

impl WriteGuard {
    /// Takes the lock of the store in `root`, waiting at most `wait` (`None`: for ever).
    pub(crate) fn take(
        root: &Path,
        owner: &str,
        wait: Option<Duration>,
    ) -> Result<Self, StoreError> {
        let path = root.join(LOCK_FILE);
        let file = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(&path)
            .map_err(|e| StoreError::disk(&path, "open the lock file", e))?;
        let started = Instant::now();
        loop {
            match file.try_lock() {
                Ok(()) => break,
                Err(TryLockError::WouldBlock) => {
                    let waited = started.elapsed();
                    if wait.is_some_and(|limit| waited >= limit) {
                        let holder = read_holder(&path);
                        return Err(StoreError::Locked {
                            path,
                            holder,
                            waited_s: waited.as_secs_f64(),
                        });
                    }
                    thread::sleep(
                        wait.map_or(POLL, |limit| POLL.min(limit.saturating_sub(waited))),
                    );
                }
                Err(TryLockError::Error(e)) => {
                    return Err(StoreError::disk(&path, "lock the store", e));
                }
            }
        }
        let mut guard = Self {
            file,
            root: root.to_path_buf(),
        };
        guard
            .sign(owner)
            .map_err(|e| StoreError::disk(&path, "write the lock file", e))?;
        Ok(guard)
    }

    fn sign(&mut self, owner: &str) -> std::io::Result<()> {
        let holder = LockHolder {
            owner: owner.to_owned(),
            pid: std::process::id(),
        };
        let text = serde_json::to_string(&holder)?;
        self.file.set_len(0)?;
        self.file.rewind()?;
        self.file.write_all(text.as_bytes())
    }

    /// Fails if this guard is not that of the store in `root`.
    pub(crate) fn check_root(&self, root: &Path) -> Result<(), StoreError> {
        if self.root == root {
            Ok(())
        } else {
            Err(StoreError::WrongGuard {
                path: root.to_path_buf(),
                held: self.root.clone(),
            })
        }
    }
}

impl Drop for WriteGuard {
    fn drop(&mut self) {
        // Emptied so that nobody is named who is gone; failing here harms nothing,
        // the lock itself ends when the file closes.
        let _ = self.file.set_len(0);
        let _ = self.file.unlock();
    }
}

/// Who the lock file names; nobody where it is missing, empty or unreadable.
pub(crate) fn load_holder(root: &Path) -> Option<LockHolder> {
    let holder = read_holder(&root.join(LOCK_FILE));
    (holder.pid != 0).then_some(holder)
}

fn read_holder(path: &Path) -> LockHolder {
    let mut text = String::new();
    let read = File::open(path).and_then(|mut file| file.read_to_string(&mut text));
    match read {
        Ok(_) => serde_json::from_str(&text).unwrap_or_default(),
        Err(_) => LockHolder::default(),
    }
}
