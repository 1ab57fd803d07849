//! Settings of the removal stage. The usual values stand beside each; the configuration layer owns them.

use drydown_runs::history::VolumeBasis;

/// Settings of the removal stage: one run's fit, the sensor checks and the fleet's pooling.
#[derive(Clone, Debug, PartialEq)]
pub struct RemovalConfig {
    /// One run's fit.
    pub run: RunFitConfig,
    /// A sensor against the laboratory.
    pub sensor: SensorConfig,
    /// The fleet's mixed model.
    pub fleet: FleetConfig,
}

/// Settings of one run's fit.
#[derive(Clone, Debug, PartialEq)]
pub struct RunFitConfig {
    /// Coefficient of variation of a laboratory water value (0.10): between-laboratory scatter, common practice.
    pub lab_cv: f64,
    /// Scatter of a laboratory value that does not shrink with the level, ppm (5): about the 14 mg/kg
    /// reproducibility of the ASTM D1533 interlaboratory study over 2.77.
    pub lab_sd_ppm: f64,
    /// Prior sd of a water sensor's offset, ppm (10).
    pub sensor_offset_sd_ppm: f64,
    /// What comes to it where the oil's solubility is known, as an activity (0.02): the usual accuracy class of
    /// capacitive sensors, common practice, no source. One that shows ppm works them out from activity inside. The two
    /// add in quadrature.
    pub sensor_offset_activity_sd: f64,
    /// A sensor that reaches zero is believed down to this, ppm (6): twice its level-free scatter.
    pub sensor_bottom_ppm: f64,
    /// Prior sd of the log gain of a sensor that reads ppm (0.05).
    pub sensor_gain_sd: f64,
    /// The same where ppm come from activity and the oil's solubility constants (0.20).
    pub activity_gain_sd: f64,
    /// Relation of a sensor's level-free to its proportional scatter: ppm (3) and fraction (0.02).
    pub sensor_sd_ppm: f64,
    pub sensor_cv: f64,
    /// Median mole fraction of water in the chamber gas late in a run (0.04), and the sd of its
    /// logarithm (1.1): bleed, leaks and dissolved air set it, and it is never taken as 1. The sd
    /// also has to cover what ingress adds to the end level while the unit runs.
    pub vapour_fraction: f64,
    pub vapour_log_sd: f64,
    /// Median mole fraction of water in the chamber gas that the floor itself goes with (0.02), sd of its logarithm
    /// (0.6), and the share of runs in which ingress and settled water add nothing that matters to it (0.5). Bleed air of
    /// 25 °C and 60 % relative humidity holds 0.019 (ideal gas, steam tables); spread and share are common practice.
    pub late_vapour_fraction: f64,
    pub late_vapour_log_sd: f64,
    pub no_source_share: f64,
    /// Median of the end level where the oil's solubility is not known, ppm (30).
    pub floor_without_solubility_ppm: f64,
    /// Dried flow goes as flow to this power within a run (0.5).
    pub flow_exponent: f64,
    /// Dried flow goes as exp(-this·(1/T − 1/T̄)) within a run, K (2500).
    pub temperature_slope_k: f64,
    /// Samples this long before the start and after the end still speak for the run, h (72 and 24).
    pub sample_before_h: f64,
    pub sample_after_h: f64,
    /// Standard deviation that a day outside the run adds to the log of a sample (0.10).
    pub sample_log_sd_per_day: f64,
    /// What may come back into the oil after the stop: share of the run's fall that was not mixed (0.3) with its time,
    /// h (12), and ingress, ppm a day (5). Common practice, no source.
    pub sample_rise_share: f64,
    pub sample_mixing_h: f64,
    pub sample_ingress_ppm_per_day: f64,
    /// How far the rate's slopes within a run may lie from the stated ones, sd: per ln of the chamber's pressure (0.2,
    /// about 0) and K (1500, about `temperature_slope_k`).
    pub pressure_slope_sd: f64,
    pub temperature_slope_sd_k: f64,
    /// Bins of the series are merged until a run has no more than these (120).
    pub max_bins: usize,
    /// A second regime is taken where it lowers the penalised deviance by more than this (8).
    pub regime_deviance: f64,
    /// Two compartments are taken for a lone run where they lower it by more than this (12): they explain any slow tail,
    /// so that more is asked of them. For several runs of a reservoir what each lowers it by beyond an allowance (2) has
    /// to add up to more than 8: in simulated fleets of three makes that names nine badly mixed reservoirs in ten.
    pub mixing_deviance: f64,
    pub mixing_deviance_together: f64,
    pub mixing_allowance: f64,
    /// A floor is stated where the logarithm of the level that the run fell to is known to this sd (0.4).
    pub floor_log_sd_max: f64,
    /// What the law itself is good for: sd of the log rate (0.03) that no number of readings takes away, for the
    /// unit's own small changes along a run. Common practice, no source.
    pub law_log_sd: f64,
    /// The same where the sensor sits in the stream that leaves the unit (0.10).
    pub outlet_law_log_sd: f64,
    /// The same where settled water dissolves (0.15): how it lies and how warm it is are not seen. From simulated fleets.
    pub settled_law_log_sd: f64,
    /// How far the end level may move along a run, sd of its log from start to end (1): settled water that dissolves,
    /// ingress, the chamber's pressure. Common practice, no source.
    pub floor_drift_log_sd: f64,
    /// Content of every interval (0.90).
    pub level: f64,
    /// Largest standard error of ln k that is worth a number (0.6).
    pub ln_rate_se_max: f64,
    /// A run whose removal per pass lies above this even at its lower end followed something other than the oil
    /// (2): two standard deviations of a guessed volume, exp(2·0.35).
    pub per_pass_impossible: f64,
    /// Density where the oil register has none, kg/m3 (870).
    pub density_kgm3: f64,
}

