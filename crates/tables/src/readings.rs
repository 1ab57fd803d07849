//! Run logs by column, one [`Readings`] per unit.

use std::collections::BTreeMap;

use drydown_quantity::{Stamp, UnitId};
use drydown_runs::history::BarometerBasis;
use drydown_runs::{Column, Readings};
use drydown_schema::table;

use crate::cell::{Atom, Place};
use crate::error::TableError;
use crate::frame::Frame;
use crate::record::cells;

const TABLE: &str = "readings";

/// The readings before `as_of`, one struct per unit, by identifier; each ascending in time.
///
/// A column that a unit never logs is empty; texts are as long as `at`. A row that holds nothing but its
/// key, its place or an assumed barometer is no reading and is left out: it stands for a line that was
/// counted and told nothing, such as one of bad quality.
///
/// # Errors
/// Where the frame breaks the contract, or two rows of a unit have one time.
pub fn unit_readings(frame: &dyn Frame, as_of: Stamp) -> Result<Vec<Readings>, TableError> {
    let stamps: Vec<Stamp> = cells(frame, TABLE, "at")?.collect();
    let rows_of = rows_by_unit(frame, &stamps, as_of)?;
    let mut logs: Vec<Log> = Vec::with_capacity(rows_of.len());
    for (unit_id, mut rows) in rows_of {
        sort_rows(&mut rows, &stamps, &unit_id)?;
        logs.push(Log::of(unit_id, rows, &stamps));
    }
    fill(frame, &mut logs)?;
    if logs.iter().any(|log| log.tells.contains(&false)) {
        logs = logs.into_iter().map(|log| log.telling(&stamps)).collect();
        fill(frame, &mut logs)?;
    }
    Ok(logs
        .into_iter()
        .map(|log| log.readings)
        .filter(|readings| !readings.is_empty())
        .collect())
}

/// The columns of `readings` by which a row tells of the machine; `ambient_kpa` does where it was
/// measured. A row without any is no reading.
pub fn telling_columns() -> impl Iterator<Item = &'static str> {
    let other = ["month", "reservoir_id", "ambient_kpa", "barometer_basis"];
    let spec = table(TABLE);
    let columns = spec.map_or(&[][..], |spec| &spec.columns);
    columns
        .iter()
        .map(|column| column.name.as_str())
        .filter(move |name| !spec.is_some_and(|spec| spec.is_key(name)))
        .filter(move |name| !other.contains(name) && !matches!(*name, "file_hash" | "line"))
}

/// One unit's readings while they are filled, and which rows of the frame they are.
struct Log {
    rows: Vec<usize>,
    readings: Readings,
    /// Whether the row tells of the machine.
    tells: Vec<bool>,
}

impl Log {
    fn of(unit_id: UnitId, rows: Vec<usize>, stamps: &[Stamp]) -> Self {
        let mut readings = Readings::empty(unit_id);
        readings.at = rows
            .iter()
            .filter_map(|row| stamps.get(*row).copied())
            .collect();
        let tells = vec![false; rows.len()];
        Self {
            rows,
            readings,
            tells,
        }
    }

    /// The same without rows that tell nothing, to be filled anew.
    fn telling(self, stamps: &[Stamp]) -> Self {
        let rows = self.rows.into_iter().zip(self.tells);
        let rows = rows.filter_map(|(row, tells)| tells.then_some(row));
        Self::of(self.readings.unit_id, rows.collect(), stamps)
    }

    fn mark<T>(&mut self, cells: &[Option<T>]) {
        for (tells, cell) in self.tells.iter_mut().zip(cells) {
            *tells |= cell.is_some();
        }
    }

    /// Counts a barometer where it was measured.
    fn mark_barometer(&mut self) {
        for (idx, tells) in self.tells.iter_mut().enumerate() {
            let basis = self.readings.barometer_at(idx);
            *tells |= basis == Some(BarometerBasis::Measured)
                && self.readings.ambient_kpa.get(idx).is_some();
        }
    }
}

fn fill(frame: &dyn Frame, logs: &mut [Log]) -> Result<(), TableError> {
    fill_texts(frame, logs)?;
    fill_numbers(frame, logs)?;
    fill_yes_no(frame, logs)?;
    logs.iter_mut().for_each(Log::mark_barometer);
    Ok(())
}

