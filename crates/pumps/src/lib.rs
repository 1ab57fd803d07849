//! Vacuum-pump condition from starts and runs.
//!
//! In: start curves, runs, maintenance, registers. Out: one `PumpStart` per start, one
//! `PumpHealth` per run (each using only data up to its own time), and the probability of each cause.

mod health;

pub use health::{Cause, DaysStatus, PumpCause, PumpHealth, PumpStart, PumpState};
