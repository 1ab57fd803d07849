//! What else moves speed and pressures: temperatures at the start, vent, flow and water of a run.
//!
//! Slopes come from differences between neighbouring observations of one pump, over all pumps: slow
//! wear and the units' own levels drop out. A slope is used only where it is clearly there.

use drydown_physics::saturation;
use drydown_runs::Run;
use drydown_stats::regress::screen_covariates;
use drydown_stats::robust;

use crate::PumpStart;

/// t that a slope must reach to be used: differences are correlated, so a plain 2 is too little.
const LEAST_T: f64 = 4.0;
/// Fewest differences for a regression.
const LEAST_PAIRS: usize = 60;
/// Most covariates of any witness.
pub(crate) const WIDTH: usize = 4;

/// Covariates of one observation about fixed reference values; 0 where not logged.
pub(crate) type Covariates = [f64; WIDTH];

/// Slopes of one witness on its covariates.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Slopes([f64; WIDTH]);

impl Slopes {
    /// What the covariates add to an observation.
    pub(crate) fn effect(&self, x: &Covariates) -> f64 {
        self.0.iter().zip(x).map(|(slope, x)| slope * x).sum()
    }
}

/// Hours in which what a stop leaves in a chamber cools and dries (common practice).
const REST_H: f64 = 2.0;

/// What is left at a start of the warmth of the work before: 1 at once, 0 after a long rest.
fn left_of_work(start: &PumpStart) -> f64 {
    start.idle_h.map_or(0.0, |hours| (-hours / REST_H).exp())
}

/// Oil, pump and air temperature at a start, about 25, 40 and 15 °C, and how short its rest was.
pub(crate) fn of_speed(start: &PumpStart) -> Covariates {
    let from = |value: Option<f64>, reference: f64| value.map_or(0.0, |v| v - reference);
    [
        from(start.oil_degc, 25.0),
        from(start.vacuum_pump_degc, 40.0),
        from(start.ambient_degc, 15.0),
        left_of_work(start),
    ]
}

/// Saturation pressure at the pump's temperature (oil-sealed and liquid-ring pumps hold no less
/// where there is water in them), oil and air temperature, and how short the rest was.
pub(crate) fn of_base(start: &PumpStart) -> Covariates {
    let sealed = start
        .vacuum_pump_degc
        .map(saturation::pressure_kpa)
        .filter(|p| p.is_finite());
    let reference = saturation::pressure_kpa(40.0);
    [
        sealed.map_or(0.0, |kpa| kpa - reference),
        start.oil_degc.map_or(0.0, |degc| degc - 25.0),
        start.ambient_degc.map_or(0.0, |degc| degc - 15.0),
        left_of_work(start),
    ]
}

/// Vent opening, flow, oil temperature and water of a run: what its steady pressure carries.
pub(crate) fn of_steady(run: &Run) -> Covariates {
    let water = run.water_last_ppm.filter(|ppm| *ppm > 0.0);
    [
        run.vent_open_pct.unwrap_or(0.0),
        run.flow_lpm
            .filter(|lpm| *lpm > 0.0)
            .map_or(0.0, |lpm| (lpm / 50.0).ln()),
        run.oil_degc.map_or(0.0, |degc| degc - 65.0),
        water.map_or(0.0, |ppm| ((ppm + 20.0) / 120.0).ln()),
    ]
}

/// Slopes from series of (observation, covariates), each series one pump between two resets.
pub(crate) fn fit_slopes(series: &[Vec<(f64, Covariates)>]) -> Slopes {
    let mut dy = Vec::new();
    let mut dx: Vec<Vec<f64>> = vec![Vec::new(); WIDTH];
    for pair in series.iter().flat_map(|one| one.windows(2)) {
        if let [(y0, x0), (y1, x1)] = pair {
            dy.push(y1 - y0);
            for ((column, a), b) in dx.iter_mut().zip(x0).zip(x1) {
                column.push(b - a);
            }
        }
    }
    if dy.len() < LEAST_PAIRS {
        return Slopes::default();
    }
    // Steps and outliers must not steer a slope.
    let (centre, sd) = (
        robust::median(&dy).unwrap_or(0.0),
        robust::mad(&dy).unwrap_or(0.0),
    );
    if sd <= 0.0 {
        return Slopes::default();
    }
    for value in &mut dy {
        *value = value.clamp(centre - 4.0 * sd, centre + 4.0 * sd);
    }
    let names = ["0", "1", "2", "3"];
    let Ok(screens) = screen_covariates(&dx, &names, &dy) else {
        return Slopes::default();
    };
    let mut slopes = Slopes::default();
    for screen in screens.iter().filter(|screen| screen.t.abs() >= LEAST_T) {
        let slot = names.iter().position(|name| *name == screen.name);
        if let Some(slope) = slot.and_then(|idx| slopes.0.get_mut(idx)) {
            *slope = screen.slope_joint;
        }
    }
    slopes
}
