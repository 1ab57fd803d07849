//! What happens to the fleet, collected while it is simulated; exports and truth are made from it.

use crate::lab::LabResult;

/// A unit stands at a reservoir.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Deployed {
    pub(crate) unit: usize,
    pub(crate) reservoir: usize,
    pub(crate) from: i64,
    pub(crate) to: i64,
}

/// Work on a unit.
#[derive(Clone, Debug)]
pub(crate) struct Service {
    pub(crate) unit: usize,
    pub(crate) at: i64,
    pub(crate) action: &'static str,
    pub(crate) note: &'static str,
    pub(crate) serial: String,
    pub(crate) hours_meter: f64,
    /// Whether it was written down.
    pub(crate) recorded: bool,
}

/// Something done to a reservoir.
#[derive(Clone, Copy, Debug)]
pub(crate) struct TankEvent {
    pub(crate) reservoir: usize,
    pub(crate) at: i64,
    pub(crate) action: &'static str,
    pub(crate) volume_l: Option<f64>,
    pub(crate) water_ppm: Option<f64>,
}

/// A line of a controller's event list.
#[derive(Clone, Copy, Debug)]
pub(crate) struct UnitEvent {
    pub(crate) unit: usize,
    pub(crate) at: i64,
    pub(crate) code: &'static str,
    pub(crate) kind: &'static str,
    pub(crate) value: Option<f64>,
}

/// The truth of one run.
#[derive(Clone, Copy, Debug)]
pub(crate) struct RunRecord {
    pub(crate) unit: usize,
    pub(crate) reservoir: usize,
    pub(crate) from: i64,
    pub(crate) to: i64,
    /// Means over the drying phase.
    pub(crate) rate_per_h: f64,
    pub(crate) dried_flow_lpm: f64,
    pub(crate) flow_lpm: f64,
    pub(crate) floor_ppm: f64,
    pub(crate) oil_degc: f64,
    pub(crate) chamber_kpa: f64,
    pub(crate) vapour_kg_per_h: f64,
    pub(crate) water_start_ppm: f64,
    pub(crate) water_end_ppm: f64,
    pub(crate) water_all_start_ppm: f64,
    pub(crate) water_all_end_ppm: f64,
    pub(crate) removed_kg: f64,
    pub(crate) run_effect: f64,
    pub(crate) capacity_share: f64,
}

/// A reservoir at the start of a month (or at the end of the calendar).
#[derive(Clone, Copy, Debug)]
pub(crate) struct Snapshot {
    pub(crate) reservoir: usize,
    pub(crate) at: i64,
    pub(crate) mid_ppm: f64,
    pub(crate) settled_ppm: f64,
}

/// Everything collected.
#[derive(Clone, Debug, Default)]
pub(crate) struct Log {
    pub(crate) deployed: Vec<Deployed>,
    pub(crate) services: Vec<Service>,
    pub(crate) tank_events: Vec<TankEvent>,
    pub(crate) unit_events: Vec<UnitEvent>,
    pub(crate) samples: Vec<LabResult>,
    pub(crate) runs: Vec<RunRecord>,
    pub(crate) snapshots: Vec<Snapshot>,
    /// Wet spells of pump oil: unit, from, to.
    pub(crate) wet_spells: Vec<(usize, i64, i64)>,
}
