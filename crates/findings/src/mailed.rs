//! What a mail should tell: the findings that nobody was told yet, or told of as less grave.
//!
//! The state `new` says when a finding began; whether it was mailed stands only in the journal, so
//! that a finding that grew graver, or that came up while no mail went out, is told all the same.

use drydown_quantity::Stamp;

use crate::rows::{Finding, FindingState, Severity};

/// Days for which a severity once mailed counts as told, though a later mail showed a lower one:
/// a finding that goes back and forth between two severities is not told each time.
const TOLD_DAYS: f64 = 31.0;

/// One line of the journal of mails: a finding as it was told.
#[derive(Clone, Debug, PartialEq)]
pub struct Mailed {
    /// Its identity then.
    pub finding_id: String,
    /// Its rule and subject; None in lines from before they were kept.
    pub rule: Option<String>,
    /// See `rule`.
    pub subject: Option<String>,
    /// How grave it was told to be.
    pub severity: Option<Severity>,
    /// Time of the analysis that the mail reported.
    pub as_of: Option<Stamp>,
}

/// A finding to tell.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct News<'a> {
    /// The finding.
    pub finding: &'a Finding,
    /// The lower severity it was last told with; None where nobody was told of it.
    pub told: Option<Severity>,
}

/// The findings that hold and were not mailed yet, or mailed with a lower severity.
///
/// A finding is the one of an earlier mail by its identity, or by rule and subject where it already
/// held when that mail was made: its first replay may have moved since, and its identity with it.
#[must_use]
pub fn news<'a>(findings: &'a [Finding], journal: &[Mailed], as_of: Stamp) -> Vec<News<'a>> {
    findings
        .iter()
        .filter(|finding| finding.state != FindingState::Cleared)
        .filter_map(|finding| {
            let told: Vec<&Mailed> = journal
                .iter()
                .filter(|line| is_of(line, finding, as_of))
                .collect();
            let Some(last) = told.iter().max_by_key(|line| (line.as_of, line.severity)) else {
                return Some(News {
                    finding,
                    told: None,
                });
            };
            let is_told = |line: &Mailed| line.severity >= Some(finding.severity);
            let lately = told.iter().any(|line| {
                is_told(line)
                    && line
                        .as_of
                        .is_some_and(|at| as_of.days_after(at) <= TOLD_DAYS)
            });
            (!is_told(last) && !lately).then_some(News {
                finding,
                told: last.severity,
            })
        })
        .collect()
}

fn is_of(line: &Mailed, finding: &Finding, as_of: Stamp) -> bool {
    line.finding_id == finding.finding_id
        || (line.rule.as_deref() == Some(finding.rule.as_str())
            && line.subject.as_deref() == Some(finding.subject.as_str())
            && line
                .as_of
                .is_some_and(|at| at >= may_hold_since(finding, as_of)))
}

