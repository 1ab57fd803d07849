//! Puts the hash of the code that makes estimates into the binary, so that the rows of an older
//! build never count as current (see `src/jobs/mod.rs`).

use std::error::Error;
use std::fs;
use std::path::{Path, PathBuf};

/// What the rows of a job hang on, below the workspace's root.
const SOURCES: &[&str] = &[
    "Cargo.lock",
    "crates/drydown/src/jobs",
    "crates/findings/src",
    "crates/physics/src",
    "crates/pumps/src",
    "crates/quantity/src",
    "crates/removal/src",
    "crates/reservoirs/src",
    "crates/runs/src",
    "crates/stats/src",
    "crates/tables/src",
    "data-schema",
];

fn main() -> Result<(), Box<dyn Error>> {
    let root = Path::new("../..");
    let mut hasher = blake3::Hasher::new();
    for source in SOURCES {
        println!("cargo:rerun-if-changed={}", root.join(source).display());
        for file in files_below(&root.join(source))? {
            hasher.update(file.as_os_str().as_encoded_bytes());
            hasher.update(&fs::read(&file)?);
        }
    }
    println!(
        "cargo:rustc-env=DRYDOWN_CODE={}",
        hasher.finalize().to_hex()
    );
    Ok(())
}

/// The files, in the order of their paths; tests change no row.
fn files_below(path: &Path) -> Result<Vec<PathBuf>, Box<dyn Error>> {
    if path.is_file() {
        return Ok(vec![path.to_owned()]);
    }
    let mut entries = Vec::new();
    for entry in fs::read_dir(path)? {
        entries.push(entry?.path());
    }
    entries.sort();
    let mut files = Vec::new();
    for entry in entries {
        let is_test = entry
            .file_stem()
            .is_some_and(|name| name == "tests" || name.as_encoded_bytes().ends_with(b"_tests"));
        if !is_test {
            files.extend(files_below(&entry)?);
        }
    }
    Ok(files)
}
