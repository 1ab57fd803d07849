//! `cargo xtask bench NAME`: a command against a peer that does the same work, in the same run.

mod ingest;

use anyhow::{Result, bail};

/// Every bench takes the size of its input, where one is given.
pub(crate) fn run(arguments: &[&str]) -> Result<()> {
    match arguments {
        ["ingest", size @ ..] => ingest::run(size),
        _ => bail!("found {arguments:?}, expected: bench ingest [ROWS]"),
    }
}
