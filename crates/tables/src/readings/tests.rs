//! A log comes by unit, ascending, cut at as_of, each cell where it was.

use std::sync::Arc;

use arrow::array::{ArrayRef, RecordBatch, UInt64Array};
use arrow::compute::take_record_batch;
use drydown_quantity::ReservoirId;
use drydown_runs::history::BarometerBasis;
use drydown_schema::{ColumnKind, table};

use super::*;
use crate::generated::{AS_OF, Dice, batch, scanned};
use crate::record::ArrayOf;

const N: usize = 240;

/// Random readings of U-0, U-1 and U-2 in turn; the last column of each kind is never logged.
fn log() -> RecordBatch {
    let spec = table("readings").unwrap();
    let optional: Vec<String> = spec
        .columns
        .iter()
        .filter(|c| !c.required)
        .map(|c| c.name.clone())
        .collect();
    let random = batch(spec, N, 0.2, &optional);
    let mut dice = Dice(7);
    let units = (0..N).map(|_| UnitId::from(format!("U-{}", dice.roll(3))));
    let units = UnitId::array_of(&mut { units });
    let schema = random.schema();
    let arrays = schema
        .fields()
        .iter()
        .zip(random.columns())
        .map(|(field, array)| match field.name().as_str() {
            "unit_id" => Arc::clone(&units),
            "oil_total_l" => arrow::array::new_null_array(array.data_type(), N),
            _ => Arc::clone(array),
        });
    RecordBatch::try_new(Arc::clone(&schema), arrays.collect::<Vec<ArrayRef>>()).unwrap()
}

fn shuffled(batch: &RecordBatch) -> RecordBatch {
    let mut dice = Dice(11);
    let mut places: Vec<u64> = (0..batch.num_rows() as u64).collect();
    for last in (1..places.len()).rev() {
        places.swap(last, dice.roll(last as u64 + 1) as usize);
    }
    take_record_batch(batch, &UInt64Array::from(places)).unwrap()
}

#[test]
fn every_cell_stands_where_it_was() {
    let log = log();
    let frame = scanned(&log);
    let units = log.texts("unit_id").unwrap().unwrap();
    let stamps = log.micros("at").unwrap().unwrap();
    let all = unit_readings(&frame, AS_OF).unwrap();
    assert_eq!(all.iter().map(Readings::len).sum::<usize>(), N);
    for readings in &all {
        let rows: Vec<usize> = (0..N)
            .filter(|row| units[*row] == Some(readings.unit_id.as_str()))
            .collect();
        assert!(readings.at.is_sorted_by(|a, b| a < b));
        let expected: Vec<i64> = rows.iter().filter_map(|row| stamps[*row]).collect();
        assert_eq!(
            readings.at.iter().map(|at| at.micros()).collect::<Vec<_>>(),
            expected
        );
        for column in &table("readings").unwrap().columns {
            let cells: Vec<Option<f64>> = match column.kind {
                ColumnKind::Real => log.reals(&column.name).unwrap().unwrap_or(vec![None; N]),
                ColumnKind::Bool => {
                    let cells = log.bools(&column.name).unwrap().unwrap();
                    cells
                        .into_iter()
                        .map(|cell| cell.map(|yes| if yes { 1.0 } else { 0.0 }))
                        .collect()
                }
                _ => continue,
            };
            for (idx, row) in rows.iter().enumerate() {
                assert_eq!(
                    number(readings, &column.name).get(idx),
                    cells[*row],
                    "{}",
                    column.name
                );
            }
        }
        let stated = log.texts("reservoir_id").unwrap().unwrap();
        let alarms = log.texts("alarm").unwrap().unwrap();
        let bases = log.texts("barometer_basis").unwrap().unwrap();
        for (idx, row) in rows.iter().enumerate() {
            assert_eq!(
                readings.reservoir_id[idx].as_ref().map(ReservoirId::as_str),
                stated[*row]
            );
            assert_eq!(readings.alarm[idx].as_deref(), alarms[*row]);
            assert_eq!(
                readings.barometer_basis[idx].map(BarometerBasis::as_str),
                bases[*row]
            );
        }
        assert!(!readings.oil_total_l.is_logged());
        assert_eq!(readings.oil_total_l, Column::default());
    }
}

/// The column of a name; a column of the contract that is not here fails the test.
fn number<'a>(readings: &'a Readings, name: &str) -> &'a Column {
    macro_rules! columns {
        ($($field:ident)+) => { match name { $(stringify!($field) => &readings.$field,)+ _ => panic!("{name}") } };
    }
    columns!(
        chamber_pressure_kpa ambient_kpa oil_supply_degc oil_inlet_degc oil_outlet_degc
        oil_flow_lpm discharge_kpa_gauge suction_kpa_gauge filter_dp_kpa oil_pump_hz water_ppm
        water_activity water_sensor_degc vent_open_pct heater_kw heater_on heater_setpoint_degc
        vacuum_pump_on vacuum_pump_amps vacuum_pump_degc chamber_level_pct sump_level_pct
        ambient_degc run_hours_h oil_total_l running
    )
}

