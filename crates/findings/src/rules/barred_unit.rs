//! A unit deployed where it must not work.

use drydown_runs::history::{PcbStatus, Reservoir, Unit};

use super::Rule;
use crate::case::{Case, FindingsConfig};
use crate::episode::Episode;
use crate::rows::{Kind, Severity};

pub(super) const RULE: Rule = Rule {
    name: "barred_unit",
    title: "works where it must not",
    kind: Kind::Safety,
    watches: "A unit deployed, now or in the last 31 days, on a reservoir whose PCB status is not 'none', that is energised or paper-insulated, or whose oil family the unit may not take.",
    replay,
};

fn replay(case: &Case<'_>, _: &FindingsConfig) -> Vec<Episode> {
    let mut episodes = Vec::new();
    for row in &case.registers.deployments {
        let left = case.registers.left_at(row);
        let ended = left.unwrap_or(case.as_of);
        if case.as_of.days_after(ended) > 31.0 {
            continue;
        }
        let Some(reservoir) = row
            .reservoir_id
            .as_ref()
            .and_then(|id| case.registers.reservoir(id))
        else {
            continue;
        };
        let Some(unit) = case.registers.unit(&row.unit_id) else {
            continue;
        };
        let reasons = reasons(case, unit, reservoir);
        if reasons.is_empty() {
            continue;
        }
        episodes.push(Episode {
            subject: row.unit_id.to_string(),
            severity: Severity::Act,
            onset_at: Some(row.from_at),
            first_seen: row.from_at,
            last_seen: ended.min(case.as_of),
            holds: left.is_none_or(|to| to > case.as_of),
            evidence: format!(
                "Deployed on {} {}: {}.",
                reservoir.reservoir_id,
                left.map_or_else(
                    || format!("since {}", row.from_at.day()),
                    |to| format!("from {} to {}", row.from_at.day(), to.day())
                ),
                reasons.join("; ")
            ),
            action: if left.is_none() {
                "Stop and ask the responsible licensed person before any further work; local codes decide."
            } else {
                "Tell the responsible licensed person what was done there; local codes decide what follows."
            }
            .to_owned(),
        });
    }
    episodes
}

fn reasons(case: &Case<'_>, unit: &Unit, reservoir: &Reservoir) -> Vec<String> {
    let mut reasons = Vec::new();
    if let Some(status) = reservoir
        .pcb_status
        .filter(|status| matches!(status, PcbStatus::Suspect | PcbStatus::Present))
    {
        reasons.push(format!("PCB status '{status}'"));
    }
    if reservoir.energised == Some(true) {
        reasons.push("the equipment is energised".to_owned());
    }
    if reservoir.paper_insulated == Some(true) && unit.insulating_oil_ready != Some(true) {
        reasons.push(
            "paper-insulated equipment and the unit is not marked ready for insulating oil"
                .to_owned(),
        );
    }
    let family = reservoir
        .oil_type
        .as_ref()
        .and_then(|id| case.registers.oil(id))
        .and_then(|oil| oil.family.as_deref());
    if let Some(family) = family
        && !unit.oil_families_allowed.is_empty()
        && !unit
            .oil_families_allowed
            .iter()
            .any(|allowed| allowed == family)
    {
        reasons.push(format!(
            "oil family '{family}' is not among those the unit may take"
        ));
    }
    reasons
}
