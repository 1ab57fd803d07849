//! Findings in tables: most severe first, one table for each rule, what is for information or cleared folded away.

use std::cmp::Reverse;
use std::collections::BTreeMap;

use drydown_findings::{Finding, FindingState, Kind, RULES, Severity};
use drydown_quantity::Stamp;

use super::Page;
use super::parts::{subject_link, top_page};
use crate::html::{Cell, DAY, escape, folded, link, prose, slug, table};
use crate::input::{ReportInput, risk_ranks};
use crate::words::{began, rule_title, sentence};

/// A rule with more rows than this in one part of the first page shows the first of them and has a page of its own.
const ROWS_MOST: usize = 60;
/// Rows that it then shows.
const ROWS_SHOWN: usize = 30;

/// How much of a long table is shown.
#[derive(Clone, Copy, PartialEq)]
enum Extent {
    /// Its first rows, with a link to the rule's page.
    First,
    Whole,
}

/// Every finding: to act on, to watch, for information, cleared, in this order; of a rule with very many the first.
pub(super) fn by_severity(input: &ReportInput<'_>) -> String {
    let all: Vec<&Finding> = input.findings.iter().collect();
    parts(input, &all, Extent::First)
}

/// The pages of rules of which the first page shows the first rows only.
pub(super) fn rule_pages(input: &ReportInput<'_>) -> Vec<Page> {
    let mut by_rule: BTreeMap<&str, Vec<&Finding>> = BTreeMap::new();
    for row in input.findings {
        by_rule.entry(&row.rule).or_default().push(row);
    }
    let part = |row: &Finding| (row.state == FindingState::Cleared, row.severity);
    let is_long = |rows: &[&Finding]| {
        let mut sizes: BTreeMap<_, usize> = BTreeMap::new();
        for row in rows {
            *sizes.entry(part(row)).or_default() += 1;
        }
        // What is cleared stands in one part, whatever its severity.
        let cleared = sizes.iter().filter(|(part, _)| part.0);
        let n_cleared: usize = cleared.map(|(_, n)| *n).sum();
        n_cleared > ROWS_MOST || sizes.values().any(|n| *n > ROWS_MOST)
    };
    by_rule
        .into_iter()
        .filter(|(_, rows)| is_long(rows))
        .map(|(rule, rows)| {
            let body = parts(input, &rows, Extent::Whole);
            top_page(input, &rule_file(rule), &title(rule), &body)
        })
        .collect()
}

fn rule_file(rule: &str) -> String {
    format!("findings-{}.html", slug(rule))
}

fn title(rule: &str) -> String {
    let mut title = rule_title(rule);
    if let Some(letter) = title.get(..1) {
        title = letter.to_uppercase() + title.get(1..).unwrap_or_default();
    }
    title
}

fn parts(input: &ReportInput<'_>, findings: &[&Finding], extent: Extent) -> String {
    let open = |severity: Severity| -> Vec<&Finding> {
        findings
            .iter()
            .copied()
            .filter(|row| row.state != FindingState::Cleared && row.severity == severity)
            .collect()
    };
    let mut out = String::new();
    for (severity, heading) in [(Severity::Act, "To act on"), (Severity::Watch, "To watch")] {
        let rows = open(severity);
        out.push_str(&format!("<h2>{heading} ({})</h2>\n", rows.len()));
        out.push_str(&by_rule(input, &rows, extent));
    }
    let info = open(Severity::Info);
    out.push_str(&folded(
        "For information",
        info.len(),
        &by_rule(input, &info, extent),
    ));
    let cleared = cleared(findings.iter().copied());
    out.push_str(&folded(
        "Cleared in the last six months",
        cleared.len(),
        &by_rule(input, &cleared, extent),
    ));
    out
}

