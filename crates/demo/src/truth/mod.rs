//! What is true of the invented fleet, for tests to compare with what the pipeline estimates.

mod files;
mod pumps;

use drydown_quantity::Stamp;

use crate::DemoFile;
use crate::calendar::stamp;
use crate::fleet::{Fleet, SensorKind};
use crate::future::without_a_unit;
use crate::schedule::Outcome;

/// True removal of one unit on one oil.
#[derive(Clone, Debug, PartialEq)]
pub struct CellTruth {
    /// Unit.
    pub unit_id: String,
    /// Oil type.
    pub oil_type: String,
    /// Removal per pass at 65 °C, 20 kPa absolute and nameplate flow, 0..1 (median over runs).
    pub removal_per_pass: f64,
    /// Dried flow at the same conditions, L/min.
    pub dried_flow_lpm: f64,
    /// Runs of this pair in the calendar.
    pub n_runs: usize,
}

/// True course of one run. Means are over the time that oil flowed.
#[derive(Clone, Debug, PartialEq)]
pub struct RunTruth {
    /// Unit.
    pub unit_id: String,
    /// Reservoir.
    pub reservoir_id: String,
    /// Oil type.
    pub oil_type: String,
    /// First and last instant of work.
    pub started_at: Stamp,
    /// Last instant of work.
    pub ended_at: Stamp,
    /// First-order rate, 1/h.
    pub removal_rate_per_h: f64,
    /// η·Q at the run's own conditions, L/min.
    pub dried_flow_lpm: f64,
    /// Oil flow, L/min.
    pub flow_lpm: f64,
    /// True oil volume, L.
    pub volume_l: f64,
    /// Floor, ppm.
    pub floor_ppm: f64,
    /// Oil entering the chamber, °C.
    pub oil_degc: f64,
    /// Chamber, kPa absolute.
    pub chamber_kpa: f64,
    /// Water sent to the pump, kg/h.
    pub vapour_kg_per_h: f64,
    /// Mid-stream water at the start and at the end, ppm.
    pub water_start_ppm: f64,
    /// Mid-stream water at the end, ppm.
    pub water_end_ppm: f64,
    /// All water at the start and at the end, ppm.
    pub water_all_start_ppm: f64,
    /// All water at the end, ppm.
    pub water_all_end_ppm: f64,
    /// Water taken out, kg.
    pub water_removed_kg: f64,
    /// This run's own effect on log dried flow.
    pub run_effect: f64,
    /// Share of the time that the vacuum pump limited the rate.
    pub capacity_share: f64,
}

/// One spell of a vacuum pump that is not as it should be.
#[derive(Clone, Debug, PartialEq)]
pub struct PumpTruth {
    /// Unit.
    pub unit_id: String,
    /// 'wear', 'leak', 'restriction' or 'wet_oil'.
    pub cause: String,
    /// When it began.
    pub onset_at: Stamp,
    /// When the pump, vent shut, could no longer hold 40.37 kPa absolute under the mean vapour load
    /// of the unit's recent runs, had nobody repaired it; None where not within a year of the
    /// calendar's end.
    pub limit_crossed_at: Option<Stamp>,
    /// When it was repaired or passed off.
    pub repaired_at: Option<Stamp>,
    /// Whether the repair stands in the maintenance list.
    pub recorded: bool,
}

/// A span in which a unit's vacuum pump was sound.
#[derive(Clone, Debug, PartialEq)]
pub struct HealthySpan {
    /// Unit.
    pub unit_id: String,
    /// Start of the span.
    pub from_at: Stamp,
    /// End of the span.
    pub to_at: Stamp,
}

/// True state of one reservoir at the calendar's end.
#[derive(Clone, Debug, PartialEq)]
pub struct ReservoirTruth {
    /// Reservoir.
    pub reservoir_id: String,
    /// True oil volume, L.
    pub volume_l: f64,
    /// Volume of the register, L.
    pub register_volume_l: f64,
    /// Mean ingress of the last 30 days, or of the days since the last recorded leak repair where that is
    /// later, g/h: what `reservoir_risk` states.
    pub ingress_g_per_h: f64,
    /// Typical ingress without season and leaks, g/h.
    pub usual_ingress_g_per_h: f64,
    /// Mid-stream water, ppm.
    pub water_sample_ppm: f64,
    /// All water, ppm.
    pub water_all_ppm: f64,
    /// Limit that the invented firm keeps to (also where the register states none), ppm.
    pub water_limit_ppm: f64,
    /// Whether a leak was letting water in.
    pub is_leaking: bool,
}

