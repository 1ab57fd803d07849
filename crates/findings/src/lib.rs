//! Findings: one rule a file, one cause one finding, and the life of each.
//!
//! `find` is a function of the estimates, the registers and `as_of`, never of earlier
//! findings: pump, sensor and data rules are replayed at each row, the others at each
//! snapshot (month starts of the last six months, and `as_of`).

mod case;
mod episode;
mod forecasts;
mod life;
mod mailed;
mod naive;
mod pump_forecasts;
mod pump_score;
mod rows;
mod rules;
mod score;

pub use case::{
    Case, FileRejects, FindingsConfig, LastHeard, RejectedCells, Snapshot, SourceHealth,
};
pub use forecasts::forecasts;
pub use life::find;
pub use mailed::{Mailed, News, news};
pub use naive::last_sample_over_limit;
pub use pump_score::{PARTS, PumpScore, score_pumps};
pub use rows::{Finding, FindingState, Forecast, ForecastEnd, Kind, Severity};
pub use rules::{RULES, Rule};
pub use score::{FEWEST_EVENTS, ReliabilityBin, Score, forecast_weights, score};
