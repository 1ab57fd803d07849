//! A reservoir likely to pass its water limit, or to hold free water, if no unit is sent.

use drydown_reservoirs::ReservoirRisk;

use super::Rule;
use crate::case::{Case, FindingsConfig};
use crate::episode::Episode;
use crate::rows::{Kind, Severity};

/// Water above what a mid-stream sample shows from which some has settled, ppm: a cup in a thousand litres, less is
/// within what the estimate can tell (common practice, no source).
const SETTLED_PPM: f64 = 20.0;

pub(super) const RULE: Rule = Rule {
    name: "reservoir_wet",
    title: "too wet, or soon will be",
    kind: Kind::Reservoir,
    watches: "Probability that a reservoir passes its water limit, or holds free water at its coldest, within the horizon if no unit is sent. To act on are those that very likely do and stand first by rank, which weighs the chances by criticality; the others are to watch.",
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
            let n = snapshot.risks.len();
            let severity = severity(row, probability, config);
            let earlier = episodes
                .iter_mut()
                .find(|old| old.subject == row.reservoir_id.as_str() && old.holds);
            if let Some(old) = earlier {
                old.last_seen = snapshot.as_of;
                old.severity = severity;
                old.evidence = evidence(row, n);
                // What to do follows the evidence: a sampling date of an earlier replay is past.
                old.action = action(case, row, severity);
            } else {
                episodes.push(Episode {
                    subject: row.reservoir_id.to_string(),
                    severity,
                    onset_at: None,
                    first_seen: snapshot.as_of,
                    last_seen: snapshot.as_of,
                    holds: true,
                    evidence: evidence(row, n),
                    action: action(case, row, severity),
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

/// A chance asks for action only among the first by rank: where most oil of a fleet sheds water in
/// the cold, a threshold alone would ask for a unit everywhere, and criticality would not count.
fn severity(row: &ReservoirRisk, probability: f64, config: &FindingsConfig) -> Severity {
    if probability >= config.reservoir_act_probability && row.rank <= config.reservoir_act_first {
        Severity::Act
    } else {
        Severity::Watch
    }
}

fn evidence(row: &ReservoirRisk, n: usize) -> String {
    format!(
        "Rank {} of {n} by risk (90 %: {} to {}). Within {:.0} days if no unit is sent: passes the water limit {}, free water {}. {}",
        row.rank,
        row.rank_lower_90,
        row.rank_upper_90,
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

fn action(case: &Case<'_>, row: &ReservoirRisk, severity: Severity) -> String {
    let register = case.registers.reservoir(&row.reservoir_id);
    let electrical =
        register.is_some_and(|r| r.paper_insulated == Some(true) || r.energised == Some(true));
    let sample = row
        .next_sample_by
        .map_or(String::new(), |day| format!(" Sample by {day}."));
    if electrical {
        return format!("Insulating oil: leave any treatment to licensed specialists.{sample}");
    }
    let unit = if severity == Severity::Act {
        "plan a unit"
    } else {
        "plan a unit after those that rank before it"
    };
    let filter = if row.p_cleanliness_limit.is_some_and(|p| p >= 0.5) {
        " Filter it as well: it is likely to pass its cleanliness limit."
    } else {
        ""
    };
    format!(
        "{}ind where water gets in, and {unit}.{filter}{sample}",
        bottom(row)
    )
}

/// What to do about free water, up to the first letter of what comes next: drain what has settled, prevent what may.
fn bottom(row: &ReservoirRisk) -> &'static str {
    let settled_ppm = row
        .water_all_ppm
        .zip(row.water_sample_ppm)
        .map(|(all, sample)| all - sample);
    if settled_ppm.is_some_and(|ppm| ppm >= SETTLED_PPM) {
        return "Drain settled water, f";
    }
    match row.p_free_water {
        None => {
            "Look at the bottom first: whether water has settled there is not known while the oil's solubility is not in the register. F"
        }
        Some(p) if p >= 0.5 => {
            "Keep it warm, or dry it before it gets cold: it would then hold free water. F"
        }
        Some(_) => "F",
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
