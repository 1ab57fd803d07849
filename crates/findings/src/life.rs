//! From what the rules saw to findings with an identity and a state.

use drydown_quantity::Stamp;

use crate::case::{Case, FindingsConfig};
use crate::episode::Episode;
use crate::rows::{Finding, FindingState, Kind};
use crate::rules::{RULES, Rule};

/// Replays every rule and gives the findings, most severe and newest first.
///
/// What follows from a graver finding on the same unit folds under it (see `fold`).
#[must_use]
pub fn find(case: &Case<'_>, config: &FindingsConfig) -> Vec<Finding> {
    let mut findings: Vec<Finding> = RULES
        .iter()
        .flat_map(|rule| {
            (rule.replay)(case, config)
                .into_iter()
                .map(|seen| to_finding(rule, seen, case, config))
        })
        .filter(|row| {
            row.state != FindingState::Cleared
                || case.as_of.days_after(row.last_seen) <= config.keep_cleared_days
        })
        .collect();
    fold(&mut findings);
    findings.sort_by(|a, b| {
        let key = |row: &Finding| {
            let state = match row.state {
                FindingState::New => 0,
                FindingState::Open => 1,
                FindingState::Cleared => 2,
            };
            (
                state,
                std::cmp::Reverse(row.severity),
                std::cmp::Reverse(row.first_seen),
            )
        };
        key(a)
            .cmp(&key(b))
            .then_with(|| a.finding_id.cmp(&b.finding_id))
    });
    findings
}

fn to_finding(rule: &Rule, mut seen: Episode, case: &Case<'_>, config: &FindingsConfig) -> Finding {
    // An analysis of the past may see what was loaded since; for it that began with itself.
    seen.first_seen = seen.first_seen.min(case.as_of);
    seen.last_seen = seen.last_seen.min(case.as_of);
    // What was seen had begun by then, wherever a later look puts the onset.
    seen.onset_at = seen.onset_at.map(|onset| onset.min(seen.first_seen));
    let state = if !seen.holds {
        FindingState::Cleared
    } else if case.as_of.days_after(seen.first_seen) <= config.new_days {
        FindingState::New
    } else {
        FindingState::Open
    };
    Finding {
        finding_id: finding_id(rule.name, &seen.subject, seen.first_seen),
        rule: rule.name.to_owned(),
        kind: rule.kind,
        subject: seen.subject,
        severity: seen.severity,
        onset_at: seen.onset_at,
        first_seen: seen.first_seen,
        last_seen: seen.last_seen,
        state,
        evidence: seen.evidence,
        action: seen.action,
    }
}

/// The identity of a finding: a hash of rule, subject and first replay that held.
fn finding_id(rule: &str, subject: &str, first_seen: Stamp) -> String {
    let text = format!("{rule}\u{1f}{subject}\u{1f}{}", first_seen.micros());
    blake3::hash(text.as_bytes())
        .to_hex()
        .as_str()
        .chars()
        .take(16)
        .collect()
}

/// One unit, one cause, one finding: a slower removal that began while the same unit's pump
/// was already a finding follows from the pump, so it folds under the pump's finding.
fn fold(findings: &mut Vec<Finding>) {
    let pumps: Vec<(usize, String, Stamp, Stamp)> = findings
        .iter()
        .enumerate()
        .filter(|(_, row)| row.kind == Kind::Pump)
        .map(|(idx, row)| {
            (
                idx,
                row.subject.clone(),
                row.onset_at.unwrap_or(row.first_seen),
                row.last_seen,
            )
        })
        .collect();
    let mut folded = Vec::new();
    for (idx, row) in findings
        .iter()
        .enumerate()
        .filter(|(_, row)| row.kind == Kind::Removal)
    {
        let parent = pumps.iter().find(|(_, subject, from, to)| {
            *subject == row.subject
                && *from <= row.last_seen
                && row.first_seen <= to.plus_days(31.0)
        });
        if let Some((parent, ..)) = parent {
            folded.push((idx, *parent, slower_too(&row.evidence)));
        }
    }
    for (_, parent, text) in &folded {
        if let Some(row) = findings.get_mut(*parent) {
            if !row.evidence.ends_with('.') {
                row.evidence.push('.');
            }
            row.evidence.push_str(text);
        }
    }
    let mut idx = 0;
    findings.retain(|_| {
        let keep = !folded.iter().any(|(child, ..)| *child == idx);
        idx += 1;
        keep
    });
}

/// The evidence of slower drying as a sentence after that of the pump.
fn slower_too(evidence: &str) -> String {
    let mut letters = evidence.chars();
    let begin: String = letters
        .next()
        .map_or_else(String::new, |first| first.to_lowercase().collect());
    format!(" It also dries more slowly: {begin}{}", letters.as_str())
}