/// Settings of the sensor checks.
#[derive(Clone, Debug, PartialEq)]
pub struct SensorConfig {
    /// A sample within this of a bin of the run is a pair, h (2).
    pub pair_within_h: f64,
    /// So is one from this long before a run's start or after its end, h (12); where only the day is known, all of that day
    /// must lie within h (48).
    pub pair_before_h: f64,
    pub pair_day_h: f64,
    /// A sample is drawn within this of the time it states, h (1): common practice, no source.
    pub sample_time_h: f64,
    /// What a tank that nobody dries may gain in a day, ppm (5): sd of a pair's error. From memory.
    pub still_sd_ppm_per_day: f64,
    /// Fewer pairs are no check (3).
    pub n_pairs_min: usize,
    /// A sensor is accused only on pairs of this many runs (3) on this many reservoirs (2), and where an interval of this
    /// level leaves zero out (0.95): a fleet has dozens of sensors, and none of them should be swapped by chance.
    pub n_runs_min: usize,
    pub n_reservoirs_min: usize,
    pub accuse_level: f64,
    /// Pairs and days that a drift needs (6 and 120).
    pub n_pairs_drift: usize,
    pub drift_span_days: f64,
    /// An offset matters from this: ppm (8) or share of the level (0.10), whichever is more.
    pub offset_matters_ppm: f64,
    pub offset_matters_share: f64,
    /// The part of a laboratory's coefficient of variation that all its values share (0.05): a quarter of the variance
    /// between laboratories, common practice, no source.
    pub lab_bias_cv: f64,
    /// Prior sd of the log gain (0.3) and of the drift, ppm a year (30).
    pub gain_log_sd: f64,
    pub drift_sd_ppm_per_year: f64,
}

