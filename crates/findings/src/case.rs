//! What the rules may look at, and their thresholds.

use drydown_pumps::PumpHealth;
use drydown_quantity::{Stamp, UnitId};
use drydown_removal::{RemovalCoefficient, RemovalQuarter, RemovalRun, SensorCheck};
use drydown_reservoirs::{LabAlarm, ReservoirRisk};
use drydown_runs::Run;
use drydown_runs::history::{Registers, Sample};

/// Thresholds of the rules; the configuration layer owns the defaults and documents them.
#[derive(Clone, Debug, PartialEq)]
pub struct FindingsConfig {
    /// Probability of passing a limit at which a reservoir is a finding, 0..1.
    pub reservoir_watch_probability: f64,
    /// Probability at which it asks for action, 0..1.
    pub reservoir_act_probability: f64,
    /// So many reservoirs, the first by rank, may ask for action; the others are to watch.
    pub reservoir_act_first: i64,
    /// Hours of silence of a deployed unit before it is a finding.
    pub silent_unit_h: f64,
    /// Share of a source's rows, or of one column's values, rejected before it is a finding, 0..1.
    pub rejected_share: f64,
    /// Days within which a finding that began counts as new.
    pub new_days: f64,
    /// Margin below the flash point at which hot oil is a finding, K.
    pub flash_margin_k: f64,
    /// Days after which a cleared finding is no longer listed.
    pub keep_cleared_days: f64,
}

/// The fleet's estimates as they would have been computed at one earlier time.
#[derive(Clone, Debug, PartialEq)]
pub struct Snapshot {
    /// The time the estimates are as of.
    pub as_of: Stamp,
    /// Reservoir risks then.
    pub risks: Vec<ReservoirRisk>,
    /// Removal coefficients then.
    pub coefficients: Vec<RemovalCoefficient>,
    /// Removal by quarter then.
    pub quarters: Vec<RemovalQuarter>,
}

/// The last reading of a unit before `as_of`.
#[derive(Clone, Debug, PartialEq)]
pub struct LastHeard {
    /// The unit.
    pub unit_id: UnitId,
    /// Its last reading.
    pub at: Stamp,
}

/// What the load ledger says of one source.
#[derive(Clone, Debug, PartialEq)]
pub struct SourceHealth {
    /// Name of the source in the configuration.
    pub source: String,
    /// Records read.
    pub rows_in: i64,
    /// Records rejected whole.
    pub rows_rejected: i64,
    /// The source's load times, ascending, one per distinct time.
    pub loaded_at: Vec<Stamp>,
    /// Values kept out of records that were kept, by column.
    pub cells: Vec<RejectedCells>,
    /// Files of which records changed a value that the same file had given.
    pub overwritten: Vec<FileRejects>,
}

/// Values of one column that were kept out.
#[derive(Clone, Debug, PartialEq)]
pub struct RejectedCells {
    /// The column.
    pub column: String,
    /// The reason stored with the first of them.
    pub example: String,
    /// How many in which file.
    pub files: Vec<FileRejects>,
}

/// What of one file did not come to stay: values of one column, or records.
#[derive(Clone, Debug, PartialEq)]
pub struct FileRejects {
    /// The file.
    pub file: String,
    /// How many.
    pub n: i64,
    /// Records read from the file.
    pub rows_in: i64,
}

/// Everything a rule may look at.
#[derive(Clone, Copy, Debug)]
pub struct Case<'a> {
    /// The time of the analysis.
    pub as_of: Stamp,
    /// Registers and events, limited to `as_of`.
    pub registers: &'a Registers,
    /// Runs by unit and start.
    pub runs: &'a [Run],
    /// Fits of the runs, same order.
    pub removal_runs: &'a [RemovalRun],
    /// Pump health by unit and time.
    pub pump_health: &'a [PumpHealth],
    /// Chamber pressure that a pump with its vent shut must hold, kPa absolute.
    pub pump_limit_kpa: f64,
    /// Sensors against the laboratory.
    pub sensor_checks: &'a [SensorCheck],
    /// What the laboratory measured beside water, against the fleet.
    pub lab_alarms: &'a [LabAlarm],
    /// Samples known before `as_of`.
    pub samples: &'a [Sample],
    /// Estimates at month starts, ascending; the last is `as_of` itself.
    pub snapshots: &'a [Snapshot],
    /// Last reading per unit, by unit.
    pub last_heard: &'a [LastHeard],
    /// The load ledger by source.
    pub sources: &'a [SourceHealth],
}

impl<'a> Case<'a> {
    /// The snapshot at `as_of`.
    #[must_use]
    pub fn now(&self) -> Option<&'a Snapshot> {
        self.snapshots.last()
    }

    /// Reference to the last reading of a unit.
    #[must_use]
    pub fn last_heard_of(&self, unit: &UnitId) -> Option<Stamp> {
        self.last_heard
            .iter()
            .find(|row| &row.unit_id == unit)
            .map(|row| row.at)
    }
}
