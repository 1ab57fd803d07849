//! `drydown ingest`.

use std::fmt::Write as _;

use anyhow::Result;
use drydown_store::Store;
use serde_json::json;

use super::REJECTED_ROWS;
use crate::cli::{Cli, Format, IngestArgs};
use crate::config::Config;
use crate::ingest::{IngestInputs, IngestSummary, ingest};
use crate::output::{Progress, print_result, print_warning};

pub(super) fn run(cli: &Cli, arguments: &IngestArgs) -> Result<u8> {
    let config = Config::load(&cli.config)?;
    crate::ingest::compile_sources(&config)?;
    let progress = Progress::new(cli.quiet);
    let store = if arguments.dry_run {
        Store::open(config.store_path()).ok()
    } else {
        Some(Store::open_or_create(config.store_path())?)
    };
    let inputs = IngestInputs {
        config: &config,
        files: arguments.files.clone(),
        dry_run: arguments.dry_run,
        again: arguments.again.clone(),
        loaded_at: super::now(),
        progress: &progress,
    };
    let done = ingest(&inputs, store.as_ref())?;
    for warning in &done.warnings {
        print_warning(warning);
    }
    print_result(&match cli.format {
        Format::Text => render(&done, cli.verbose, arguments.dry_run),
        Format::Json => format!("{}\n", to_json(&done, arguments.dry_run)),
    });
    let rejected = done.total(|counts| counts.rows_rejected);
    Ok(if arguments.strict && rejected > 0 {
        REJECTED_ROWS
    } else {
        0
    })
}

fn render(done: &IngestSummary, verbose: bool, dry_run: bool) -> String {
    let mut out = String::new();
    for file in done
        .files
        .iter()
        .filter(|file| verbose || file.counts.rows_rejected > 0)
    {
        let counts = &file.counts;
        let _ = writeln!(
            out,
            "{} ({}): {} in, {} kept, {} duplicate, {} rejected",
            file.file,
            file.source,
            counts.rows_in,
            counts.rows_kept,
            counts.rows_duplicate,
            counts.rows_rejected
        );
    }
    let _ = writeln!(
        out,
        "{} new files, {} known; {} rows in: {} kept ({} changed an earlier value), {} duplicate, {} rejected; {} ignored by request",
        done.files.len(),
        done.n_known,
        done.total(|counts| counts.rows_in),
        done.total(|counts| counts.rows_kept),
        done.total(|counts| counts.rows_superseded),
        done.total(|counts| counts.rows_duplicate),
        done.total(|counts| counts.rows_rejected),
        done.total(|counts| counts.rows_ignored),
    );
    if dry_run {
        out.push_str("a dry run: nothing was written\n");
    }
    out
}

fn to_json(done: &IngestSummary, dry_run: bool) -> serde_json::Value {
    json!({
        "dry_run": dry_run,
        "files_known": done.n_known,
        "files": done.files.iter().map(|file| json!({
            "source": file.source,
            "file": file.file,
            "rows_in": file.counts.rows_in,
            "rows_kept": file.counts.rows_kept,
            "rows_duplicate": file.counts.rows_duplicate,
            "rows_superseded": file.counts.rows_superseded,
            "rows_rejected": file.counts.rows_rejected,
            "rows_ignored": file.counts.rows_ignored,
        })).collect::<Vec<_>>(),
        "warnings": done.warnings,
    })
}