/// Settings of the fleet's mixed model.
#[derive(Clone, Debug, PartialEq)]
pub struct FleetConfig {
    /// Reference conditions of the coefficients: oil in °C (65), chamber in kPa absolute (20).
    pub reference_degc: f64,
    pub reference_kpa: f64,
    /// Prior sd of the log volume, by how the volume is known (0.05, 0.20, 0.35).
    pub volume_sd_dip: f64,
    pub volume_sd_nameplate: f64,
    pub volume_sd_guess: f64,
    /// What the log rates of all runs on one reservoir share beyond its volume, sd (0.05): ingress, settled water, a
    /// sensor's zero on its oil. From seven simulated fleets, where it was 0.04 to 0.06.
    pub reservoir_rate_log_sd: f64,
    /// Scale of the t(3) law of the log factor by which all volumes of one basis may be worse or
    /// better known than that (0.5).
    pub volume_sd_log_scale: f64,
    /// Scale of the half-t priors of the standard deviations (0.3).
    pub sd_scale: f64,
    /// Prior mean and sd of the fleet's log removal per pass (ln 0.4 and 0.7).
    pub prior_log_mean: f64,
    pub prior_log_sd: f64,
    /// Prior mean (-1.2) of the slope with temperature, 1000/K: warm oil is thin and gives its water up more easily, by about
    /// 1 % a kelvin. Common practice, no source.
    pub slope_mean_temperature: f64,
    /// Prior sd of each slope: 1000/K (1.2), per ln kPa (0.5), per ln flow (0.5), per unit of pump indicator (0.5).
    pub slope_sd_temperature: f64,
    pub slope_sd_pressure: f64,
    pub slope_sd_flow: f64,
    pub slope_sd_pump: f64,
    /// What comes to the slope with pressure among a unit's own runs, sd per ln kPa (0.05): the pump's condition goes with
    /// its pressure. Common practice, no source.
    pub slope_sd_own_pressure: f64,
    /// What a unit's water sensor does to the log rates of all its runs alike, sd (0.04): its zero, gain and lag. From
    /// simulated fleets, whose units' mean errors spread by that much beyond their intervals.
    /// The same for a sensor in the stream that leaves the unit (0.10): it sees the reservoir only through a removal per
    /// pass that moves along the run. From three makes of simulated fleets, whose outlet units were off by up to 0.2.
    pub sensor_log_sd: f64,
    pub outlet_sensor_log_sd: f64,
    /// A reservoir is badly mixed where this share of its runs showed two compartments (0.25); runs that
    /// disagree with that are uncertain by this much more, sd of the log rate (0.4): the loop's share.
    pub badly_mixed_share: f64,
    pub badly_mixed_log_sd: f64,
    /// Degrees of freedom of the weights that tame wild runs (4).
    pub tail_df: f64,
    /// Draws over the variance components (80).
    pub n_draws: usize,
    /// Seed of the draws.
    pub seed: u64,
    /// A run came near the reference within these: °C (10), ln kPa (0.7), ln flow (0.35).
    pub near_degc: f64,
    pub near_log_kpa: f64,
    pub near_log_flow: f64,
    /// Runs of one unit on one reservoir further apart than this are two jobs, days (14).
    pub job_gap_days: f64,
    /// Sd of a quarter's departure from the long run, log scale (0.10).
    pub quarter_sd: f64,
    /// Content of every interval (0.90).
    pub level: f64,
}

impl RemovalConfig {
    /// The documented defaults: each value stands beside its field.
    #[must_use]
    pub fn documented() -> Self {
        Self {
            run: RunFitConfig::documented(),
            sensor: SensorConfig::documented(),
            fleet: FleetConfig::documented(),
        }
    }
}

