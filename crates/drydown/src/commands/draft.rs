//! `drydown draft FILE`: a `[[source]]` block for an unknown export.

use std::path::Path;

use anyhow::{Context as _, Result, anyhow};
use serde_json::json;

use crate::cli::{Cli, Format};
use crate::output::print_result;

pub(super) fn run(cli: &Cli, file: &Path) -> Result<u8> {
    let bytes = std::fs::read(file).with_context(|| format!("cannot read {}", file.display()))?;
    let name = file.to_string_lossy().replace('\\', "/");
    let proposal =
        drydown_ingest::propose(&name, &bytes).map_err(|error| anyhow!("{name}: {error}"))?;
    print_result(&match cli.format {
        Format::Text => proposal,
        Format::Json => format!("{}\n", json!({"file": name, "block": proposal})),
    });
    Ok(0)
}
