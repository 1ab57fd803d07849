//! The row that the reservoirs stage gives.

use drydown_quantity::{Day, ReservoirId};

/// One row of `reservoir_risk`: the horizon if no unit is sent.
#[derive(Clone, Debug, PartialEq)]
pub struct ReservoirRisk {
    pub reservoir_id: ReservoirId,
    pub rank: i64,
    pub rank_lower_90: i64,
    pub rank_upper_90: i64,
    pub risk: f64,
    pub p_water_limit: Option<f64>,
    pub p_free_water: Option<f64>,
    pub p_cleanliness_limit: Option<f64>,
    pub p_acid_limit: Option<f64>,
    pub expected_excess_ppm_days: Option<f64>,
    pub ingress_g_per_h: Option<f64>,
    pub ingress_lower_90: Option<f64>,
    pub ingress_upper_90: Option<f64>,
    /// What a mid-stream sample at service temperature would show now (posterior median).
    pub water_sample_ppm: Option<f64>,
    pub water_sample_lower_90: Option<f64>,
    pub water_sample_upper_90: Option<f64>,
    /// Settled water included.
    pub water_all_ppm: Option<f64>,
    /// The driver in one sentence; also says what is missing where a number is None.
    pub driver: String,
    pub next_sample_by: Option<Day>,
    pub horizon_days: f64,
    /// Laboratory results and run ends that informed this row.
    pub n_samples: i64,
    pub n_run_ends: i64,
    /// The limit used and whether it is the service's default.
    pub water_limit_ppm: Option<f64>,
    pub water_limit_is_default: bool,
}
