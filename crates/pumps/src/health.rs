//! The rows that the pumps stage gives.

use drydown_quantity::{RunId, Stamp, UnitId, words};
use drydown_runs::history::BarometerBasis;

words! {
    /// State of a vacuum pump as judged at one run.
    PumpState { Unjudged = "unjudged", Normal = "normal", Alert = "alert", Alarm = "alarm" }
}
words! {
    /// What explains a change, or a poor vacuum that is none of the pump's doing.
    Cause {
        Wear = "wear", Leak = "leak", WetOil = "wet_oil", Restriction = "restriction",
        SealWater = "seal_water", Unknown = "unknown", Vapour = "vapour", Vent = "vent",
        Gauge = "gauge", Foam = "foam",
    }
}
words! {
    /// What `days_to_limit` says.
    DaysStatus { Within = "within", Beyond = "beyond", NotDegrading = "not_degrading", Unjudged = "unjudged" }
}

/// One row of `pump_starts`.
#[derive(Clone, Debug, PartialEq)]
pub struct PumpStart {
    pub unit_id: UnitId,
    pub started_at: Stamp,
    pub run_id: RunId,
    /// Effective pumping speed; null without a chamber volume.
    pub speed_m3h: Option<f64>,
    /// Speed over chamber volume, 1/s: needs no volume.
    pub relative_speed_per_s: Option<f64>,
    /// Standard error of ln(relative speed).
    pub ln_speed_se: Option<f64>,
    pub base_kpa: Option<f64>,
    pub base_kpa_se: Option<f64>,
    /// What the gauge showed of the vented chamber before the fall; None where no reading at rest shows.
    pub rest_kpa: Option<f64>,
    /// Time from 0.8 to 0.4 of the barometer, s.
    pub seconds_08_to_04: Option<f64>,
    pub step_s: Option<f64>,
    /// Barometer used, and where it came from (None: an absolute gauge needs none).
    pub ambient_kpa: Option<f64>,
    pub barometer_basis: Option<BarometerBasis>,
    /// Temperatures at the start: oil, vacuum pump, ambient air.
    pub oil_degc: Option<f64>,
    pub vacuum_pump_degc: Option<f64>,
    pub ambient_degc: Option<f64>,
    /// Hours since the unit last worked; None at its first start.
    pub idle_h: Option<f64>,
    pub accepted: bool,
    /// Why not accepted (one word: `vent_open`, `too_few_points`, `warm_oil`, `not_from_ambient`, …), or
    /// why an accepted start of a slow log has a base but no speed (`between_readings`, `too_coarse`),
    /// or any a speed but no base (`negative_base`: below zero, no pump holds it); None when speed and base were accepted.
    pub reason: Option<String>,
}

/// One row of `pump_health`.
#[derive(Clone, Debug, PartialEq)]
pub struct PumpHealth {
    pub run_id: RunId,
    pub unit_id: UnitId,
    pub at: Stamp,
    /// ln of effective speed over the unit's level after its last reset.
    pub indicator: Option<f64>,
    pub expected: Option<f64>,
    pub lower_90: Option<f64>,
    pub upper_90: Option<f64>,
    pub state: PumpState,
    pub cause: Option<Cause>,
    pub cause_probability: Option<f64>,
    pub days_to_limit_p10: Option<f64>,
    pub days_to_limit_p50: Option<f64>,
    pub days_to_limit_p90: Option<f64>,
    pub days_to_limit_status: DaysStatus,
    /// Estimated start of the change, where state is alert or alarm.
    pub onset_at: Option<Stamp>,
    /// By how much the gauge reads too high at rest, kPa, where that is what looked like a change of the pump.
    pub gauge_off_kpa: Option<f64>,
    /// Its first reading at rest that was off by that.
    pub gauge_off_since_at: Option<Stamp>,
    /// The evidence in one sentence.
    pub evidence: String,
}

/// One row of `pump_causes`: the probability of one cause at one run.
#[derive(Clone, Debug, PartialEq)]
pub struct PumpCause {
    pub run_id: RunId,
    pub cause: Cause,
    pub probability: f64,
}