/// From when a finding may have held. What is replayed is looked at when a month begins and at `as_of`: a finding first seen at
/// such a time began at any moment since the look before, and last night's mail told it under last night's identity.
fn may_hold_since(finding: &Finding, as_of: Stamp) -> Stamp {
    let first = finding.first_seen;
    if first == as_of || first == first.month_start() {
        first.plus_hours(-1.0).month_start()
    } else {
        first
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rows::Kind;

    fn at(day: &str) -> Stamp {
        day.parse().unwrap()
    }

    fn finding(id: &str, severity: Severity, first_seen: &str) -> Finding {
        Finding {
            finding_id: id.to_owned(),
            rule: "pump_change".to_owned(),
            kind: Kind::Pump,
            subject: "U-4".to_owned(),
            severity,
            onset_at: None,
            first_seen: at(first_seen),
            last_seen: at("2026-09-30"),
            state: FindingState::Open,
            evidence: String::new(),
            action: String::new(),
        }
    }

    fn mailed(id: &str, severity: Severity, as_of: &str) -> Mailed {
        Mailed {
            finding_id: id.to_owned(),
            rule: Some("pump_change".to_owned()),
            subject: Some("U-4".to_owned()),
            severity: Some(severity),
            as_of: Some(at(as_of)),
        }
    }

    #[track_caller]
    fn check(finding: &Finding, journal: &[Mailed], expected: Option<Option<Severity>>) {
        let found = news(std::slice::from_ref(finding), journal, at("2026-10-01"));
        assert_eq!(found.first().map(|one| one.told), expected);
    }

    #[test]
    fn what_nobody_was_told_is_news_however_old() {
        let old = finding("a", Severity::Act, "2025-11-02");
        check(&old, &[], Some(None));
        let other = Mailed {
            subject: Some("U-5".to_owned()),
            ..mailed("b", Severity::Act, "2026-09-30")
        };
        check(&old, &[other], Some(None));
        let cleared = Finding {
            state: FindingState::Cleared,
            ..old
        };
        check(&cleared, &[], None);
    }

    #[test]
    fn what_grew_graver_than_it_was_told_is_news() {
        let act = finding("a", Severity::Act, "2026-04-05");
        let watch = mailed("a", Severity::Watch, "2026-09-01");
        check(
            &act,
            std::slice::from_ref(&watch),
            Some(Some(Severity::Watch)),
        );
        check(&act, &[mailed("a", Severity::Act, "2026-05-01")], None);
        // Back and forth: told within the month, or told as less since and graver again later.
        let flicker = [mailed("a", Severity::Act, "2026-09-10"), watch.clone()];
        check(&act, &flicker, None);
        let relapse = [mailed("a", Severity::Act, "2026-05-10"), watch];
        check(&act, &relapse, Some(Some(Severity::Watch)));
        let milder = finding("a", Severity::Info, "2026-04-05");
        check(&milder, &relapse, None);
    }

    #[test]
    fn a_first_replay_that_moved_does_not_make_it_news_again() {
        let moved = finding("of today", Severity::Watch, "2026-05-01");
        let told = mailed("of yesterday", Severity::Watch, "2026-09-30");
        check(&moved, std::slice::from_ref(&told), None);
        // It began after what was mailed had cleared: another one.
        let again = finding("again", Severity::Watch, "2026-09-30T01:00:00Z");
        check(&again, std::slice::from_ref(&told), Some(None));
        // Lines from before rule and subject were kept tell by identity alone.
        let before = Mailed {
            rule: None,
            subject: None,
            ..told
        };
        check(&moved, std::slice::from_ref(&before), Some(None));
        check(
            &finding("of yesterday", Severity::Watch, "2026-05-01"),
            &[before],
            None,
        );
    }

    #[test]
    fn what_began_in_the_middle_of_a_month_is_mailed_once() {
        // Night after night it is first seen at that night's look, until the month's start is one.
        let nights = [
            "2026-08-29",
            "2026-08-30",
            "2026-08-31",
            "2026-09-01",
            "2026-09-02",
            "2026-10-01",
        ];
        let mut journal = Vec::new();
        let mut n_told = 0;
        for night in nights {
            let first_seen = if night < "2026-09-01" {
                night
            } else {
                "2026-09-01"
            };
            let seen = finding(&format!("of {first_seen}"), Severity::Watch, first_seen);
            let told = !news(std::slice::from_ref(&seen), &journal, at(night)).is_empty();
            n_told += u32::from(told);
            if told {
                journal.push(mailed(&seen.finding_id, seen.severity, night));
            }
        }
        assert_eq!(n_told, 1);
        // Cleared when September began, and back in its middle: another one.
        let back = finding("back", Severity::Watch, "2026-09-15");
        assert_eq!(news(&[back], &journal, at("2026-09-15")).len(), 1);
    }

    #[test]
    fn no_act_is_left_untold() {
        // Whatever the journal holds of other times and severities, an open act is news, or a mail told it as act.
        let severities = [Severity::Info, Severity::Watch, Severity::Act];
        for first_seen in ["2025-11-02", "2026-06-01", "2026-09-30"] {
            let act = finding("a", Severity::Act, first_seen);
            for id in ["a", "b"] {
                for severity in severities {
                    for as_of in ["2025-01-01", "2026-05-01", "2026-09-29", "2026-10-01"] {
                        let journal = [mailed(id, severity, as_of)];
                        let is_news = !news(std::slice::from_ref(&act), &journal, at("2026-10-01"))
                            .is_empty();
                        assert!(
                            is_news || severity == Severity::Act,
                            "{first_seen} {id} {severity} {as_of}"
                        );
                    }
                }
            }
        }
    }
}