/// The findings about one subject: open ones most severe first, then cleared ones folded.
pub(super) fn of_subject(input: &ReportInput<'_>, subject: &str) -> String {
    let mine = || input.findings.iter().filter(|row| row.subject == subject);
    let mut open: Vec<&Finding> = mine()
        .filter(|row| row.state != FindingState::Cleared)
        .collect();
    open.sort_by_key(|row| Reverse(row.severity));
    let cleared = cleared(mine());
    let header = ["finding", "severity", "when", "evidence", "what to do"];
    let rows = |rows: &[&Finding]| -> Vec<Vec<Cell>> {
        rows.iter()
            .map(|row| {
                vec![
                    Cell::Text(rule_title(&row.rule)),
                    severity(row.severity),
                    when(row),
                    Cell::Text(sentence(&row.evidence)),
                    Cell::Text(sentence(&row.action)),
                ]
            })
            .collect()
    };
    let mut out = String::from("<h2>Findings</h2>\n");
    out.push_str(&table(
        "One row is one cause; what follows from it is folded in.",
        &header,
        &rows(&open),
    ));
    if !cleared.is_empty() {
        let body = table(
            "One row is one finding that no longer holds.",
            &header,
            &rows(&cleared),
        );
        out.push_str(&folded(
            "Cleared in the last six months",
            cleared.len(),
            &body,
        ));
    }
    out
}

fn cleared<'a>(rows: impl Iterator<Item = &'a Finding>) -> Vec<&'a Finding> {
    let mut rows: Vec<&Finding> = rows
        .filter(|row| row.state == FindingState::Cleared)
        .collect();
    rows.sort_by_key(|row| (Reverse(row.severity), Reverse(row.last_seen)));
    rows
}

/// One table for each rule: safety first, then in the order of the rules. Where all rows of a rule
/// ask for the same, it is said once.
fn by_rule(input: &ReportInput<'_>, rows: &[&Finding], extent: Extent) -> String {
    if rows.is_empty() {
        return "<p>None.</p>\n".to_owned();
    }
    let ranks = risk_ranks(input.risks);
    let mut sorted: Vec<&Finding> = rows.to_vec();
    sorted.sort_by_cached_key(|row| {
        let rule = RULES.iter().position(|rule| rule.name == row.rule);
        (
            row.kind != Kind::Safety,
            rule.unwrap_or(RULES.len()),
            row.rule.clone(),
            row.state != FindingState::New,
            // Another subject than a reservoir keeps its place.
            ranks.get(row.subject.as_str()).copied().unwrap_or(0),
        )
    });
    sorted
        .chunk_by(|a, b| a.rule == b.rule)
        .map(|group| rule_table(input, group, extent))
        .collect()
}

fn rule_table(input: &ReportInput<'_>, rows: &[&Finding], extent: Extent) -> String {
    let Some(first) = rows.first() else {
        return String::new();
    };
    let same = rows.len() > 1 && rows.iter().all(|row| row.action == first.action);
    let is_cut = extent == Extent::First && rows.len() > ROWS_MOST;
    let shown = if is_cut { ROWS_SHOWN } else { rows.len() };
    let cells: Vec<Vec<Cell>> = rows
        .iter()
        .take(shown)
        .map(|row| {
            let mut cells = vec![
                Cell::Markup(subject_link(input, &row.subject, "")),
                severity(row.severity),
                when(row),
                Cell::Text(sentence(&row.evidence)),
            ];
            if !same {
                cells.push(Cell::Text(sentence(&row.action)));
            }
            cells
        })
        .collect();
    let mut header = vec!["subject", "severity", "when", "evidence"];
    let mut caption =
        "One row is one cause with one subject; what follows from it is folded in.".to_owned();
    if same {
        caption = format!(
            "{caption} What to do, for each: {}",
            sentence(&first.action)
        );
    } else {
        header.push("what to do");
    }
    let more = if is_cut {
        format!(
            "<p>The first {shown} of {} stand here; {}.</p>\n",
            rows.len(),
            link(&rule_file(&first.rule), "all of them")
        )
    } else {
        String::new()
    };
    format!(
        "<h3>{} ({})</h3>\n{more}{}",
        escape(&title(&first.rule)),
        rows.len(),
        table(&caption, &header, &cells)
    )
}

/// Severity by word and shape.
fn severity(severity: Severity) -> Cell {
    Cell::Markup(format!("<span class=\"{severity}\">{severity}</span>"))
}

fn when(row: &Finding) -> Cell {
    let day = |at: Stamp| format!("<span class=\"day\">{}</span>", at.day());
    let seen = match row.state {
        FindingState::Cleared => format!("cleared after {}", day(row.last_seen)),
        FindingState::New => format!(
            "<span class=\"new\">new</span>, first seen {}",
            day(row.first_seen)
        ),
        FindingState::Open => format!("open since {}", day(row.first_seen)),
    };
    let onset = began(row.onset_at);
    Cell::Markup(if onset.is_empty() {
        seen
    } else {
        format!("{seen}; {}", prose(&onset, DAY))
    })
}
