//! Cuts a unit's readings into runs and describes each.
//!
//! In: registers, one unit's readings (ascending), the samples of its reservoirs.
//! Out: runs, a condensed series per run, and the curve of each start.

pub mod history;
mod readings;
mod run;

pub use readings::{Column, Readings};
pub use run::{Phase, Run, RunsConfig, SeriesPoint, StartCurve, UnitRuns};
