//! The stage against invented fleets whose truth is known.

mod charts;
mod fleets;
mod starts;
mod world;
