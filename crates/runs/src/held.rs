//! What was not logged again still holds: logs that are told on change, or by several loggers in turn.
//!
//! A controller that writes a quantity only when it moves, and a unit whose pressure and oil are logged at different
//! instants, give rows that hold a few cells each. Such a row's own cells are taken as they stand; of what else is needed to
//! read them (temperatures, flow, vent, heater, barometer) the last logged value goes on to hold. Water and chamber pressure
//! are never held: a value that nobody read is no evidence.

use std::borrow::Cow;

use drydown_quantity::Stamp;

use crate::Readings;
use crate::marks::Working;
use crate::readings::Column;

/// How long a measured value holds in a sparse row, hours: loggers on change repeat what does not move once a day or oftener
/// (common practice, no source).
const HELD_H: f64 = 24.0;
/// How long a flow or a flag outweighs a chamber that stands open to the air, hours (common practice, no source).
const YOUNG_H: f64 = 1.0;
/// How long a barometer holds in a row that could have told it, hours: weather moves it by 0.1 kPa or so meanwhile (common practice, no source).
const BAROMETER_H: f64 = 1.0;

/// The value of one quantity that was logged last.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Last(Option<(Stamp, f64)>);

impl Last {
    /// Takes in a reading's own cell and gives what holds there: the cell, or in a sparse row the last
    /// one that is no older than some hours.
    pub(crate) fn see(&mut self, at: Stamp, own: Option<f64>, sparse: bool) -> Option<f64> {
        self.see_within(HELD_H, at, own, sparse)
    }

    /// The same for what holds until it is told otherwise, such as a flag.
    pub(crate) fn see_state(&mut self, at: Stamp, own: Option<f64>, sparse: bool) -> Option<f64> {
        self.see_within(f64::INFINITY, at, own, sparse)
    }

    /// Whether it was logged so lately that it outweighs what other quantities say since.
    pub(crate) fn is_young(&self, at: Stamp) -> bool {
        self.0
            .is_some_and(|(since, _)| at.hours_after(since) < YOUNG_H)
    }

    /// Nothing holds any longer.
    pub(crate) fn forget(&mut self) {
        self.0 = None;
    }

    fn see_within(&mut self, hours: f64, at: Stamp, own: Option<f64>, hold: bool) -> Option<f64> {
        if let Some(value) = own {
            self.0 = Some((at, value));
            return own;
        }
        let (since, value) = self.0.filter(|_| hold)?;
        (at.hours_after(since) <= hours).then_some(value)
    }
}

/// Which readings are sparse: they hold less than half of the quantities that the unit logs. Empty where none is.
pub(crate) fn sparse_rows(readings: &Readings) -> Vec<bool> {
    let logged: Vec<&Column> = readings
        .columns()
        .into_iter()
        .filter(|column| column.is_logged())
        .collect();
    let is_sparse = |idx: usize| {
        let told = logged.iter().filter(|column| column.get(idx).is_some());
        2 * told.count() < logged.len()
    };
    let rows: Vec<bool> = (0..readings.len()).map(is_sparse).collect();
    if rows.contains(&true) {
        rows
    } else {
        Vec::new()
    }
}

/// The readings with a barometer that is logged now and then standing in the readings around too. Beside a barometer that was
/// assumed when the pressure was converted nothing is held.
pub(crate) fn with_barometer<'a>(readings: &'a Readings, sparse: &[bool]) -> Cow<'a, Readings> {
    let stated = |idx: usize| readings.barometer_basis.get(idx).copied().flatten();
    let missing = |idx: usize| readings.ambient_kpa.get(idx).is_none() && stated(idx).is_none();
    if !readings.ambient_kpa.is_logged() || !(0..readings.len()).any(missing) {
        return Cow::Borrowed(readings);
    }
    let mut last = Last::default();
    let cells = readings.at.iter().enumerate().map(|(idx, at)| {
        // A barometer assumed from the altitude says nothing of the weather.
        let own = readings.ambient_kpa.get(idx);
        if stated(idx).is_some() {
            return own;
        }
        let hours = if sparse.get(idx) == Some(&true) {
            HELD_H
        } else {
            BAROMETER_H
        };
        last.see_within(hours, *at, own, true)
    });
    let ambient_kpa = Column::from_cells(cells);
    Cow::Owned(Readings {
        ambient_kpa,
        ..readings.clone()
    })
}

/// The readings with what still holds in sparse rows filled in. A flow does not outlast a stop.
pub(crate) fn fill<'a>(
    readings: Cow<'a, Readings>,
    sparse: &[bool],
    working: &[Working],
) -> Cow<'a, Readings> {
    if sparse.is_empty() {
        return readings;
    }
    let mut filled = readings.into_owned();
    let at = std::mem::take(&mut filled.at);
    for column in filled.settings_mut() {
        *column = held(column, &at, sparse, |_| false);
    }
    let stopped = |idx: usize| working.get(idx) == Some(&Working::No);
    filled.oil_flow_lpm = held(&filled.oil_flow_lpm, &at, sparse, stopped);
    filled.at = at;
    Cow::Owned(filled)
}

