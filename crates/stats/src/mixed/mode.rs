//! The posterior mode of the log standard deviations, and their curvature there.

use super::climb::{climb, slope};
use super::model::SpreadPrior;
use super::reml::start;
use super::system::{Solution, System};
use crate::error::StatsError;
use crate::optimise::{MinimiseConfig, descend, hessian, inverse_positive};
use rayon::prelude::*;

/// From so many observations on, slopes and curvature come from the equations, and no longer from differences.
const MANY: usize = 5000;
/// Steps at which the curvature is taken.
const BEND: f64 = 0.05;

/// Where the log standard deviations are likeliest.
pub(super) struct Mode {
    pub(super) logs: Vec<f64>,
    pub(super) solution: Solution,
}

/// Log posterior density of the log standard deviations, up to a constant, and the solution there.
pub(super) fn ln_posterior(
    system: &System,
    priors: &[SpreadPrior],
    logs: &[f64],
) -> Option<(f64, Solution)> {
    if logs.iter().any(|l| !(l.abs() < 30.0)) {
        return None;
    }
    let unknown: Vec<f64> = logs.iter().map(|l| l.exp()).collect();
    let solution = system.solve(&system.components(&unknown))?;
    let prior: f64 = priors
        .iter()
        .zip(logs)
        .map(|(prior, log)| prior.ln_density(*log))
        .sum();
    Some((prior - 0.5 * solution.criterion, solution))
}

/// The mode, searched from `from` (a mode under other weights), or from a guess of the spreads.
///
/// The importance draws mend what a rough mode leaves, so it is not polished.
pub(super) fn find_mode(system: &System, from: Option<&[f64]>) -> Result<Mode, StatsError> {
    let priors = system.priors();
    let logs: Vec<f64> = match from {
        Some(logs) => logs.to_vec(),
        None => {
            let size = start(system);
            priors.iter().map(|p| p.start(size)).collect()
        }
    };
    if system.model.y.len() >= MANY && !logs.is_empty() {
        let (logs, solution) = climb(system, &priors, logs)?;
        return Ok(Mode { logs, solution });
    }
    let objective =
        |logs: &[f64]| ln_posterior(system, &priors, logs).map_or(f64::INFINITY, |p| -p.0);
    let config = MinimiseConfig {
        scales: vec![0.7; logs.len()],
        max_iterations: 100,
        gradient_tolerance: 1e-3,
    };
    let at = if logs.is_empty() {
        logs
    } else {
        descend(&objective, &logs, &config)
    };
    let (_, solution) = ln_posterior(system, &priors, &at).ok_or(StatsError::NotConverged {
        what: "mode of the components",
        iterations: 100,
    })?;
    Ok(Mode { logs: at, solution })
}

/// Inverse of the second derivatives at the mode, flat directions bounded.
pub(super) fn spread_at(system: &System, mode: &Mode) -> Result<Vec<Vec<f64>>, StatsError> {
    let priors = system.priors();
    let n = mode.logs.len();
    let curvature = if system.model.y.len() >= MANY {
        curvature_of_slopes(system, &priors, &mode.logs)
    } else {
        let objective =
            |logs: &[f64]| ln_posterior(system, &priors, logs).map_or(f64::INFINITY, |p| -p.0);
        hessian(&objective, &mode.logs, &vec![BEND; n])
    };
    // A component the data say nothing of has the curvature of its prior; never flatter than this.
    inverse_positive(&curvature, 0.25).ok_or(StatsError::NotConverged {
        what: "mode of the components",
        iterations: 100,
    })
}

/// Second derivatives of minus the log density, by differences of its slopes.
fn curvature_of_slopes(system: &System, priors: &[SpreadPrior], logs: &[f64]) -> Vec<Vec<f64>> {
    let slope_at = |k: usize, step: f64| {
        let moved: Vec<f64> = logs
            .iter()
            .enumerate()
            .map(|(at, log)| if at == k { log + step } else { *log })
            .collect();
        let (_, solution) = ln_posterior(system, priors, &moved)?;
        slope(system, priors, &moved, &solution)
    };
    let n = logs.len();
    (0..n)
        .into_par_iter()
        .map(|k| match (slope_at(k, BEND), slope_at(k, -BEND)) {
            (Some(above), Some(below)) => above
                .iter()
                .zip(&below)
                .map(|(a, b)| (b - a) / (2.0 * BEND))
                .collect(),
            _ => vec![f64::NAN; n],
        })
        .collect()
}
