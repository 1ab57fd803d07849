//! A source that used to bring files and no longer does.

use super::Rule;
use crate::case::{Case, FindingsConfig};
use crate::episode::Episode;
use crate::rows::{Kind, Severity};

/// Load times needed before a usual interval can be named.
const FEWEST_LOADS: usize = 4;

pub(super) const RULE: Rule = Rule {
    name: "silent_source",
    title: "no files from a source",
    kind: Kind::Data,
    watches: "A source without a new file for twice its usual interval between loads.",
    replay,
};

fn replay(case: &Case<'_>, _: &FindingsConfig) -> Vec<Episode> {
    case.sources
        .iter()
        .filter_map(|source| {
            let times: Vec<_> = source
                .loaded_at
                .iter()
                .copied()
                .filter(|at| *at < case.as_of)
                .collect();
            let last = *times.last()?;
            if times.len() < FEWEST_LOADS {
                return None;
            }
            let mut gaps: Vec<f64> = times
                .windows(2)
                .filter_map(|w| Some(w.get(1)?.hours_after(*w.first()?)))
                .collect();
            gaps.sort_by(f64::total_cmp);
            let usual_h = *gaps.get(gaps.len() / 2)?;
            let silent_h = case.as_of.hours_after(last);
            (usual_h > 0.0 && silent_h > 2.0 * usual_h).then(|| Episode {
                subject: source.source.clone(),
                severity: Severity::Watch,
                onset_at: Some(last.plus_hours(usual_h)),
                first_seen: last.plus_hours(2.0 * usual_h),
                last_seen: case.as_of,
                holds: true,
                evidence: format!("No file for {silent_h:.0} h; usually one every {usual_h:.0} h."),
                action: "Ask why the exports stopped.".to_owned(),
            })
        })
        .collect()
}
