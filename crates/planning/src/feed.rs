//! Oil that water comes back to while it is dried: from the part that does not pass the unit, or from settled water.
//!
//! Balances of two well-mixed compartments (textbook: mammillary model) and of dissolution by a film (Noyes & Whitney 1897,
//! the surface as the two thirds of what is left: Hixson & Crowell 1931, from memory), as the removal stage fits them to runs.

use drydown_physics::drying::DryingLoop;
use drydown_stats::rng::{self, Pcg64};

use crate::job::{Returns, Spread};

/// Longest step, as a share of the fastest of the rates' time constants.
const STEP: f64 = 0.1;
/// Steps after which a target that was not reached is called never reached: 400 of the fastest time constants.
const N_STEPS_MAX: usize = 4_000;

/// Where the water comes back from.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Source {
    /// Share of the oil that passes the unit, and oil exchanged with the rest, share of the volume per hour.
    Rest {
        loop_share: f64,
        exchange_per_h: f64,
    },
    /// Share of the gap to saturation that dissolves per hour while all of the settled water is there, and how much that
    /// is, ppm of the oil.
    Settled {
        dissolving_per_h: f64,
        pool_ppm: f64,
    },
}

/// One of the sources that a reservoir's runs leave open, or none, each as often as it is probable. Every call takes the same
/// number of draws.
pub(crate) fn draw_source(returns: &Returns, rng: &mut Pcg64) -> Option<Source> {
    let which = rng::uniform(rng);
    let (first, second) = (rng::standard_normal(rng), rng::standard_normal(rng));
    let at = |law: Spread, z: f64| law.mean + law.sd * z;
    let settled = returns.settled.map_or(0.0, |law| law.probability);
    if let Some(law) = returns.settled.filter(|_| which < settled) {
        return Some(Source::Settled {
            dissolving_per_h: at(law.ln_dissolving_per_h, first).exp(),
            pool_ppm: at(law.ln_pool_ppm, second).exp(),
        });
    }
    let law = returns
        .mixing
        .filter(|law| which >= settled && which < settled + law.probability)?;
    let share = 1.0 / (1.0 + (-at(law.loop_share_logit, first)).exp());
    Some(Source::Rest {
        loop_share: share.clamp(0.02, 0.98),
        exchange_per_h: at(law.ln_exchange_per_h, second).exp(),
    })
}

/// The water of one reservoir, ppm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Water {
    /// In the oil that passes the unit, and in the rest of the oil.
    pub(crate) in_loop_ppm: f64,
    pub(crate) rest_ppm: f64,
    /// Settled, ppm of the oil.
    pub(crate) pool_ppm: f64,
}

impl Water {
    /// The water as a job begins: what was measured, and what has dissolved in the hours since. Over settled water the oil
    /// holds no more than it can; what was measured beyond that has settled.
    pub(crate) fn at_start(
        measured_ppm: f64,
        source: Source,
        solubility_ppm: f64,
        since_h: f64,
    ) -> Self {
        let Source::Settled {
            dissolving_per_h,
            pool_ppm,
        } = source
        else {
            return Self::even(measured_ppm, 0.0);
        };
        let in_oil_ppm = measured_ppm.min(solubility_ppm);
        let pool_ppm = pool_ppm.max(measured_ppm - in_oil_ppm);
        let gap = solubility_ppm - in_oil_ppm;
        let closed = -(-dissolving_per_h * since_h.max(0.0)).exp_m1();
        let dissolved = if gap.is_finite() {
            (gap * closed).min(pool_ppm)
        } else {
            0.0
        };
        Self::even(in_oil_ppm + dissolved, pool_ppm - dissolved)
    }

    /// Where the mean comes to once the settled water that is left has dissolved, ppm.
    pub(crate) fn comes_back_to_ppm(&self, source: Source, solubility_ppm: f64) -> f64 {
        let mean = self.mean_ppm(source);
        (mean + self.pool_ppm).min(solubility_ppm).max(mean)
    }

    /// All oil alike.
    pub(crate) const fn even(water_ppm: f64, pool_ppm: f64) -> Self {
        Self {
            in_loop_ppm: water_ppm,
            rest_ppm: water_ppm,
            pool_ppm,
        }
    }

