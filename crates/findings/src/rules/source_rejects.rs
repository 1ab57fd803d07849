//! A source whose rows are rejected more often than they should be.

use super::Rule;
use crate::case::{Case, FindingsConfig};
use crate::episode::Episode;
use crate::rows::{Kind, Severity};

pub(super) const RULE: Rule = Rule {
    name: "source_rejects",
    title: "many rows rejected",
    kind: Kind::Data,
    watches: "A source of which more than the configured share of rows was rejected whole.",
    replay,
};

fn replay(case: &Case<'_>, config: &FindingsConfig) -> Vec<Episode> {
    case.sources
        .iter()
        .filter_map(|source| {
            let share = source.rows_rejected as f64 / (source.rows_in.max(1)) as f64;
            let first = source.loaded_at.first().copied()?;
            let last = source.loaded_at.last().copied()?;
            (share > config.rejected_share).then(|| Episode {
                subject: source.source.clone(),
                severity: Severity::Watch,
                onset_at: None,
                first_seen: first,
                last_seen: last,
                holds: true,
                evidence: format!(
                    "{} of {} rows were rejected ({:.1} %).",
                    source.rows_rejected,
                    source.rows_in,
                    share * 100.0
                ),
                action: "Read `drydown export rejects`, mend the source's description or the rows, and ingest again.".to_owned(),
            })
        })
        .collect()
}
