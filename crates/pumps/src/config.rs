//! Settings of the pumps stage, each with its default and the reason for it.

/// Settings of the pumps stage. There is no `Default`: [`PumpsConfig::documented`] names its values.
#[derive(Clone, Debug, PartialEq)]
pub struct PumpsConfig {
    /// Chamber pressure that a unit with its vent shut must hold, kPa absolute. 40.37 by default:
    /// 18 inHg of vacuum at sea level, the bottom of the usual working window (common practice).
    pub limit_kpa: f64,
    /// False alerts per unit and year over all channels together (0.2 by default: one in five
    /// years and unit).
    pub false_alerts_per_unit_year: f64,
    /// Days after which days_to_limit is "beyond" (365 by default, the contract's).
    pub horizon_days: f64,
    /// An alert becomes an alarm where the early tenth of days_to_limit is at most this (30 by default).
    pub alarm_days: f64,
    /// Accepted starts after a reset before a pump is judged (4 by default: fewer cannot show
    /// their own spread; the level they start from is the fleet's).
    pub min_starts: usize,
    /// Runs with a steady pressure before that pressure is judged (5 by default).
    pub min_runs: usize,
    /// A pump not heard from for this long is unjudged again, days (120 by default).
    pub stale_days: f64,
    /// Allowance of the control chart of speed and steady pressure, in standard deviations: 0.25
    /// by default, which finds slow ramps soonest at a given false-alarm rate (own simulation).
    pub ramp_allowance: f64,
    /// Allowance of the chart of base pressure, 0.5 by default: leaks come as steps.
    pub step_allowance: f64,
    /// Changes smaller than these alert nobody, however clear they are: loss of ln speed (0.05 by
    /// default: pump-downs of one pump on two days agree no better, common practice)…
    pub least_speed_loss: f64,
    /// … rise of the base pressure, kPa (0.5 by default: what a vacuum gauge may drift between two
    /// calibrations, common practice)…
    pub least_base_rise_kpa: f64,
    /// … rise of ln steady pressure (0.06 by default: what a fifth of the speed lost adds where half of it
    /// is the oil's gas, less chance).
    pub least_steady_rise: f64,
    /// A start must begin within this of the barometer, kPa (2 by default, common practice); where
    /// the barometer is not measured, weather's 3 kPa come on top.
    pub from_ambient_kpa: f64,
    /// Oil warmer than this soon after a stop spoils a start with its vapour, °C (45 by default)…
    pub warm_oil_degc: f64,
    /// … where the unit rested for less than this, hours (1.5 by default; common practice). Whether
    /// or not a temperature was logged, the base pressure of such a start does not count: what is
    /// left in a warm chamber still gives off vapour. Its speed does.
    pub warm_idle_h: f64,
    /// A start needs this much rest before it, minutes (5 by default, common practice).
    pub min_idle_min: f64,
    /// A start whose ln speed has a larger standard error says too little (0.25 by default).
    pub max_ln_speed_se: f64,
    /// Standard error of a measured barometer, or of an absolute gauge, kPa (0.1 by default).
    pub measured_barometer_sd_kpa: f64,
    /// Standard deviation of the weather around the altitude's barometer, kPa (1 by default: the
    /// weather's range is about ±2 to 3 kPa, common practice).
    pub weather_sd_kpa: f64,
    /// How well barometers by altitude of two places agree, kPa (0.5 by default: 40 m of altitude,
    /// or the difference of the mean weather; common practice).
    pub place_barometer_sd_kpa: f64,
    /// Share of the air dissolved in the oil (9 % by volume, common practice) that a pass brings
    /// to the pump, 0..1 (0.5 by default: oil that circulates has not taken it all up again).
    pub dissolved_air_share: f64,
}

impl PumpsConfig {
    /// The documented defaults: each value and its reason stands beside its field.
    #[must_use]
    pub const fn documented() -> Self {
        Self {
            limit_kpa: 40.37,
            false_alerts_per_unit_year: 0.2,
            horizon_days: 365.0,
            alarm_days: 30.0,
            min_starts: 4,
            min_runs: 5,
            stale_days: 120.0,
            ramp_allowance: 0.25,
            step_allowance: 0.5,
            least_speed_loss: 0.05,
            least_base_rise_kpa: 0.5,
            least_steady_rise: 0.06,
            from_ambient_kpa: 2.0,
            warm_oil_degc: 45.0,
            warm_idle_h: 1.5,
            min_idle_min: 5.0,
            max_ln_speed_se: 0.25,
            measured_barometer_sd_kpa: 0.1,
            weather_sd_kpa: 1.0,
            place_barometer_sd_kpa: 0.5,
            dissolved_air_share: 0.5,
        }
    }
}
