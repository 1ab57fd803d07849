//! Shared by the rules that watch a flag of the runs: consecutive runs with the flag are one episode.

use drydown_runs::Run;

use crate::case::Case;
use crate::episode::Episode;
use crate::rows::Severity;

/// What a flag rule says.
pub(super) struct FlagText {
    pub(super) flag: &'static str,
    pub(super) severity: Severity,
    pub(super) evidence: fn(&[&Run]) -> String,
    pub(super) action: &'static str,
}

/// Episodes of consecutive runs of a unit that carry the flag.
pub(super) fn replay(case: &Case<'_>, text: &FlagText) -> Vec<Episode> {
    let mut episodes = Vec::new();
    for runs in case.runs.chunk_by(|a, b| a.unit_id == b.unit_id) {
        let mut held: Vec<&Run> = Vec::new();
        for run in runs {
            if run.flags.iter().any(|flag| flag == text.flag) {
                held.push(run);
            } else {
                episodes.extend(to_episode(&std::mem::take(&mut held), text, Holds::No));
            }
        }
        episodes.extend(to_episode(&held, text, Holds::Yes));
    }
    episodes
}

#[derive(Clone, Copy, PartialEq)]
enum Holds {
    Yes,
    No,
}

fn to_episode(held: &[&Run], text: &FlagText, holds: Holds) -> Option<Episode> {
    let (first, last) = (held.first()?, held.last()?);
    Some(Episode {
        subject: first.unit_id.to_string(),
        severity: text.severity,
        onset_at: Some(first.started_at),
        first_seen: first.ended_at,
        last_seen: last.ended_at,
        holds: holds == Holds::Yes,
        evidence: (text.evidence)(held),
        action: text.action.to_owned(),
    })
}