    /// Mean over the oil: what a sample shows once it has mixed.
    pub(crate) fn mean_ppm(&self, source: Source) -> f64 {
        match source {
            Source::Rest { loop_share, .. } => {
                loop_share * self.in_loop_ppm + (1.0 - loop_share) * self.rest_ppm
            }
            Source::Settled { .. } => self.in_loop_ppm,
        }
    }

    fn plus(self, rate: Self, hours: f64) -> Self {
        Self {
            in_loop_ppm: self.in_loop_ppm + rate.in_loop_ppm * hours,
            rest_ppm: self.rest_ppm + rate.rest_ppm * hours,
            pool_ppm: (self.pool_ppm + rate.pool_ppm * hours).max(0.0),
        }
    }
}

/// One stretch of constant conditions.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Stretch {
    pub(crate) drying: DryingLoop,
    pub(crate) source: Source,
    /// Solubility in the reservoir, ppm; infinite where not known: settled water then gives nothing.
    pub(crate) solubility_ppm: f64,
}

impl Stretch {
    /// Change of the water, ppm/h.
    fn rate(&self, water: Water) -> Water {
        let ppm_per_h = 1e6 / self.drying.oil_kg;
        let removed = self.drying.removal_kg_per_h(water.in_loop_ppm) * ppm_per_h;
        let ingress = self.drying.ingress_kg_per_h * ppm_per_h;
        match self.source {
            Source::Rest {
                loop_share,
                exchange_per_h,
            } => {
                let flow = exchange_per_h * (water.in_loop_ppm - water.rest_ppm);
                Water {
                    in_loop_ppm: ingress - (removed + flow) / loop_share,
                    rest_ppm: ingress + flow / (1.0 - loop_share),
                    pool_ppm: 0.0,
                }
            }
            Source::Settled {
                dissolving_per_h,
                pool_ppm,
            } => {
                let gap = self.solubility_ppm - water.in_loop_ppm;
                let left = (water.pool_ppm / pool_ppm.max(1e-9)).clamp(0.0, 1.0);
                let fed = if gap > 0.0 && gap.is_finite() {
                    dissolving_per_h * left.powf(2.0 / 3.0) * gap
                } else {
                    0.0
                };
                Water {
                    in_loop_ppm: ingress - removed + fed,
                    rest_ppm: ingress - removed + fed,
                    pool_ppm: -fed,
                }
            }
        }
    }

    fn step_h(&self) -> f64 {
        let fastest = match self.source {
            Source::Rest {
                loop_share,
                exchange_per_h,
            } => {
                (self.drying.rate_per_h() + exchange_per_h) / loop_share
                    + exchange_per_h / (1.0 - loop_share)
            }
            Source::Settled {
                dissolving_per_h, ..
            } => self.drying.rate_per_h() + dissolving_per_h,
        };
        STEP / fastest.max(1e-6)
    }

