//! Findings: one rule a file, one cause one finding, and the life of each.

mod rows;

pub use rows::{Finding, FindingState, Forecast, ForecastEnd, Kind, Severity};
