//! Per reading: the chamber pressure as the registers now stand, and whether the unit works.
//!
//! "Not logged" is not "not running": a reading that says nothing is `Unknown` and neither
//! carries a run on nor ends it.

use drydown_quantity::Stamp;

use crate::falls::mark_falls;
use crate::held::Last;
use crate::history::BarometerBasis;
use crate::places::Places;
use crate::readings::Column;
use crate::{Readings, RunsConfig};

/// Whether the unit works at a reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Working {
    Yes,
    No,
    Unknown,
}

/// What is derived from each reading before runs are cut. Every vector is as long as the log;
/// NaN marks a missing value.
#[derive(Clone, Debug)]
pub(crate) struct Marks {
    pub(crate) working: Vec<Working>,
    pub(crate) place: Vec<u32>,
    pub(crate) chamber_kpa: Vec<f64>,
    pub(crate) ambient_kpa: Vec<f64>,
    pub(crate) oil_degc: Vec<f64>,
}

impl Marks {
    pub(crate) fn is_working(&self, idx: usize) -> bool {
        self.working.get(idx) == Some(&Working::Yes)
    }

    pub(crate) fn chamber(&self, idx: usize) -> Option<f64> {
        known(&self.chamber_kpa, idx)
    }

    pub(crate) fn ambient(&self, idx: usize) -> Option<f64> {
        known(&self.ambient_kpa, idx)
    }

    pub(crate) fn oil(&self, idx: usize) -> Option<f64> {
        known(&self.oil_degc, idx)
    }

    /// Chamber pressure over the barometer.
    pub(crate) fn ratio(&self, idx: usize) -> Option<f64> {
        Some(self.chamber(idx)? / self.ambient(idx).filter(|kpa| *kpa > 0.0)?)
    }
}

fn known(values: &[f64], idx: usize) -> Option<f64> {
    values.get(idx).copied().filter(|value| !value.is_nan())
}

/// Marks every reading of a unit. In sparse rows what was logged last still holds: see [`crate::held`].
pub(crate) fn mark_readings(
    readings: &Readings,
    sparse: &[bool],
    places: &Places,
    config: &RunsConfig,
) -> Marks {
    let n = readings.len();
    let mut marks = Marks {
        working: Vec::with_capacity(n),
        place: Vec::with_capacity(n),
        chamber_kpa: Vec::with_capacity(n),
        ambient_kpa: Vec::with_capacity(n),
        oil_degc: oil_column(readings, sparse),
    };
    let running = trusted_flag(&readings.running, n);
    let pump_on = trusted_flag(&readings.vacuum_pump_on, n);
    let mut place = 0;
    let mut told = Told::default();
    for (idx, at) in readings.at.iter().enumerate() {
        place = places.idx_at(*at, place);
        let (chamber, ambient) =
            absolute(readings, idx, places.get(place).and_then(|p| p.ambient_kpa));
        let own = Evidence {
            flow: readings.oil_flow_lpm.get(idx),
            flags: [
                running.and_then(|c| c.get(idx)),
                pump_on.and_then(|c| c.get(idx)),
            ],
            chamber,
            ambient,
        };
        let is_sparse = sparse.get(idx) == Some(&true);
        marks.working.push(told.judge(*at, own, is_sparse, config));
        marks.place.push(u32::try_from(place).unwrap_or(u32::MAX));
        marks.chamber_kpa.push(chamber.unwrap_or(f64::NAN));
        marks.ambient_kpa.push(ambient.unwrap_or(f64::NAN));
    }
    mark_falls(readings, &mut marks, config);
    marks
}

/// Oil entering the chamber, else leaving it, else as supplied: whichever the unit logs.
fn oil_column(readings: &Readings, sparse: &[bool]) -> Vec<f64> {
    let columns = [
        &readings.oil_inlet_degc,
        &readings.oil_outlet_degc,
        &readings.oil_supply_degc,
    ];
    let logged = columns.into_iter().find(|column| column.is_logged());
    let mut last = Last::default();
    let cell = |(idx, at): (usize, &Stamp)| {
        let own = logged.and_then(|column| column.get(idx));
        last.see(*at, own, sparse.get(idx) == Some(&true))
            .unwrap_or(f64::NAN)
    };
    readings.at.iter().enumerate().map(cell).collect()
}

/// A yes/no column is believed only if it has said both: a flag that is always 1 says that the
/// logger is powered, not that the machine works.
fn trusted_flag(column: &Column, n: usize) -> Option<&Column> {
    let mut seen = [false, false];
    for cell in (0..n).filter_map(|idx| column.get(idx)) {
        if let Some(slot) = seen.get_mut(usize::from(cell >= 0.5)) {
            *slot = true;
        }
        if seen == [true, true] {
            return Some(column);
        }
    }
    None
}