/// What becomes of a reservoir if no unit is sent.
#[derive(Clone, Debug, PartialEq)]
pub struct FutureTruth {
    /// Reservoir.
    pub reservoir_id: String,
    /// The instant looked ahead from.
    pub from_at: Stamp,
    /// Limit of the mid-stream water, ppm.
    pub water_limit_ppm: f64,
    /// True solubility at the coldest oil temperature, ppm.
    pub free_limit_ppm: f64,
    /// Mid-stream water at that instant, ppm.
    pub water_sample_ppm: f64,
    /// All water at that instant, ppm.
    pub water_all_ppm: f64,
    /// First instant in the horizon with mid-stream water above the limit.
    pub passes_limit_at: Option<Stamp>,
    /// First instant in the horizon with all water above `free_limit_ppm`.
    pub free_water_at: Option<Stamp>,
    /// Highest mid-stream water in the horizon, ppm.
    pub highest_sample_ppm: f64,
    /// Mid-stream water above the limit, summed over the horizon, ppm·d.
    pub excess_ppm_days: f64,
    /// Mean ingress over the horizon, g/h.
    pub ingress_g_per_h: f64,
    /// Length of the horizon, days.
    pub horizon_days: f64,
}

/// True properties of one unit's instruments.
#[derive(Clone, Debug, PartialEq)]
pub struct SensorTruth {
    /// Unit.
    pub unit_id: String,
    /// 'inlet', 'outlet' or 'bypass'.
    pub place: String,
    /// Whether it shows ppm by the register's solubility instead of activity.
    pub shows_ppm: bool,
    /// Offset at the end of the calendar, drift included, in activity.
    pub offset_activity: f64,
    /// Gain.
    pub gain: f64,
    /// Drift, activity per year.
    pub drift_per_year: f64,
}

/// What an ingest of one export must count (rows as in `loads`).
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FileTruth {
    /// Path as in the export.
    pub path: String,
    /// Name of its source in `drydown.toml`.
    pub source: String,
    /// Its table.
    pub table: &'static str,
    /// Data records.
    pub rows_in: usize,
    /// Records that changed something.
    pub rows_kept: usize,
    /// Records that changed nothing.
    pub rows_duplicate: usize,
    /// Kept records that changed a cell that was not null.
    pub rows_superseded: usize,
    /// Records rejected whole.
    pub rows_rejected: usize,
    /// Lines of unwanted tags.
    pub rows_ignored: usize,
    /// Reject entries of scope 'cell'.
    pub cell_rejects: usize,
}

/// Everything that is true of an invented fleet.
#[derive(Clone, Debug, PartialEq)]
pub struct Truth {
    /// Start of the calendar.
    pub from_at: Stamp,
    /// End of the calendar, 2026-10-01T00:00Z: loading time and as_of.
    pub to_at: Stamp,
    /// Every unit × oil.
    pub cells: Vec<CellTruth>,
    /// By unit and start.
    pub runs: Vec<RunTruth>,
    /// By unit and onset.
    pub pumps: Vec<PumpTruth>,
    /// By unit and start.
    pub healthy: Vec<HealthySpan>,
    /// By reservoir, at the calendar's end.
    pub reservoirs: Vec<ReservoirTruth>,
    /// By reservoir and month's start, the calendar's end included.
    pub futures: Vec<FutureTruth>,
    /// By unit; units without a sensor are left out.
    pub sensors: Vec<SensorTruth>,
    /// In the order in which the files were handed out.
    pub files: Vec<FileTruth>,
}

impl Truth {
    /// The truth as CSV files under `truth/`.
    #[must_use]
    pub fn truth_files(&self) -> Vec<DemoFile> {
        files::render(self)
    }
}

/// Collect the truth.
pub(crate) fn make_truth(fleet: &Fleet, outcome: &Outcome, files: Vec<FileTruth>) -> Truth {
    let mut futures: Vec<FutureTruth> = outcome
        .log
        .snapshots
        .iter()
        .map(|snapshot| without_a_unit(fleet, snapshot))
        .collect();
    futures.sort_by(|a, b| (&a.reservoir_id, a.from_at).cmp(&(&b.reservoir_id, b.from_at)));
    let pumps = pumps::pump_truth(fleet, outcome);
    Truth {
        from_at: stamp(fleet.calendar.start),
        to_at: stamp(fleet.calendar.end),
        cells: cells(fleet, outcome),
        runs: runs(fleet, outcome),
        healthy: pumps::healthy_spans(fleet, &pumps),
        pumps,
        reservoirs: reservoirs(fleet, &futures),
        futures,
        sensors: sensors(fleet, outcome),
        files,
    }
}

