//! `cargo xtask bench removal [RUNS UNITS OILS]`: per-run fits against scipy's least squares, and the
//! crossed mixed model against lme4 (where Debian's R can be had), on the same data in the same run.

use std::process::Command;

use anyhow::{Context as _, Result, bail};

use crate::{machine, shell};

const DEFAULT: [&str; 3] = ["100000", "1000", "30"];
const N_FITS: &str = "2000";

pub(super) fn run(arguments: &[&str]) -> Result<()> {
    let size: [&str; 3] = match arguments {
        [] => DEFAULT,
        [runs, units, oils] => [runs, units, oils],
        _ => bail!("found {arguments:?}, expected: bench removal [RUNS UNITS OILS]"),
    };
    shell::cargo(
        &[
            "build",
            "--release",
            "-p",
            "drydown-removal",
            "--example",
            "bench_fits",
        ],
        &[],
    )?;
    let python = machine::bench_python()?;
    let has_lme4 = machine::lme4();
    let folder = shell::target_dir().join("bench-removal");
    std::fs::create_dir_all(&folder)?;
    let script = folder.join("bench.py");
    std::fs::write(&script, include_str!("removal.py")).context("bench.py")?;
    shell::run(
        Command::new(&python)
            .arg(&script)
            .arg(shell::target_dir().join("release/examples/bench_fits"))
            .arg(&folder)
            .arg(N_FITS)
            .args(size)
            .arg(if has_lme4 { "lme4" } else { "no-lme4" }),
    )?;
    std::fs::remove_dir_all(&folder)?;
    Ok(())
}
