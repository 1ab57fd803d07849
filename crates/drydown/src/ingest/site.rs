//! Altitudes and nameplate flows, on which the reading of a file depends.

use anyhow::Result;
use arrow::array::RecordBatch;
use drydown_ingest::{FileRows, MergePlan, SiteContext, Source};
use drydown_quantity::Stamp;
use drydown_store::Store;
use rayon::prelude::*;

use super::{Found, read_file, source_of};

/// What the readers of files look up.
const REGISTERS: [&str; 4] = ["units", "sites", "reservoirs", "deployments"];

/// As the registers stand now.
pub(super) fn stored(store: Option<&Store>) -> Result<SiteContext> {
    let [units, sites, reservoirs, deployments] = REGISTERS.map(|table| rows_of(store, table));
    Ok(SiteContext::from_registers(
        &units?,
        &sites?,
        &reservoirs?,
        &deployments?,
    ))
}

/// As the registers will stand when the files found are ingested: what a check and a dry run read
/// the other files with.
pub(crate) fn expected(
    sources: &[Source],
    found: &[Found],
    loaded_at: Stamp,
    store: Option<&Store>,
) -> Result<SiteContext> {
    let [units, sites, reservoirs, deployments] = REGISTERS.map(|table| -> Result<_> {
        let of_table: Vec<&Found> = found
            .iter()
            .filter(|file| source_of(sources, file).table().name == table)
            .collect();
        laid_over(
            rows_of(store, table)?,
            read_all(sources, &of_table, loaded_at)?,
        )
    });
    Ok(SiteContext::from_registers(
        &units?,
        &sites?,
        &reservoirs?,
        &deployments?,
    ))
}

fn rows_of(store: Option<&Store>, table: &str) -> Result<Vec<RecordBatch>> {
    match store {
        Some(store) => Ok(store.load_files(table, &store.live_files(table, None)?)?),
        None => Ok(Vec::new()),
    }
}

/// Registers hang on no other register.
fn read_all(sources: &[Source], files: &[&Found], loaded_at: Stamp) -> Result<Vec<FileRows>> {
    files
        .par_iter()
        .map(|file| {
            let content = file.content()?;
            let source = source_of(sources, file);
            let alone = SiteContext::default();
            Ok(read_file(source, file, &content, loaded_at, &alone))
        })
        .collect()
}

/// The stored rows with those of files over them; of rows with one key the last holds.
fn laid_over(mut stored: Vec<RecordBatch>, files: Vec<FileRows>) -> Result<Vec<RecordBatch>> {
    let Some(table) = files.first().map(FileRows::table) else {
        return Ok(stored);
    };
    let mut plan = MergePlan::new(table, files);
    let mut new = Vec::new();
    for part in plan.parts() {
        let merged = plan.merge_part(&part, &stored)?;
        new.extend(merged.rewritten);
        new.extend(merged.added);
    }
    stored.extend(new);
    Ok(stored)
}
