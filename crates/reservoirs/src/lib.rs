//! Ingress, the two waters now, and the risk of each reservoir within the horizon.
//!
//! In: registers, samples, runs and their removal fits, an `as_of`. Out: one row of `reservoir_risk` for
//! every reservoir. A state-space water balance (level and ingress), a fleet prior on ingress, and
//! first-passage probabilities averaged over what is not known.

mod alarms;
mod assess;
mod config;
mod driver;
mod filter;
mod fleet;
mod history;
mod law;
mod level;
mod likelihood;
mod limits;
mod net_ingress;
mod outlook;
mod posterior;
mod prior;
mod rank;
mod rows;
mod saturation;
mod scenario;
mod service;
mod settled;
mod spread;
mod state;
mod strays;
mod subject;
mod timeline;
mod trend;
mod unassessed;
mod unrest;
mod visits;

#[cfg(test)]
mod awkward;
#[cfg(test)]
mod calibration;
#[cfg(test)]
mod knowing;
#[cfg(test)]
mod nature;
#[cfg(test)]
mod run_ends;
#[cfg(test)]
mod swapped;
#[cfg(test)]
mod trials;
#[cfg(test)]
mod world;

pub use alarms::{
    AlarmBasis, AlarmSide, AlarmStatus, ChangeStatus, FEWEST_RESULTS, LabAlarm, LabResult,
    lab_alarms,
};
pub use assess::{assess, assess_with};
pub use config::{ReservoirsConfig, RiskWeights};
pub use history::{ReservoirHistory, RunEnd, StartOil, histories};
pub use rows::ReservoirRisk;
pub use spread::{InTurn, Spread};
pub use strays::{StraySample, stray_samples};
