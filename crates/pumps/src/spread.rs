//! How much sound pumps vary: the spread of one witness, from all series of a fleet.
//!
//! Maximum a posteriori over noise, shared part, memory and diffusion, with the Kalman likelihood of
//! `filter` under a Student law of four degrees of freedom (failing pumps and bad days must not
//! widen it), and lognormal priors around values of common practice.

use drydown_stats::optimise::{SimplexConfig, nelder_mead};
use drydown_stats::robust;

use crate::filter::{Filter, Spread};

/// One observation: days, value, own standard error.
pub(crate) type Point = (f64, f64, f64);

/// Most observations that a fit looks at; beyond, whole series are left out evenly.
const MOST_POINTS: usize = 1500;
const STUDENT_DF: f64 = 4.0;

/// The spread that fits the series best, starting from what common practice says. `trust` is the
/// standard deviation of the prior on each logarithm.
pub(crate) fn fit_spread(series: &[Vec<Point>], prior: Spread, trust: f64) -> Spread {
    let kept = thin(series);
    let n: usize = kept.iter().map(|one| one.len().saturating_sub(1)).sum();
    if n < 20 {
        return prior;
    }
    let objective = |theta: &[f64]| {
        let spread = to_spread(theta, prior);
        let misfit: f64 = kept
            .iter()
            .map(|one| minus_ln_likelihood(one, spread))
            .sum();
        misfit + theta.iter().map(|t| 0.5 * (t / trust).powi(2)).sum::<f64>()
    };
    let config = SimplexConfig {
        steps: vec![0.3; 4],
        tolerance: 0.05,
        max_evaluations: 120,
    };
    let (theta, _) = nelder_mead(&objective, &[0.0; 4], &config);
    to_spread(&theta, prior)
}

/// Parameters are departures from the prior: log ratios, for phi a shift of its logit.
fn to_spread(theta: &[f64], prior: Spread) -> Spread {
    let by = |idx: usize| theta.get(idx).copied().unwrap_or(0.0).clamp(-4.0, 4.0);
    let logit = (prior.phi_per_day / (1.0 - prior.phi_per_day)).ln() + by(2);
    Spread {
        noise_sd: prior.noise_sd * by(0).exp(),
        shared_sd: prior.shared_sd * by(1).exp(),
        phi_per_day: 1.0 / (1.0 + (-logit).exp()),
        diffusion_sd: prior.diffusion_sd * by(3).exp(),
        ..prior
    }
}

fn minus_ln_likelihood(points: &[Point], spread: Spread) -> f64 {
    let Some((day, y, se)) = points.first().copied() else {
        return 0.0;
    };
    let mut filter = Filter::new(spread, day, y, spread.noise_sd.hypot(se));
    let mut sum = 0.0;
    for (day, y, se) in points.iter().skip(1).copied() {
        filter.advance(day);
        let expected = filter.expect(se);
        let z = (y - expected.mean) / expected.sd;
        // Student's law scaled so that its interquartile range is that of the normal.
        let scaled = z / 0.911;
        sum +=
            expected.sd.ln() + 0.5 * (STUDENT_DF + 1.0) * (1.0 + scaled * scaled / STUDENT_DF).ln();
        filter.learn(expected.mean + z.clamp(-3.5, 3.5) * expected.sd, se);
    }
    sum
}

fn thin(series: &[Vec<Point>]) -> Vec<&Vec<Point>> {
    let total: usize = series.iter().map(Vec::len).sum();
    let every = total.div_ceil(MOST_POINTS).max(1);
    series
        .iter()
        .filter(|one| one.len() >= 3)
        .step_by(every)
        .collect()
}

/// Robust mean and standard deviation of some values, shrunk to a prior worth `weight` values.
pub(crate) fn shrunk(values: &[f64], prior: (f64, f64), weight: f64) -> (f64, f64) {
    let n = values.len() as f64;
    let (Some(centre), Some(sd)) = (robust::median(values), robust::mad(values)) else {
        return prior;
    };
    let mean = (weight * prior.0 + n * centre) / (weight + n);
    // Scales of fewer than three values are none.
    let sd = if values.len() < 3 { prior.1 } else { sd };
    let variance = (weight * prior.1 * prior.1 + n * sd * sd) / (weight + n);
    (mean, variance.sqrt())
}
