//! True spells of the vacuum pumps, and the day on which each would have passed the limit.

use super::{HealthySpan, PumpTruth};
use crate::calendar::{DAY, stamp};
use crate::fleet::Fleet;
use crate::pump::{LIMIT_KPA, holding_kpa, usual_vapour_kg_per_h};
use crate::schedule::Outcome;

/// Runs that make the mean vapour load.
const RECENT_RUNS: usize = 5;

pub(super) fn pump_truth(fleet: &Fleet, outcome: &Outcome) -> Vec<PumpTruth> {
    let mut spells = Vec::new();
    for machine in &outcome.machines {
        let unit_id = &fleet.units[machine.idx].id;
        if let Some(episode) = machine.pump.episode {
            spells.push(PumpTruth {
                unit_id: unit_id.clone(),
                cause: episode.cause.word().to_owned(),
                onset_at: stamp(episode.onset),
                limit_crossed_at: crossed(fleet, outcome, machine.idx).map(stamp),
                repaired_at: episode.repaired.map(stamp),
                recorded: episode.recorded && episode.repaired.is_some(),
            });
        }
        for (_, from, to) in outcome
            .log
            .wet_spells
            .iter()
            .filter(|(idx, ..)| *idx == machine.idx)
        {
            spells.push(PumpTruth {
                unit_id: unit_id.clone(),
                cause: "wet_oil".to_owned(),
                onset_at: stamp(*from),
                limit_crossed_at: None,
                repaired_at: (*to < fleet.calendar.end).then(|| stamp(*to)),
                recorded: false,
            });
        }
    }
    spells.sort_by(|a, b| (&a.unit_id, a.onset_at).cmp(&(&b.unit_id, b.onset_at)));
    spells
}

/// The first instant of the unrepaired truth above the limit.
fn crossed(fleet: &Fleet, outcome: &Outcome, unit: usize) -> Option<i64> {
    let runs: Vec<(i64, f64)> = outcome
        .log
        .runs
        .iter()
        .filter(|run| run.unit == unit && run.vapour_kg_per_h.is_finite())
        .map(|run| (run.to, run.vapour_kg_per_h))
        .collect();
    let pump = &outcome.machines.get(unit)?.pump;
    pump.unrepaired.iter().enumerate().find_map(|(day, state)| {
        let at = fleet.calendar.start + day as i64 * DAY;
        let before = runs.partition_point(|(to, _)| *to <= at);
        let recent: Vec<f64> = runs
            .get(before.saturating_sub(RECENT_RUNS)..before)
            .unwrap_or(&[])
            .iter()
            .map(|(_, load)| *load)
            .collect();
        let load = match recent.len() {
            0 => usual_vapour_kg_per_h(&fleet.units[unit]),
            n => recent.iter().sum::<f64>() / n as f64,
        };
        (holding_kpa(&fleet.units[unit], *state, load) > LIMIT_KPA).then_some(at)
    })
}

pub(super) fn healthy_spans(fleet: &Fleet, spells: &[PumpTruth]) -> Vec<HealthySpan> {
    let (start, end) = (stamp(fleet.calendar.start), stamp(fleet.calendar.end));
    let mut spans = Vec::new();
    for unit in &fleet.units {
        let mut from = start;
        for spell in spells.iter().filter(|spell| spell.unit_id == unit.id) {
            if spell.onset_at > from {
                let unit_id = unit.id.clone();
                spans.push(HealthySpan {
                    unit_id,
                    from_at: from,
                    to_at: spell.onset_at,
                });
            }
            from = from.max(spell.repaired_at.unwrap_or(end));
        }
        if from < end {
            spans.push(HealthySpan {
                unit_id: unit.id.clone(),
                from_at: from,
                to_at: end,
            });
        }
    }
    spans
}
