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
            let rows = once(rows);
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

/// Each result once: a laboratory's files may give one both as a column of the sample and as a line of its results,
/// under names that differ by unit, method and letters. The one with more results to compare with stays.
fn once<'a>(rows: &[(&'a LabAlarm, Stamp)]) -> Vec<(&'a LabAlarm, Stamp)> {
    let mut kept: Vec<(&LabAlarm, Stamp)> = Vec::new();
    for row in rows {
        match kept.iter_mut().find(|known| is_same(known.0, row.0)) {
            Some(known) if row.0.n_results > known.0.n_results => *known = *row,
            Some(_) => {}
            None => kept.push(*row),
        }
    }
    kept
}

/// Whether two rows tell of one result: the same sample, value and quantity.
fn is_same(a: &LabAlarm, b: &LabAlarm) -> bool {
    let bare = |name: &str| -> String {
        let end = name.find(['[', ',', '(']).unwrap_or(name.len());
        let letters = name.get(..end).unwrap_or(name).chars();
        letters
            .filter(|c| c.is_alphanumeric())
            .flat_map(char::to_lowercase)
            .collect()
    };
    a.taken_at == b.taken_at
        && (a.value - b.value).abs() <= 1e-9 * a.value.abs().max(b.value.abs())
        && bare(&a.quantity) == bare(&b.quantity)
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
        if share > 0.995 {
            ", beyond all".to_owned()
        } else {
            format!(", beyond {:.0} % of", share * 100.0)
        }
    });
    let change = match (row.change, is_unusual_change(row)) {
        (Some(change), true) => format!(
            "; it moved by {}{} since the sample before",
            if change > 0.0 { "+" } else { "" },
            shown(&row.quantity, change)
        ),
        _ => String::new(),
    };
    format!(
        "{}: {} in the sample of {}{share} {} results of {} reservoirs {peers}{change}.",
        row.quantity,
        shown(&row.quantity, row.value),
        row.taken_at.day(),
        row.n_results,
        row.n_reservoirs
    )
}

/// A value in the digits of its quantity: codes are whole numbers.
fn shown(quantity: &str, value: f64) -> String {
    if quantity.contains(" code") {
        format!("{value:.0}")
    } else {
        digits(value)
    }
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
