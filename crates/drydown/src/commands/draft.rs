//! `drydown draft FILE`: a `[[source]]` block for an unknown export.

use std::path::Path;

use anyhow::{Context as _, Result, anyhow};

use crate::cli::Cli;
use crate::output::print_result;

pub(super) fn run(_: &Cli, file: &Path) -> Result<u8> {
    let bytes = std::fs::read(file).with_context(|| format!("cannot read {}", file.display()))?;
    let name = file.to_string_lossy().replace('\\', "/");
    let proposal =
        drydown_ingest::propose(&name, &bytes).map_err(|error| anyhow!("{name}: {error}"))?;
    print_result(&proposal);
    Ok(0)
}
