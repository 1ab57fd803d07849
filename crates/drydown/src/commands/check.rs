//! `drydown check`: the configuration, and for each source its files, what of them would be rejected,
//! and the first rows as they would be stored.

use std::fmt::Write as _;

use anyhow::Result;
use arrow::array::RecordBatch;
use arrow::util::display::{ArrayFormatter, FormatOptions};
use drydown_ingest::{Counts, FileRows, MergePlan, Source};
use drydown_store::Store;
use rayon::prelude::*;

use crate::cli::Cli;
use crate::config::Config;
use crate::ingest::{
    Found, IngestInputs, Looked, compile_sources, expected_site, files_of, look_at,
};
use crate::output::{Progress, print_result};

/// Rows shown of a source's first file, and rejects of each file.
const SHOWN: usize = 3;
/// Further files with rejects that are named, the worst first.
const NAMED: usize = 5;

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
    let site = expected_site(&sources, &found, inputs.loaded_at, store.as_ref())?;
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
        if files.is_empty() {
            let _ = writeln!(out, "  no file matches {}", source.files().join(", "));
            continue;
        }
        let step = progress.step(&format!("check: {}", source.name()));
        let looked: Vec<Result<Looked>> = files
            .par_iter()
            .enumerate()
            .map(|(place, file)| {
                let mut looked = look_at(source, file, inputs.loaded_at, &site, SHOWN)?;
                // Only the rows of the first are shown: the others need no memory.
                looked.first = looked.first.filter(|_| place == 0);
                Ok(looked)
            })
            .collect();
        drop(step);
        out.push_str(&show_source(source, &files, looked)?);
    }
    print_result(&out);
    Ok(0)
}

/// The first file with its rows, then the files with most rejects, then the sum.
fn show_source(source: &Source, files: &[&Found], looked: Vec<Result<Looked>>) -> Result<String> {
    let mut out = String::new();
    let mut sum = Counts::default();
    let mut others = Vec::new();
    for (place, (file, looked)) in files.iter().zip(looked).enumerate() {
        match looked {
            Err(error) => {
                let _ = writeln!(out, "  {error:#}");
            }
            Ok(looked) => {
                sum = sum.plus(looked.counts);
                if place == 0 {
                    show_file(&mut out, &file.name, &looked);
                    if let Some(rows) = looked.first {
                        out.push_str(&show_rows(source, rows)?);
                    }
                } else if looked.n_rejects > 0 {
                    others.push((file, looked));
                }
            }
        }
    }
    others.sort_by_key(|(_, looked)| std::cmp::Reverse(looked.n_rejects));
    for (file, looked) in others.iter().take(NAMED) {
        show_file(&mut out, &file.name, looked);
    }
    let hidden = others.len().saturating_sub(NAMED);
    if hidden > 0 {
        let _ = writeln!(out, "  … and {hidden} more files with rejects");
    }
    if files.len() > 1 {
        let _ = writeln!(
            out,
            "  all {} files: {} rows in, {} would be rejected, {} ignored by request",
            files.len(),
            sum.rows_in,
            sum.rows_rejected,
            sum.rows_ignored
        );
    }
    Ok(out)
}

fn show_file(out: &mut String, name: &str, looked: &Looked) {
    let counts = looked.counts;
    let _ = writeln!(
        out,
        "  {name}: {} rows in, {} would be rejected, {} ignored by request",
        counts.rows_in, counts.rows_rejected, counts.rows_ignored
    );
    for reject in &looked.rejects {
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
    let hidden = looked.n_rejects.saturating_sub(looked.rejects.len());
    if hidden > 0 {
        let _ = writeln!(out, "  … and {hidden} more entries");
    }
}

fn show_rows(source: &Source, rows: FileRows) -> Result<String> {
    let mut out = String::new();
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
