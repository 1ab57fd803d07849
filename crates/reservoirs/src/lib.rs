//! Ingress, the two waters now, and the risk of each reservoir within the horizon.

mod rows;

pub use rows::ReservoirRisk;
