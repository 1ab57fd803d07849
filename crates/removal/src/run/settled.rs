//! A reservoir with settled water that dissolves again while the oil is dried.
//!
//! Water that fell out of cold oil lies at the bottom; once the oil is drier than saturated it comes back. Balance of
//! a well-mixed body over a pool `P` (both in ppm of the oil): `dC/dt = −k(C − a) + g·φ·(S − C)`, `dP/dt = −g·φ·(S − C)`,
//! with `S` the solubility, `g` the share of the gap to saturation that dissolves per hour and `φ = (P/P₀)^(2/3)`, the
//! surface of a lens that keeps its shape as it shrinks (textbook: dissolution by a film, Noyes & Whitney 1897; Hixson &
//! Crowell 1931 for the surface). Unlike a second compartment the pool gives most while the oil is dry, and stops when it is
//! used up. Within a step `φ` stands still and the rest is exact; steps are a bin of the series or less.

use super::curve::{Law, Step};

/// Settled water as a run begins.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Settled {
    /// Share of the gap to saturation that dissolves, 1/h, with the whole pool there.
    pub(crate) dissolving_per_h: f64,
    /// Settled water at the run's start, ppm of the oil.
    pub(crate) pool_ppm: f64,
}

/// Water in the oil and settled below it, ppm of the oil.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Wet {
    pub(crate) water_ppm: f64,
    pub(crate) pool_ppm: f64,
}

/// Both after a step's hours of work and its hours of standstill.
pub(crate) fn advance(law: &Law, settled: &Settled, step: &Step, start: Wet) -> Wet {
    let floor = law.asymptote_at(step);
    let rate = law.rate_per_h * step.factor_under(law.slopes);
    let worked = relax(rate, floor, settled, step, step.hours, start);
    if step.idle_hours > 0.0 {
        relax(0.0, floor, settled, step, step.idle_hours, worked)
    } else {
        worked
    }
}

fn relax(
    rate_per_h: f64,
    floor_ppm: f64,
    settled: &Settled,
    step: &Step,
    hours: f64,
    start: Wet,
) -> Wet {
    if hours <= 0.0 {
        return start;
    }
    let rate = rate_per_h.max(0.0);
    let saturated = step.tank_solubility_ppm;
    let left = (start.pool_ppm / settled.pool_ppm).clamp(0.0, 1.0);
    // No feed into oil that is saturated as it is, nor where the solubility is not known.
    let feeds = start.water_ppm < saturated && saturated.is_finite();
    let feed = if feeds {
        settled.dissolving_per_h * left.powf(2.0 / 3.0)
    } else {
        0.0
    };
    let both = rate + feed;
    if both <= 0.0 {
        return start;
    }
    let level = if feeds {
        (rate * floor_ppm + feed * saturated) / both
    } else {
        floor_ppm
    };
    let kept = (-both * hours).exp();
    let water = level + (start.water_ppm - level) * kept;
    if !feeds {
        return Wet {
            water_ppm: water,
            pool_ppm: start.pool_ppm,
        };
    }
    let mean_water_hours = level * hours + (start.water_ppm - level) * (1.0 - kept) / both;
    let dissolved = (feed * (saturated * hours - mean_water_hours)).max(0.0);
    let beyond = (dissolved - start.pool_ppm).max(0.0);
    Wet {
        // What the pool did not hold did not come, and would have been dried for half the step.
        water_ppm: water - beyond * (-0.5 * rate * hours).exp(),
        pool_ppm: (start.pool_ppm - dissolved).max(0.0),
    }
}
