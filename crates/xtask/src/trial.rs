//! `cargo xtask trial`: demo fleets of several seeds against their own truth, with every figure printed.

use anyhow::Result;

use crate::shell;

pub(crate) fn run(seeds: &[&str]) -> Result<()> {
    shell::cargo(&["build", "--release", "-p", "drydown"], &[])?;
    let seeds = if seeds.is_empty() {
        "1 2 3".to_owned()
    } else {
        seeds.join(" ")
    };
    shell::cargo(
        &[
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
        ],
        &[
            ("DRYDOWN_BIN", shell::drydown().to_string_lossy().as_ref()),
            ("DRYDOWN_SEEDS", &seeds),
        ],
    )
}
