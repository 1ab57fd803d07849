//! The rows that the findings stage gives.

use drydown_quantity::{Stamp, words};

words! {
    /// What a finding is about.
    Kind {
        Pump = "pump", Removal = "removal", Reservoir = "reservoir", Sensor = "sensor",
        Data = "data", Safety = "safety", Plan = "plan",
    }
}
words! {
    /// How much it matters.
    Severity { Info = "info", Watch = "watch", Act = "act" }
}
words! {
    /// Where a finding is in its life.
    FindingState { New = "new", Open = "open", Cleared = "cleared" }
}
words! {
    /// What ended the time a forecast spoke of.
    ForecastEnd { Due = "due", Treatment = "treatment", Repair = "repair", NotObserved = "not_observed" }
}

/// One row of `findings`.
#[derive(Clone, Debug, PartialEq)]
pub struct Finding {
    /// Hash of rule, subject and first_seen.
    pub finding_id: String,
    pub rule: String,
    pub kind: Kind,
    /// A unit_id or reservoir_id (or `fleet`).
    pub subject: String,
    pub severity: Severity,
    /// Estimated start of the change.
    pub onset_at: Option<Stamp>,
    pub first_seen: Stamp,
    pub last_seen: Stamp,
    pub state: FindingState,
    pub evidence: String,
    pub action: String,
}

/// One row of `forecasts`.
#[derive(Clone, Debug, PartialEq)]
pub struct Forecast {
    pub forecast_id: String,
    pub made_at: Stamp,
    /// `water_limit`, `free_water`, `pump_limit`, …
    pub kind: String,
    pub subject: String,
    pub horizon_days: f64,
    pub probability: Option<f64>,
    pub p10: Option<f64>,
    pub p50: Option<f64>,
    pub p90: Option<f64>,
    /// 1 happened, 0 did not, None unknown.
    pub outcome: Option<f64>,
    /// Of an event that lies between two looks: the last that showed it had not happened yet; where it was never seen,
    /// the last look so far. Kept for pumps.
    pub observed_from: Option<Stamp>,
    pub observed_to: Option<Stamp>,
    pub ended_by: Option<ForecastEnd>,
}
