//! `cargo xtask bench NAME`: a command against a peer that does the same work, in the same run.

mod ingest;
mod pumps;
mod removal;

use anyhow::{Result, bail};

/// Every bench takes the size of its input, where one is given.
pub(crate) fn run(arguments: &[&str]) -> Result<()> {
    match arguments {
        ["ingest", size @ ..] => ingest::run(size),
        ["pumps", size @ ..] => pumps::run(size),
        ["removal", size @ ..] => removal::run(size),
        _ => bail!(
            "found {arguments:?}, expected: bench ingest [ROWS], bench pumps [STARTS] or bench removal [RUNS UNITS OILS]"
        ),
    }
}