fn rows_by_unit(
    frame: &dyn Frame,
    stamps: &[Stamp],
    as_of: Stamp,
) -> Result<BTreeMap<UnitId, Vec<usize>>, TableError> {
    let units = cells::<UnitId>(frame, TABLE, "unit_id")?;
    let mut rows_of: BTreeMap<UnitId, Vec<usize>> = BTreeMap::new();
    for (row, (unit_id, at)) in units.zip(stamps).enumerate() {
        if *at < as_of {
            rows_of.entry(unit_id).or_default().push(row);
        }
    }
    Ok(rows_of)
}

/// Puts rows in the order of time; the store's are, those of a stream need not be.
fn sort_rows(rows: &mut [usize], stamps: &[Stamp], unit_id: &UnitId) -> Result<(), TableError> {
    rows.sort_by_key(|row| stamps.get(*row));
    let at = |row: &usize| stamps.get(*row).copied();
    let twice = rows.windows(2).find_map(|pair| match pair {
        [earlier, later] => at(earlier).filter(|stamp| at(later) == Some(*stamp)),
        _ => None,
    });
    match twice {
        Some(stamp) => Err(TableError::DuplicateKey {
            table: TABLE,
            key: format!("{unit_id}, {stamp}"),
        }),
        None => Ok(()),
    }
}

fn pick<T: Clone>(cells: &[Option<T>], rows: &[usize]) -> Vec<Option<T>> {
    rows.iter()
        .map(|row| cells.get(*row).cloned().flatten())
        .collect()
}

fn read<T: Atom>(frame: &dyn Frame, column: &'static str) -> Result<Vec<Option<T>>, TableError> {
    T::read(
        frame,
        Place {
            table: TABLE,
            column,
        },
    )
}

fn fill_texts(frame: &dyn Frame, logs: &mut [Log]) -> Result<(), TableError> {
    macro_rules! fill {
        ($($field:ident)+) => {$(
            let cells = read(frame, stringify!($field))?;
            for log in &mut *logs {
                log.readings.$field = pick(&cells, &log.rows);
            }
        )+};
    }
    fill!(reservoir_id barometer_basis alarm);
    for log in logs {
        let alarms = std::mem::take(&mut log.readings.alarm);
        log.mark(&alarms);
        log.readings.alarm = alarms;
    }
    Ok(())
}

fn fill_numbers(frame: &dyn Frame, logs: &mut [Log]) -> Result<(), TableError> {
    macro_rules! fill {
        ($($field:ident)+) => {$(
            let cells: Vec<Option<f64>> = read(frame, stringify!($field))?;
            for log in &mut *logs {
                let cells = pick(&cells, &log.rows);
                if stringify!($field) != "ambient_kpa" {
                    log.mark(&cells);
                }
                log.readings.$field = to_column(cells);
            }
        )+};
    }
    fill!(
        chamber_pressure_kpa ambient_kpa oil_supply_degc oil_inlet_degc oil_outlet_degc
        oil_flow_lpm discharge_kpa_gauge suction_kpa_gauge filter_dp_kpa oil_pump_hz water_ppm
        water_activity water_sensor_degc vent_open_pct heater_kw heater_setpoint_degc
        vacuum_pump_amps vacuum_pump_degc chamber_level_pct sump_level_pct ambient_degc
        run_hours_h oil_total_l
    );
    Ok(())
}

fn fill_yes_no(frame: &dyn Frame, logs: &mut [Log]) -> Result<(), TableError> {
    macro_rules! fill {
        ($($field:ident)+) => {$(
            let cells: Vec<Option<bool>> = read(frame, stringify!($field))?;
            let cells: Vec<Option<f64>> =
                cells.into_iter().map(|cell| cell.map(|yes| f64::from(u8::from(yes)))).collect();
            for log in &mut *logs {
                let cells = pick(&cells, &log.rows);
                log.mark(&cells);
                log.readings.$field = to_column(cells);
            }
        )+};
    }
    fill!(heater_on vacuum_pump_on running);
    Ok(())
}

/// Empty where no cell is known: most units log few of the columns.
fn to_column(cells: Vec<Option<f64>>) -> Column {
    if cells.iter().all(Option::is_none) {
        return Column::default();
    }
    Column::from_cells(cells)
}

#[cfg(test)]
mod tests;
