//! What is new, in the order it is told: in full, or by name alone where one rule has many at once.

use drydown_findings::{News, Severity};

use crate::words::rule_title;

/// Findings of one rule and severity told in full; the others are named. What is to act on is always
/// told in full.
const fn full_most(severity: Severity) -> usize {
    match severity {
        Severity::Act => usize::MAX,
        Severity::Watch => 6,
        Severity::Info => 3,
    }
}

/// One entry of the list of what is new.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Entry<'a> {
    /// Told in full.
    Full(&'a News<'a>),
    /// `[watch] too wet, or soon will be, 48 more, …`, every subject named.
    Named(String),
}

/// The entries, in the order of `new`, which has findings of one severity and rule side by side.
pub(super) fn entries<'a>(new: &'a [News<'a>]) -> Vec<Entry<'a>> {
    new.chunk_by(|a, b| {
        a.finding.severity == b.finding.severity && a.finding.rule == b.finding.rule
    })
    .flat_map(group)
    .collect()
}

fn group<'a>(group: &'a [News<'a>]) -> Vec<Entry<'a>> {
    let most = group
        .first()
        .map_or(0, |news| full_most(news.finding.severity));
    // One name alone would take as long as the finding.
    let most = if group.len() <= most.saturating_add(1) {
        group.len()
    } else {
        most
    };
    let (full, rest) = group.split_at(most.min(group.len()));
    let mut out: Vec<Entry<'a>> = full.iter().map(Entry::Full).collect();
    if let Some(first) = rest.first() {
        let names: Vec<&str> = rest
            .iter()
            .map(|news| news.finding.subject.as_str())
            .collect();
        out.push(Entry::Named(format!(
            "[{}] {}, {} more: {}",
            first.finding.severity,
            rule_title(&first.finding.rule),
            rest.len(),
            names.join(", ")
        )));
    }
    out
}
