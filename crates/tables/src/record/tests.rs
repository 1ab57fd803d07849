//! Every table, by one path: a random batch of the contract, through Parquet and polars, to records
//! and back to a batch. Nothing may be lost or altered.

use drydown_findings::{Finding, FindingState, Forecast, ForecastEnd, Kind, Severity};
use drydown_pumps::{Cause, DaysStatus, PumpCause, PumpHealth, PumpStart, PumpState};
use drydown_removal::{
    Basis, LimitedBy, Regime, RemovalCoefficient, RemovalQuarter, RemovalResidual, RemovalRun,
    RunStatus, SensorCheck, UnitCapacity, VapourFraction,
};
use drydown_reservoirs::{
    AlarmBasis, AlarmSide, AlarmStatus, ChangeStatus, LabAlarm, LabResult, ReservoirRisk,
};
use drydown_runs::history::{
    BarometerBasis, Censor, Deployment, Maintenance, MaintenanceAction, Oil, PcbStatus, PumpKind,
    Reservoir, ReservoirAction, ReservoirEvent, Sample, SamplePoint, SensorPlace, Site, Unit,
    UnitEvent, UnitEventKind, VolumeBasis,
};
use drydown_runs::{Phase, Run, SeriesPoint, StartCurve};
use drydown_schema::{check_batch, check_order, tables};
use std::fmt::Debug;

use arrow::datatypes::{Field, Schema};

use super::*;
use crate::generated::{AS_OF, batch, scanned};
use crate::journal::{Analysis, Load, Mail, Reject};
use crate::model::ModelTerm;

/// Calls a check for every table that has records.
macro_rules! for_every_record {
    ($check:ident) => {
        for_every_record!($check:
            Unit Site Oil Reservoir Deployment Maintenance ReservoirEvent UnitEvent Sample
            Run SeriesPoint StartCurve PumpStart PumpHealth PumpCause RemovalRun RemovalCoefficient
            RemovalQuarter RemovalResidual SensorCheck UnitCapacity VapourFraction ModelTerm ReservoirRisk LabResult LabAlarm Finding Forecast Reject Load Analysis Mail)
    };
    ($check:ident: $($row:ty)+) => { vec![$($check::<$row>()),+] };
}

fn spec_of<R: Record>() -> &'static TableSpec {
    table(R::TABLE).unwrap()
}

/// A batch of three rows in which one column is null throughout.
fn with_nulls(spec: &TableSpec, name: &str) -> RecordBatch {
    let full = batch(spec, 3, 0.0, &[]);
    let place = full.schema().index_of(name).unwrap();
    let loose = |field: &Arc<Field>| field.as_ref().clone().with_nullable(true);
    let fields: Vec<Field> = full.schema().fields().iter().map(loose).collect();
    let mut arrays = full.columns().to_vec();
    arrays[place] = new_null_array(arrays[place].data_type(), 3);
    RecordBatch::try_new(Arc::new(Schema::new(fields)), arrays).unwrap()
}

fn names<R: Record>(holds: impl Fn(Result<Vec<R>, TableError>, &str) -> bool) -> Vec<String> {
    let spec = spec_of::<R>();
    let names = spec.columns.iter().map(|column| column.name.clone());
    names
        .filter(|name| !spec.is_key(name) && name != "as_of")
        .filter(|name| holds(from_frame::<R>(&with_nulls(spec, name)), name))
        .collect()
}

/// The columns that may be null or missing for records of this table.
fn optional<R: Record>() -> Vec<String> {
    names::<R>(|read, _| read.is_ok())
}

/// The columns in which a null comes back as a null: those of an Option, and doubles.
///
/// Not the pressure of a start's point: a point without one is no point, see the test below.
fn nullable<R: Record>() -> Vec<String> {
    names::<R>(|read, name| {
        let is_point = (R::TABLE, name) == ("start_points", "chamber_kpa");
        let back = read.map(|rows| to_batch(&rows, AS_OF).unwrap());
        let comes_back = |batch: RecordBatch| batch.column_by_name(name).unwrap().null_count() == 3;
        !is_point && back.is_ok_and(comes_back)
    })
}

