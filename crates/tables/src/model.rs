//! The terms of the fleet's removal model as records: spreads and slopes by name.

use drydown_removal::{Estimate, FleetRemoval};

use crate::record::record;

/// One row of `removal_model`.
#[derive(Clone, Debug, PartialEq)]
pub struct ModelTerm {
    /// `spread_…` or `slope_…`.
    pub term: String,
    pub median: Option<f64>,
    pub lower_90: Option<f64>,
    pub upper_90: Option<f64>,
}

record!(ModelTerm, "removal_model", key(term), { term, median, lower_90, upper_90 });

impl ModelTerm {
    /// The terms of a fleet, spreads first.
    #[must_use]
    pub fn of_fleet(fleet: &FleetRemoval) -> Vec<Self> {
        let spreads = fleet.components.iter().map(|term| to_term("spread", term));
        let slopes = fleet.slopes.iter().map(|term| to_term("slope", term));
        spreads.chain(slopes).collect()
    }
}

fn to_term(kind: &str, estimate: &Estimate) -> ModelTerm {
    ModelTerm {
        term: format!("{kind}_{}", estimate.name),
        median: Some(estimate.median),
        lower_90: Some(estimate.interval.lower),
        upper_90: Some(estimate.interval.upper),
    }
}