fn cells(fleet: &Fleet, outcome: &Outcome) -> Vec<CellTruth> {
    let mut cells = Vec::new();
    for (unit_idx, unit) in fleet.units.iter().enumerate() {
        for (oil_idx, oil) in fleet.oils.iter().enumerate() {
            let dried_flow_lpm = fleet.dried_flow_lpm[unit_idx][oil_idx];
            let is_own = |run: &&crate::log::RunRecord| {
                run.unit == unit_idx && fleet.reservoirs[run.reservoir].oil == oil_idx
            };
            cells.push(CellTruth {
                unit_id: unit.id.clone(),
                oil_type: oil.spec.word.to_owned(),
                removal_per_pass: dried_flow_lpm / unit.size.flow_lpm,
                dried_flow_lpm,
                n_runs: outcome.log.runs.iter().filter(is_own).count(),
            });
        }
    }
    cells
}

fn runs(fleet: &Fleet, outcome: &Outcome) -> Vec<RunTruth> {
    let mut runs: Vec<RunTruth> = outcome
        .log
        .runs
        .iter()
        .map(|run| {
            let reservoir = &fleet.reservoirs[run.reservoir];
            RunTruth {
                unit_id: fleet.units[run.unit].id.clone(),
                reservoir_id: reservoir.id.clone(),
                oil_type: fleet.oils[reservoir.oil].spec.word.to_owned(),
                started_at: stamp(run.from),
                ended_at: stamp(run.to),
                removal_rate_per_h: run.rate_per_h,
                dried_flow_lpm: run.dried_flow_lpm,
                flow_lpm: run.flow_lpm,
                volume_l: reservoir.true_volume_l,
                floor_ppm: run.floor_ppm,
                oil_degc: run.oil_degc,
                chamber_kpa: run.chamber_kpa,
                vapour_kg_per_h: run.vapour_kg_per_h,
                water_start_ppm: run.water_start_ppm,
                water_end_ppm: run.water_end_ppm,
                water_all_start_ppm: run.water_all_start_ppm,
                water_all_end_ppm: run.water_all_end_ppm,
                water_removed_kg: run.removed_kg,
                run_effect: run.run_effect,
                capacity_share: run.capacity_share,
            }
        })
        .collect();
    runs.sort_by(|a, b| (&a.unit_id, a.started_at).cmp(&(&b.unit_id, b.started_at)));
    runs
}

fn reservoirs(fleet: &Fleet, futures: &[FutureTruth]) -> Vec<ReservoirTruth> {
    let end = stamp(fleet.calendar.end);
    let now = futures.iter().filter(|future| future.from_at == end);
    now.zip(&fleet.reservoirs)
        .map(|(future, reservoir)| {
            let at = fleet.calendar.end;
            ReservoirTruth {
                reservoir_id: reservoir.id.clone(),
                volume_l: reservoir.true_volume_l,
                register_volume_l: reservoir.register_volume_l,
                ingress_g_per_h: reservoir.recent_ingress_g_per_h(&fleet.calendar),
                usual_ingress_g_per_h: reservoir.usual_ingress_g_per_h,
                water_sample_ppm: future.water_sample_ppm,
                water_all_ppm: future.water_all_ppm,
                water_limit_ppm: reservoir.limit_ppm,
                is_leaking: reservoir
                    .leaks
                    .iter()
                    .any(|leak| leak.from <= at && at < leak.to),
            }
        })
        .collect()
}

fn sensors(fleet: &Fleet, outcome: &Outcome) -> Vec<SensorTruth> {
    let mut sensors = Vec::new();
    for (unit, machine) in fleet.units.iter().zip(&outcome.machines) {
        let Some(sensor) = unit.sensor else { continue };
        let years = (fleet.calendar.end - machine.sensor_since) as f64 / (365.25 * 86_400.0);
        sensors.push(SensorTruth {
            unit_id: unit.id.clone(),
            place: sensor.place.to_owned(),
            shows_ppm: sensor.kind == SensorKind::Ppm,
            offset_activity: machine.sensor_offset + sensor.drift_per_year * years,
            gain: sensor.gain,
            drift_per_year: sensor.drift_per_year,
        });
    }
    sensors
}