#[test]
fn the_order_of_rows_does_not_matter_and_a_stream_reads_as_the_store_does() {
    let log = log();
    let straight = format!("{:?}", unit_readings(&scanned(&log), AS_OF).unwrap());
    assert_eq!(
        format!(
            "{:?}",
            unit_readings(&scanned(&shuffled(&log)), AS_OF).unwrap()
        ),
        straight
    );
    assert_eq!(
        format!("{:?}", unit_readings(&shuffled(&log), AS_OF).unwrap()),
        straight
    );
}

#[test]
fn only_readings_before_as_of_count() {
    let frame = scanned(&log());
    let stamps = |as_of: Stamp| {
        let logs = unit_readings(&frame, as_of).unwrap();
        let of_unit = logs.into_iter().find(|log| log.unit_id.as_str() == "U-1");
        of_unit.unwrap().at
    };
    let all = stamps(AS_OF);
    assert_eq!(stamps(all[5]), all[..5]);
}

#[test]
fn a_frame_without_readings_has_no_log() {
    let nothing = polars::prelude::DataFrame::default();
    assert_eq!(unit_readings(&nothing, AS_OF).unwrap(), []);
}

#[test]
fn two_rows_of_one_time_are_an_error() {
    let log = log();
    let twice = take_record_batch(&log, &UInt64Array::from(vec![0, 1, 0])).unwrap();
    let error = unit_readings(&twice, AS_OF).unwrap_err();
    assert!(matches!(error, TableError::DuplicateKey { .. }), "{error}");
}

/// The log with nothing in a row but its key, its place, an assumed barometer, its line and `kept`.
fn emptied(
    log: &RecordBatch,
    row: usize,
    kept: &str,
    basis: Option<BarometerBasis>,
) -> RecordBatch {
    let always = [
        "unit_id",
        "at",
        "month",
        "reservoir_id",
        "file_hash",
        "line",
    ];
    let schema = log.schema();
    let arrays = schema
        .fields()
        .iter()
        .zip(log.columns())
        .map(|(field, array)| {
            let name = field.name().as_str();
            if always.contains(&name) || name == kept {
                return Arc::clone(array);
            }
            if name == "barometer_basis" {
                let all = BarometerBasis::read(
                    log,
                    Place {
                        table: TABLE,
                        column: "barometer_basis",
                    },
                );
                let mut all = all.unwrap();
                all[row] = basis;
                return BarometerBasis::array(&mut all.iter().map(Option::as_ref));
            }
            let mut places: Vec<Option<u64>> = (0..log.num_rows() as u64).map(Some).collect();
            places[row] = None;
            arrow::compute::take(array, &UInt64Array::from(places), None).unwrap()
        });
    RecordBatch::try_new(Arc::clone(&schema), arrays.collect::<Vec<ArrayRef>>()).unwrap()
}

#[test]
fn a_row_that_tells_nothing_is_no_reading() {
    let log = log();
    let n_of = |log: &RecordBatch| {
        let all = unit_readings(&scanned(log), AS_OF).unwrap();
        all.iter().map(Readings::len).sum::<usize>()
    };
    let assumed = Some(BarometerBasis::Altitude);
    let row = 17;
    assert_eq!(n_of(&emptied(&log, row, "", assumed)), N - 1);
    assert_eq!(n_of(&emptied(&log, row, "", None)), N - 1);
    for name in telling_columns() {
        let array = log.column_by_name(name).unwrap();
        let n = N - usize::from(array.is_null(row));
        assert_eq!(n_of(&emptied(&log, row, name, assumed)), n, "{name}");
    }
    let has_barometer = !log.column_by_name("ambient_kpa").unwrap().is_null(row);
    assert!(has_barometer);
    assert_eq!(n_of(&emptied(&log, row, "ambient_kpa", assumed)), N - 1);
    assert_eq!(
        n_of(&emptied(
            &log,
            row,
            "ambient_kpa",
            Some(BarometerBasis::Measured)
        )),
        N
    );
    // The other rows stand where they stood.
    let before = unit_readings(&scanned(&log), AS_OF).unwrap();
    let after = unit_readings(&scanned(&emptied(&log, row, "", None)), AS_OF).unwrap();
    for (before, after) in before.iter().zip(&after) {
        for (idx, at) in after.at.iter().enumerate() {
            let was = before.at.iter().position(|other| other == at).unwrap();
            assert_eq!(after.water_ppm.get(idx), before.water_ppm.get(was));
            assert_eq!(after.running.get(idx), before.running.get(was));
            assert_eq!(after.alarm.get(idx), before.alarm.get(was));
        }
    }
}
