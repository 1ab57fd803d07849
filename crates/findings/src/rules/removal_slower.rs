//! A unit that dries an oil more slowly than it used to, beyond both intervals.

use drydown_removal::RemovalQuarter;

use super::Rule;
use crate::case::{Case, FindingsConfig, Snapshot};
use crate::episode::Episode;
use crate::rows::{Kind, Severity};

pub(super) const RULE: Rule = Rule {
    name: "removal_slower",
    title: "dries more slowly",
    kind: Kind::Removal,
    watches: "Removal per pass by quarter: the latest quarter's whole 90 % interval lies below that of the best earlier quarter.",
    replay,
};

fn replay(case: &Case<'_>, _: &FindingsConfig) -> Vec<Episode> {
    let mut episodes: Vec<Episode> = Vec::new();
    for snapshot in case.snapshots {
        let last = case.now().map(|now| now.as_of) == Some(snapshot.as_of);
        for seen in held(snapshot) {
            let earlier = episodes
                .iter_mut()
                .find(|old| old.subject == seen.subject && old.holds);
            match earlier {
                Some(old) => {
                    old.last_seen = snapshot.as_of;
                    old.evidence = seen.evidence;
                }
                None => episodes.push(seen),
            }
        }
        for old in &mut episodes {
            old.holds = old.last_seen == snapshot.as_of;
        }
        debug_assert!(!last || episodes.iter().all(|old| old.last_seen <= case.as_of));
    }
    episodes
}

fn held(snapshot: &Snapshot) -> Vec<Episode> {
    snapshot
        .quarters
        .chunk_by(|a, b| a.unit_id == b.unit_id && a.oil_type == b.oil_type)
        .filter_map(|rows| slower(rows, snapshot))
        .collect()
}

fn slower(rows: &[RemovalQuarter], snapshot: &Snapshot) -> Option<Episode> {
    let (latest, earlier) = rows.split_last()?;
    let upper = latest.upper_90?;
    let best = earlier
        .iter()
        .filter(|row| row.n_runs >= 2 && row.lower_90.is_some_and(|lower| lower > upper))
        .max_by(|a, b| {
            a.lower_90
                .partial_cmp(&b.lower_90)
                .unwrap_or(std::cmp::Ordering::Equal)
        })?;
    let recent = snapshot.as_of.days_after(latest.quarter.end()) <= 92.0;
    (latest.n_runs >= 2 && recent).then(|| Episode {
        subject: latest.unit_id.to_string(),
        severity: Severity::Watch,
        onset_at: Some(latest.quarter.start()),
        first_seen: snapshot.as_of,
        last_seen: snapshot.as_of,
        holds: true,
        evidence: format!(
            "On {} removal per pass was {} in {}, and {} in {} (90 % intervals), from {} runs.",
            latest.oil_type,
            with_interval(best),
            best.quarter,
            with_interval(latest),
            latest.quarter,
            latest.n_runs,
        ),
        action: "Check vacuum under load, oil temperature and flow against the earlier runs; test the pump with the vent shut.".to_owned(),
    })
}

fn with_interval(row: &RemovalQuarter) -> String {
    let shown = |value: Option<f64>| value.map_or("not known".to_owned(), |v| format!("{v:.2}"));
    format!(
        "{} ({} to {})",
        shown(row.removal_per_pass),
        shown(row.lower_90),
        shown(row.upper_90)
    )
}
