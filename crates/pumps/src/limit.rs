//! What a pump has to hold against, and the days to its limit in the form of the table.
//!
//! The load of a unit is the vapour and the dissolved air that its recent runs sent to the pump.
//! Loads kPa·m³/h.

use drydown_physics::vacuum;
use drydown_quantity::Stamp;
use drydown_runs::Run;
use drydown_stats::robust;

use crate::{DaysStatus, PumpsConfig};

/// Air dissolved in mineral oil, volumes at one atmosphere per volume of oil (common practice).
const DISSOLVED_AIR: f64 = 0.09;
const ATMOSPHERE_KPA: f64 = 101.325;
/// Gas reaches the pump at about this temperature, behind the condenser (common practice).
const GAS_DEGC: f64 = 40.0;
/// Recent runs: so many, and no older than this before the last.
const RECENT_RUNS: usize = 30;
/// Runs that make the load by which the limit will be passed when it comes.
const COMING_RUNS: f64 = 15.0;
const RECENT_DAYS: f64 = 180.0;

/// Gas that a unit's recent runs sent to its pump.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Load {
    /// None where no recent run tells of water.
    pub(crate) vapour_kg_per_h: Option<f64>,
    /// Vapour and dissolved air, kPa·m³/h.
    pub(crate) kpa_m3h: f64,
    /// Standard deviation of the load of coming runs about it, kPa·m³/h.
    pub(crate) sd_kpa_m3h: f64,
}

/// Gas of one run, kPa·m³/h; None where it logged no water.
pub(crate) fn load_of_run(run: &Run, config: &PumpsConfig) -> Option<f64> {
    let vapour = run.water_removed_kg.filter(|_| run.hours > 0.5)? / run.hours;
    Some(vapour.max(0.0) * per_kg() + air_of(run.flow_lpm.unwrap_or(0.0), config))
}

/// kPa·m³/h that one kg/h of water vapour fills.
fn per_kg() -> f64 {
    1.0 / vacuum::pump_water_kg_per_h(1.0, 1.0, GAS_DEGC)
}

/// Air that oil of a flow gives off, kPa·m³/h.
fn air_of(flow_lpm: f64, config: &PumpsConfig) -> f64 {
    flow_lpm * 0.06 * DISSOLVED_AIR * ATMOSPHERE_KPA * config.dissolved_air_share
}

/// Mean load of the recent runs, the last of them last; None where none logged flow or water.
pub(crate) fn load_of_runs(runs: &[&Run], config: &PumpsConfig) -> Option<Load> {
    let last = runs.last()?.ended_at;
    let recent: Vec<&&Run> = runs
        .iter()
        .rev()
        .take_while(|run| last.days_after(run.ended_at) <= RECENT_DAYS)
        .take(RECENT_RUNS)
        .collect();
    let vapour: Vec<f64> = recent
        .iter()
        .filter(|run| run.hours > 0.5)
        .filter_map(|run| Some((run.water_removed_kg? / run.hours).max(0.0)))
        .collect();
    let flows: Vec<f64> = recent.iter().filter_map(|run| run.flow_lpm).collect();
    if vapour.is_empty() && flows.is_empty() {
        return None;
    }
    let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len().max(1) as f64;
    let vapour_kg_per_h = if vapour.is_empty() {
        0.0
    } else {
        mean(&vapour)
    };
    let per_kg = per_kg();
    let air = air_of(mean(&flows), config);
    let scatter = vapour
        .iter()
        .map(|v| (v - vapour_kg_per_h).powi(2))
        .sum::<f64>();
    let n = vapour.len().max(1) as f64;
    // One run says nothing of the scatter between runs: half its load (common practice).
    let vapour_sd = if vapour.len() < 3 {
        0.5 * vapour_kg_per_h.max(0.2)
    } else {
        (scatter / (n - 1.0) * (1.0 / n + 1.0 / COMING_RUNS)).sqrt()
    };
    Some(Load {
        vapour_kg_per_h: Some(vapour_kg_per_h).filter(|_| !vapour.is_empty()),
        kpa_m3h: vapour_kg_per_h * per_kg + air,
        sd_kpa_m3h: (vapour_sd * per_kg).hypot(0.5 * air),
    })
}

/// A vent that is open by less counts as shut, percent of opening (common practice).
const VENT_SHUT_PCT: f64 = 5.0;
/// Runs in a row that must lie past the limit: one may have had wetter oil than any before.
const RUNS_PAST: usize = 2;

