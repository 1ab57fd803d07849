//! Cuts a unit's readings into runs and describes each.
//!
//! In: registers, one unit's readings (ascending), the samples of its reservoirs.
//! Out: runs, a condensed series per run, and the curve of each start.

mod cut;
mod describe;
mod falls;
mod held;
pub mod history;
mod marks;
mod phase;
mod places;
pub mod pump_down;
mod readings;
mod run;
mod series;
pub mod slow_log;
mod stage;
mod starts;
mod water;

pub use readings::{Column, Readings};
pub use run::{Phase, Run, RunsConfig, SeriesPoint, StartCurve, UnitRuns};
pub use stage::cut_runs;
