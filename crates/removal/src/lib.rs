//! How fast each run, and each unit on each oil, takes water out.

mod rows;

pub use rows::{
    Basis, LimitedBy, Regime, RemovalCoefficient, RemovalQuarter, RemovalRun, RunStatus, SensorCheck,
};
