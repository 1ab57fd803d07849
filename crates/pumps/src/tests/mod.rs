//! The stage against invented fleets whose truth is known.

mod change_points;
mod charts;
mod bars;
mod fleets;
mod ideal;
mod slow_logs;
mod starts;
mod threshold;
mod world;
