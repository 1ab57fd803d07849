//! `drydown check`: the configuration, and for each source its files, what of them would be rejected,
//! and the first rows as they would be stored.

use std::cmp::Reverse;
use std::collections::BTreeMap;
use std::fmt::Write as _;

use anyhow::Result;
use drydown_ingest::{Counts, FileRows, MergePlan, Reject, Source};
use drydown_store::Store;
use rayon::prelude::*;
use serde_json::{Map, Value, json};

use super::objects::object;
use crate::cli::{Cli, Format};
use crate::config::Config;
use crate::ingest::{
    Found, IngestInputs, Looked, compile_sources, expected_site, files_of, look_at,
};
use crate::output::{Progress, print_result, print_warning, wrap};

/// Rows shown of a source's first file, and rejects of each file.
const SHOWN: usize = 3;
/// Further files with rejects that are named, the worst first.
const NAMED: usize = 5;
/// Reasons for rejects that are counted over all files, the most frequent first.
const KINDS: usize = 12;
/// Characters shown of a rejected text.
const RAW_SHOWN: usize = 60;

/// A source and what its files would give.
struct Checked<'s> {
    source: &'s Source,
    files: Vec<CheckedFile>,
    /// The first rows of the first file, as they would be stored.
    rows: Vec<Map<String, Value>>,
}

/// One file; the words of the failure where it cannot be read.
struct CheckedFile {
    name: String,
    looked: Result<Looked, String>,
}

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
    let (found, warnings) = files_of(&inputs, &sources)?;
    warnings.iter().for_each(|warning| print_warning(warning));
    let store = Store::open(config.store_path()).ok();
    let site = expected_site(&sources, &found, inputs.loaded_at, store.as_ref())?;
    let mut checked = Vec::with_capacity(sources.len());
    for (idx, source) in sources.iter().enumerate() {
        let files: Vec<&Found> = found.iter().filter(|file| file.source_idx == idx).collect();
        let _step = progress.step(&format!("check: {}", source.name()));
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
        checked.push(to_checked(source, &files, looked)?);
    }
    let file = config.file.display().to_string();
    print_result(&match cli.format {
        Format::Text => to_text(&file, &checked),
        Format::Json => format!(
            "{}\n",
            serde_json::to_string_pretty(&to_json(&file, &checked))?
        ),
    });
    Ok(0)
}

fn to_checked<'s>(
    source: &'s Source,
    files: &[&Found],
    looked: Vec<Result<Looked>>,
) -> Result<Checked<'s>> {
    let mut checked = Checked {
        source,
        files: Vec::with_capacity(files.len()),
        rows: Vec::new(),
    };
    for (file, looked) in files.iter().zip(looked) {
        let mut looked = looked.map_err(|error| format!("{error:#}"));
        if let Some(rows) = looked.as_mut().ok().and_then(|looked| looked.first.take()) {
            checked.rows = first_rows(source, rows)?;
        }
        checked.files.push(CheckedFile {
            name: file.name.clone(),
            looked,
        });
    }
    Ok(checked)
}

/// The first rows as they would be stored, provenance left out.
fn first_rows(source: &Source, rows: FileRows) -> Result<Vec<Map<String, Value>>> {
    let mut shown = Vec::new();
    let mut plan = MergePlan::new(source.table(), vec![rows]);
    for part in plan.parts() {
        for batch in plan.merge_part(&part, &[])?.added {
            for row in 0..batch.num_rows().min(SHOWN - shown.len()) {
                let mut cells = object(&batch, row)?;
                cells.retain(|name, _| !matches!(name.as_str(), "file_hash" | "line" | "month"));
                shown.push(cells);
            }
        }
        if shown.len() >= SHOWN {
            break;
        }
    }
    Ok(shown)
}