/// A column with its last value standing in sparse rows, as far as nothing ended it.
fn held(column: &Column, at: &[Stamp], sparse: &[bool], ends: impl Fn(usize) -> bool) -> Column {
    if !column.is_logged() {
        return column.clone();
    }
    let mut last = Last::default();
    Column::from_cells(at.iter().enumerate().map(|(idx, at)| {
        if ends(idx) {
            last.forget();
        }
        last.see(*at, column.get(idx), sparse.get(idx) == Some(&true))
    }))
}

#[cfg(test)]
mod tests {
    use drydown_quantity::UnitId;

    use super::*;
    use crate::history::BarometerBasis;
    use crate::stage::cut_runs;
    use crate::stage::tests::registers;
    use crate::{Run, RunsConfig, UnitRuns};

    const STEP_S: f64 = 30.0;
    const ON_S: f64 = 600.0;
    const OIL_S: f64 = 840.0;
    const OFF_S: f64 = 600.0 + 20.0 * 3600.0;

    fn start() -> Stamp {
        "2026-01-03T08:00:00Z".parse().unwrap()
    }

    fn solubility_ppm(degc: f64) -> f64 {
        10f64.powf(7.0895 - 1567.0 / (degc + 273.15))
    }

    /// Chamber, flow, oil, activity, flag and barometer at a time: a run of 20 h whose water falls from 150 to 30 ppm.
    fn cells(s: f64) -> [f64; 6] {
        let on = (ON_S..OFF_S).contains(&s);
        let oils = (OIL_S..OFF_S).contains(&s);
        let h = ((s - OIL_S) / 3600.0).max(0.0);
        let oil = if oils {
            66.0 - 12.0 * (-h / 0.5).exp()
        } else {
            54.0
        };
        let ppm = 30.0 + 120.0 * (-h / 6.0).exp();
        // What a pressure and a sensor waver by.
        let wobble = 0.3 * (s * 0.37).sin();
        let chamber = if on {
            20.0 + 80.0 * (-(s - ON_S) / 40.0).exp() + 2.0 * wobble
        } else {
            100.0
        };
        [
            chamber,
            if oils { 70.0 } else { 0.0 },
            oil,
            (ppm + wobble) / solubility_ppm(oil),
            f64::from(u8::from(on)),
            100.0,
        ]
    }

    /// The log of the unit; told on change, a cell is written only where it moved by its dead band.
    fn log(on_change: bool) -> Readings {
        let bands = [0.5, 0.5, 0.5, 0.005, 0.5, 0.5];
        let mut shown = [f64::NAN; 6];
        let mut columns: [Vec<f64>; 6] = std::array::from_fn(|_| Vec::new());
        let mut at = Vec::new();
        let steps = ((OFF_S + 1200.0) / STEP_S) as u32;
        for k in 0..=steps {
            let s = f64::from(k) * STEP_S;
            let now = cells(s);
            let told: Vec<f64> = (0..6)
                .map(|c| {
                    let moved = shown[c].is_nan() || (now[c] - shown[c]).abs() >= bands[c];
                    if moved {
                        shown[c] = now[c];
                    }
                    if moved || !on_change {
                        now[c]
                    } else {
                        f64::NAN
                    }
                })
                .collect();
            if told.iter().all(|cell| cell.is_nan()) {
                continue;
            }
            at.push(start().plus_hours(s / 3600.0));
            for (column, cell) in columns.iter_mut().zip(told) {
                column.push(cell);
            }
        }
        let n = at.len();
        let [chamber, flow, oil, activity, running, ambient] = columns.map(Column::from_values);
        Readings {
            at,
            reservoir_id: vec![None; n],
            barometer_basis: vec![None; n],
            chamber_pressure_kpa: chamber,
            ambient_kpa: ambient,
            oil_inlet_degc: oil,
            oil_flow_lpm: flow,
            water_activity: activity,
            running,
            alarm: vec![None; n],
            ..Readings::empty(UnitId::from("U-1"))
        }
    }

    fn cut(readings: &Readings) -> UnitRuns {
        let as_of = "2026-02-01".parse().unwrap();
        cut_runs(
            &registers(),
            readings,
            &[],
            as_of,
            &RunsConfig::documented(),
        )
    }

    fn one(runs: &UnitRuns) -> &Run {
        let [run] = runs.runs.as_slice() else {
            panic!("{} runs", runs.runs.len())
        };
        run
    }

