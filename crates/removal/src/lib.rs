//! How fast each run, and each unit on each oil, takes water out.
//!
//! `fit_reservoir` turns the runs of one reservoir into rates with honest intervals or named statuses (`fit_run` a lone
//! run), `run_curve` shows the curve behind a row with its residuals; `check_sensors` holds a unit's water sensor against the laboratory; `pool_fleet` lends the fleet's knowledge to
//! every pair of unit and oil.

mod config;
mod fleet;
mod rows;
mod run;
#[cfg(test)]
mod samples_for_tests;
mod sensors;

pub use config::{FleetConfig, RemovalConfig, RunFitConfig, SensorConfig};
pub use fleet::{
    CellAccount, Estimate, FleetRemoval, FleetRun, Narrowing, PooledRun, RemovalResidual,
    RunAccount, Shares, Step, UnitCapacity, VapourFraction, account_cell, pool_fleet,
};
pub use rows::{
    Basis, LimitedBy, Regime, RemovalCoefficient, RemovalQuarter, RemovalRun, RunStatus,
    SensorCheck,
};
pub use run::{
    CurveFit, CurveReading, CurveResidual, CurveSample, LawTerm, MixingLaw, ReservoirReturns,
    ResidualChecks, RunCurve, RunInput, SettledLaw, Use, fit_reservoir, fit_reservoir_at,
    fit_returns, fit_run, run_curve,
};
pub use sensors::{SensorInput, check_sensors};
