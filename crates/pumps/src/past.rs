//! What lies before a time: each pump's accepted starts and runs between recorded renewals.

use std::collections::BTreeMap;

use drydown_quantity::{Stamp, UnitId};
use drydown_runs::Run;
use drydown_runs::history::{Maintenance, PumpKind, Unit};

use crate::covariates::{Covariates, of_steady};
use crate::monitor::days_of;
use crate::prior::COMMON_RATES;
use crate::spans::{Renewal, renewal_of};
use crate::start::base_counts;
use crate::{PumpStart, PumpsConfig};

/// Everything the fleet has on record about its pumps.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Fleet<'a> {
    pub(crate) units: &'a [Unit],
    pub(crate) starts: &'a [PumpStart],
    pub(crate) runs: &'a [Run],
    pub(crate) maintenance: &'a [Maintenance],
}

/// Accepted starts and steady runs of one pump between two recorded renewals.
#[derive(Clone, Debug, Default)]
pub(crate) struct Span {
    pub(crate) kind: Option<PumpKind>,
    /// ln of rated relative speed.
    pub(crate) ln_rated: Option<f64>,
    pub(crate) starts: Vec<PumpStart>,
    pub(crate) runs: Vec<(f64, f64, Covariates)>,
    pub(crate) is_first: bool,
}

/// What is seen of a unit in a year: accepted starts with a speed, base pressures that count, runs.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Rates {
    pub(crate) starts: f64,
    pub(crate) bases: f64,
    pub(crate) runs: f64,
}

/// What is seen per unit and year, over at most the last year, kept within reason.
pub(crate) fn rates(fleet: &Fleet<'_>, before: Stamp, config: &PumpsConfig) -> Rates {
    let since = before.plus_days(-365.0);
    let recent = |at: Stamp| since <= at && at < before;
    let runs: Vec<&Run> = fleet
        .runs
        .iter()
        .filter(|run| recent(run.ended_at))
        .collect();
    let mut first: BTreeMap<&UnitId, Stamp> = BTreeMap::new();
    let starts: Vec<&PumpStart> = fleet
        .starts
        .iter()
        .filter(|s| s.accepted && recent(s.started_at))
        .collect();
    let by_run = runs
        .iter()
        .map(|run| (&run.unit_id, run.started_at.max(since)));
    for (unit, at) in by_run.chain(starts.iter().map(|s| (&s.unit_id, s.started_at))) {
        let slot = first.entry(unit).or_insert(at);
        *slot = (*slot).min(at);
    }
    let years: f64 = first
        .values()
        .map(|at| before.days_after(*at).max(30.0) / 365.25)
        .sum();
    if years <= 0.0 {
        return COMMON_RATES;
    }
    let bases = starts
        .iter()
        .filter(|start| start.base_kpa.is_some() && base_counts(start, config))
        .count();
    let speeds = starts
        .iter()
        .filter(|start| start.relative_speed_per_s.is_some())
        .count();
    let rate = |n: usize| (n as f64 / years).clamp(4.0, 2000.0);
    Rates {
        starts: rate(speeds),
        bases: rate(bases),
        runs: rate(runs.len()),
    }
}

/// The spans of all pumps before a time. A base pressure that does not count is left out of them.
pub(crate) fn spans_before(fleet: &Fleet<'_>, before: Stamp, config: &PumpsConfig) -> Vec<Span> {
    let counting = |start: &PumpStart| PumpStart {
        base_kpa: start.base_kpa.filter(|_| base_counts(start, config)),
        ..start.clone()
    };
    let mut by_unit: BTreeMap<&UnitId, (Vec<&PumpStart>, Vec<&Run>)> = BTreeMap::new();
    for start in fleet
        .starts
        .iter()
        .filter(|s| s.accepted && s.started_at < before)
    {
        by_unit.entry(&start.unit_id).or_default().0.push(start);
    }
    for run in fleet.runs.iter().filter(|run| run.ended_at < before) {
        by_unit.entry(&run.unit_id).or_default().1.push(run);
    }
    let mut spans = Vec::new();
    for (unit_id, (mut starts, mut runs)) in by_unit {
        let unit = fleet.units.iter().find(|row| &row.unit_id == unit_id);
        let mut cuts: Vec<Stamp> = fleet
            .maintenance
            .iter()
            .filter(|row| &row.unit_id == unit_id && row.at < before)
            .filter(|row| renewal_of(row.action).is_some_and(|r| r != Renewal::Gauge))
            .map(|row| row.at)
            .collect();
        cuts.sort_unstable();
        starts.sort_by_key(|s| s.started_at);
        runs.sort_by_key(|r| r.ended_at);
        for number in 0..=cuts.len() {
            let from = number.checked_sub(1).and_then(|k| cuts.get(k)).copied();
            let to = cuts.get(number).copied();
            let within =
                |at: Stamp| from.is_none_or(|from| from <= at) && to.is_none_or(|to| at < to);
            let mut span = Span {
                kind: unit.and_then(|row| row.vacuum_pump_kind),
                ln_rated: unit.and_then(ln_rated),
                is_first: number == 0,
                ..Span::default()
            };
            span.starts = starts
                .iter()
                .filter(|s| within(s.started_at))
                .map(|s| counting(s))
                .collect();
            span.runs = runs
                .iter()
                .filter(|run| within(run.ended_at))
                .filter_map(|run| {
                    let kpa = run.steady_kpa.filter(|kpa| *kpa > 0.0)?;
                    Some((days_of(run.ended_at), kpa.ln(), of_steady(run)))
                })
                .collect();
            spans.push(span);
        }
    }
    spans
}

/// ln of the rated relative speed of a unit, 1/s: rated volume flow over chamber volume.
pub(crate) fn ln_rated(unit: &Unit) -> Option<f64> {
    let m3h = unit.vacuum_pump_m3h.filter(|v| *v > 0.0)?;
    let litres = unit.chamber_volume_l.filter(|v| *v > 0.0)?;
    Some((m3h / 3.6 / litres).ln())
}
