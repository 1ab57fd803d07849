//! Whether the data can be trusted: what was read, rejected, and not heard.

use std::collections::BTreeMap;

use super::Page;
use super::parts::{in_quarter, top_page};
use crate::html::{Cell, folded, table};
use crate::input::{FileLoad, ReportInput};
use crate::refusals::to_kinds;
use crate::show::count;
use crate::words::{flag, flag_meaning};

pub(super) fn render(input: &ReportInput<'_>) -> Page {
    let mut body = String::from(
        "<p>For every file: rows in = kept + duplicate + rejected. A rejected row keeps its raw text; <code>drydown export rejects</code> gives them for mending.</p>\n",
    );
    body.push_str(&sources(input));
    body.push_str(&refusals(input));
    body.push_str(&flags(input));
    body.push_str(&files(input));
    top_page(input, "data.html", "Data", &body)
}

fn sources(input: &ReportInput<'_>) -> String {
    let mut by_source: BTreeMap<&str, Vec<&FileLoad>> = BTreeMap::new();
    for load in input.loads {
        by_source
            .entry(load.source.as_str())
            .or_default()
            .push(load);
    }
    let rows: Vec<Vec<Cell>> = by_source
        .iter()
        .map(|(source, loads)| {
            let sum = |of: fn(&FileLoad) -> i64| {
                Cell::Figure(count(loads.iter().map(|load| of(load)).sum()))
            };
            vec![
                Cell::Text((*source).to_owned()),
                Cell::Figure(count(loads.len() as i64)),
                sum(|l| l.rows_in),
                sum(|l| l.rows_kept),
                sum(|l| l.rows_duplicate),
                sum(|l| l.rows_rejected),
                sum(|l| l.rows_superseded),
                sum(|l| l.rows_ignored),
            ]
        })
        .collect();
    format!(
        "<h2>By source</h2>\n{}",
        table(
            "One row is one source of the configuration; the figures count rows.",
            &[
                "source",
                "files",
                "rows in",
                "kept",
                "duplicate",
                "rejected",
                "changed an earlier value",
                "ignored by request",
            ],
            &rows,
        )
    )
}

fn refusals(input: &ReportInput<'_>) -> String {
    let rows: Vec<Vec<Cell>> = to_kinds(input.reject_reasons)
        .into_iter()
        .map(|row| {
            vec![
                Cell::Text(row.kind),
                Cell::Figure(count(row.n)),
                Cell::Figure(count(row.n_texts as i64)),
                Cell::Text(row.example),
            ]
        })
        .collect();
    format!(
        "<h2>Why rows and cells were refused</h2>\n{}",
        table(
            "One row is one kind of reason; an entry is a row rejected whole or one cell left empty.",
            &[
                "reason",
                "entries",
                "different texts",
                "the most frequent one"
            ],
            &rows,
        )
    )
}

fn flags(input: &ReportInput<'_>) -> String {
    let mut counts: BTreeMap<&str, i64> = BTreeMap::new();
    let mut n_runs = 0;
    for run in input.runs.iter().filter(|run| in_quarter(input, run)) {
        n_runs += 1;
        for word in &run.flags {
            *counts.entry(word.as_str()).or_default() += 1;
        }
    }
    let rows: Vec<Vec<Cell>> = counts
        .into_iter()
        .map(|(word, n)| {
            vec![
                Cell::Text(flag(word)),
                Cell::Figure(count(n)),
                Cell::Text(flag_meaning(word).to_owned()),
            ]
        })
        .collect();
    format!(
        "<h2>Flags of the quarter's runs</h2>\n{}",
        table(
            &format!(
                "One row is one flag and how many of the quarter's {} runs carry it.",
                count(n_runs)
            ),
            &["flag", "runs", "meaning"],
            &rows,
        )
    )
}

fn files(input: &ReportInput<'_>) -> String {
    let rows: Vec<Vec<Cell>> = input
        .loads
        .iter()
        .filter(|load| load.rows_rejected > 0)
        .map(|load| {
            vec![
                Cell::Text(load.file.clone()),
                Cell::Figure(count(load.rows_in)),
                Cell::Figure(count(load.rows_rejected)),
                Cell::Text(input.display.time(load.loaded_at)),
            ]
        })
        .collect();
    folded(
        "Files with rejected rows",
        rows.len(),
        &table(
            &format!(
                "One row is one file; times are those of {}.",
                input.display.zone_name()
            ),
            &["file", "rows in", "rejected", "loaded"],
            &rows,
        ),
    )
}
