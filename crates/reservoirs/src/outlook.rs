//! What the posterior means for the horizon: probabilities, excess, the next sample.
//!
//! First passage over the full predictive law: the formula averaged over level, usual ingress, wander
//! and the leaks that may begin or end meanwhile, never at their means.

use drydown_stats::normal;

use crate::law::{Law, Limit, Visible};
use crate::posterior::{Cell, Posterior};
use crate::scenario::{Aheads, FINE, ROUGH, scenarios};

/// A reservoir's future water under one law.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Outlook<'a> {
    pub(crate) posterior: &'a Posterior,
    pub(crate) law: &'a Law,
}

impl Outlook<'_> {
    /// Probability that a limit is passed at any time within some days.
    pub(crate) fn passage(&self, limit: Limit, days: f64) -> f64 {
        self.passage_over(limit, &Aheads::new(self.law, days, FINE))
    }

    fn passage_over(&self, limit: Limit, ahead: &Aheads) -> f64 {
        let p: f64 = self
            .posterior
            .cells()
            .map(|cell| cell.weight * self.cell_passage(cell, limit, ahead))
            .sum();
        p.clamp(0.0, 1.0)
    }

    /// The same for one cell.
    pub(crate) fn cell_passage(&self, cell: &Cell, limit: Limit, ahead: &Aheads) -> f64 {
        let Some(ahead) = ahead.of(cell) else {
            return 0.0;
        };
        let threshold = limit.threshold(ahead.visible());
        if !threshold.ppm.is_finite() {
            return 0.0;
        }
        scenarios(cell.mode, self.posterior.leak_lift(cell), ahead)
            .filter(|(weight, _)| *weight > 0.0)
            .map(|(weight, factor)| {
                weight * ahead.passage(cell, cell.usual_per_h * factor, threshold)
            })
            .sum()
    }

    /// Expected ppm-days of the sampled water above a limit within some days.
    pub(crate) fn excess_ppm_days(&self, limit_ppm: f64, days: f64) -> f64 {
        const SLICES: u32 = 8;
        let slice = days / f64::from(SLICES);
        (0..SLICES)
            .map(|idx| {
                let ahead = Aheads::new(self.law, slice * (f64::from(idx) + 0.5), ROUGH);
                let mean: f64 = self
                    .posterior
                    .cells()
                    .filter_map(|cell| {
                        let ahead = ahead.of(cell)?;
                        let sum: f64 = scenarios(cell.mode, self.posterior.leak_lift(cell), ahead)
                            .map(|(weight, factor)| {
                                let rate = cell.usual_per_h * factor;
                                let (mean, var) = ahead.level(cell, rate);
                                weight * mean_excess(mean, var.sqrt(), limit_ppm, ahead.visible())
                            })
                            .sum();
                        Some(cell.weight * sum)
                    })
                    .sum();
                mean * slice
            })
            .sum()
    }

    /// Days until a limit has been passed with this probability, to the day;
    /// None beyond the horizon.
    pub(crate) fn days_until(&self, limit: Limit, p: f64, horizon_days: f64) -> Option<f64> {
        let ahead = |days: f64| Aheads::new(self.law, days, ROUGH);
        let passed = |days: f64| self.passage_over(limit, &ahead(days)) >= p;
        if !passed(horizon_days) {
            return None;
        }
        let (mut low, mut high) = (0.0, horizon_days);
        while high - low > 1.0 {
            let middle = 0.5 * (low + high);
            if passed(middle) {
                high = middle;
            } else {
                low = middle;
            }
        }
        Some(high)
    }
}

/// E[(shown − limit)+] where all water is normal and a sample shows the kinked line.
fn mean_excess(mean: f64, sd: f64, limit_ppm: f64, visible: Visible) -> f64 {
    let above = |threshold: f64| {
        if !threshold.is_finite() {
            return 0.0;
        }
        let z = (mean - threshold) / sd.max(1e-9);
        sd * normal::pdf(z) + (mean - threshold) * normal::quick_cdf(z)
    };
    let share = visible.emulsified_share;
    // Far in the tail what the quick distribution lacks in digits is more than there is.
    let excess = if limit_ppm >= visible.solubility_ppm {
        share * above(visible.all_ppm(limit_ppm))
    } else {
        above(limit_ppm) - (1.0 - share) * above(visible.solubility_ppm)
    };
    excess.max(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_excess_is_below_zero() {
        for limit in 0..2000 {
            let visible = Visible {
                solubility_ppm: 150.0,
                factor: 1.0,
                emulsified_share: 0.05,
            };
            for mean in [5.0, 80.0, 149.0] {
                let got = mean_excess(mean, 12.0, f64::from(limit), visible);
                assert!(got >= 0.0, "limit {limit}, mean {mean}: {got}");
            }
        }
    }

    #[test]
    fn excess_is_the_integral_of_the_kinked_line() {
        let visible = Visible {
            solubility_ppm: 300.0,
            factor: 1.0,
            emulsified_share: 0.4,
        };
        for (limit, mean, sd) in [
            (200.0, 250.0, 80.0),
            (350.0, 400.0, 100.0),
            (300.0, 300.0, 50.0),
        ] {
            let (mut sum, step) = (0.0, 0.05);
            for idx in -200_000..200_000 {
                let x = mean + f64::from(idx) * step;
                let density = normal::pdf((x - mean) / sd) / sd;
                sum += density * (visible.sample_ppm(x) - limit).max(0.0) * step;
            }
            let got = mean_excess(mean, sd, limit, visible);
            assert!((got - sum).abs() < 1e-3 * sum.max(1.0), "{got} {sum}");
        }
    }
}
