//! A site without altitude: gauge vacuum there cannot become absolute pressure.

use super::Rule;
use crate::case::{Case, FindingsConfig};
use crate::episode::Episode;
use crate::rows::{Kind, Severity};

pub(super) const RULE: Rule = Rule {
    name: "no_altitude",
    title: "site without altitude",
    kind: Kind::Data,
    watches: "A site of the register without altitude, where units worked.",
    replay,
};

fn replay(case: &Case<'_>, _: &FindingsConfig) -> Vec<Episode> {
    case.registers
        .sites
        .iter()
        .filter(|site| site.altitude_m.is_none())
        .filter_map(|site| {
            let times = case.runs.iter().filter(|run| {
                case.registers
                    .site_of_unit_at(&run.unit_id, run.started_at)
                    .is_some_and(|there| there.site_id == site.site_id)
            });
            let first = times.clone().map(|run| run.started_at).min()?;
            let last = times.map(|run| run.ended_at).max()?;
            Some(Episode {
                subject: site.site_id.to_string(),
                severity: Severity::Info,
                onset_at: None,
                first_seen: first,
                last_seen: last,
                holds: true,
                evidence: "The site has no altitude, so gauge vacuum there is read against sea level and base pressure is not judged.".to_owned(),
                action: "Enter the site's altitude in the register.".to_owned(),
            })
        })
        .collect()
}