/// Columns of the schema that no record holds: provenance, filled by ingest.
fn without_provenance(batch: &RecordBatch) -> RecordBatch {
    let schema = batch.schema();
    let arrays = schema
        .fields()
        .iter()
        .zip(batch.columns())
        .map(|(field, array)| {
            let is_provenance = matches!(field.name().as_str(), "file_hash" | "line" | "reports")
                && field.is_nullable();
            if is_provenance {
                new_null_array(array.data_type(), array.len())
            } else {
                Arc::clone(array)
            }
        });
    RecordBatch::try_new(Arc::clone(&schema), arrays.collect()).unwrap()
}

fn round_trip<R: Record + Debug>() -> &'static str {
    let spec = spec_of::<R>();
    for n in [0, 1, 2, 300] {
        let full = without_provenance(&batch(spec, n, 0.0, &[]));
        let full = sorted(spec, full).unwrap();
        let rows: Vec<R> = from_frame(&scanned(&full)).unwrap();
        assert_eq!(rows.len(), n, "{}", R::TABLE);
        let back = to_batch(&rows, AS_OF).unwrap();
        assert_eq!(back, full, "{}", R::TABLE);
        assert_eq!(check_batch(spec, &back), [], "{}", R::TABLE);
        assert_eq!(check_order(spec, &back), [], "{}", R::TABLE);
        let direct: Vec<R> = from_frame(&back).unwrap();
        assert_eq!(format!("{direct:?}"), format!("{rows:?}"), "{}", R::TABLE);
    }
    R::TABLE
}

#[test]
fn a_full_batch_comes_back_as_it_was() {
    let mut done = for_every_record!(round_trip);
    // `readings` are read by column.
    done.extend(["readings"]);
    for spec in tables() {
        assert!(
            done.contains(&spec.name.as_str()),
            "no record reads {}",
            spec.name
        );
    }
}

fn round_trip_with_nulls<R: Record + Debug>() {
    let spec = spec_of::<R>();
    let sparse = without_provenance(&batch(spec, 300, 0.3, &nullable::<R>()));
    let sparse = sorted(spec, sparse).unwrap();
    let rows: Vec<R> = from_frame(&scanned(&sparse)).unwrap();
    let back = to_batch(&rows, AS_OF).unwrap();
    assert_eq!(back, sparse, "{}", R::TABLE);
    assert_eq!(check_batch(spec, &back), [], "{}", R::TABLE);
}

#[test]
fn nulls_come_back_as_they_were() {
    for_every_record!(round_trip_with_nulls);
}

fn required<R: Record>() -> String {
    let optional = optional::<R>();
    let names = spec_of::<R>()
        .columns
        .iter()
        .filter(|c| !c.required)
        .map(|c| c.name.as_str());
    let required: Vec<&str> = names
        .filter(|name| *name != "as_of" && !optional.iter().any(|o| o == name))
        .collect();
    format!("{}: {}", R::TABLE, required.join(" "))
        .trim_end()
        .to_owned()
}

#[test]
fn what_a_record_cannot_do_without_is_an_identifier_a_time_or_a_word() {
    let lines = for_every_record!(required);
    let some: Vec<&String> = lines.iter().filter(|line| !line.ends_with(':')).collect();
    assert_eq!(
        some,
        [
            "runs: unit_id started_at ended_at",
            "run_series: phase",
            "start_points: run_id",
            "pump_starts: run_id",
            "pump_health: unit_id at state days_to_limit_status",
            "removal_runs: unit_id status",
            "removal_coefficients: basis",
            "removal_residuals: unit_id oil_type",
            "lab_alarms: taken_at censor basis side status change_status",
            "findings: kind severity first_seen last_seen state",
            "forecasts: made_at",
            "mails: mailed_at",
        ]
    );
}

