//! What still holds, in a few lines: one for each severity and rule, with the first subjects and a count.

use drydown_findings::{Finding, RULES, Severity};

use crate::words::rule_title;

/// Subjects named in one line; the others are counted. Those to act on are a list to work on.
const fn subjects_most(severity: Severity) -> usize {
    match severity {
        Severity::Act => 20,
        Severity::Watch | Severity::Info => 8,
    }
}

/// One line of the list.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct OpenLine {
    pub(super) severity: Severity,
    /// `too wet, or soon will be (23, oldest since 2026-04-01): and 21 more`.
    pub(super) text: String,
}

/// The lines, most severe first, then in the order of the rules.
pub(super) fn lines(open: &[&Finding]) -> Vec<OpenLine> {
    let place = |row: &Finding| {
        let rule = RULES.iter().position(|rule| rule.name == row.rule);
        (std::cmp::Reverse(row.severity), rule.unwrap_or(RULES.len()))
    };
    let mut sorted: Vec<&Finding> = open.to_vec();
    sorted.sort_by(|a, b| place(a).cmp(&place(b)).then_with(|| a.rule.cmp(&b.rule)));
    sorted
        .chunk_by(|a, b| a.severity == b.severity && a.rule == b.rule)
        .filter_map(line)
        .collect()
}

fn line(rows: &[&Finding]) -> Option<OpenLine> {
    let first = rows.first()?;
    let oldest = rows.iter().map(|row| row.first_seen).min()?;
    let named: Vec<&str> = rows
        .iter()
        .take(subjects_most(first.severity))
        .map(|row| row.subject.as_str())
        .collect();
    let more = match rows.len() - named.len() {
        0 => String::new(),
        n => format!(" and {n} more"),
    };
    let age = if rows.len() == 1 {
        format!("since {}", oldest.day())
    } else {
        format!("{}, oldest since {}", rows.len(), oldest.day())
    };
    Some(OpenLine {
        severity: first.severity,
        text: format!(
            "{} ({age}): {}{more}",
            rule_title(&first.rule),
            named.join(", ")
        ),
    })
}
