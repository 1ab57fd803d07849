//! The rows that the removal stage gives.

use drydown_quantity::{OilType, Quarter, ReservoirId, RunId, UnitId, words};

words! {
    /// What limits the water a unit can remove per hour.
    LimitedBy { Pump = "pump", Heat = "heat", Transfer = "transfer" }
}
words! {
    /// Which law the run followed.
    Regime { FirstOrder = "first_order", Capacity = "capacity", Mixed = "mixed", FreeWater = "free_water",
        TwoCompartments = "two_compartments" }
}
words! {
    /// Whether a run could tell its removal rate.
    RunStatus {
        Identified = "identified", OneSided = "one_sided", NotIdentified = "not_identified",
        OnBoundary = "on_boundary", NoContrast = "no_contrast", Saturated = "saturated",
        AtFloor = "at_floor", Spoiled = "spoiled",
    }
}
words! {
    /// Whose data carry a coefficient.
    Basis { Cell = "cell", Unit = "unit", Oil = "oil", Fleet = "fleet" }
}

/// One row of `removal_runs`. Estimates are None where the status says there is none.
#[derive(Clone, Debug, PartialEq)]
pub struct RemovalRun {
    pub run_id: RunId,
    pub unit_id: UnitId,
    pub oil_type: Option<OilType>,
    pub reservoir_id: Option<ReservoirId>,
    pub removal_rate_per_h: Option<f64>,
    /// Standard error of the rate, 1/h.
    pub removal_rate_se: Option<f64>,
    /// Profile-likelihood ends; None where the end is open.
    pub removal_rate_lower_90: Option<f64>,
    pub removal_rate_upper_90: Option<f64>,
    /// η·Q, L/min.
    pub dried_flow_lpm: Option<f64>,
    pub removal_per_pass: Option<f64>,
    /// Water in balance with the chamber's vapour: the level that the run fell to, less what sources may have added.
    pub floor_ppm: Option<f64>,
    /// 90 % interval of the floor; empty where the floor is.
    pub floor_lower_90: Option<f64>,
    pub floor_upper_90: Option<f64>,
    pub capacity_kg_per_h: Option<f64>,
    pub limited_by: Option<LimitedBy>,
    pub regime: Option<Regime>,
    pub status: RunStatus,
    /// Water at the start and end of the fit, ppm.
    pub start_ppm: Option<f64>,
    pub end_ppm: Option<f64>,
    /// Points used, of how many; lag-1 correlation of the residuals.
    pub n_used: i64,
    pub n_points: i64,
    pub residual_phi: Option<f64>,
    /// One sentence: what was used, and why the rest was not.
    pub evidence: String,
}

/// One row of `removal_coefficients`, at the reference conditions of the contract.
#[derive(Clone, Debug, PartialEq)]
pub struct RemovalCoefficient {
    pub unit_id: UnitId,
    pub oil_type: OilType,
    pub removal_per_pass: Option<f64>,
    pub dried_flow_lpm: Option<f64>,
    pub lower_90: Option<f64>,
    pub upper_90: Option<f64>,
    pub new_run_lower_90: Option<f64>,
    pub new_run_upper_90: Option<f64>,
    pub n_runs: i64,
    pub n_jobs: i64,
    pub own_share: f64,
    pub basis: Basis,
    pub separable: bool,
    pub extrapolated: bool,
}

/// One row of `removal_quarters`.
#[derive(Clone, Debug, PartialEq)]
pub struct RemovalQuarter {
    pub unit_id: UnitId,
    pub oil_type: OilType,
    pub quarter: Quarter,
    pub removal_per_pass: Option<f64>,
    pub lower_90: Option<f64>,
    pub upper_90: Option<f64>,
    pub n_runs: i64,
}

/// One row of `sensor_checks`: a unit's water sensor against the laboratory.
#[derive(Clone, Debug, PartialEq)]
pub struct SensorCheck {
    pub unit_id: UnitId,
    pub sensor: String,
    /// Sensor less laboratory at the reference level, ppm.
    pub offset: Option<f64>,
    pub gain: Option<f64>,
    pub drift_per_year: Option<f64>,
    /// 90 % interval of the offset.
    pub lower_90: Option<f64>,
    pub upper_90: Option<f64>,
    pub n_pairs: i64,
    /// `agrees`, `offset`, `drifting`, `stuck`, or `too_few_pairs`: the pairs neither accuse nor acquit, being few, of too few
    /// runs or reservoirs, or too wide apart.
    pub state: String,
}
