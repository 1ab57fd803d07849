//! `drydown draft FILE`: a `[[source]]` block for an unknown CSV.

use std::path::Path;

use anyhow::{Context as _, Result};

use crate::cli::Cli;
use crate::ingest::draft;
use crate::output::print_result;

pub(super) fn run(_: &Cli, file: &Path) -> Result<u8> {
    let bytes = std::fs::read(file).with_context(|| format!("cannot read {}", file.display()))?;
    let name = file.to_string_lossy().replace('\\', "/");
    print_result(&draft::propose(&name, &bytes)?);
    Ok(0)
}
