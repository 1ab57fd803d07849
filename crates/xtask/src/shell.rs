//! Running other programs, with a line that says which and how long it took.

use std::ffi::OsStr;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Instant;

use anyhow::{Context, Result, bail};

/// The workspace's root.
pub(crate) fn root() -> PathBuf {
    let here = Path::new(env!("CARGO_MANIFEST_DIR"));
    here.ancestors().nth(2).unwrap_or(here).to_path_buf()
}

/// The folder that cargo builds into.
pub(crate) fn target_dir() -> PathBuf {
    std::env::var_os("CARGO_TARGET_DIR").map_or_else(|| root().join("target"), PathBuf::from)
}

/// The built command line.
pub(crate) fn drydown() -> PathBuf {
    target_dir().join("release").join("drydown")
}

/// Runs cargo in the root.
pub(crate) fn cargo(arguments: &[&str], environment: &[(&str, &str)]) -> Result<()> {
    run(cargo_command()
        .args(arguments)
        .envs(environment.iter().copied()))
}

/// Cargo as a user would start it from a prompt.
///
/// What the outer `cargo run` set for this program is taken away: the build script of one
/// dependency asks to be run again when `CARGO_MANIFEST_DIR` changes, so that each turn from
/// `cargo run` to `cargo xtask` would build everything above it anew.
pub(crate) fn cargo_command() -> Command {
    let mut command = Command::new(std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into()));
    for (name, _) in std::env::vars_os() {
        if name.to_str().is_some_and(is_set_by_cargo_run) {
            command.env_remove(name);
        }
    }
    command
}

fn is_set_by_cargo_run(name: &str) -> bool {
    ["CARGO_PKG_", "CARGO_MANIFEST_", "CARGO_BIN_"]
        .iter()
        .any(|start| name.starts_with(start))
        || ["CARGO_CRATE_NAME", "OUT_DIR"].contains(&name)
}

/// Runs a command in the root; its output goes to ours.
pub(crate) fn run(command: &mut Command) -> Result<()> {
    let shown = shown(command);
    println!("── {shown}");
    let begun = Instant::now();
    let status = command
        .current_dir(root())
        .stdin(Stdio::null())
        .status()
        .with_context(|| format!("cannot start {shown}"))?;
    println!("   {:.1} s", begun.elapsed().as_secs_f64());
    if !status.success() {
        bail!("{shown} ended with {status}");
    }
    Ok(())
}

/// Runs a command quietly and gives its standard output.
pub(crate) fn output(command: &mut Command) -> Result<String> {
    let shown = shown(command);
    let out = command
        .current_dir(root())
        .stdin(Stdio::null())
        .output()
        .with_context(|| format!("cannot start {shown}"))?;
    if !out.status.success() {
        bail!(
            "{shown} ended with {}\n{}",
            out.status,
            String::from_utf8_lossy(&out.stderr)
        );
    }
    Ok(String::from_utf8_lossy(&out.stdout).into_owned())
}

fn shown(command: &Command) -> String {
    let words = std::iter::once(command.get_program()).chain(command.get_args());
    words
        .map(OsStr::to_string_lossy)
        .collect::<Vec<_>>()
        .join(" ")
}
