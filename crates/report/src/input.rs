//! Everything a report is made from.

use std::collections::BTreeMap;

use drydown_findings::{Finding, Forecast, PumpScore, Score};
use drydown_pumps::{PumpHealth, PumpStart};
use drydown_quantity::{Quarter, RunId, Stamp, UnitId};
use drydown_removal::{
    RemovalCoefficient, RemovalQuarter, RemovalResidual, RemovalRun, RunCurve, SensorCheck,
};
use drydown_reservoirs::ReservoirRisk;
use drydown_runs::Run;
use drydown_runs::history::Registers;

use crate::show::Display;

/// One file of the load ledger.
#[derive(Clone, Debug, PartialEq)]
pub struct FileLoad {
    /// Source of the configuration.
    pub source: String,
    /// The file.
    pub file: String,
    /// When it was loaded.
    pub loaded_at: Stamp,
    /// Data records in it.
    pub rows_in: i64,
    /// Records that added or changed something.
    pub rows_kept: i64,
    /// Records that changed nothing.
    pub rows_duplicate: i64,
    /// Kept records that changed an earlier value.
    pub rows_superseded: i64,
    /// Records rejected whole.
    pub rows_rejected: i64,
    /// Lines of tags not wanted.
    pub rows_ignored: i64,
}

/// How many units were heard from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Heard {
    /// Units with a reading in the period.
    pub heard: usize,
    /// Units of the register.
    pub of: usize,
}

/// Where a run's first reading was read.
#[derive(Clone, Debug, PartialEq)]
pub struct RunSource {
    /// The file.
    pub file: String,
    /// Its 1-based line.
    pub line: i64,
}

/// Everything a quarter's report shows.
#[derive(Debug)]
pub struct ReportInput<'a> {
    /// The quarter; the report is as of its end.
    pub quarter: Quarter,
    /// Time of the analysis shown.
    pub as_of: Stamp,
    /// Units, zone.
    pub display: Display,
    /// Registers and events.
    pub registers: &'a Registers,
    /// Runs that ended before as_of, by unit and start.
    pub runs: &'a [Run],
    /// Their fits, by run_id.
    pub removal_runs: &'a BTreeMap<RunId, RemovalRun>,
    /// The curves behind the fits of the quarter's runs.
    pub curves: &'a BTreeMap<RunId, RunCurve>,
    /// Where each run of the quarter was read.
    pub run_sources: &'a BTreeMap<RunId, RunSource>,
    /// Coefficients by unit and oil.
    pub coefficients: &'a [RemovalCoefficient],
    /// Coefficients by quarter.
    pub quarters: &'a [RemovalQuarter],
    /// Each pooled run against what the others foretell of it.
    pub residuals: &'a [RemovalResidual],
    /// Sensors against the laboratory.
    pub sensor_checks: &'a [SensorCheck],
    /// Starts by unit and time.
    pub pump_starts: &'a [PumpStart],
    /// Pump health by unit and time.
    pub pump_health: &'a [PumpHealth],
    /// Reservoirs by rank.
    pub risks: &'a [ReservoirRisk],
    /// Findings, new first.
    pub findings: &'a [Finding],
    /// Forecasts made and scored.
    pub forecasts: &'a [Forecast],
    /// Their scores by kind.
    pub scores: &'a [Score],
    /// The score of those of pumps.
    pub pump_score: &'a PumpScore,
    /// The load ledger.
    pub loads: &'a [FileLoad],
    /// Reject entries by reason, most first.
    pub reject_reasons: &'a [(String, i64)],
    /// Units heard from in the quarter.
    pub heard: Heard,
    /// Latest barometer used per unit, kPa.
    pub ambient_kpa: &'a BTreeMap<UnitId, f64>,
}

/// Rank of the reservoir a finding is about; 0 for another subject, whose place the sort leaves.
pub(crate) fn risk_rank(risks: &[ReservoirRisk], subject: &str) -> i64 {
    risks
        .iter()
        .find(|risk| risk.reservoir_id.as_str() == subject)
        .map_or(0, |risk| risk.rank)
}

/// Ranks of all reservoirs by name.
pub(crate) fn risk_ranks(risks: &[ReservoirRisk]) -> BTreeMap<&str, i64> {
    risks
        .iter()
        .map(|risk| (risk.reservoir_id.as_str(), risk.rank))
        .collect()
}
