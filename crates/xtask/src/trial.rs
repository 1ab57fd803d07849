//! `cargo xtask trial`: demo fleets of several seeds against their own truth, with every figure printed.

use std::process::Command;

use anyhow::Result;

use crate::shell;

pub(crate) fn run(seeds: &[&str]) -> Result<()> {
    shell::cargo(&["build", "--release", "-p", "drydown"], &[])?;
    let seeds = if seeds.is_empty() {
        "1 2 3".to_owned()
    } else {
        seeds.join(" ")
    };
    let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
    shell::run(
        Command::new(cargo)
            .args([
                "test",
                "--release",
                "-p",
                "drydown-tests",
                "--test",
                "all",
                "fleet::",
                "--",
                "--nocapture",
                "--test-threads",
                "1",
            ])
            .env("DRYDOWN_BIN", shell::drydown())
            .env("DRYDOWN_SEEDS", seeds),
    )
}
