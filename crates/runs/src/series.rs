//! The condensed series of a run: means over bins of its working time.
//!
//! The first and the last reading stand as points of their own, and no bin spans two phases.

use drydown_quantity::{RunId, Stamp};

use crate::describe::Work;
use crate::history::Censor;
use crate::marks::Marks;
use crate::water::Water;
use crate::{Phase, Readings, RunsConfig, SeriesPoint};

/// Condenses a run.
pub(crate) fn condense(run_id: &RunId, work: &Work<'_>, config: &RunsConfig) -> Vec<SeriesPoint> {
    let Work {
        readings,
        marks,
        water,
        ..
    } = work;
    let mut points = Vec::new();
    let Some(start) = work.idx.first().and_then(|i| readings.at.get(*i)).copied() else {
        return points;
    };
    let last = work.idx.len() - 1;
    let mut bin: Option<(i64, Phase, Bin)> = None;
    for (k, (i, phase)) in work.idx.iter().zip(&work.phases).enumerate() {
        let Some(at) = readings.at.get(*i).copied() else {
            continue;
        };
        let minutes = 60.0 * at.hours_after(start);
        let number = match k {
            0 => -1,
            _ if k == last => i64::MAX,
            _ => (minutes / config.series_bin_min).floor() as i64,
        };
        if let Some((of, in_phase, done)) = bin.take() {
            if of == number && in_phase == *phase {
                bin = Some((of, in_phase, done));
            } else {
                points.extend(done.into_point(run_id, in_phase, water.from_activity));
            }
        }
        let (_, _, open) = bin.get_or_insert_with(|| (number, *phase, Bin::default()));
        open.add(readings, marks, *i, at);
        open.add_water(water, k);
    }
    if let Some((_, phase, done)) = bin {
        points.extend(done.into_point(run_id, phase, water.from_activity));
    }
    points
}

#[derive(Clone, Copy, Debug, Default)]
struct Mean {
    sum: f64,
    n: u32,
}

impl Mean {
    fn add(&mut self, cell: Option<f64>) {
        if let Some(value) = cell {
            self.sum += value;
            self.n += 1;
        }
    }

    fn get(self) -> Option<f64> {
        (self.n > 0).then(|| self.sum / f64::from(self.n))
    }
}

#[derive(Clone, Debug, Default)]
struct Bin {
    first: Option<Stamp>,
    offset_micros: i64,
    n: i64,
    oil: Mean,
    flow: Mean,
    chamber: Mean,
    ambient: Mean,
    vent: Mean,
    heater: Mean,
    pump: Mean,
    air: Mean,
    exact: Mean,
    saturated: Mean,
}

impl Bin {
    fn add(&mut self, readings: &Readings, marks: &Marks, i: usize, at: Stamp) {
        let first = *self.first.get_or_insert(at);
        self.offset_micros += at.micros() - first.micros();
        self.n += 1;
        self.oil.add(marks.oil(i));
        self.flow.add(readings.oil_flow_lpm.get(i));
        self.chamber.add(marks.chamber(i));
        self.ambient.add(marks.ambient(i));
        self.vent.add(readings.vent_open_pct.get(i));
        self.heater.add(readings.heater_kw.get(i));
        self.pump.add(readings.vacuum_pump_degc.get(i));
        self.air.add(readings.ambient_degc.get(i));
    }

    fn add_water(&mut self, water: &Water, k: usize) {
        let ppm = water.ppm.get(k).copied().filter(|ppm| !ppm.is_nan());
        if water.saturated.get(k).copied().unwrap_or(false) {
            self.saturated.add(ppm);
        } else {
            self.exact.add(ppm);
        }
    }

    /// Water of the bin: a lower bound where at least half its readings were saturated.
    fn water(&self) -> (Option<f64>, Option<Censor>) {
        if self.saturated.n > 0 && self.saturated.n >= self.exact.n {
            (self.saturated.get(), Some(Censor::Above))
        } else {
            (self.exact.get(), self.exact.get().map(|_| Censor::Exact))
        }
    }

    fn into_point(self, run_id: &RunId, phase: Phase, from_activity: bool) -> Option<SeriesPoint> {
        let at = Stamp::from_micros(self.first?.micros() + self.offset_micros / self.n.max(1));
        let (water_ppm, water_censor) = self.water();
        Some(SeriesPoint {
            run_id: run_id.clone(),
            at,
            phase,
            n_readings: self.n,
            water_ppm,
            water_censor,
            from_activity: from_activity && water_ppm.is_some(),
            oil_degc: self.oil.get(),
            flow_lpm: self.flow.get(),
            chamber_kpa: self.chamber.get(),
            ambient_kpa: self.ambient.get(),
            vent_open_pct: self.vent.get(),
            heater_kw: self.heater.get(),
            vacuum_pump_degc: self.pump.get(),
            ambient_degc: self.air.get(),
        })
    }
}
