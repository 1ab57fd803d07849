//! Whether the data can be trusted: what was read, rejected, and not heard.

use std::collections::BTreeMap;

use super::Page;
use super::parts::top_page;
use crate::html::{Cell, table};
use crate::input::{FileLoad, ReportInput};
use crate::show::count;

pub(super) fn render(input: &ReportInput<'_>) -> Page {
    let mut body = String::from(
        "<p>For every file: rows in = kept + duplicate + rejected. A rejected row keeps its raw text; <code>drydown export rejects</code> gives them for mending.</p>\n<h2>By source</h2>\n",
    );
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
            let sum = |of: fn(&FileLoad) -> i64| count(loads.iter().map(|load| of(load)).sum());
            vec![
                Cell::Text((*source).to_owned()),
                Cell::Figure(count(loads.len() as i64)),
                Cell::Figure(sum(|l| l.rows_in)),
                Cell::Figure(sum(|l| l.rows_kept)),
                Cell::Figure(sum(|l| l.rows_duplicate)),
                Cell::Figure(sum(|l| l.rows_rejected)),
                Cell::Figure(sum(|l| l.rows_superseded)),
                Cell::Figure(sum(|l| l.rows_ignored)),
            ]
        })
        .collect();
    body.push_str(&table(
        "One row is one source.",
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
    ));
    let reasons: Vec<Vec<Cell>> = input
        .reject_reasons
        .iter()
        .take(40)
        .map(|(reason, n)| vec![Cell::Figure(count(*n)), Cell::Text(reason.clone())])
        .collect();
    body.push_str("<h2>Why rows and cells were refused</h2>\n");
    body.push_str(&table(
        "One row is one reason; cells are counted one by one.",
        &["entries", "reason"],
        &reasons,
    ));
    let flagged: Vec<Vec<Cell>> = flags(input)
        .into_iter()
        .map(|(flag, n)| vec![Cell::Text(flag.replace('_', " ")), Cell::Figure(count(n))])
        .collect();
    body.push_str("<h2>Flags of the quarter's runs</h2>\n");
    body.push_str(&table(
        "One row is one flag and the runs that carry it.",
        &["flag", "runs"],
        &flagged,
    ));
    let rejected: Vec<Vec<Cell>> = input
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
    body.push_str("<h2>Files with rejected rows</h2>\n");
    body.push_str(&table(
        "One row is one file.",
        &["file", "rows in", "rejected", "loaded"],
        &rejected,
    ));
    top_page(input, "data.html", "Data", &body)
}

fn flags(input: &ReportInput<'_>) -> BTreeMap<String, i64> {
    let mut counts = BTreeMap::new();
    for run in input
        .runs
        .iter()
        .filter(|run| super::parts::in_quarter(input, run))
    {
        for flag in &run.flags {
            *counts.entry(flag.clone()).or_default() += 1;
        }
    }
    counts
}
