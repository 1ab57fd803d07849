//! A laboratory result that is unusual among those of like reservoirs.

use drydown_quantity::Stamp;
use drydown_reservoirs::{AlarmBasis, AlarmStatus, ChangeStatus, LabAlarm};

use super::Rule;
use crate::case::{Case, FindingsConfig};
use crate::episode::Episode;
use crate::rows::{Kind, Severity};

pub(super) const RULE: Rule = Rule {
    name: "lab_alarm",
    title: "laboratory result unusual for the fleet",
    kind: Kind::Reservoir,
    watches: "The last result of each quantity but water against the percentiles of like reservoirs: beyond the 98th, or beyond the 95th after a change that is larger than the method repeats and unusual in the fleet.",
    replay,
};

/// One finding a reservoir: several quantities often have one cause.
fn replay(case: &Case<'_>, _: &FindingsConfig) -> Vec<Episode> {
    let told: Vec<(&LabAlarm, Stamp)> = case
        .lab_alarms
        .iter()
        .filter(|row| is_told(row))
        .filter_map(|row| Some((row, row.since_at?)))
        .collect();
    told.chunk_by(|(a, _), (b, _)| a.reservoir_id == b.reservoir_id)
        .filter_map(|rows| {
            let (first, _) = rows.first()?;
            let first_seen = rows.iter().map(|(_, since)| *since).min()?;
            let moved = rows.iter().any(|(row, _)| is_unusual_change(row));
            let texts: Vec<String> = rows.iter().map(|(row, _)| evidence(row)).collect();
            Some(Episode {
                subject: first.reservoir_id.to_string(),
                severity: if moved || rows.len() > 1 {
                    Severity::Watch
                } else {
                    Severity::Info
                },
                onset_at: None,
                first_seen,
                last_seen: case.as_of,
                holds: true,
                evidence: texts.join(" "),
                action: "Sample again; if it holds, compare with the equipment maker's limit and look for the cause. The percentiles say what is unusual in this fleet, not what is harmful.".to_owned(),
            })
        })
        .collect()
}

fn is_unusual_change(row: &LabAlarm) -> bool {
    row.change_status == ChangeStatus::Unusual
}

fn is_told(row: &LabAlarm) -> bool {
    match row.status {
        AlarmStatus::Alarm => true,
        AlarmStatus::Caution => is_unusual_change(row),
        _ => false,
    }
}

fn evidence(row: &LabAlarm) -> String {
    let peers = match row.basis {
        AlarmBasis::ServiceOil => "of the same service and oil",
        AlarmBasis::Oil => "of the same oil",
        AlarmBasis::Service => "of the same service",
    };
    let share = row.share_beyond.map_or(String::new(), |share| {
        format!(", beyond {:.0} % of", share * 100.0)
    });
    let change = match (row.change, is_unusual_change(row)) {
        (Some(change), true) => format!(
            "; it moved by {}{} since the sample before",
            if change > 0.0 { "+" } else { "" },
            digits(change)
        ),
        _ => String::new(),
    };
    format!(
        "{}: {} in the sample of {}{share} {} results of {} reservoirs {peers}{change}.",
        row.quantity,
        digits(row.value),
        row.taken_at.day(),
        row.n_results,
        row.n_reservoirs
    )
}

/// Three significant digits or so.
fn digits(x: f64) -> String {
    match x.abs() {
        size if size >= 100.0 => format!("{x:.0}"),
        size if size >= 10.0 => format!("{x:.1}"),
        size if size >= 1.0 => format!("{x:.2}"),
        _ => format!("{x:.3}"),
    }
}
