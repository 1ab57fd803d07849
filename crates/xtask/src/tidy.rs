//! The rules of the house that no compiler checks.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use anyhow::{Context, Result, bail};
use serde_json::Value;

use crate::shell;

/// A file longer than this is refused, tests included.
const FILE_LINES_MAX: usize = 800;

/// Which of our crates each crate may use: data goes one way, code depends downwards only.
const MAY_USE: &[(&str, &[&str])] = &[
    ("quantity", &[]),
    ("physics", &["quantity"]),
    ("stats", &["quantity"]),
    ("schema", &[]),
    ("ingest", &["quantity", "physics", "schema"]),
    ("store", &["quantity", "schema"]),
    ("runs", &["quantity", "physics", "stats"]),
    ("pumps", &["quantity", "physics", "stats", "runs"]),
    (
        "removal",
        &["quantity", "physics", "stats", "runs", "pumps"],
    ),
    (
        "reservoirs",
        &["quantity", "physics", "stats", "runs", "removal"],
    ),
    (
        "findings",
        &[
            "quantity",
            "stats",
            "runs",
            "pumps",
            "removal",
            "reservoirs",
        ],
    ),
    (
        "planning",
        &[
            "quantity",
            "physics",
            "stats",
            "runs",
            "pumps",
            "removal",
            "reservoirs",
        ],
    ),
    (
        "tables",
        &[
            "quantity",
            "schema",
            "runs",
            "pumps",
            "removal",
            "reservoirs",
            "findings",
        ],
    ),
    (
        "report",
        &[
            "quantity",
            "physics",
            "runs",
            "pumps",
            "removal",
            "reservoirs",
            "findings",
            "planning",
        ],
    ),
    ("demo", &["quantity", "physics"]),
];

/// Third-party crates that a pure crate may not see.
const NOT_IN_PURE: &[&str] = &[
    "polars",
    "arrow",
    "parquet",
    "deltalake-core",
    "tokio",
    "serde",
    "serde_json",
];
const PURE: &[&str] = &[
    "quantity",
    "physics",
    "stats",
    "runs",
    "pumps",
    "removal",
    "reservoirs",
    "findings",
    "planning",
    "demo",
];

pub(crate) fn run() -> Result<()> {
    let mut problems = Vec::new();
    check_dependencies(&mut problems)?;
    check_member_features(&mut problems)?;
    check_files(&mut problems)?;
    check_developers_page(&mut problems)?;
    if problems.is_empty() {
        println!("── tidy: nothing to mend");
        return Ok(());
    }
    bail!(
        "tidy found {} problems:\n  {}",
        problems.len(),
        problems.join("\n  ")
    )
}

fn crate_names() -> Result<Vec<String>> {
    let mut names: Vec<String> = std::fs::read_dir(shell::root().join("crates"))?
        .filter_map(|entry| entry.ok())
        .filter(|entry| entry.path().join("Cargo.toml").exists())
        .map(|entry| entry.file_name().to_string_lossy().into_owned())
        .collect();
    names.sort();
    Ok(names)
}

fn check_dependencies(problems: &mut Vec<String>) -> Result<()> {
    let text = shell::output(shell::cargo_command().args([
        "metadata",
        "--no-deps",
        "--format-version",
        "1",
        "--offline",
    ]))?;
    let metadata: Value = serde_json::from_str(&text).context("cargo metadata")?;
    for package in metadata
        .get("packages")
        .and_then(Value::as_array)
        .into_iter()
        .flatten()
    {
        let package_name = package
            .get("name")
            .and_then(Value::as_str)
            .unwrap_or_default();
        let Some(name) = package_name.strip_prefix("drydown-") else {
            continue;
        };
        if name == "tests" {
            continue;
        }
        let Some((_, allowed)) = MAY_USE.iter().find(|(known, _)| *known == name) else {
            problems.push(format!(
                "crate \"{name}\" is not in tidy's list of who may use whom"
            ));
            continue;
        };
        for dependency in package
            .get("dependencies")
            .and_then(Value::as_array)
            .into_iter()
            .flatten()
        {
            let dev = dependency.get("kind").and_then(Value::as_str) == Some("dev");
            let used = dependency
                .get("name")
                .and_then(Value::as_str)
                .unwrap_or_default();
            if let Some(ours) = used.strip_prefix("drydown-")
                && !dev
                && !allowed.contains(&ours)
            {
                problems.push(format!(
                    "crates/{name} may not use {ours}: data goes one way"
                ));
            }
            if PURE.contains(&name) && NOT_IN_PURE.contains(&used) && !dev {
                problems.push(format!("crates/{name} is pure and may not see {used}"));
            }
        }
    }
    Ok(())
}

/// A member that sets features or versions of a third-party crate would make cargo build it twice.
fn check_member_features(problems: &mut Vec<String>) -> Result<()> {
    for name in crate_names()? {
        let path = shell::root().join("crates").join(&name).join("Cargo.toml");
        let manifest: toml::Table = std::fs::read_to_string(&path)?.parse()?;
        for section in ["dependencies", "dev-dependencies", "build-dependencies"] {
            for (dependency, value) in manifest
                .get(section)
                .and_then(toml::Value::as_table)
                .into_iter()
                .flatten()
            {
                let keys: BTreeSet<&str> = value
                    .as_table()
                    .into_iter()
                    .flatten()
                    .map(|(key, _)| key.as_str())
                    .collect();
                if keys != BTreeSet::from(["workspace"]) {
                    problems.push(format!(
                        "crates/{name}/Cargo.toml: {dependency} must say only `workspace = true`"
                    ));
                }
            }
        }
    }
    Ok(())
}

fn check_files(problems: &mut Vec<String>) -> Result<()> {
    let root = shell::root();
    let mut files = Vec::new();
    for folder in ["crates", "tests"] {
        rust_files(&root.join(folder), &mut files)?;
    }
    for path in files {
        let text = std::fs::read_to_string(&path)?;
        let shown = path
            .strip_prefix(&root)
            .unwrap_or(&path)
            .display()
            .to_string();
        if !text.starts_with("//!") {
            problems.push(format!(
                "{shown}: the first line must be a `//!` that says what the file answers"
            ));
        }
        let n_lines = text.lines().count();
        if n_lines > FILE_LINES_MAX {
            problems.push(format!(
                "{shown}: {n_lines} lines; past {FILE_LINES_MAX} a file has more than one subject"
            ));
        }
        // Spelled in two parts so that this file does not find itself.
        for word in [
            concat!("todo", "!("),
            concat!("unimplemented", "!("),
            concat!("#[ig", "nore"),
            concat!("FIX", "ME"),
        ] {
            if text.contains(word) {
                problems.push(format!("{shown}: contains {word}"));
            }
        }
    }
    Ok(())
}

fn rust_files(folder: &Path, files: &mut Vec<PathBuf>) -> Result<()> {
    for entry in std::fs::read_dir(folder)? {
        let path = entry?.path();
        if path.is_dir() {
            rust_files(&path, files)?;
        } else if path.extension().is_some_and(|ending| ending == "rs") {
            files.push(path);
        }
    }
    files.sort();
    Ok(())
}

fn check_developers_page(problems: &mut Vec<String>) -> Result<()> {
    let page =
        std::fs::read_to_string(shell::root().join("DEVELOPERS.md")).context("DEVELOPERS.md")?;
    let names = crate_names()?;
    for name in &names {
        if !page.contains(&format!("| {name} |")) {
            problems.push(format!(
                "DEVELOPERS.md does not name crates/{name} in its table"
            ));
        }
    }
    Ok(())
}
