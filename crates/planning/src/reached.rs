//! What runs on an oil ended at, where no constants of its solubility tell what a unit settles at.

use drydown_stats::{normal, robust};

/// Fewer runs bound nothing.
const FEWEST: usize = 3;
/// Of the ends, this share may be lower by the sensor's error or a lucky day.
const SHARE: f64 = 0.1;

/// The end of one run.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RunEnd {
    /// Water that was left, ppm.
    pub water_ppm: f64,
    /// What the chamber held, kPa absolute; None: not known.
    pub chamber_kpa: Option<f64>,
}

/// A bound of what a unit settles at, ppm, from the ends of runs on the oil: no run ends below what it
/// settles at, which is in proportion to the chamber's pressure (Henry's law); a shallower vacuum than the
/// job's tells no less than its own end. None for too few runs.
#[must_use]
pub fn reached_ppm(ends: &[RunEnd], chamber_kpa: f64) -> Option<f64> {
    let at_job: Vec<f64> = ends
        .iter()
        .filter(|end| end.water_ppm > 0.0)
        .map(|end| {
            let kpa = end.chamber_kpa.filter(|kpa| *kpa > 0.0);
            end.water_ppm * kpa.map_or(1.0, |kpa| (chamber_kpa / kpa).max(1.0))
        })
        .collect();
    if at_job.len() < FEWEST {
        return None;
    }
    robust::quantile(&at_job, SHARE)
}

/// A draw of a floor whose log is normal, none above what was reached: the same standard normal gives the
/// same rank among the floors that are left.
pub(crate) fn floor_below(median_ppm: f64, log_sd: f64, reached_ppm: Option<f64>, z: f64) -> f64 {
    let rank = reached_ppm.map_or(z, |most| {
        let share = normal::cdf((most / median_ppm).ln() / log_sd);
        normal::quantile((normal::cdf(z) * share).clamp(1e-12, 1.0 - 1e-12))
    });
    median_ppm * (log_sd * rank).exp()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn end(water_ppm: f64, chamber_kpa: Option<f64>) -> RunEnd {
        RunEnd {
            water_ppm,
            chamber_kpa,
        }
    }

    #[test]
    fn the_lowest_ends_bound_what_a_unit_settles_at() {
        let ends: Vec<RunEnd> = (0..=10).map(|n| end(f64::from(n) + 10.0, None)).collect();
        assert_eq!(reached_ppm(&ends, 20.0), Some(11.0));
        assert_eq!(reached_ppm(&ends[..2], 20.0), None);
        // A vacuum twice as deep leaves half the water; one half as deep is taken as it is.
        let deep: Vec<RunEnd> = ends.iter().map(|e| end(e.water_ppm, Some(10.0))).collect();
        assert_eq!(reached_ppm(&deep, 20.0), Some(22.0));
        let shallow: Vec<RunEnd> = ends.iter().map(|e| end(e.water_ppm, Some(40.0))).collect();
        assert_eq!(reached_ppm(&shallow, 20.0), Some(11.0));
        assert_eq!(reached_ppm(&[end(0.0, None); 5], 20.0), None);
    }

    #[test]
    fn draws_keep_their_rank_below_the_bound() {
        let plain = floor_below(30.0, 1.2, None, 0.5);
        assert!((plain - 30.0 * 0.6_f64.exp()).abs() < 1e-9);
        let draws: Vec<f64> = [-3.0, -1.0, 0.0, 1.0, 3.0, 9.0]
            .into_iter()
            .map(|z| floor_below(30.0, 1.2, Some(12.0), z))
            .collect();
        assert!(
            draws.is_sorted() && draws.iter().all(|ppm| *ppm <= 12.0 + 1e-9),
            "{draws:?}"
        );
        // The median of what is left: half of the share below 12 ppm.
        let share = normal::cdf((12.0_f64 / 30.0).ln() / 1.2);
        let left = normal::cdf((draws[2] / 30.0).ln() / 1.2);
        assert!((left - share / 2.0).abs() < 1e-6);
    }
}
