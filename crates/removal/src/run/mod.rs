//! How fast one run takes water out of one reservoir.
//!
//! Model: first order towards an end level, capped where the run shows a cap, with free water above
//! solubility; over a badly mixed or a wet bottom by laws of their own (`laws.rs` decides which); sensor and
//! laboratory share one curve. Units: ppm by mass, working hours.
//! Every run gets a row; a run that cannot tell its rate says why in `status`.

mod bottom;
mod checks;
mod clock;
mod conditions;
mod convert;
mod curve;
mod fit;
mod floor;
mod join;
mod laws;
mod made;
mod marks;
mod mixing;
#[cfg(test)]
mod mixing_tests;
mod model;
mod noise;
mod paper;
mod paths;
mod points;
mod rebound;
#[cfg(test)]
mod rebound_tests;
mod reservoir;
mod returns;
mod settled;
mod shown;
#[cfg(test)]
mod shown_tests;
mod solve;
mod states;
mod status;
#[cfg(test)]
mod tests;

use drydown_physics::drying::floor_ppm;
use drydown_physics::solubility;
use drydown_physics::vacuum::pump_water_kg_per_h;
use drydown_runs::history::{Oil, Reservoir, Sample, Unit};
use drydown_runs::{Run, SeriesPoint};

use crate::config::RunFitConfig;
use crate::rows::{RemovalRun, RunStatus};
pub use checks::ResidualChecks;
use model::{Prior, Priors, USUAL_MIXING};
use points::{Points, to_points};
pub use reservoir::{fit_reservoir, fit_reservoir_at};
pub use returns::{LawTerm, MixingLaw, ReservoirReturns, SettledLaw, fit_returns};
pub use shown::{CurveFit, CurveReading, CurveResidual, CurveSample, RunCurve, Use, run_curve};

/// Everything that is known of one run.
#[derive(Clone, Debug)]
pub struct RunInput<'a> {
    pub run: &'a Run,
    /// The run's own bins, ascending in time.
    pub series: &'a [SeriesPoint],
    /// Samples of the run's reservoir (or of the unit while it ran) near the run, in any order.
    pub samples: &'a [&'a Sample],
    pub unit: Option<&'a Unit>,
    pub oil: Option<&'a Oil>,
    pub reservoir: Option<&'a Reservoir>,
}

/// Fits one run. Never fails: what cannot be told is a status.
#[must_use]
pub fn fit_run(input: &RunInput<'_>, config: &RunFitConfig) -> RemovalRun {
    let points = to_points(input, config);
    let look = reservoir::look(input, &points, config);
    let mut row = reservoir::settle(input, &points, look, None, config);
    if paper::holds_paper(input) {
        paper::Following::default().take_out(&mut row, config);
    }
    row
}

/// Mole fraction of vapour, pressure and temperature give the floor that the run tends to, weakly.
fn priors(input: &RunInput<'_>, config: &RunFitConfig) -> Priors {
    let degc = input.run.oil_degc.unwrap_or(65.0);
    let chamber_kpa = input.run.chamber_kpa.unwrap_or(20.0);
    let ln_end = solubility_ppm(input.oil, degc).map_or(
        Prior {
            mean: config.floor_without_solubility_ppm.max(0.1).ln(),
            sd: 1.5 * config.vapour_log_sd,
        },
        |solubility| {
            let floor = floor_ppm(solubility, degc, chamber_kpa, config.vapour_fraction);
            let mean = if floor.is_finite() {
                floor.max(0.1).ln()
            } else {
                solubility.max(0.1).ln() - 3.0
            };
            Prior {
                mean,
                sd: config.vapour_log_sd,
            }
        },
    );
    Priors {
        ln_end,
        ln_capacity: physical_capacity(input, chamber_kpa, config).unwrap_or(UNTOLD_CAPACITY),
        // Half of the water a pass, within a factor that reaches from a fifth to four fifths.
        outlet: Prior { mean: 0.0, sd: 1.0 },
        mixing: USUAL_MIXING,
    }
}

/// A capacity that the registers say nothing of.
const UNTOLD_CAPACITY: Prior = Prior { mean: 0.0, sd: 2.0 };

/// The most that the vacuum pump can take, as a fall of the reservoir's water in ppm/h: half of the
/// chamber gas being vapour, within a factor of about two (sd 0.6 of the logarithm). A cap far below
/// what the pump can take is a slow curve of another kind, such as a badly mixed reservoir.
fn physical_capacity(
    input: &RunInput<'_>,
    chamber_kpa: f64,
    config: &RunFitConfig,
) -> Option<Prior> {
    const GAS_DEGC: f64 = 40.0;
    const VAPOUR_SHARE: f64 = 0.5;
    let speed_m3h = input.unit?.vacuum_pump_m3h.filter(|speed| *speed > 0.0)?;
    let volume_l = input.reservoir?.volume_l.filter(|volume| *volume > 0.0)?;
    let density = input
        .oil
        .and_then(|oil| oil.density_15c_kgm3)
        .unwrap_or(config.density_kgm3);
    let kg_per_h = pump_water_kg_per_h(VAPOUR_SHARE * chamber_kpa, speed_m3h, GAS_DEGC);
    let ppm_per_h = kg_per_h / (density * volume_l / 1000.0) * 1e6;
    (ppm_per_h.is_finite() && ppm_per_h > 0.0).then(|| Prior {
        mean: ppm_per_h.ln(),
        sd: 0.6,
    })
}

/// Whether the first sample or the first bins lie at or above solubility.
fn free_water_at_start(points: &Points) -> bool {
    let above = |node: usize, water: f64| {
        points
            .steps
            .get(node)
            .is_some_and(|step| water > 1.05 * step.solubility_ppm)
    };
    let by_sample = points
        .lab
        .iter()
        .any(|point| !point.outlet && above(point.node, point.water_ppm));
    let at_top = points
        .sensor
        .iter()
        .take(3)
        .filter(|point| point.says == bottom::Says::AtTop)
        .count();
    by_sample
        || (at_top >= 2
            && points
                .steps
                .iter()
                .any(|step| step.solubility_ppm.is_finite()))
}

/// Solubility of water in the oil, ppm; None where the register has no constants.
pub(crate) fn solubility_ppm(oil: Option<&Oil>, degc: f64) -> Option<f64> {
    let oil = oil?;
    let value = solubility::ppm(oil.solubility_a?, oil.solubility_b_k?, degc);
    (value.is_finite() && value > 0.0).then_some(value)
}

/// The verdict on a fitted run.
#[derive(Clone, Debug)]
pub(crate) struct Verdict {
    pub(crate) status: RunStatus,
    /// Why, in a few words; empty where identified.
    pub(crate) why: String,
}
