//! `cargo xtask bench pumps [STARTS]`: pump-down fits against scipy's least squares on the same curves in
//! the same run. The bar: ten thousand starts a second on two cores.

use std::process::Command;

use anyhow::{Context as _, Result, bail};

use crate::{machine, shell};

const DEFAULT: &str = "100000";

pub(super) fn run(arguments: &[&str]) -> Result<()> {
    let n_starts = match arguments {
        [] => DEFAULT,
        [starts] => starts,
        _ => bail!("found {arguments:?}, expected: bench pumps [STARTS]"),
    };
    shell::cargo(
        &[
            "build",
            "--release",
            "-p",
            "drydown-pumps",
            "--example",
            "bench_starts",
        ],
        &[],
    )?;
    let python = machine::bench_python()?;
    let folder = shell::target_dir().join("bench-pumps");
    std::fs::create_dir_all(&folder)?;
    let script = folder.join("bench.py");
    std::fs::write(&script, include_str!("pumps.py")).context("bench.py")?;
    shell::run(
        Command::new(&python)
            .arg(&script)
            .arg(shell::target_dir().join("release/examples/bench_starts"))
            .arg(&folder)
            .arg(n_starts),
    )?;
    std::fs::remove_dir_all(&folder)?;
    Ok(())
}
