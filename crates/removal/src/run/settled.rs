//! A reservoir with settled water that dissolves again while the oil is dried.
//!
//! Water that fell out of cold oil lies at the bottom; once the oil is drier than saturated it comes back. Balance of
//! a well-mixed body over a pool `P` (both in ppm of the oil): `dC/dt = −k(C − a) + g·φ·(S − C)`, `dP/dt = −g·φ·(S − C)`,
//! with `S` the solubility, `g` the share of the gap to saturation that dissolves per hour and `φ = (P/P₀)^(2/3)`, the
//! surface of a lens that keeps its shape as it shrinks (dissolution by a film, Noyes & Whitney 1897; Hixson &
//! Crowell 1931 for the surface: from memory). Unlike a second compartment the pool gives most while the oil is dry, and stops when it is
//! used up. Within a step `φ` stands still and the rest is exact; steps are a bin of the series or less.

use super::curve::{Law, Step, work_then_stand};

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
    work_then_stand(law, step, start, |rate_per_h, floor_ppm, hours, wet| {
        relax(rate_per_h, floor_ppm, settled, step, hours, wet)
    })
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

#[cfg(test)]
mod tests {
    use super::super::curve::Slopes;
    use super::*;

    fn law(rate_per_h: f64) -> Law {
        Law {
            rate_per_h,
            asymptote_ppm: 10.0,
            capacity_ppm_per_h: f64::INFINITY,
            free_ratio: 1.0,
            mixing: None,
            settled: None,
            slopes: Slopes::default(),
            drift: 0.0,
        }
    }

    fn step(hours: f64, idle_hours: f64) -> Step {
        Step {
            idle_hours,
            tank_solubility_ppm: 250.0,
            ..Step::of_hours(hours)
        }
    }

    fn run(pool_ppm: f64, law: &Law, steps: &[Step]) -> Wet {
        let settled = Settled {
            dissolving_per_h: 0.05,
            pool_ppm,
        };
        let start = Wet {
            water_ppm: 240.0,
            pool_ppm,
        };
        steps
            .iter()
            .fold(start, |wet, step| advance(law, &settled, step, wet))
    }

    #[test]
    fn steps_of_ten_minutes_agree_with_small_euler_steps() {
        for (pool_ppm, within_ppm) in [(60.0, 0.6), (300.0, 0.3)] {
            let found = run(pool_ppm, &law(0.3), &vec![step(1.0 / 6.0, 0.0); 120]);
            let (mut water, mut pool) = (240.0_f64, pool_ppm);
            let h = 1e-4;
            for _ in 0..200_000 {
                let fed = (0.05 * (pool / pool_ppm).max(0.0).powf(2.0 / 3.0) * (250.0 - water) * h)
                    .min(pool);
                water += fed - 0.3 * (water - 10.0) * h;
                pool -= fed;
            }
            assert!(
                (found.water_ppm - water).abs() < within_ppm,
                "{found:?} {water}"
            );
            assert!((found.pool_ppm - pool).abs() < 2.0, "{found:?} {pool}");
        }
    }

    #[test]
    fn no_water_is_made_or_lost_while_the_unit_stands() {
        let still = run(40.0, &law(0.3), &[step(0.0, 30.0), step(0.0, 300.0)]);
        assert!(
            (still.water_ppm + still.pool_ppm - 280.0).abs() < 1e-9,
            "{still:?}"
        );
        assert!(still.water_ppm <= 250.0 && still.pool_ppm >= 30.0 - 1e-9);
    }

    #[test]
    fn once_the_pool_is_used_up_the_oil_dries_as_any() {
        let steps = vec![step(1.0 / 6.0, 0.0); 600];
        let dry = run(5.0, &law(0.3), &steps);
        assert!(dry.pool_ppm < 1e-6, "{dry:?}");
        assert!((dry.water_ppm - 10.0).abs() < 0.1, "{dry:?}");
    }
}
