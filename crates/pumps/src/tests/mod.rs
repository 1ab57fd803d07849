//! The stage against invented fleets whose truth is known.

mod fleets;
mod starts;
mod world;