fn older<R: Record + Debug>() {
    let spec = spec_of::<R>();
    let full = batch(spec, 5, 0.0, &[]);
    let rows = format!("{:?}", from_frame::<R>(&full).unwrap());
    for name in optional::<R>() {
        let kept: Vec<usize> = (0..full.num_columns())
            .filter(|c| full.schema().field(*c).name() != &name)
            .collect();
        let read = from_frame::<R>(&scanned(&full.project(&kept).unwrap()));
        assert_eq!(read.unwrap().len(), 5, "{}.{name}", R::TABLE);
    }
    // A column that a later version added is no obstacle.
    let extra: ArrayRef = Arc::new(UInt64Array::from(vec![1; 5]));
    let mut fields = full.schema().fields().to_vec();
    fields.push(Arc::new(arrow::datatypes::Field::new(
        "later",
        extra.data_type().clone(),
        true,
    )));
    let arrays = full.columns().iter().cloned().chain([extra]).collect();
    let later =
        RecordBatch::try_new(Arc::new(arrow::datatypes::Schema::new(fields)), arrays).unwrap();
    assert_eq!(format!("{:?}", from_frame::<R>(&later).unwrap()), rows);
}

#[test]
fn a_missing_column_reads_as_null_and_a_later_one_is_passed_over() {
    for_every_record!(older);
}

fn keyed<R: Record>() {
    // Rows given in reverse come back in the order of the key, written and read.
    let spec = spec_of::<R>();
    let full = without_provenance(&batch(spec, 90, 0.0, &[]));
    let reversed = UInt64Array::from((0..90).rev().collect::<Vec<u64>>());
    let reversed = take_record_batch(&full, &reversed).unwrap();
    let rows: Vec<R> = R::read(&reversed).unwrap();
    assert_eq!(
        to_batch(&rows, AS_OF).unwrap(),
        sorted(spec, full).unwrap(),
        "{}",
        R::TABLE
    );
    let rows: Vec<R> = from_frame(&reversed).unwrap();
    assert!(
        rows.is_sorted_by(|a, b| a.order(b) == Ordering::Less),
        "{}",
        R::TABLE
    );
}

#[test]
fn the_order_given_does_not_matter() {
    for_every_record!(keyed);
}

#[test]
fn numbers_that_are_not_finite_are_written_as_null() {
    let spec = spec_of::<Run>();
    let mut rows: Vec<Run> = from_frame(&batch(spec, 2, 0.0, &[])).unwrap();
    rows[0].hours = f64::NAN;
    rows[1].flow_lpm = Some(f64::INFINITY);
    let batch = to_batch(&rows, AS_OF).unwrap();
    assert!(batch.column_by_name("hours").unwrap().is_null(0));
    assert!(batch.column_by_name("flow_lpm").unwrap().is_null(1));
    assert_eq!(check_batch(spec, &batch), []);
    let back: Vec<Run> = from_frame(&scanned(&batch)).unwrap();
    assert!(back[0].hours.is_nan() && back[1].flow_lpm.is_none());
}

#[test]
fn a_wrong_type_and_an_unknown_word_are_errors_that_name_their_place() {
    let full = batch(spec_of::<PumpCause>(), 2, 0.0, &[]);
    let with = |name: &str, array: ArrayRef| {
        let pairs = full
            .schema()
            .fields()
            .iter()
            .zip(full.columns())
            .map(|(field, known)| {
                (
                    field.name().clone(),
                    if field.name() == name {
                        Arc::clone(&array)
                    } else {
                        Arc::clone(known)
                    },
                )
            })
            .collect::<Vec<_>>();
        let batch = RecordBatch::try_from_iter(pairs).unwrap();
        from_frame::<PumpCause>(&scanned(&batch))
            .unwrap_err()
            .to_string()
    };
    let words =
        |words: [&str; 2]| Arc::new(arrow::array::StringArray::from(words.to_vec())) as ArrayRef;
    assert_eq!(
        with("probability", words(["0.1", "0.9"])),
        "pump_causes.probability: found the type str, expected double"
    );
    assert_eq!(
        with("cause", words(["wear", "age"])),
        "pump_causes.cause, row 1: found \"age\", expected wear, leak, wet_oil, restriction, \
         seal_water, unknown, vapour, vent, gauge, foam"
    );
}

