//! Water in a well-mixed reservoir during one step of constant conditions, in closed form.
//!
//! The removal rate is piecewise linear in the water content: `k·(C − a)` up to solubility,
//! `ratio·k` per ppm of the free water above it, and never more than the capacity. Each piece is
//! integrated exactly, so the length of a step costs no accuracy. Textbook mass balance
//! (kidney loop); the two-regime case is checked against a numerical solution.

use super::mixing::{self, Mixing, Parts};
use super::settled::{self, Settled, Wet};

/// The law of one run.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Law {
    /// First-order rate at a factor of 1, 1/h.
    pub(crate) rate_per_h: f64,
    /// Level that the run tends to, ppm: floor plus what ingress adds to it.
    /// With a drift, at the run's end.
    pub(crate) asymptote_ppm: f64,
    /// Largest rate, ppm/h; infinite where nothing caps it.
    pub(crate) capacity_ppm_per_h: f64,
    /// Rate of free water over that of dissolved water.
    pub(crate) free_ratio: f64,
    /// How the reservoir mixes; None where it is one well-mixed body. Neither cap nor free water go with it.
    pub(crate) mixing: Option<Mixing>,
    /// Water at the bottom that dissolves again; None where there is none. Goes with no other regime.
    pub(crate) settled: Option<Settled>,
    /// Departure of the rate's slopes from what each step's factor holds.
    pub(crate) slopes: Slopes,
    /// Log of the asymptote at the run's start over that at its end: sources that dry up, a chamber that warms.
    pub(crate) drift: f64,
}

impl Law {
    /// Level that the water tends to during a step, ppm.
    pub(super) fn asymptote_at(&self, step: &Step) -> f64 {
        if self.drift == 0.0 {
            self.asymptote_ppm
        } else {
            self.asymptote_ppm * (self.drift * step.to_go).exp()
        }
    }
}

/// How the log of the rate goes with conditions within a run, beyond what the steps' factors already hold.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Slopes {
    /// Per logarithm of the chamber's pressure.
    pub(crate) per_ln_pressure: f64,
    /// Per 1/K, K.
    pub(crate) per_inverse_kelvin: f64,
}

/// The conditions of one step.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Step {
    /// Working hours.
    pub(crate) hours: f64,
    /// Hours on the wall clock beyond the working hours: the reservoir mixes on while the unit stands.
    pub(crate) idle_hours: f64,
    /// Multiplier of the rate (flow, temperature); 0 where no oil flows.
    pub(crate) factor: f64,
    /// Flow over the run's mean: what leaves the unit dries by the factor over this. 1 where no oil flows.
    pub(crate) flow_ratio: f64,
    /// Solubility at the step's temperature, ppm; infinite where not known.
    pub(crate) solubility_ppm: f64,
    /// The same in the reservoir, which warms only as the oil comes back to it.
    pub(crate) tank_solubility_ppm: f64,
    /// Log of the chamber's pressure over the run's mean, and inverse temperature less the run's mean, 1/K.
    pub(crate) ln_pressure: f64,
    pub(crate) inverse_kelvin: f64,
    /// Share of the run's working hours that is still to come: 1 at its start, 0 from its end on.
    pub(crate) to_go: f64,
}

impl Step {
    /// Hours of work at the run's mean conditions, with nothing known of the solubility.
    pub(super) const fn of_hours(hours: f64) -> Self {
        Self {
            hours,
            idle_hours: 0.0,
            factor: 1.0,
            flow_ratio: 1.0,
            solubility_ppm: f64::INFINITY,
            tank_solubility_ppm: f64::INFINITY,
            ln_pressure: 0.0,
            inverse_kelvin: 0.0,
            to_go: 0.0,
        }
    }

    /// Multiplier of removal per pass once the run's own slopes are known.
    pub(super) fn per_pass_under(&self, slopes: Slopes) -> f64 {
        self.factor_under(slopes) / self.flow_ratio
    }

    /// The rate's multiplier once the run's own slopes are known.
    pub(super) fn factor_under(&self, slopes: Slopes) -> f64 {
        let moved = slopes.per_ln_pressure * self.ln_pressure
            - slopes.per_inverse_kelvin * self.inverse_kelvin;
        if moved == 0.0 {
            self.factor
        } else {
            self.factor * moved.exp()
        }
    }
}

/// Water at the end of a step that starts at `start_ppm`, ppm.
pub(crate) fn advance(law: &Law, step: &Step, start_ppm: f64) -> f64 {
    let rate = law.rate_per_h * step.factor_under(law.slopes);
    let floor = law.asymptote_at(step);
    if rate <= 0.0 || step.hours <= 0.0 {
        return start_ppm;
    }
    let solubility = step.solubility_ppm.max(floor);
    let (mut water, mut left) = (start_ppm, step.hours);
    // At most three pieces follow each other: capped, free water, dissolved water.
    for _ in 0..4 {
        if water <= floor {
            break;
        }
        let free = water > solubility * (1.0 + 1e-12);
        let at_solubility = rate * (solubility - floor);
        let uncapped = if free {
            at_solubility + rate * law.free_ratio * (water - solubility)
        } else {
            rate * (water - floor)
        };
        let (reached, spent) = if uncapped > law.capacity_ppm_per_h * (1.0 + 1e-12) {
            let kink = if law.capacity_ppm_per_h >= at_solubility {
                solubility + (law.capacity_ppm_per_h - at_solubility) / (rate * law.free_ratio)
            } else {
                floor + law.capacity_ppm_per_h / rate
            };
            let spent = (water - kink) / law.capacity_ppm_per_h;
            if spent >= left {
                return water - law.capacity_ppm_per_h * left;
            }
            (kink, spent)
        } else if free {
            let target = solubility - (solubility - floor) / law.free_ratio;
            let fast = rate * law.free_ratio;
            let spent = ((water - target) / (solubility - target)).ln() / fast;
            if !spent.is_finite() || spent >= left {
                return target + (water - target) * (-fast * left).exp();
            }
            (solubility, spent)
        } else {
            break;
        };
        water = reached;
        left -= spent;
    }
    floor + (water - floor) * (-rate * left).exp()
}

