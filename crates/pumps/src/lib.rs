//! Vacuum-pump condition from starts and runs.
//!
//! In: start curves, runs, maintenance, registers. Out: one `PumpStart` per start, one
//! `PumpHealth` per run (each using only data up to its own time), and the probability of each cause.

mod back;
mod base_extras;
mod base_filter;
mod base_path;
mod beyond_load;
mod cause;
mod config;
mod covariates;
mod estimate;
mod evidence;
mod filter;
mod flowing;
mod futures;
mod health;
mod judge;
mod leak_back;
mod left;
mod limit;
mod mended;
mod monitor;
mod observed;
mod outlook;
mod pace;
mod past;
mod path;
mod prior;
mod rest;
mod set_point;
mod shift;
mod spans;
mod spread;
mod start;
mod steady_rise;
mod steady_speed;
mod testimony;
mod watch;
mod witnesses;

pub use config::PumpsConfig;
pub use covariates::Slopes;
pub use filter::Spread;
pub use health::{Cause, DaysStatus, PumpCause, PumpHealth, PumpStart, PumpState};
pub use judge::{UnitHealth, judge_unit};
pub use leak_back::LeakBackPrior;
pub use left::{LimitOutlook, LimitStanding};
pub use mended::mended_since;
pub use prior::{
    ChartLimits, Era, FleetPrior, KindPrior, WitnessPrior, fleet_prior, fleet_prior_with_runs,
};
pub use spans::frames_of;
pub use start::{fill_pump_down, fit_start};

#[cfg(test)]
mod tests;