#[test]
fn a_start_comes_back_with_all_its_points() {
    let spec = spec_of::<StartCurve>();
    let mut curves: Vec<StartCurve> = from_frame(&batch(spec, 3, 0.0, &[])).unwrap();
    curves[0].seconds = vec![0.0, 10.0, 10.5, 40.0];
    curves[0].chamber_kpa = vec![101.0, 80.0, 79.0, 20.0];
    curves[1].seconds.clear();
    curves[1].chamber_kpa.clear();
    let batch = to_batch(&curves, AS_OF).unwrap();
    assert_eq!(batch.num_rows(), 4 + 1 + 1);
    assert_eq!(check_batch(spec, &batch), []);
    assert_eq!(check_order(spec, &batch), []);
    assert_eq!(from_frame::<StartCurve>(&scanned(&batch)).unwrap(), curves);
}

#[test]
fn the_month_of_a_run_is_that_of_its_start() {
    let month = |id: &str| month_of(&RunId::from(id));
    assert_eq!(month("U-7@20260103T114500Z").as_deref(), Some("2026-01"));
    assert_eq!(month("A@B@20251231T235959Z").as_deref(), Some("2025-12"));
    assert_eq!(month("U-7"), None);
    assert_eq!(month("U-7@yyyymmdd"), None);
    assert_eq!(month("U-7@20é"), None);
}

/// The words of the files are those of the code, in one order.
#[test]
fn the_words_of_the_schema_are_the_words_of_the_records() {
    macro_rules! words {
        ($($table:literal.$column:literal = $name:ty),+ $(,)?) => {
            vec![$(($table, $column, <$name>::ALL.iter().map(|word| word.as_str()).collect::<Vec<_>>())),+]
        };
    }
    let known = words!(
        "units"."vacuum_pump_kind" = PumpKind,
        "units"."water_sensor_place" = SensorPlace,
        "reservoirs"."volume_basis" = VolumeBasis,
        "reservoirs"."pcb_status" = PcbStatus,
        "maintenance"."action" = MaintenanceAction,
        "reservoir_events"."action" = ReservoirAction,
        "unit_events"."kind" = UnitEventKind,
        "readings"."barometer_basis" = BarometerBasis,
        "samples"."sample_point" = SamplePoint,
        "samples"."water_censor" = Censor,
        "results"."censor" = Censor,
        "run_series"."phase" = Phase,
        "run_series"."water_censor" = Censor,
        "start_points"."barometer_basis" = BarometerBasis,
        "pump_starts"."barometer_basis" = BarometerBasis,
        "pump_health"."state" = PumpState,
        "pump_health"."cause" = Cause,
        "pump_health"."days_to_limit_status" = DaysStatus,
        "pump_causes"."cause" = Cause,
        "removal_runs"."limited_by" = LimitedBy,
        "removal_runs"."regime" = Regime,
        "removal_runs"."status" = RunStatus,
        "removal_coefficients"."basis" = Basis,
        "lab_alarms"."censor" = Censor,
        "lab_alarms"."basis" = AlarmBasis,
        "lab_alarms"."side" = AlarmSide,
        "lab_alarms"."status" = AlarmStatus,
        "lab_alarms"."change_status" = ChangeStatus,
        "findings"."kind" = Kind,
        "findings"."severity" = Severity,
        "findings"."state" = FindingState,
        "forecasts"."ended_by" = ForecastEnd,
        "mails"."severity" = Severity,
        "mails"."state" = FindingState,
    );
    let free = ["rejects.scope", "mails.sent_by"];
    for spec in tables() {
        for column in spec
            .columns
            .iter()
            .filter(|column| !column.words.is_empty())
        {
            let place = format!("{}.{}", spec.name, column.name);
            let words = known
                .iter()
                .find(|(table, name, _)| *table == spec.name && *name == column.name);
            match words {
                Some((_, _, words)) => assert_eq!(&column.words, words, "{place}"),
                None => assert!(free.contains(&place.as_str()), "{place}"),
            }
        }
    }
    for (table, column, _) in known {
        assert!(
            !drydown_schema::table(table)
                .unwrap()
                .column(column)
                .unwrap()
                .words
                .is_empty(),
            "{table}.{column}"
        );
    }
}
