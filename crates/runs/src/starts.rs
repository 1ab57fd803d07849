//! The pressure after each start, as logged: the raw material of the pump-down test.
//!
//! A curve begins with the last reading at rest (negative seconds) where one stands close before
//! the start, and ends where oil first flows or the vent is first seen open, at most a window
//! after the start. With the vent open from the beginning the whole window is kept, so that the
//! refusal can be shown.

use drydown_quantity::{RunId, Stamp};

use crate::cut::{Cut, Start};
use crate::marks::Marks;
use crate::{Readings, RunsConfig, StartCurve};

const VENT_OPEN_PCT: f64 = 2.0;

/// The curves of a run's starts, in time; starts without a logged pressure give none.
pub(crate) fn start_curves(
    run_id: &RunId,
    readings: &Readings,
    marks: &Marks,
    cut: &Cut,
    config: &RunsConfig,
) -> Vec<StartCurve> {
    cut.starts
        .iter()
        .filter_map(|start| curve(run_id, readings, marks, *start, cut.last, config))
        .collect()
}

fn curve(
    run_id: &RunId,
    readings: &Readings,
    marks: &Marks,
    start: Start,
    last: usize,
    config: &RunsConfig,
) -> Option<StartCurve> {
    let started_at = *readings.at.get(start.idx)?;
    let window_s = 60.0 * config.start_window_min;
    let seconds_of = |i: usize| readings.at.get(i).map(|at| at.seconds_after(started_at));
    let end = (start.idx..=last)
        .take_while(|i| seconds_of(*i).is_some_and(|s| s <= window_s))
        .last()?;
    let flows = |i: usize| {
        readings
            .oil_flow_lpm
            .get(i)
            .is_some_and(|q| q > config.working_flow_lpm)
    };
    let vented = |i: usize| {
        readings
            .vent_open_pct
            .get(i)
            .is_some_and(|p| p > VENT_OPEN_PCT)
    };
    let flow_from = (start.idx..=end).find(|i| flows(*i));
    let vent_from = (start.idx..=end).find(|i| vented(*i));
    let stop = [flow_from, vent_from]
        .into_iter()
        .flatten()
        .filter(|i| *i > start.idx)
        .min();
    let kept = start.idx..stop.unwrap_or(end + 1);
    let mut seconds = Vec::new();
    let mut chamber_kpa = Vec::new();
    for i in at_rest(readings, marks, start.idx)
        .into_iter()
        .chain(kept.clone())
    {
        if let Some((s, kpa)) = seconds_of(i).zip(marks.chamber(i)) {
            seconds.push(s);
            chamber_kpa.push(kpa);
        }
    }
    if seconds.is_empty() {
        return None;
    }
    let first = |cell: &dyn Fn(usize) -> Option<f64>| kept.clone().find_map(cell);
    Some(StartCurve {
        unit_id: readings.unit_id.clone(),
        run_id: run_id.clone(),
        started_at,
        step_s: median_step_s(&seconds),
        seconds,
        chamber_kpa,
        ambient_kpa: first(&|i| marks.ambient(i)),
        barometer_basis: readings.barometer_at(start.idx),
        oil_flow_from_s: flow_from.and_then(seconds_of),
        vent_open_from_s: vent_from.and_then(seconds_of),
        vent_logged: (start.idx..=end).any(|i| readings.vent_open_pct.get(i).is_some()),
        // Sensors of the unit only: what the oil of the reservoir is like says nothing of the chamber.
        oil_degc: first(&|i| marks.oil(i))
            .or_else(|| first(&|i| readings.oil_inlet_degc.get(i)))
            .or_else(|| first(&|i| readings.oil_outlet_degc.get(i))),
        vacuum_pump_degc: first(&|i| readings.vacuum_pump_degc.get(i)),
        ambient_degc: first(&|i| readings.ambient_degc.get(i)),
        idle_h: start.idle_h,
    })
}

/// The reading just before the start, where the unit rested at ambient pressure.
fn at_rest(readings: &Readings, marks: &Marks, start: usize) -> Option<usize> {
    let before = start.checked_sub(1)?;
    let gap_s = step_s(&readings.at, before, start)?;
    let next_s = step_s(&readings.at, start, start + 1).unwrap_or(gap_s);
    let near = gap_s <= 2.0 * next_s + 1.0 || gap_s <= 10.0;
    let rests = !marks.is_working(before) && marks.ratio(before).is_some_and(|r| r > 0.9);
    (near && rests).then_some(before)
}

fn step_s(at: &[Stamp], from: usize, to: usize) -> Option<f64> {
    Some(at.get(to)?.seconds_after(*at.get(from)?))
}

fn median_step_s(seconds: &[f64]) -> f64 {
    let mut steps: Vec<f64> = seconds
        .windows(2)
        .filter_map(|pair| match pair {
            [a, b] => Some(b - a),
            _ => None,
        })
        .collect();
    steps.sort_unstable_by(f64::total_cmp);
    steps.get(steps.len() / 2).copied().unwrap_or(0.0)
}