/// The state after a step's hours of work and its hours of standstill, by what `relax` makes of a rate (1/h), a level that
/// the run tends to (ppm) and hours.
pub(super) fn work_then_stand<S>(
    law: &Law,
    step: &Step,
    start: S,
    relax: impl Fn(f64, f64, f64, S) -> S,
) -> S {
    let floor = law.asymptote_at(step);
    let rate = law.rate_per_h * step.factor_under(law.slopes);
    let worked = relax(rate, floor, step.hours, start);
    if step.idle_hours > 0.0 {
        relax(0.0, floor, step.idle_hours, worked)
    } else {
        worked
    }
}

/// Water at every node of a timeline: `steps[i]` leads from node i−1 to node i, the first starts at `start_ppm`.
pub(crate) fn path(law: &Law, steps: &[Step], start_ppm: f64, out: &mut Vec<f64>) {
    out.clear();
    if let Some(mixing) = &law.mixing {
        let mut parts = Parts {
            in_loop_ppm: start_ppm,
            rest_ppm: start_ppm,
        };
        for step in steps {
            parts = mixing::advance(law, mixing, step, parts);
            out.push(parts.in_loop_ppm);
        }
        return;
    }
    if let Some(settled) = &law.settled {
        let mut wet = Wet {
            water_ppm: start_ppm,
            pool_ppm: settled.pool_ppm,
        };
        for step in steps {
            wet = settled::advance(law, settled, step, wet);
            out.push(wet.water_ppm);
        }
        return;
    }
    let mut water = start_ppm;
    for step in steps {
        water = advance(law, step, water);
        out.push(water);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn law(rate_per_h: f64, capacity_ppm_per_h: f64, free_ratio: f64) -> Law {
        Law {
            rate_per_h,
            asymptote_ppm: 30.0,
            capacity_ppm_per_h,
            free_ratio,
            mixing: None,
            settled: None,
            slopes: Slopes::default(),
            drift: 0.0,
        }
    }

    fn step(hours: f64) -> Step {
        Step {
            hours,
            idle_hours: 0.0,
            factor: 1.0,
            flow_ratio: 1.0,
            solubility_ppm: f64::INFINITY,
            tank_solubility_ppm: f64::INFINITY,
            ln_pressure: 0.0,
            inverse_kelvin: 0.0,
            to_go: 0.0,
        }
    }

    #[test]
    fn the_worked_reservoir_stands_at_401_ppm_after_an_hour() {
        // Mass balance of a well-mixed tank: tau 62.5 min, 1000 ppm, floor 30 ppm (calculated).
        let water = advance(&law(60.0 / 62.5, f64::INFINITY, 1.0), &step(1.0), 1000.0);
        assert!((water - 401.41).abs() < 0.01, "{water}");
    }

    #[test]
    fn capped_then_exponential_takes_32_974_hours_from_two_percent() {
        // Two regimes from 20 000 to 100 ppm: 30.642 h on the line, 2.332 h on the curve (calculated,
        // agrees with a numerical solution of the differential equation).
        let capacity = 2.075_75 / 3_293.31 * 1e6;
        let water = advance(&law(60.0 / 62.5, capacity, 1.0), &step(32.974), 20_000.0);
        assert!((water - 100.0).abs() < 0.1, "{water}");
    }

    #[test]
    fn pieces_agree_with_small_euler_steps() {
        for (capacity, ratio, solubility) in [
            (f64::INFINITY, 2.0, 200.0),
            (300.0, 3.0, 250.0),
            (40.0, 1.5, 300.0),
            (90.0, 1.0, 100.0),
        ] {
            let law = law(0.5, capacity, ratio);
            let exact = advance(
                &law,
                &Step {
                    factor: 0.8,
                    solubility_ppm: solubility,
                    ..step(3.0)
                },
                900.0,
            );
            let mut water: f64 = 900.0;
            let n = 300_000;
            for _ in 0..n {
                let rate = 0.4 * (water.min(solubility) - 30.0)
                    + 0.4 * ratio * (water - solubility).max(0.0);
                water -= rate.min(capacity) * 3.0 / f64::from(n);
            }
            assert!(
                (exact - water).abs() < 0.01,
                "{capacity} {ratio} {solubility}: {exact} {water}"
            );
        }
    }

    #[test]
    fn oil_drier_than_the_asymptote_rises_to_it() {
        let water = advance(&law(1.0, f64::INFINITY, 1.0), &step(50.0), 5.0);
        assert!((water - 30.0).abs() < 1e-6);
    }

    #[test]
    fn without_flow_nothing_happens() {
        let still = Step {
            factor: 0.0,
            solubility_ppm: 100.0,
            ..step(5.0)
        };
        assert!((advance(&law(1.0, f64::INFINITY, 1.0), &still, 500.0) - 500.0).abs() < 1e-12);
    }
}
