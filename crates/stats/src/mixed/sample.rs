//! Draws of the log standard deviations around their mode, weighted by importance.

use super::mode::{Mode, ln_posterior};
use super::model::SpreadPrior;
use super::system::{Solution, System};
use crate::rng::{self, Pcg64};
use rand::SeedableRng;
use rayon::prelude::*;

/// Weighted solutions, weights summing to 1; up to three rounds, each around the last one's moments.
pub(super) fn sample(
    system: &System,
    (mode, spread): (&Mode, Vec<Vec<f64>>),
    n_draws: usize,
    seed: u64,
) -> Vec<(f64, Solution)> {
    if mode.logs.is_empty() {
        return vec![(1.0, mode.solution.clone())];
    }
    let priors = system.priors();
    let mut rng = Pcg64::seed_from_u64(seed);
    let mut centre = mode.logs.clone();
    let mut spread = spread;
    let mut kept = Vec::new();
    for round in 0..3 {
        let draws = importance(
            system,
            &priors,
            (&centre, &spread),
            n_draws.max(8),
            &mut rng,
        );
        let total: f64 = draws.iter().map(|d| d.weight).sum();
        if !(total > 0.0) {
            break;
        }
        let effective = 1.0
            / draws
                .iter()
                .map(|d| (d.weight / total).powi(2))
                .sum::<f64>();
        let enough = effective >= 0.35 * draws.len() as f64;
        (centre, spread) = moments(&draws, total);
        kept = draws;
        if enough || round == 2 {
            break;
        }
    }
    if kept.is_empty() {
        return vec![(1.0, mode.solution.clone())];
    }
    let total: f64 = kept.iter().map(|d| d.weight).sum();
    kept.into_iter()
        .filter(|d| d.weight > 1e-9 * total)
        .map(|d| (d.weight / total, d.solution))
        .collect()
}

struct Draw {
    weight: f64,
    logs: Vec<f64>,
    solution: Solution,
}

/// Draws from a t(5) law, in pairs mirrored about its centre, with importance weights.
fn importance(
    system: &System,
    priors: &[SpreadPrior],
    (centre, spread): (&[f64], &[Vec<f64>]),
    n_draws: usize,
    rng: &mut Pcg64,
) -> Vec<Draw> {
    const DF: f64 = 5.0;
    let d = centre.len();
    let matrix = nalgebra::DMatrix::from_fn(d, d, |i, j| spread[i][j]);
    let Some(root) = matrix.cholesky().map(|c| c.l()) else {
        return Vec::new();
    };
    let mut places = Vec::with_capacity(n_draws);
    for _ in 0..n_draws.div_ceil(2) {
        let z = nalgebra::DVector::from_vec(rng::standard_normals(rng, d));
        let chi: f64 = rng::standard_normals(rng, 5).iter().map(|v| v * v).sum();
        let t = z * (DF / chi).sqrt();
        let ln_density = -0.5 * (DF + d as f64) * (t.norm_squared() / DF).ln_1p();
        let step = &root * t;
        for sign in [1.0, -1.0] {
            let logs: Vec<f64> = centre
                .iter()
                .zip(step.iter())
                .map(|(c, s)| c + sign * s)
                .collect();
            places.push((ln_density, logs));
        }
    }
    let raw: Vec<(f64, Vec<f64>, Solution)> = places
        .into_par_iter()
        .filter_map(|(ln_density, logs)| {
            let (ln_target, solution) = ln_posterior(system, priors, &logs)?;
            Some((ln_target - ln_density, logs, solution))
        })
        .collect();
    let top = raw.iter().map(|r| r.0).fold(f64::NEG_INFINITY, f64::max);
    let mean = raw.iter().map(|r| (r.0 - top).exp()).sum::<f64>() / raw.len().max(1) as f64;
    // Truncated importance weights (Ionides 2008): no single draw may dominate.
    let cap = mean * (raw.len() as f64).sqrt();
    raw.into_iter()
        .map(|(ln_weight, logs, solution)| Draw {
            weight: (ln_weight - top).exp().min(cap),
            logs,
            solution,
        })
        .collect()
}

/// Weighted mean and covariance of the draws, the latter kept away from singular.
fn moments(draws: &[Draw], total: f64) -> (Vec<f64>, Vec<Vec<f64>>) {
    let d = draws.first().map_or(0, |x| x.logs.len());
    let centre: Vec<f64> = (0..d)
        .map(|j| draws.iter().map(|x| x.weight * x.logs[j]).sum::<f64>() / total)
        .collect();
    let spread = (0..d)
        .map(|a| {
            (0..d)
                .map(|b| {
                    let sum: f64 = draws
                        .iter()
                        .map(|x| x.weight * (x.logs[a] - centre[a]) * (x.logs[b] - centre[b]))
                        .sum();
                    sum / total + if a == b { 1e-3 } else { 0.0 }
                })
                .collect()
        })
        .collect();
    (centre, spread)
}
