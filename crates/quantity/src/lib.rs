//! Quantities, times, identifiers and intervals: the words every other crate speaks.
//!
//! Unit conversions live here and nowhere else. Nothing here touches files, clocks or
//! the network; times arrive from outside.

mod display;
mod ids;
mod interval;
pub mod pressure;
mod stamp;
mod unit_table;
mod units;
mod words;

pub use display::{DisplayUnits, Shown, render_vacuum};
pub use ids::{OilType, ReservoirId, RunId, SiteId, UnitId};
pub use interval::Interval;
pub use pressure::{PressureReference, absolute_kpa};
pub use stamp::{Day, Quarter, Stamp, StampError};
pub use units::{Dimension, Unit, UnitRow, all_units, volume_ppm_to_mass_ppm};
