//! `cargo xtask test`: everything, from a clean checkout.

use std::path::Path;
use std::process::Command;

use anyhow::Result;

use crate::{acceptance, machine, shell, tidy};

pub(crate) fn run() -> Result<()> {
    tidy::run()?;
    shell::cargo(&["fmt", "--all", "--", "--check"], &[])?;
    shell::cargo(&["build", "--release", "-p", "drydown"], &[])?;
    tests()?;
    shell::cargo(
        &[
            "clippy",
            "--release",
            "--workspace",
            "--all-targets",
            "--",
            "-D",
            "warnings",
        ],
        &[],
    )?;
    let scratch = shell::target_dir().join("acceptance");
    if scratch.exists() {
        std::fs::remove_dir_all(&scratch)?;
    }
    std::fs::create_dir_all(&scratch)?;
    let demo = acceptance::demo(&scratch)?;
    acceptance::browser(&demo, &scratch)?;
    let python = machine::notebook_python()?;
    acceptance::mail(&python, &demo)?;
    acceptance::output(&python, &demo)?;
    acceptance::readers(&python, &demo)?;
    shell::run(
        Command::new(&python)
            .arg("notebooks/run.py")
            .arg("--store")
            .arg(demo.join("store")),
    )?;
    references(&demo)?;
    println!("everything passed");
    Ok(())
}

/// The same questions put to reference libraries from PyPI.
fn references(demo: &Path) -> Result<()> {
    let python = machine::reference_python()?;
    shell::run(Command::new(&python).arg("tests/reference/change_points.py"))?;
    let build = |package: &str, example: &str| {
        let args = ["build", "--release", "-p", package, "--example", example];
        shell::cargo(&args, &[])
    };
    build("drydown-reservoirs", "reference_scores")?;
    shell::run(
        Command::new(&python)
            .arg("tests/reference/rank_metrics.py")
            .arg(shell::target_dir().join("release/examples/reference_scores")),
    )?;
    build("drydown-removal", "bench_fits")?;
    shell::run(
        Command::new(&python)
            .arg("tests/reference/mixed_model.py")
            .arg(shell::target_dir().join("release/examples/bench_fits"))
            .arg(shell::drydown())
            .arg(demo.join("drydown.toml")),
    )
}

fn tests() -> Result<()> {
    let binary = shell::drydown();
    let binary = binary.to_string_lossy();
    let environment = [("DRYDOWN_BIN", binary.as_ref())];
    if machine::has_nextest() {
        shell::cargo(
            &[
                "nextest",
                "run",
                "--release",
                "--workspace",
                "--no-fail-fast",
            ],
            &environment,
        )
    } else {
        shell::cargo(
            &["test", "--release", "--workspace", "--no-fail-fast"],
            &environment,
        )
    }
}
