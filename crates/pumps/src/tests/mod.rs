//! The stage against invented fleets whose truth is known.

mod bars;
mod change_points;
mod charts;
mod fleets;
mod ideal;
mod slow_logs;
mod starts;
mod threshold;
mod world;
