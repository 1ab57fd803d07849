//! Which unit to send: suitability first, then hours to target as a distribution.
//!
//! `size` answers one job: every unit and size class with running hours, the probability of reaching the
//! target and of meeting the window, and the smallest class that will do.

mod answer;
mod config;
mod draws;
mod feed;
mod job;
mod reached;
mod size;
mod standing;
mod start_warmth;
mod suitability;
#[cfg(test)]
mod tests;
mod warm_up;

pub use answer::{Dominant, SizeAnswer, SubjectKind, UnitSize, Verdict, WhyNot};
pub use config::PlanningConfig;
pub use job::{BadMixing, Candidate, Ingress, Job, Returns, SettledWater, Spread, WarmthBasis};
pub use reached::{RunEnd, reached_ppm};
pub use size::{size, size_standing};
pub use standing::{Standing, Steady};
pub use start_warmth::start_warmth;
pub use suitability::Suitability;
