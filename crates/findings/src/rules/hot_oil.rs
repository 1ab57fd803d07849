//! Oil run hotter than the reservoir allows, or too near its flash point.

use super::Rule;
use crate::case::{Case, FindingsConfig};
use crate::episode::Episode;
use crate::rows::{Kind, Severity};

pub(super) const RULE: Rule = Rule {
    name: "hot_oil",
    title: "oil too hot",
    kind: Kind::Safety,
    watches: "Mean oil temperature of a run above the reservoir's highest, or within the configured margin of the oil's flash point, in the last 31 days.",
    replay,
};

fn replay(case: &Case<'_>, config: &FindingsConfig) -> Vec<Episode> {
    case.runs
        .iter()
        .filter(|run| case.as_of.days_after(run.ended_at) <= 31.0)
        .filter_map(|run| {
            let oil_degc = run.oil_degc?;
            let reservoir = run.reservoir_id.as_ref().and_then(|id| case.registers.reservoir(id));
            let highest = reservoir.and_then(|row| row.max_oil_degc);
            let flash = run.oil_type.as_ref().and_then(|id| case.registers.oil(id)).and_then(|oil| oil.flash_degc);
            let evidence = if let Some(highest) = highest.filter(|highest| oil_degc > *highest) {
                format!("Run {}: oil at {oil_degc:.0} °C on average, above the {highest:.0} °C allowed.", run.run_id)
            } else if let Some(flash) = flash.filter(|flash| oil_degc > flash - config.flash_margin_k) {
                format!("Run {}: oil at {oil_degc:.0} °C on average, flash point {flash:.0} °C.", run.run_id)
            } else {
                return None;
            };
            Some(Episode {
                subject: run.unit_id.to_string(),
                severity: Severity::Act,
                onset_at: Some(run.started_at),
                first_seen: run.ended_at,
                last_seen: run.ended_at,
                holds: run.flags.iter().any(|flag| flag == "open") || case.as_of.days_after(run.ended_at) <= config.new_days,
                evidence,
                action: "Lower the heater set point and check the heater's flow interlock; hot oil burns.".to_owned(),
            })
        })
        .collect()
}
