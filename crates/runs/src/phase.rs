//! What the machine is doing at each working reading: pump-down, heating, drying, cool-down.

use crate::cut::Cut;
use crate::marks::{Marks, hours_between};
use crate::{Phase, Readings, RunsConfig};

/// The phase of each working reading of a run; `idx` are its readings in the log.
///
/// Pump-down: from a start until oil flows, the vent is seen open or the chamber has stopped
/// falling. Heating: until the oil first comes near its drying temperature. Cool-down: after the
/// oil last was near it, with the heater off. A dip in between is drying: water flashing off
/// cools the oil.
pub(crate) fn phases_of_run(
    readings: &Readings,
    marks: &Marks,
    cut: &Cut,
    idx: &[usize],
    config: &RunsConfig,
) -> Vec<Phase> {
    let warm_degc = drying_degc(readings, marks, idx) - config.heating_margin_k;
    let warm = |i: usize| marks.oil(i).is_some_and(|degc| degc >= warm_degc);
    let first_warm = idx.iter().position(|i| warm(*i));
    let last_warm = idx.iter().rposition(|i| warm(*i));
    let down = pump_down_mask(readings, marks, cut, idx, config);
    let phase = |(k, i): (usize, &usize)| {
        if down.get(k).copied().unwrap_or(false) {
            return Phase::PumpDown;
        }
        match (first_warm, last_warm) {
            (Some(first), _) if k < first => Phase::Heating,
            (_, Some(last)) if k > last && heater_off(readings, *i) => Phase::CoolDown,
            _ => Phase::Drying,
        }
    };
    idx.iter().enumerate().map(phase).collect()
}

/// The temperature the run dries at: the 80th percentile of the oil's, or the set point where
/// that is lower (a set point the heater never reaches is none).
fn drying_degc(readings: &Readings, marks: &Marks, idx: &[usize]) -> f64 {
    let mut degc: Vec<f64> = idx.iter().filter_map(|i| marks.oil(*i)).collect();
    degc.sort_unstable_by(f64::total_cmp);
    let high = degc.get(degc.len() * 4 / 5).copied().unwrap_or(f64::NAN);
    let set = idx
        .iter()
        .rev()
        .find_map(|i| readings.heater_setpoint_degc.get(*i));
    set.filter(|set| *set < high && *set > high - 10.0)
        .unwrap_or(high)
}

fn heater_off(readings: &Readings, idx: usize) -> bool {
    match (readings.heater_on.get(idx), readings.heater_kw.get(idx)) {
        (Some(on), _) => on < 0.5,
        (None, Some(kw)) => kw < 0.1,
        // Not logged: oil that stays below its drying temperature to the end is cooling.
        (None, None) => true,
    }
}

fn pump_down_mask(
    readings: &Readings,
    marks: &Marks,
    cut: &Cut,
    idx: &[usize],
    config: &RunsConfig,
) -> Vec<bool> {
    let mut mask = vec![false; idx.len()];
    for start in &cut.starts {
        let Some(from) = idx.iter().position(|i| *i == start.idx) else {
            continue;
        };
        let mut lowest = f64::INFINITY;
        let mut since_lower = 0;
        for (k, i) in idx.iter().enumerate().skip(from) {
            let minutes = 60.0 * hours_between(&readings.at, start.idx, *i);
            let flows = readings
                .oil_flow_lpm
                .get(*i)
                .is_some_and(|q| q > config.working_flow_lpm);
            let vented = readings
                .vent_open_pct
                .get(*i)
                .is_some_and(|open| open > 2.0);
            if flows || vented || minutes > config.start_window_min || since_lower >= 5 {
                break;
            }
            if let Some(kpa) = marks.chamber(*i) {
                since_lower = if kpa < lowest - 0.2 {
                    0
                } else {
                    since_lower + 1
                };
                lowest = lowest.min(kpa);
            }
            if let Some(slot) = mask.get_mut(k) {
                *slot = true;
            }
        }
    }
    mask
}