    /// Works for some hours or until the mean is at the target (midpoint steps): the water then, and the hours that it
    /// took to the target, None where it was not reached. Without an end, until nothing more is to be hoped for.
    pub(crate) fn work(
        &self,
        start: Water,
        target_ppm: f64,
        most_h: Option<f64>,
    ) -> (Water, Option<f64>) {
        let mut water = start;
        let mut spent_h = 0.0;
        for _ in 0..N_STEPS_MAX {
            let before = water.mean_ppm(self.source);
            if before <= target_ppm {
                return (water, Some(spent_h));
            }
            let left_h = most_h.map_or(f64::INFINITY, |most| most - spent_h);
            let step_h = self.step_h().min(left_h);
            if step_h.is_nan() || step_h <= 0.0 {
                return (water, None);
            }
            let half = water.plus(self.rate(water), 0.5 * step_h);
            let next = water.plus(self.rate(half), step_h);
            let after = next.mean_ppm(self.source);
            if after <= target_ppm {
                let part = ((before - target_ppm) / (before - after)).clamp(0.0, 1.0);
                return (next, Some(spent_h + part * step_h));
            }
            water = next;
            spent_h += step_h;
        }
        (water, None)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn stretch(source: Source) -> Stretch {
        Stretch {
            drying: DryingLoop {
                oil_kg: 1000.0,
                dried_flow_kg_per_h: 300.0,
                floor_ppm: 20.0,
                capacity_kg_per_h: f64::INFINITY,
                ingress_kg_per_h: 0.0,
            },
            source,
            solubility_ppm: 500.0,
        }
    }

    /// Hours to 100 ppm from 400 ppm at 0.3/h down to 20 ppm: ln(380/80)/0.3, by the closed form.
    const PLAIN_H: f64 = 5.193_813;

    #[test]
    fn without_anything_coming_back_it_takes_as_long_as_the_closed_form() {
        let source = Source::Settled {
            dissolving_per_h: 0.05,
            pool_ppm: 0.0,
        };
        let (_, hours) = stretch(source).work(Water::even(400.0, 0.0), 100.0, Some(50.0));
        assert!((hours.unwrap() - PLAIN_H).abs() < 0.02, "{hours:?}");
        let (_, hours) = stretch(source).work(Water::even(400.0, 0.0), 100.0, Some(5.0));
        assert_eq!(hours, None);
    }

    #[test]
    fn a_rest_that_gives_its_water_slowly_takes_longer_than_a_mixed_body() {
        let source = Source::Rest {
            loop_share: 0.6,
            exchange_per_h: 0.05,
        };
        let (water, hours) = stretch(source).work(Water::even(400.0, 0.0), 100.0, None);
        // Small Euler steps of the same balance.
        let (mut inside, mut rest, mut by_euler) = (400.0_f64, 400.0_f64, 0.0);
        while 0.6 * inside + 0.4 * rest > 100.0 {
            let flow = 0.05 * (inside - rest);
            inside -= (0.3 * (inside - 20.0) + flow) / 0.6 * 1e-3;
            rest += flow / 0.4 * 1e-3;
            by_euler += 1e-3;
        }
        let hours = hours.unwrap();
        assert!((hours / by_euler - 1.0).abs() < 0.005, "{hours} {by_euler}");
        assert!(hours > 1.2 * PLAIN_H && water.rest_ppm > water.in_loop_ppm);
    }

    #[test]
    fn settled_water_is_dried_too_and_what_is_left_of_it_is_told() {
        let source = Source::Settled {
            dissolving_per_h: 0.05,
            pool_ppm: 300.0,
        };
        let (water, hours) = stretch(source).work(Water::even(400.0, 300.0), 100.0, None);
        let (mut oil, mut pool, mut by_euler) = (400.0_f64, 300.0_f64, 0.0);
        while oil > 100.0 {
            let fed = 0.05 * (pool / 300.0).powf(2.0 / 3.0) * (500.0 - oil) * 1e-3;
            oil += fed - 0.3 * (oil - 20.0) * 1e-3;
            pool -= fed;
            by_euler += 1e-3;
        }
        let hours = hours.unwrap();
        assert!((hours / by_euler - 1.0).abs() < 0.005, "{hours} {by_euler}");
        assert!((water.pool_ppm - pool).abs() < 3.0, "{water:?} {pool}");
    }

    #[test]
    fn water_beyond_what_the_oil_holds_has_settled_and_the_rest_dissolves_with_time() {
        let source = Source::Settled {
            dissolving_per_h: 0.05,
            pool_ppm: 100.0,
        };
        let wet = Water::at_start(700.0, source, 500.0, 1e3);
        assert_eq!((wet.in_loop_ppm, wet.pool_ppm), (500.0, 200.0));
        // A gap of 400 ppm closes to 1/e in 20 h: 252.8 ppm, more than the 100 there are.
        let dry = Water::at_start(100.0, source, 500.0, 20.0);
        assert_eq!((dry.in_loop_ppm, dry.pool_ppm), (200.0, 0.0));
        let soon = Water::at_start(100.0, source, 500.0, 2.0);
        assert!((soon.in_loop_ppm - 138.065).abs() < 0.01, "{soon:?}");
        assert!((soon.comes_back_to_ppm(source, 500.0) - 200.0).abs() < 1e-9);
        assert!((soon.comes_back_to_ppm(source, 150.0) - 150.0).abs() < 1e-9);
    }

    #[test]
    fn a_feed_that_never_ends_is_never_dried_out() {
        let source = Source::Settled {
            dissolving_per_h: 0.05,
            pool_ppm: 1e9,
        };
        // Level where feed and drying balance: (0.3·20 + 0.05·500)/0.35 = 88.6 ppm.
        let (water, hours) = stretch(source).work(Water::even(400.0, 1e9), 80.0, None);
        assert_eq!(hours, None);
        assert!((water.in_loop_ppm - 88.571).abs() < 0.1, "{water:?}");
        assert!(
            stretch(source)
                .work(Water::even(400.0, 1e9), 95.0, None)
                .1
                .is_some()
        );
    }
}
