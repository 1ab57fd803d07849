//! Quantities, times, identifiers and intervals: the words every other crate speaks.
//!
//! Unit conversions live here and nowhere else. Nothing here touches files, clocks or
//! the network; times arrive from outside.

mod ids;
mod interval;
mod stamp;
mod words;

pub use ids::{OilType, ReservoirId, RunId, SiteId, UnitId};
pub use interval::Interval;
pub use stamp::{Day, Quarter, Stamp, StampError};
