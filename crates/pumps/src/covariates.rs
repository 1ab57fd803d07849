//! What else moves speed and pressures: temperatures at the start, vent, flow and water of a run.
//!
//! Slopes come from how far each observation of a pump lies off the line between its neighbours, over
//! all pumps: the units' own levels drop out, and so does anything that goes steadily for a few
//! days, a failing pump's fall as well as autumn. A slope is used only where it is clearly there.

use drydown_physics::saturation;
use drydown_runs::Run;
use drydown_runs::history::PumpKind;
use drydown_stats::regress::screen_covariates;
use drydown_stats::robust;

use crate::PumpStart;

/// t that a slope must reach to be used: neighbouring ones are correlated, so a plain 2 is too little.
const LEAST_T: f64 = 4.0;
/// Fewest differences for a regression.
const LEAST_PAIRS: usize = 60;
/// Most covariates of any witness.
pub(crate) const WIDTH: usize = 5;

/// Covariates of one observation about fixed reference values; 0 where not logged.
pub(crate) type Covariates = [f64; WIDTH];

/// Slopes of one witness on its covariates.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Slopes([f64; WIDTH]);

impl Slopes {
    /// Slope of the base on the air's temperature, kPa/°C (`of_base`); 0 where none is clearly there.
    pub(crate) fn base_per_air(&self) -> f64 {
        let [_, _, air, ..] = self.0;
        air
    }

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
        0.0,
    ]
}

/// Saturation pressure at the temperature of a liquid-ring pump, which holds no less than its seal
/// water's; oil and air temperature, and how short the rest was. In an oil-sealed pump a base that
/// goes with the saturation pressure is a fault (`testimony`), not to be corrected away.
pub(crate) fn of_base(start: &PumpStart, kind: Option<PumpKind>) -> Covariates {
    let sealed = start
        .vacuum_pump_degc
        .filter(|_| kind == Some(PumpKind::LiquidRing))
        .map(saturation::pressure_kpa)
        .filter(|p| p.is_finite());
    let reference = saturation::pressure_kpa(40.0);
    [
        sealed.map_or(0.0, |kpa| kpa - reference),
        start.oil_degc.map_or(0.0, |degc| degc - 25.0),
        start.ambient_degc.map_or(0.0, |degc| degc - 15.0),
        left_of_work(start),
        0.0,
    ]
}

/// Vent opening, flow, oil temperature, water left and water removed per hour of a run: what its steady
/// pressure carries.
pub(crate) fn of_steady(run: &Run) -> Covariates {
    let water = run.water_last_ppm.filter(|ppm| *ppm > 0.0);
    let removed = run
        .water_removed_kg
        .filter(|kg| *kg >= 0.0 && run.hours > 0.5);
    let removed = removed.map(|kg| kg / run.hours);
    [
        run.vent_open_pct.unwrap_or(0.0),
        run.flow_lpm
            .filter(|lpm| *lpm > 0.0)
            .map_or(0.0, |lpm| (lpm / 50.0).ln()),
        run.oil_degc.map_or(0.0, |degc| degc - 65.0),
        water.map_or(0.0, |ppm| ((ppm + 20.0) / 120.0).ln()),
        removed.map_or(0.0, |kg_per_h| (kg_per_h + 0.2).ln()),
    ]
}

/// Slopes from series of (day, observation, covariates), each series one pump between two resets:
/// regression of how far an observation lies from the line between its neighbours in time.
pub(crate) fn fit_slopes(series: &[Vec<(f64, f64, Covariates)>]) -> Slopes {
    let mut dy = Vec::new();
    let mut dx: Vec<Vec<f64>> = vec![Vec::new(); WIDTH];
    for three in series.iter().flat_map(|one| one.windows(3)) {
        if let [(t0, y0, x0), (t1, y1, x1), (t2, y2, x2)] = three {
            let share = (t1 - t0) / (t2 - t0);
            if !share.is_finite() {
                continue;
            }
            let off = |a: f64, b: f64, c: f64| b - (1.0 - share) * a - share * c;
            dy.push(off(*y0, *y1, *y2));
            for (((column, a), b), c) in dx.iter_mut().zip(x0).zip(x1).zip(x2) {
                column.push(off(*a, *b, *c));
            }
        }
    }
    if dy.len() < LEAST_PAIRS {
        return Slopes::default();
    }
    robust_slopes(&dx, &dy)
}

/// Rounds in which what lies off the slopes is cut again: a vent that triples a pressure lies off by
/// many times the scatter until its slope is known.
const ROUNDS: usize = 25;

/// Slopes that steps and outliers do not steer: what lies off the slopes of the round before counts up
/// to four of its own standard deviations (Huber's modified residuals; Huber 1981, section 7.8).
fn robust_slopes(dx: &[Vec<f64>], dy: &[f64]) -> Slopes {
    let mut slopes = Slopes::default();
    for _ in 0..ROUNDS {
        let fitted: Vec<f64> = (0..dy.len())
            .map(|row| {
                let columns = slopes.0.iter().zip(dx);
                columns
                    .map(|(slope, column)| slope * column.get(row).copied().unwrap_or(0.0))
                    .sum()
            })
            .collect();
        let off: Vec<f64> = dy.iter().zip(&fitted).map(|(y, fit)| y - fit).collect();
        let (centre, sd) = (
            robust::median(&off).unwrap_or(0.0),
            robust::mad(&off).unwrap_or(0.0),
        );
        if sd <= 0.0 {
            return slopes;
        }
        let held: Vec<f64> = off
            .iter()
            .zip(&fitted)
            .map(|(off, fit)| fit + off.clamp(centre - 4.0 * sd, centre + 4.0 * sd))
            .collect();
        let next = clear_slopes(dx, &held);
        let near = |(a, b): (&f64, &f64)| (a - b).abs() <= 1e-3 * a.abs().max(b.abs());
        let settled = next.0.iter().zip(&slopes.0).all(near);
        slopes = next;
        if settled {
            break;
        }
    }
    slopes
}

/// Slopes of the covariates that are clearly there beside each other: the least clear one is left out
/// and the others fitted again until all are. Covariates go together (a warm chamber has a warm
/// pump); one of a pair used with the slope it has beside the other would be worse than none.
fn clear_slopes(dx: &[Vec<f64>], dy: &[f64]) -> Slopes {
    let mut kept: Vec<(usize, &Vec<f64>)> = dx.iter().enumerate().collect();
    loop {
        let columns: Vec<Vec<f64>> = kept.iter().map(|(_, column)| (*column).clone()).collect();
        let names: Vec<String> = kept.iter().map(|(slot, _)| slot.to_string()).collect();
        let names: Vec<&str> = names.iter().map(String::as_str).collect();
        let Ok(screens) = screen_covariates(&columns, &names, dy) else {
            return Slopes::default();
        };
        let named = |name: &str| name.parse::<usize>().ok();
        match screens.last().filter(|least| least.t.abs() < LEAST_T) {
            Some(least) => kept.retain(|(slot, _)| named(&least.name) != Some(*slot)),
            None => {
                let mut slopes = Slopes::default();
                for screen in &screens {
                    let slot = named(&screen.name).and_then(|idx| slopes.0.get_mut(idx));
                    if let Some(slope) = slot {
                        *slope = screen.slope_joint;
                    }
                }
                return slopes;
            }
        }
    }
}
