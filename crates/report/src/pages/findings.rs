//! Findings in tables: most severe first, one table for each rule, what is for information or cleared folded away.

use std::cmp::Reverse;

use drydown_findings::{Finding, FindingState, Kind, RULES, Severity};
use drydown_quantity::Stamp;

use super::parts::subject_link;
use crate::html::{Cell, DAY, escape, folded, prose, table};
use crate::input::{ReportInput, risk_rank};
use crate::words::{began, rule_title, sentence};

/// Every finding: to act on, to watch, for information, cleared, in this order.
pub(super) fn by_severity(input: &ReportInput<'_>) -> String {
    let open = |severity: Severity| -> Vec<&Finding> {
        input
            .findings
            .iter()
            .filter(|row| row.state != FindingState::Cleared && row.severity == severity)
            .collect()
    };
    let mut out = String::new();
    for (severity, heading) in [(Severity::Act, "To act on"), (Severity::Watch, "To watch")] {
        let rows = open(severity);
        out.push_str(&format!("<h2>{heading} ({})</h2>\n", rows.len()));
        out.push_str(&by_rule(input, &rows));
    }
    let info = open(Severity::Info);
    out.push_str(&folded(
        "For information",
        info.len(),
        &by_rule(input, &info),
    ));
    let cleared = cleared(input.findings.iter());
    out.push_str(&folded(
        "Cleared in the last six months",
        cleared.len(),
        &by_rule(input, &cleared),
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
fn by_rule(input: &ReportInput<'_>, rows: &[&Finding]) -> String {
    if rows.is_empty() {
        return "<p>None.</p>\n".to_owned();
    }
    let place = |row: &Finding| {
        let rule = RULES.iter().position(|rule| rule.name == row.rule);
        (row.kind != Kind::Safety, rule.unwrap_or(RULES.len()))
    };
    let rank = |row: &Finding| risk_rank(input.risks, &row.subject);
    let mut sorted: Vec<&Finding> = rows.to_vec();
    sorted.sort_by(|a, b| {
        place(a)
            .cmp(&place(b))
            .then_with(|| a.rule.cmp(&b.rule))
            .then_with(|| (a.state != FindingState::New).cmp(&(b.state != FindingState::New)))
            .then_with(|| rank(a).cmp(&rank(b)))
    });
    sorted
        .chunk_by(|a, b| a.rule == b.rule)
        .map(|group| rule_table(input, group))
        .collect()
}

fn rule_table(input: &ReportInput<'_>, rows: &[&Finding]) -> String {
    let Some(first) = rows.first() else {
        return String::new();
    };
    let same = rows.len() > 1 && rows.iter().all(|row| row.action == first.action);
    let cells: Vec<Vec<Cell>> = rows
        .iter()
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
    let mut title = rule_title(&first.rule);
    if let Some(letter) = title.get(..1) {
        title = letter.to_uppercase() + title.get(1..).unwrap_or_default();
    }
    format!(
        "<h3>{} ({})</h3>\n{}",
        escape(&title),
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
