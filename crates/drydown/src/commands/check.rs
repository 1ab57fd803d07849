//! `drydown check`: the configuration, and for each source its files and the first rows as stored.

use std::fmt::Write as _;

use anyhow::Result;
use arrow::array::RecordBatch;
use arrow::util::display::{ArrayFormatter, FormatOptions};
use drydown_ingest::{FileRows, MergePlan, Source};
use drydown_store::Store;

use crate::cli::Cli;
use crate::config::Config;
use crate::ingest::{Found, IngestInputs, compile_sources, files_of, read_for_check};
use crate::output::{Progress, print_result};

/// Rows and rejects shown of a source's first file.
const SHOWN: usize = 3;

pub(super) fn run(cli: &Cli) -> Result<u8> {
    let config = Config::load(&cli.config)?;
    let sources = compile_sources(&config)?;
    let progress = Progress::new(cli.quiet);
    let inputs = IngestInputs {
        config: &config,
        files: Vec::new(),
        dry_run: true,
        again: None,
        loaded_at: super::now(),
        progress: &progress,
    };
    let found = files_of(&inputs, &sources)?;
    let store = Store::open(config.store_path()).ok();
    let mut out = format!(
        "{} is valid: {} sources\n",
        config.file.display(),
        sources.len()
    );
    for (idx, source) in sources.iter().enumerate() {
        let files: Vec<&Found> = found.iter().filter(|file| file.source_idx == idx).collect();
        let _ = writeln!(
            out,
            "\n{} → {}: {} files",
            source.name(),
            source.table().name,
            files.len()
        );
        let Some(first) = files.first() else {
            let _ = writeln!(out, "  no file matches {}", source.files().join(", "));
            continue;
        };
        match read_for_check(source, first, inputs.loaded_at, store.as_ref()) {
            Ok(rows) => out.push_str(&show(source, rows)?),
            Err(error) => {
                let _ = writeln!(out, "  {error}");
            }
        }
    }
    print_result(&out);
    Ok(0)
}

fn show(source: &Source, rows: FileRows) -> Result<String> {
    let mut out = String::new();
    let counts = rows.counts();
    let _ = writeln!(
        out,
        "  {}: {} rows in, {} would be rejected, {} ignored by request",
        rows.file(),
        counts.rows_in,
        counts.rows_rejected,
        counts.rows_ignored
    );
    for reject in rows.rejects().iter().take(SHOWN) {
        let column = if reject.column.is_empty() {
            String::new()
        } else {
            format!(", column {}", reject.column)
        };
        let raw: String = reject.raw.chars().take(60).collect();
        let _ = writeln!(
            out,
            "  line {}{column}: {} (\"{raw}\")",
            reject.line, reject.reason
        );
    }
    let hidden = rows.rejects().len().saturating_sub(SHOWN);
    if hidden > 0 {
        let _ = writeln!(out, "  … and {hidden} more entries");
    }
    let mut plan = MergePlan::new(source.table(), vec![rows]);
    let mut shown = 0;
    for part in plan.parts() {
        for batch in plan.merge_part(&part, &[])?.added {
            for row in 0..batch.num_rows().min(SHOWN - shown.min(SHOWN)) {
                out.push_str(&show_row(&batch, row)?);
                shown += 1;
            }
        }
        if shown >= SHOWN {
            break;
        }
    }
    Ok(out)
}

/// One row as `column=value`, nulls and provenance left out, filled into lines.
fn show_row(batch: &RecordBatch, row: usize) -> Result<String> {
    let options = FormatOptions::default().with_null("");
    let mut out = String::new();
    let mut line = String::from("  •");
    for (field, column) in batch.schema().fields().iter().zip(batch.columns()) {
        if matches!(field.name().as_str(), "file_hash" | "line" | "month") || column.is_null(row) {
            continue;
        }
        let value = ArrayFormatter::try_new(column.as_ref(), &options)?
            .value(row)
            .to_string();
        let word = format!(" {}={value}", field.name());
        if line.chars().count() + word.chars().count() > 79 {
            let _ = writeln!(out, "{line}");
            line = String::from("   ");
        }
        line.push_str(&word);
    }
    let _ = writeln!(out, "{line}");
    Ok(out)
}
