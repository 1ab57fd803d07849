//! `drydown prune --keep DAYS`: the only command that deletes history.

use std::time::Duration;

use anyhow::Result;
use drydown_schema::tables;
use serde_json::json;

use crate::cli::{Cli, Format};
use crate::config::Config;
use crate::output::print_result;

pub(super) fn run(cli: &Cli, keep_days: u32) -> Result<u8> {
    let config = Config::load(&cli.config)?;
    let store = super::open_store(&config)?;
    let guard = store.lock("prune", Some(Duration::from_secs(3600)))?;
    let (mut n_files, mut bytes) = (0, 0);
    for spec in tables() {
        if store.table_version(&spec.name)?.is_none() {
            continue;
        }
        let pruned = store.prune(&guard, &spec.name, keep_days, super::now())?;
        n_files += pruned.n_old_files + pruned.n_orphans;
        bytes += pruned.bytes;
    }
    print_result(&match cli.format {
        Format::Text => format!(
            "deleted {n_files} files no version of the last {keep_days} days needs, {bytes} bytes\n"
        ),
        Format::Json => format!(
            "{}\n",
            json!({"keep_days": keep_days, "files_deleted": n_files, "bytes": bytes})
        ),
    });
    Ok(0)
}