impl RunFitConfig {
    /// The documented defaults.
    #[must_use]
    pub const fn documented() -> Self {
        Self {
            lab_cv: 0.10,
            lab_sd_ppm: 5.0,
            sensor_offset_sd_ppm: 10.0,
            sensor_offset_activity_sd: 0.02,
            sensor_bottom_ppm: 6.0,
            sensor_gain_sd: 0.05,
            activity_gain_sd: 0.20,
            sensor_sd_ppm: 3.0,
            sensor_cv: 0.02,
            vapour_fraction: 0.04,
            vapour_log_sd: 1.1,
            late_vapour_fraction: 0.02,
            late_vapour_log_sd: 0.6,
            no_source_share: 0.5,
            floor_without_solubility_ppm: 30.0,
            flow_exponent: 0.5,
            temperature_slope_k: 2500.0,
            sample_before_h: 72.0,
            sample_after_h: 24.0,
            sample_log_sd_per_day: 0.10,
            sample_rise_share: 0.3,
            sample_mixing_h: 12.0,
            sample_ingress_ppm_per_day: 5.0,
            pressure_slope_sd: 0.2,
            temperature_slope_sd_k: 1500.0,
            max_bins: 120,
            regime_deviance: 8.0,
            mixing_deviance: 12.0,
            mixing_deviance_together: 8.0,
            mixing_allowance: 2.0,
            floor_log_sd_max: 0.4,
            law_log_sd: 0.03,
            outlet_law_log_sd: 0.10,
            settled_law_log_sd: 0.15,
            floor_drift_log_sd: 1.0,
            level: 0.90,
            ln_rate_se_max: 0.6,
            per_pass_impossible: 2.0,
            density_kgm3: 870.0,
        }
    }
}

impl SensorConfig {
    /// The documented defaults.
    #[must_use]
    pub const fn documented() -> Self {
        Self {
            pair_within_h: 2.0,
            pair_before_h: 12.0,
            pair_day_h: 48.0,
            sample_time_h: 1.0,
            still_sd_ppm_per_day: 5.0,
            n_pairs_min: 3,
            n_runs_min: 3,
            n_reservoirs_min: 2,
            accuse_level: 0.95,
            n_pairs_drift: 6,
            drift_span_days: 120.0,
            offset_matters_ppm: 8.0,
            offset_matters_share: 0.10,
            lab_bias_cv: 0.05,
            gain_log_sd: 0.3,
            drift_sd_ppm_per_year: 30.0,
        }
    }
}

impl FleetConfig {
    /// The documented defaults.
    #[must_use]
    pub fn documented() -> Self {
        Self {
            reference_degc: 65.0,
            reference_kpa: 20.0,
            volume_sd_dip: 0.05,
            volume_sd_nameplate: 0.20,
            volume_sd_guess: 0.35,
            reservoir_rate_log_sd: 0.05,
            volume_sd_log_scale: 0.5,
            sd_scale: 0.3,
            prior_log_mean: 0.4_f64.ln(),
            prior_log_sd: 0.7,
            slope_mean_temperature: -1.2,
            slope_sd_temperature: 1.2,
            slope_sd_pressure: 0.5,
            slope_sd_flow: 0.5,
            slope_sd_pump: 0.5,
            slope_sd_own_pressure: 0.05,
            sensor_log_sd: 0.04,
            outlet_sensor_log_sd: 0.10,
            badly_mixed_share: 0.25,
            badly_mixed_log_sd: 0.4,
            tail_df: 4.0,
            n_draws: 80,
            seed: 1,
            near_degc: 10.0,
            near_log_kpa: 0.7,
            near_log_flow: 0.35,
            job_gap_days: 14.0,
            quarter_sd: 0.10,
            level: 0.90,
        }
    }

    /// What the log rates on a reservoir whose volume was dipped have in common, sd.
    #[must_use]
    pub fn dipped_log_sd(&self) -> f64 {
        self.volume_sd_dip.hypot(self.reservoir_rate_log_sd)
    }

    /// Prior sd of the logarithm of a volume; an unstated basis counts as a guess.
    #[must_use]
    pub const fn volume_log_sd(&self, basis: Option<VolumeBasis>) -> f64 {
        match basis {
            Some(VolumeBasis::Dip) => self.volume_sd_dip,
            Some(VolumeBasis::Nameplate) => self.volume_sd_nameplate,
            Some(VolumeBasis::Guess) | None => self.volume_sd_guess,
        }
    }
}
