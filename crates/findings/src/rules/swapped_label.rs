//! Samples that carry another reservoir's label.

use drydown_reservoirs::{StraySample, stray_samples};

use super::Rule;
use crate::case::{Case, FindingsConfig};
use crate::episode::Episode;
use crate::rows::{Kind, Severity};

pub(super) const RULE: Rule = Rule {
    name: "swapped_label",
    title: "sample under the wrong label",
    kind: Kind::Data,
    watches: "Results that do not fit the samples before and after them in their reservoir: two of one laboratory and site from the same days that fit each other's reservoir, or one that neither neighbour knows of.",
    replay,
};

/// Days for which a sample under the wrong label is listed.
const LISTED_DAYS: f64 = 183.0;

/// ln ratio of two water contents from which they are told as different: the half more (common practice, no source).
const DIFFERS_LN: f64 = 0.4;

fn replay(case: &Case<'_>, _: &FindingsConfig) -> Vec<Episode> {
    let found = stray_samples(case.registers, case.samples, case.runs, case.as_of);
    let recent = |row: &&StraySample| case.as_of.days_after(row.known_at) <= LISTED_DAYS;
    let recent: Vec<&StraySample> = found.iter().filter(recent).collect();
    // one finding for a reservoir and the time a result became known: that is a finding's identity
    recent
        .chunk_by(|a, b| a.reservoir_id == b.reservoir_id && a.known_at == b.known_at)
        .filter_map(|rows| {
            let first = rows.first()?;
            let texts: Vec<String> = rows.iter().map(|row| evidence(row)).collect();
            let exchanged = rows.iter().any(|row| row.exchanged_with.is_some());
            Some(Episode {
                subject: first.reservoir_id.to_string(),
                severity: Severity::Watch,
                onset_at: Some(first.taken_at),
                first_seen: first.known_at,
                last_seen: case.as_of,
                holds: true,
                evidence: texts.join(" "),
                action: if exchanged {
                    "Ask the laboratory for the two bottles; send a corrected export, or sample both again."
                } else {
                    "Ask the laboratory for the bottle, and sample again."
                }
                .to_owned(),
            })
        })
        .collect()
}

fn evidence(row: &StraySample) -> String {
    let mut reads = Vec::new();
    // Water that reads much like its neighbours' is no evidence.
    let differs = |read: f64, around: f64| (read / around.max(1.0)).ln().abs() > DIFFERS_LN;
    if let (Some(read), Some(around)) = (row.water_ppm, row.around_ppm)
        && (row.viscosity_mm2s.is_none() || differs(read, around))
    {
        reads.push(format!(
            "{read:.0} ppm of water where the samples around it read {around:.0} ppm"
        ));
    }
    if let (Some(read), Some(around)) = (row.viscosity_mm2s, row.around_mm2s) {
        reads.push(format!(
            "{read:.1} mm²/s at 40 °C where they read {around:.1} mm²/s"
        ));
    }
    let reads = if reads.is_empty() {
        "does not fit the samples around it".to_owned()
    } else {
        format!("reads {}", reads.join(" and "))
    };
    let other = match &row.exchanged_with {
        Some((sample, id)) => format!(
            "; it fits {id}, and that reservoir's sample {sample} fits here: the labels look exchanged"
        ),
        None => "; no run and no oil change explains it".to_owned(),
    };
    format!(
        "Sample {} of {} {reads}{other}.",
        row.sample_id,
        row.taken_at.day()
    )
}