/// Whether a run's vent was as good as shut, as far as it is logged.
pub(crate) fn vent_shut(run: &Run) -> bool {
    run.vent_open_pct.is_none_or(|pct| pct <= VENT_SHUT_PCT)
}

/// Whether a run's vent is logged, and as good as shut.
pub(crate) fn vent_logged_shut(run: &Run) -> bool {
    run.vent_open_pct.is_some_and(|pct| pct <= VENT_SHUT_PCT)
}

/// Runs before a change that show how a unit is run, and the fewest that do.
const USUAL_RUNS: usize = 15;
const LEAST_USUAL: usize = 3;
/// A pressure past the limit is the pump's at its usual vent only where it has grown by this factor since
/// it was sound (common practice, no source).
const USUAL_GROWTH: f64 = 1.5;

/// What a pump's last runs show of a limit that it no longer holds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct PastLimit {
    /// The best steady pressure of these runs, kPa.
    pub(crate) best_kpa: f64,
    /// The vent was logged in all of them: else one may have stood open.
    pub(crate) vent_logged: bool,
    /// The vent was as good as shut in all of them: what they held is what the limit is meant for.
    pub(crate) vent_shut: bool,
}

/// Whether the pump's own runs show that it no longer holds the limit: each of the last ones with a steady pressure
/// lies past it, with the vent as good as shut, or no further open than in the runs before the onset, when it held
/// well. That the alert stands is for the caller to know.
pub(crate) fn own_pressure_past(
    runs: &[&Run],
    onset: Option<Stamp>,
    config: &PumpsConfig,
) -> Option<PastLimit> {
    let usual = onset.and_then(|onset| usual_work(runs, onset));
    let is_usual = |run: &Run, kpa: f64| {
        usual.is_some_and(|(pct, sound_kpa)| {
            run.vent_open_pct
                .is_some_and(|open| open <= pct + VENT_SHUT_PCT)
                && sound_kpa <= config.limit_kpa
                && kpa >= USUAL_GROWTH * sound_kpa
        })
    };
    let last: Vec<(&Run, f64)> = runs
        .iter()
        .rev()
        .filter(|run| !run.has_flag("pressure_stuck"))
        .filter_map(|run| Some((*run, run.steady_kpa?)))
        .take(RUNS_PAST)
        .collect();
    let is_past = last
        .iter()
        .all(|(run, kpa)| *kpa > config.limit_kpa && (vent_shut(run) || is_usual(run, *kpa)));
    let best_kpa = last.iter().map(|(_, kpa)| *kpa).min_by(f64::total_cmp)?;
    is_past.then(|| PastLimit {
        best_kpa,
        vent_logged: last.iter().all(|(run, _)| run.vent_open_pct.is_some()),
        vent_shut: last.iter().all(|(run, _)| vent_shut(run)),
    })
}

/// Median vent opening, %, and steady pressure, kPa, of the runs before a change; None where too few tell.
fn usual_work(runs: &[&Run], onset: Stamp) -> Option<(f64, f64)> {
    let before: Vec<(f64, f64)> = runs
        .iter()
        .rev()
        .filter(|run| run.ended_at < onset && !run.has_flag("pressure_stuck"))
        .filter_map(|run| run.vent_open_pct.zip(run.steady_kpa))
        .take(USUAL_RUNS)
        .collect();
    let (vents, pressures): (Vec<f64>, Vec<f64>) = before.into_iter().unzip();
    if vents.len() < LEAST_USUAL {
        return None;
    }
    robust::median(&vents).zip(robust::median(&pressures))
}

/// Days to the limit in the form of the table.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Days {
    pub(crate) p10: Option<f64>,
    pub(crate) p50: Option<f64>,
    pub(crate) p90: Option<f64>,
    pub(crate) status: DaysStatus,
    /// The limit is passed already.
    pub(crate) passed: bool,
}

impl Days {
    /// The limit is passed.
    pub(crate) const fn over() -> Self {
        Self {
            p10: Some(0.0),
            p50: Some(0.0),
            p90: Some(0.0),
            status: DaysStatus::Within,
            passed: true,
        }
    }

    /// The runs themselves lie past the limit, with more load or vent than the limit is meant for: it may be
    /// passed already, and is by the days said; now, where none are.
    pub(crate) fn or_now(self) -> Self {
        if self.p50.is_none() {
            return Self::over();
        }
        Self {
            p10: Some(0.0),
            ..self
        }
    }

    pub(crate) const fn none(status: DaysStatus) -> Self {
        Self {
            p10: None,
            p50: None,
            p90: None,
            status,
            passed: false,
        }
    }
}
