//! Settings of the reservoirs stage.

/// What counts how much in the risk of a reservoir.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RiskWeights {
    /// 1 by default.
    pub free_water: f64,
    /// 0.5 by default.
    pub water_limit: f64,
    /// 0.5 by default.
    pub cleanliness: f64,
    /// 0.5 by default.
    pub acid: f64,
}

/// Settings of the reservoirs stage.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ReservoirsConfig {
    /// How far ahead the probabilities look (60 by default), days.
    pub horizon_days: f64,
    pub weights: RiskWeights,
    /// Seed of the resampling behind the rank intervals (1 by default).
    pub seed: u64,
    /// Draws behind the rank intervals (200 by default).
    pub rank_draws: usize,
    /// Coefficient of variation of one laboratory's water results (0.10 by default); the fleet's own
    /// data may move it between half and twice this value.
    pub lab_cv: f64,
    /// What a laboratory cannot resolve (5 by default), ppm.
    pub lab_floor_ppm: f64,
    /// The same for insulating liquids of paper-insulated equipment (1 by default: coulometric
    /// titration of liquids that hold little water; common practice, no source), ppm.
    pub insulating_floor_ppm: f64,
    /// Further coefficient of variation where a sample comes from another laboratory than most of the
    /// reservoir's (0.15 by default: reproducibility is far wider than repeatability).
    pub other_lab_cv: f64,
    /// What a laboratory may be off in all its results alike (0.05 by default; common practice, no
    /// source), relative: no number of its samples tells.
    pub lab_bias: f64,
    /// How far an oil in use may be from its register's solubility (0.1 by default: ageing and
    /// additives move it; common practice, no source), relative.
    pub solubility_cv: f64,
    /// Share of the water above solubility that stays emulsified and shows in a mid-stream sample
    /// (0.3 by default), 0..1.
    pub emulsified_share: f64,
    /// Relative humidity of the air over the oil (0.6 by default), 0..1.
    pub air_humidity: f64,
    /// Temperature of that air (25 by default), °C.
    pub air_degc: f64,
    /// A new sample is due before a limit has been passed unnoticed with this probability (0.1 by default).
    pub unnoticed_probability: f64,
}

impl ReservoirsConfig {
    /// The values that the documentation names, for a configuration that sets none of them.
    #[must_use]
    pub const fn documented() -> Self {
        Self {
            horizon_days: 60.0,
            weights: RiskWeights {
                free_water: 1.0,
                water_limit: 0.5,
                cleanliness: 0.5,
                acid: 0.5,
            },
            seed: 1,
            rank_draws: 200,
            lab_cv: 0.10,
            lab_floor_ppm: 5.0,
            insulating_floor_ppm: 1.0,
            other_lab_cv: 0.15,
            lab_bias: 0.05,
            solubility_cv: 0.1,
            emulsified_share: 0.3,
            air_humidity: 0.6,
            air_degc: 25.0,
            unnoticed_probability: 0.1,
        }
    }
}