/// Absolute chamber pressure and barometer, kPa. Where the stored barometer was not measured the
/// gauge reading (stored less stored barometer) is kept and the barometer is taken again from the
/// registers as they stand.
fn absolute(
    readings: &Readings,
    idx: usize,
    by_altitude: Option<f64>,
) -> (Option<f64>, Option<f64>) {
    let stored = readings.chamber_pressure_kpa.get(idx);
    let stored_ambient = readings.ambient_kpa.get(idx);
    let basis = readings.barometer_basis.get(idx).copied().flatten();
    match basis {
        Some(BarometerBasis::Measured) => (stored, stored_ambient),
        Some(BarometerBasis::Altitude | BarometerBasis::Default) => {
            match (stored_ambient, by_altitude) {
                (Some(old), Some(new)) => (
                    stored.map(|kpa| kpa - old + new).filter(|kpa| *kpa >= 0.0),
                    Some(new),
                ),
                (old, new) => (stored, old.or(new)),
            }
        }
        None => (stored, stored_ambient.or(by_altitude)),
    }
}

/// What one reading says of whether the unit works.
#[derive(Clone, Copy, Debug)]
struct Evidence {
    flow: Option<f64>,
    /// The `running` flag, then the vacuum pump's.
    flags: [Option<f64>; 2],
    chamber: Option<f64>,
    ambient: Option<f64>,
}

impl Evidence {
    fn judge(self, config: &RunsConfig) -> Working {
        if self.flow.is_some_and(|lpm| lpm > config.working_flow_lpm) {
            return Working::Yes;
        }
        if let Some(flag) = self.flags.into_iter().flatten().next() {
            return if flag >= 0.5 {
                Working::Yes
            } else {
                Working::No
            };
        }
        match (self.by_pressure(config), self.flow) {
            (Working::Unknown, Some(_)) => Working::No,
            (by_pressure, _) => by_pressure,
        }
    }

    fn by_pressure(self, config: &RunsConfig) -> Working {
        match self.chamber.zip(self.ambient) {
            Some((inside, outside)) if inside < outside - config.working_margin_kpa => Working::Yes,
            Some(_) => Working::No,
            None => Working::Unknown,
        }
    }
}

/// What flow and flags said last, for rows that do not say it again.
#[derive(Clone, Copy, Debug, Default)]
struct Told {
    at: Option<Stamp>,
    flow: Last,
    flags: [Last; 2],
}

impl Told {
    fn judge(&mut self, at: Stamp, own: Evidence, sparse: bool, config: &RunsConfig) -> Working {
        // A log that told nothing at all for so long says no more how it went on.
        let silent = self
            .at
            .is_some_and(|before| at.hours_after(before) >= config.stop_ends_run_h);
        if silent {
            *self = Self::default();
        }
        self.at = Some(at);
        let stops = own.flags.into_iter().flatten().any(|flag| flag < 0.5);
        // A chamber that stands open speaks against a flow or flag of long ago: that logger may have fallen silent.
        let opened = own.by_pressure(config) == Working::No;
        if stops || (opened && !self.flow.is_young(at)) {
            self.flow.forget();
        }
        let [running, pump_on] = &mut self.flags;
        for flag in [running, pump_on] {
            if opened && !flag.is_young(at) {
                flag.forget();
            }
        }
        let [running, pump_on] = &mut self.flags;
        let [own_running, own_pump_on] = own.flags;
        Evidence {
            flow: self.flow.see_state(at, own.flow, sparse),
            flags: [
                running.see_state(at, own_running, sparse),
                pump_on.see_state(at, own_pump_on, sparse),
            ],
            ..own
        }
        .judge(config)
    }
}

/// Hours between two readings as a counter saw them; None where no counter is logged on both
/// sides or it was reset in between.
pub(crate) fn counted_hours(readings: &Readings, from: usize, to: usize) -> Option<f64> {
    let meter = &readings.run_hours_h;
    let by_meter = difference(meter, from, to);
    let flow = readings.oil_flow_lpm.get(from).filter(|lpm| *lpm > 0.0);
    let by_total = difference(&readings.oil_total_l, from, to)
        .zip(flow)
        .map(|(l, lpm)| l / lpm / 60.0);
    by_meter.or(by_total).filter(|hours| *hours >= 0.0)
}

fn difference(column: &Column, from: usize, to: usize) -> Option<f64> {
    Some(column.get(to)? - column.get(from)?)
}

/// Hours from one reading to another; 0 where an index lies outside.
pub(crate) fn hours_between(at: &[Stamp], from: usize, to: usize) -> f64 {
    at.get(to)
        .zip(at.get(from))
        .map_or(0.0, |(later, earlier)| later.hours_after(*earlier))
}
