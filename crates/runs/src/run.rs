//! What the runs stage gives: one record per run, its condensed series, its start curve.

use drydown_quantity::{OilType, ReservoirId, RunId, Stamp, UnitId, words};

use crate::history::BarometerBasis;

words! {
    /// What the machine is doing.
    Phase { PumpDown = "pump_down", Heating = "heating", Drying = "drying", CoolDown = "cool_down" }
}

/// Settings of the runs stage.
#[derive(Clone, Debug, PartialEq)]
pub struct RunsConfig {
    /// A stop or gap at least this long ends a run (2 by default), hours.
    pub stop_ends_run_h: f64,
    /// Width of the bins of the condensed series, minutes (10 by default).
    pub series_bin_min: f64,
    /// How long after a start its curve is kept, minutes (15 by default).
    pub start_window_min: f64,
    /// Chamber this far below the barometer counts as working, kPa. 5 by default: twice what
    /// weather moves a barometer taken from the altitude (common practice, no source).
    pub working_margin_kpa: f64,
    /// Oil flow above this counts as working, L/min. 1 by default: above the zero noise of a flow
    /// meter, below any working flow (common practice, no source).
    pub working_flow_lpm: f64,
    /// A step longer than this between two readings is unlogged time, minutes (15 by default).
    pub unlogged_min: f64,
    /// Activity from which a sensor only says "at least saturated", 0..1 (0.98 by default).
    pub saturated_activity: f64,
    /// An unchanging water reading this long is a stuck sensor, hours (3 by default).
    pub stuck_h: f64,
    /// How far outside a run a sample may be stamped and still count, hours. 24 by default: many
    /// laboratories give a day without a time.
    pub sample_slack_h: f64,
    /// Oil this far below the drying temperature is still being heated, kelvin (6 by default).
    pub heating_margin_k: f64,
}

impl RunsConfig {
    /// The documented defaults: each value and its reason stands beside its field.
    #[must_use]
    pub const fn documented() -> Self {
        Self {
            stop_ends_run_h: 2.0,
            series_bin_min: 10.0,
            start_window_min: 15.0,
            working_margin_kpa: 5.0,
            working_flow_lpm: 1.0,
            unlogged_min: 15.0,
            saturated_activity: 0.98,
            stuck_h: 3.0,
            sample_slack_h: 24.0,
            heating_margin_k: 6.0,
        }
    }
}

/// One row of `runs`. Means are time-weighted over the drying phase.
#[derive(Clone, Debug, PartialEq)]
pub struct Run {
    pub run_id: RunId,
    pub unit_id: UnitId,
    pub reservoir_id: Option<ReservoirId>,
    pub oil_type: Option<OilType>,
    pub started_at: Stamp,
    /// Last working reading.
    pub ended_at: Stamp,
    /// Working hours, stops excluded.
    pub hours: f64,
    pub flow_lpm: Option<f64>,
    pub oil_degc: Option<f64>,
    pub chamber_kpa: Option<f64>,
    pub water_first_ppm: Option<f64>,
    pub water_last_ppm: Option<f64>,
    pub water_removed_kg: Option<f64>,
    pub pumpdown_speed_m3h: Option<f64>,
    pub pumpdown_base_kpa: Option<f64>,
    /// Median chamber pressure over the later half of the drying phase.
    pub steady_kpa: Option<f64>,
    /// Barometer, vent opening and vacuum pump temperature over the drying phase.
    pub ambient_kpa: Option<f64>,
    pub vent_open_pct: Option<f64>,
    pub vacuum_pump_degc: Option<f64>,
    pub n_readings: i64,
    pub n_samples: i64,
    pub alarms: i64,
    /// Sorted words: `open` (still running at as_of), `gap`, `sensor_stuck`, `sensor_saturated`,
    /// `no_water_sensor`, `no_reservoir`, `reservoir_conflict`, `clock_jump`, `refilled`, `no_start_curve`, …
    pub flags: Vec<String>,
}

impl Run {
    /// The run with the pumping speed (m³/h) and base pressure (kPa) of its accepted start.
    #[must_use]
    pub fn with_pump_down(mut self, speed_m3h: Option<f64>, base_kpa: Option<f64>) -> Self {
        self.pumpdown_speed_m3h = speed_m3h;
        self.pumpdown_base_kpa = base_kpa;
        self
    }

    /// The run with one more flag, in its sorted place.
    #[must_use]
    pub fn with_flag(mut self, word: &str) -> Self {
        if let Err(place) = self.flags.binary_search_by(|flag| flag.as_str().cmp(word)) {
            self.flags.insert(place, word.to_owned());
        }
        self
    }

    /// Whether the run carries a flag.
    #[must_use]
    pub fn has_flag(&self, word: &str) -> bool {
        self.flags.iter().any(|flag| flag == word)
    }
}

/// One row of `run_series`: the means of one bin of a run's working time.
#[derive(Clone, Debug, PartialEq)]
pub struct SeriesPoint {
    pub run_id: RunId,
    /// Mean time of the bin's readings.
    pub at: Stamp,
    pub phase: Phase,
    pub n_readings: i64,
    /// Water at the sensor, ppm by mass, from the ppm column or from activity and the oil's solubility.
    pub water_ppm: Option<f64>,
    /// `>` where the sensor was saturated (activity at its top), else `=`.
    pub water_censor: Option<crate::history::Censor>,
    /// Whether water_ppm is derived from activity (then it scales with the solubility constants).
    pub from_activity: bool,
    pub oil_degc: Option<f64>,
    pub flow_lpm: Option<f64>,
    pub chamber_kpa: Option<f64>,
    pub ambient_kpa: Option<f64>,
    pub vent_open_pct: Option<f64>,
    pub heater_kw: Option<f64>,
    pub vacuum_pump_degc: Option<f64>,
    /// Ambient air temperature.
    pub ambient_degc: Option<f64>,
}

/// The pressure after one start, as logged.
#[derive(Clone, Debug, PartialEq)]
pub struct StartCurve {
    pub unit_id: UnitId,
    pub run_id: RunId,
    pub started_at: Stamp,
    /// Seconds since `started_at`, ascending.
    pub seconds: Vec<f64>,
    /// Absolute chamber pressure, kPa.
    pub chamber_kpa: Vec<f64>,
    /// Barometer used, kPa.
    pub ambient_kpa: Option<f64>,
    pub barometer_basis: Option<BarometerBasis>,
    /// Seconds until oil first flowed; None where it did not within the window.
    pub oil_flow_from_s: Option<f64>,
    /// Seconds until the vent was first seen open; None where it stayed shut or is not logged.
    pub vent_open_from_s: Option<f64>,
    pub vent_logged: bool,
    /// Oil temperature at the start.
    pub oil_degc: Option<f64>,
    pub vacuum_pump_degc: Option<f64>,
    pub ambient_degc: Option<f64>,
    /// Median time step of the curve, s.
    pub step_s: f64,
    /// Hours since the unit last worked; None at its first start.
    pub idle_h: Option<f64>,
}

/// Everything the runs stage gives for one unit.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct UnitRuns {
    /// By start.
    pub runs: Vec<Run>,
    /// By run and time.
    pub series: Vec<SeriesPoint>,
    /// By start; restarts within a run included.
    pub starts: Vec<StartCurve>,
}
