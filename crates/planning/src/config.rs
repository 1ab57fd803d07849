//! Settings of sizing. The usual values stand beside each; the configuration layer owns them.

/// Settings of sizing.
#[derive(Clone, Debug, PartialEq)]
pub struct PlanningConfig {
    /// Confidence that a window must be met with (0.9).
    pub confidence: f64,
    /// Probability from which a plan is called infeasible (0.9).
    pub infeasible_from: f64,
    /// Draws for each unit (2000), and their seed.
    pub n_draws: usize,
    pub seed: u64,
    /// Share of wall-clock time that a unit works, 0..1 (0.85, common practice, no source).
    pub availability: f64,
    /// Flash point at least this far above the treating temperature, K (50, common practice, no source:
    /// the heater's film is hotter than the oil).
    pub flash_margin_k: f64,
    /// Families that count as insulating oil (`insulating`, `transformer`, …): lower case, matched as a part of the family.
    pub insulating_families: Vec<String>,
    /// Water in the chamber gas where no run tells: mean and sd of the log of its mole fraction (ln 0.05 and 0.8).
    pub vapour_log_mean: f64,
    pub vapour_log_sd: f64,
    /// Sd of the log of an oil's solubility (0.15).
    pub solubility_log_sd: f64,
    /// Floor where the oil's solubility is not known, ppm (30), and the sd of its log (1.2).
    pub floor_without_solubility_ppm: f64,
    pub floor_without_solubility_log_sd: f64,
    /// Share of its vapour that a pump takes where no run tells the unit's capacity (0.5), and the sd of the log (0.4).
    pub capacity_share: f64,
    pub capacity_log_sd: f64,
    /// Dried flow goes as flow to this power where flow is derated (0.5).
    pub flow_exponent: f64,
    /// Reference conditions of the coefficients, °C and kPa absolute (65 and 20).
    pub reference_degc: f64,
    pub reference_kpa: f64,
    /// Slope of log dried flow against 1000/T where the fleet tells none, mean and sd (−1.5 and 1.5).
    pub temperature_slope: (f64, f64),
    /// Suction hose of a unit of 75.7 L/min, mm and m (38.1 and 3); the bore of others goes with the root of flow.
    pub hose_diameter_mm: f64,
    pub hose_length_m: f64,
    /// Pressure that the suction may spend, kPa (50).
    pub suction_available_kpa: f64,
    /// Density where the oil register has none, kg/m3 (870).
    pub density_kgm3: f64,
    /// Heat lost to the air, W per K and cubic metre of oil (15, common practice, no source).
    pub loss_w_per_k_m3: f64,
    /// Chamber pressure that a pump must be able to hold, kPa absolute (40.37: 18 inHg at sea level).
    pub pump_limit_kpa: f64,
}

impl PlanningConfig {
    /// The documented defaults: each value stands beside its field.
    #[must_use]
    pub fn documented() -> Self {
        Self {
            confidence: 0.9,
            infeasible_from: 0.9,
            n_draws: 2000,
            seed: 1,
            availability: 0.85,
            flash_margin_k: 50.0,
            insulating_families: vec![
                "insulating".into(),
                "transformer".into(),
                "dielectric".into(),
            ],
            vapour_log_mean: 0.05_f64.ln(),
            vapour_log_sd: 0.8,
            solubility_log_sd: 0.15,
            floor_without_solubility_ppm: 30.0,
            floor_without_solubility_log_sd: 1.2,
            capacity_share: 0.5,
            capacity_log_sd: 0.4,
            flow_exponent: 0.5,
            reference_degc: 65.0,
            reference_kpa: 20.0,
            temperature_slope: (-1.5, 1.5),
            hose_diameter_mm: 38.1,
            hose_length_m: 3.0,
            suction_available_kpa: 50.0,
            density_kgm3: 870.0,
            loss_w_per_k_m3: 15.0,
            pump_limit_kpa: 40.37,
        }
    }
}