    #[test]
    fn a_log_told_on_change_gives_the_run_of_the_full_log() {
        let (full, thin) = (log(false), log(true));
        assert!(sparse_rows(&full).is_empty());
        let sparse = sparse_rows(&thin);
        let n_sparse = sparse.iter().filter(|row| **row).count();
        assert!(2 * n_sparse > thin.len(), "{n_sparse} of {}", thin.len());
        let (full, thin) = (cut(&full), cut(&thin));
        let (a, b) = (one(&full), one(&thin));
        assert!((a.hours - b.hours).abs() < 0.3, "{} {}", a.hours, b.hours);
        let near = |a: Option<f64>, b: Option<f64>, within: f64| {
            let (a, b) = (a.unwrap(), b.unwrap());
            assert!((a - b).abs() < within, "{a} {b}");
        };
        near(a.flow_lpm, b.flow_lpm, 0.1);
        near(a.oil_degc, b.oil_degc, 0.5);
        near(a.ambient_kpa, b.ambient_kpa, 0.01);
        near(a.water_first_ppm, b.water_first_ppm, 6.0);
        near(a.water_last_ppm, b.water_last_ppm, 3.0);
        near(a.water_removed_kg, b.water_removed_kg, 0.03);
        assert_eq!((full.starts.len(), thin.starts.len()), (1, 1));
        let basis = |runs: &UnitRuns| runs.starts[0].barometer_basis;
        assert_eq!(basis(&full), Some(BarometerBasis::Measured));
        let with_water = |runs: &UnitRuns| {
            runs.series
                .iter()
                .filter(|p| p.water_ppm.is_some() && p.oil_degc.is_some() && p.flow_lpm.is_some())
                .count()
        };
        // A water value that stays within its dead band is not made up: bins without one have none.
        assert!(with_water(&thin) > 30, "{}", with_water(&thin));
        assert!(with_water(&thin) < with_water(&full));
    }

    #[test]
    fn a_barometer_logged_now_and_then_stands_for_the_readings_of_its_hour() {
        let mut readings = log(false);
        let every = |idx: usize| idx.is_multiple_of(60);
        let sparse: Vec<Option<f64>> = (0..readings.len())
            .map(|idx| every(idx).then_some(97.5))
            .collect();
        readings.ambient_kpa = Column::from_cells(sparse);
        let held = with_barometer(&readings, &[]);
        assert!((0..held.len()).all(|idx| held.ambient_kpa.get(idx) == Some(97.5)));
        assert!(
            (0..held.len()).all(|idx| held.barometer_at(idx) == Some(BarometerBasis::Measured))
        );
        // Silent for longer than an hour, it is known no more.
        readings.ambient_kpa =
            Column::from_cells((0..readings.len()).map(|idx| (idx == 0).then_some(97.5)));
        let held = with_barometer(&readings, &[]);
        assert_eq!(
            (held.ambient_kpa.get(120), held.ambient_kpa.get(121)),
            (Some(97.5), None)
        );
        // Beside readings converted with an assumed barometer nothing is held.
        readings.barometer_basis = vec![Some(BarometerBasis::Altitude); readings.len()];
        assert!(matches!(with_barometer(&readings, &[]), Cow::Borrowed(_)));
    }

    #[test]
    fn a_logger_that_falls_silent_does_not_keep_the_machine_running() {
        // Two loggers in turn: flow and flag stop in the middle of the run, the pressure's goes on past its end.
        let full = log(false);
        let silent_h = 10.0;
        let own = |column: &Column, keep: fn(usize) -> bool| {
            Column::from_cells((0..full.len()).map(|idx| {
                let hours = full.at[idx].hours_after(start());
                column.get(idx).filter(|_| keep(idx) && hours < silent_h)
            }))
        };
        let odd = |idx: usize| idx % 2 == 1;
        let none = Column::default();
        let readings = Readings {
            chamber_pressure_kpa: Column::from_cells(
                (0..full.len())
                    .map(|idx| full.chamber_pressure_kpa.get(idx).filter(|_| idx % 2 == 0)),
            ),
            ambient_kpa: Column::from_cells(
                (0..full.len()).map(|idx| full.ambient_kpa.get(idx).filter(|_| idx % 2 == 0)),
            ),
            oil_flow_lpm: own(&full.oil_flow_lpm, odd),
            oil_inlet_degc: own(&full.oil_inlet_degc, odd),
            water_activity: own(&full.water_activity, odd),
            running: none,
            ..full.clone()
        };
        let runs = cut(&readings);
        let run = one(&runs);
        let end_h = run.ended_at.hours_after(start());
        assert!((end_h - OFF_S / 3600.0).abs() < 0.05, "{end_h}");
    }
}