fn to_json(file: &str, checked: &[Checked<'_>]) -> Value {
    let sources: Vec<Value> = checked
        .iter()
        .map(|checked| {
            json!({
                "source": checked.source.name(),
                "table": checked.source.table().name,
                "patterns": checked.source.files(),
                "files": checked.files.iter().map(file_json).collect::<Vec<Value>>(),
                "rows": checked.rows,
            })
        })
        .collect();
    json!({ "configuration": file, "sources": sources })
}

fn file_json(file: &CheckedFile) -> Value {
    let looked = match &file.looked {
        Ok(looked) => looked,
        Err(error) => return json!({ "file": file.name, "error": error }),
    };
    let rejects: Vec<Value> = looked
        .rejects
        .iter()
        .map(|reject| {
            json!({
                "line": reject.line,
                "column": reject.column,
                "raw": reject.raw,
                "reason": reject.reason,
            })
        })
        .collect();
    json!({
        "file": file.name,
        "rows_in": looked.counts.rows_in,
        "rows_rejected": looked.counts.rows_rejected,
        "rows_ignored": looked.counts.rows_ignored,
        "n_reject_entries": looked.n_rejects,
        "first_rejects": rejects,
    })
}

fn to_text(file: &str, checked: &[Checked<'_>]) -> String {
    let mut out = format!("{file} is valid: {} sources\n", checked.len());
    for checked in checked {
        let _ = writeln!(
            out,
            "\n{} → {}: {} files",
            checked.source.name(),
            checked.source.table().name,
            checked.files.len()
        );
        if checked.files.is_empty() {
            let patterns = checked.source.files().join(", ");
            out.push_str(&wrap(&patterns, "  no file matches "));
        }
        show_source(&mut out, checked);
    }
    out
}

/// The first file with its rows, then the files with most rejects, then the sum.
fn show_source(out: &mut String, checked: &Checked<'_>) {
    let mut sum = Counts::default();
    let mut others = Vec::new();
    for (place, file) in checked.files.iter().enumerate() {
        let looked = match &file.looked {
            Ok(looked) => looked,
            Err(error) => {
                out.push_str(&wrap(error, "  "));
                continue;
            }
        };
        sum = sum.plus(looked.counts);
        if place == 0 {
            show_file(out, &file.name, looked);
            for row in &checked.rows {
                out.push_str(&show_row(row));
            }
        } else if looked.n_rejects > 0 {
            others.push((file, looked));
        }
    }
    others.sort_by_key(|(_, looked)| Reverse(looked.n_rejects));
    for (file, looked) in others.iter().take(NAMED) {
        show_file(out, &file.name, looked);
    }
    let hidden = others.len().saturating_sub(NAMED);
    if hidden > 0 {
        let _ = writeln!(out, "  … and {hidden} more files with rejects");
    }
    if checked.files.len() > 1 {
        let name = format!("all {} files", checked.files.len());
        show_counts(out, &name, sum);
    }
    show_kinds(out, checked);
    show_doubts(out, checked);
}

/// How many entries there are of each kind over all files, the most frequent first.
fn show_kinds(out: &mut String, checked: &Checked<'_>) {
    let mut kinds: BTreeMap<&str, (usize, usize)> = BTreeMap::new();
    for looked in checked
        .files
        .iter()
        .filter_map(|file| file.looked.as_ref().ok())
    {
        for (kind, n) in &looked.kinds {
            let (n_entries, n_files) = kinds.entry(kind.as_str()).or_default();
            *n_entries += n;
            *n_files += 1;
        }
    }
    let mut kinds: Vec<(&str, (usize, usize))> = kinds.into_iter().collect();
    kinds.sort_by_key(|(_, (n_entries, _))| Reverse(*n_entries));
    for (kind, (n_entries, n_files)) in kinds.iter().take(KINDS) {
        let line = format!("{n_entries} reject entries in {n_files} files: {kind}");
        out.push_str(&wrap(&line, "  "));
    }
    let hidden = kinds.len().saturating_sub(KINDS);
    if hidden > 0 {
        let _ = writeln!(out, "  … and entries for {hidden} more reasons");
    }
}

/// What would be stored and may not be meant.
fn show_doubts(out: &mut String, checked: &Checked<'_>) {
    let mut said: Vec<&str> = Vec::new();
    for file in &checked.files {
        let Ok(looked) = &file.looked else { continue };
        if looked.n_changing > 0 {
            let table = checked.source.table();
            let has = |name: &str| table.columns.iter().any(|column| column.name == name);
            let (stored, look) = if has("reported_at") {
                (
                    "the one reported last",
                    "whether reported_at and the key are read right",
                )
            } else {
                ("the last", "whether what makes the key is read in full")
            };
            let hint = if table.partition.is_some() {
                "whether its stamps are read with their seconds"
            } else {
                look
            };
            let warning = format!(
                "warning: {}: {} of {} rows change a value of an earlier row of the same file, \
                 whose key ({}) they have: of such rows {stored} is stored; if the file holds no \
                 corrections, look {hint}",
                file.name,
                looked.n_changing,
                looked.counts.rows_in,
                table.key.join(", ")
            );
            out.push_str(&wrap(&warning, "  "));
        }
        for note in &looked.notes {
            if !said.contains(&note.as_str()) {
                said.push(note);
                out.push_str(&wrap(&format!("{}: {note}", file.name), "  "));
            }
        }
    }
}

fn show_counts(out: &mut String, name: &str, counts: Counts) {
    let words = format!(
        "{} rows in, {} would be rejected, {} ignored by request",
        counts.rows_in, counts.rows_rejected, counts.rows_ignored
    );
    let line = format!("  {name}: {words}");
    if line.chars().count() <= 79 {
        let _ = writeln!(out, "{line}");
    } else {
        let _ = writeln!(out, "  {name}:\n    {words}");
    }
}

fn show_file(out: &mut String, name: &str, looked: &Looked) {
    show_counts(out, name, looked.counts);
    for reject in &looked.rejects {
        show_reject(out, reject);
    }
    let hidden = looked.n_rejects.saturating_sub(looked.rejects.len());
    if hidden > 0 {
        let _ = writeln!(out, "  … and {hidden} more entries");
    }
}

/// On one line where it fits, the text that was refused on its own line where not.
fn show_reject(out: &mut String, reject: &Reject) {
    let column = if reject.column.is_empty() {
        String::new()
    } else {
        format!(", column {}", reject.column)
    };
    let raw: String = reject.raw.chars().take(RAW_SHOWN).collect();
    let head = format!("  line {}{column}: ", reject.line);
    let line = format!("{head}{} (\"{raw}\")", reject.reason);
    if line.chars().count() <= 79 {
        let _ = writeln!(out, "{line}");
    } else {
        out.push_str(&wrap(
            &format!("{}{}", head.trim_start(), reject.reason),
            "  ",
        ));
        let _ = writeln!(out, "    \"{raw}\"");
    }
}

/// One row as `column=value`, nulls left out, filled into lines.
fn show_row(row: &Map<String, Value>) -> String {
    let mut out = String::new();
    let mut line = String::from("  •");
    for (name, value) in row.iter().filter(|(_, value)| !value.is_null()) {
        let text = value
            .as_str()
            .map_or_else(|| value.to_string(), str::to_owned);
        let word = format!(" {name}={text}");
        if line.chars().count() + word.chars().count() > 79 {
            let _ = writeln!(out, "{line}");
            line = String::from("   ");
        }
        line.push_str(&word);
    }
    let _ = writeln!(out, "{line}");
    out
}
