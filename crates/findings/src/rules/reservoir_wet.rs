//! A reservoir likely to pass its water limit, or to hold free water, if no unit is sent.

use drydown_reservoirs::ReservoirRisk;

use super::Rule;
use crate::case::{Case, FindingsConfig};
use crate::episode::Episode;
use crate::rows::{Kind, Severity};

pub(super) const RULE: Rule = Rule {
    name: "reservoir_wet",
    title: "too wet, or soon will be",
    kind: Kind::Reservoir,
    watches: "Probability that a reservoir passes its water limit, or holds free water at its coldest, within the horizon if no unit is sent.",
    replay,
};

fn replay(case: &Case<'_>, config: &FindingsConfig) -> Vec<Episode> {
    let mut episodes: Vec<Episode> = Vec::new();
    for snapshot in case.snapshots {
        for row in &snapshot.risks {
            let Some(probability) = worst(row) else {
                continue;
            };
            if probability < config.reservoir_watch_probability {
                continue;
            }
            let severity = if probability >= config.reservoir_act_probability {
                Severity::Act
            } else {
                Severity::Watch
            };
            let earlier = episodes
                .iter_mut()
                .find(|old| old.subject == row.reservoir_id.as_str() && old.holds);
            if let Some(old) = earlier {
                old.last_seen = snapshot.as_of;
                old.severity = severity;
                old.evidence = evidence(row);
                // What to do follows the evidence: a sampling date of an earlier replay is past.
                old.action = action(case, row);
            } else {
                episodes.push(Episode {
                    subject: row.reservoir_id.to_string(),
                    severity,
                    onset_at: None,
                    first_seen: snapshot.as_of,
                    last_seen: snapshot.as_of,
                    holds: true,
                    evidence: evidence(row),
                    action: action(case, row),
                });
            }
        }
        for old in &mut episodes {
            old.holds = old.last_seen == snapshot.as_of;
        }
    }
    episodes
}

fn worst(row: &ReservoirRisk) -> Option<f64> {
    match (row.p_water_limit, row.p_free_water) {
        (Some(limit), Some(free)) => Some(limit.max(free)),
        (limit, free) => limit.or(free),
    }
}

fn evidence(row: &ReservoirRisk) -> String {
    format!(
        "Within {:.0} days if no unit is sent: passes the water limit {}, free water {}. {}",
        row.horizon_days,
        chance(row.p_water_limit),
        chance(row.p_free_water),
        row.driver
    )
}

/// A probability in per cent; an estimate is never certain, so never 0 or 100.
fn chance(p: Option<f64>) -> String {
    match p {
        None => "not known".to_owned(),
        Some(p) if p < 0.01 => "under 1 %".to_owned(),
        Some(p) if p > 0.99 => "over 99 %".to_owned(),
        Some(p) => format!("{:.0} %", p * 100.0),
    }
}

fn action(case: &Case<'_>, row: &ReservoirRisk) -> String {
    let register = case.registers.reservoir(&row.reservoir_id);
    let electrical =
        register.is_some_and(|r| r.paper_insulated == Some(true) || r.energised == Some(true));
    let sample = row
        .next_sample_by
        .map_or(String::new(), |day| format!(" Sample by {day}."));
    if electrical {
        format!("Insulating oil: leave any treatment to licensed specialists.{sample}")
    } else {
        format!("Drain settled water, look for the way in, and plan a unit.{sample}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_estimate_is_never_certain() {
        for (p, expected) in [
            (None, "not known"),
            (Some(0.0), "under 1 %"),
            (Some(0.5), "50 %"),
            (Some(0.99), "99 %"),
            (Some(0.996), "over 99 %"),
            (Some(1.0), "over 99 %"),
        ] {
            assert_eq!(chance(p), expected);
        }
    }
}
