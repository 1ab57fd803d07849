//! The posterior mode of a large model, by slopes and curvature that the equations give.
//!
//! Differences of the likelihood would take hundreds of factorisations. The first steps are Newton's with the average
//! information; from there on what the slopes did corrects it (BFGS), for it can be far off where a component is
//! all but zero.

use super::mode::ln_posterior;
use super::model::SpreadPrior;
use super::system::{Solution, System};
use crate::error::StatsError;
use crate::optimise::{inverse_positive, update_inverse};

const MOST_STEPS: usize = 60;
/// Steps with the average information afresh.
const NEWTON: usize = 5;
/// The longest step: the density is no parabola so far out.
const LONGEST: f64 = 1.0;
/// Log density that one more step could gain when the search ends: two hundredths of a standard deviation off.
const NEAR: f64 = 2e-4;

/// The mode and the solution there, from `logs`.
pub(super) fn climb(
    system: &System,
    priors: &[SpreadPrior],
    mut logs: Vec<f64>,
) -> Result<(Vec<f64>, Solution), StatsError> {
    let lost = StatsError::NotConverged {
        what: "mode of the components",
        iterations: MOST_STEPS,
    };
    let (mut value, mut solution) = ln_posterior(system, priors, &logs).ok_or(lost.clone())?;
    let mut rise = slope(system, priors, &logs, &solution).ok_or(lost.clone())?;
    let mut spread = information_spread(system, priors, &logs, &solution).ok_or(lost.clone())?;
    for taken in 0..MOST_STEPS {
        let mut step: Vec<f64> = spread.iter().map(|row| dot(row, &rise)).collect();
        let gain = dot(&step, &rise);
        if !(gain > NEAR) {
            break;
        }
        let longest = step.iter().fold(0.0_f64, |m, s| m.max(s.abs()));
        if longest > LONGEST {
            step.iter_mut().for_each(|s| *s *= LONGEST / longest);
        }
        let Some((found, next, at_next)) = (0..20).find_map(|halvings| {
            let share = 0.5_f64.powi(halvings);
            let next: Vec<f64> = logs.iter().zip(&step).map(|(l, s)| l + share * s).collect();
            let (found, solution) = ln_posterior(system, priors, &next)?;
            (found >= value).then_some((found, next, solution))
        }) else {
            break;
        };
        let next_rise = slope(system, priors, &next, &at_next).ok_or(lost.clone())?;
        if taken < NEWTON {
            spread = information_spread(system, priors, &next, &at_next).ok_or(lost.clone())?;
        }
        let difference =
            |a: &[f64], b: &[f64]| -> Vec<f64> { a.iter().zip(b).map(|(x, y)| x - y).collect() };
        update_inverse(
            &mut spread,
            &difference(&next, &logs),
            &difference(&rise, &next_rise),
        );
        (value, logs, solution, rise) = (found, next, at_next, next_rise);
    }
    Ok((logs, solution))
}

/// Slopes of the log posterior density along the log standard deviations.
pub(super) fn slope(
    system: &System,
    priors: &[SpreadPrior],
    logs: &[f64],
    solution: &Solution,
) -> Option<Vec<f64>> {
    let of_data = system.slopes(solution)?;
    let slopes = priors.iter().zip(logs).zip(of_data);
    Some(
        slopes
            .map(|((prior, log), of_data)| prior.slope(*log) - 0.5 * of_data)
            .collect(),
    )
}

/// Inverse of the average information and the priors' curvature, flat directions bounded.
fn information_spread(
    system: &System,
    priors: &[SpreadPrior],
    logs: &[f64],
    solution: &Solution,
) -> Option<Vec<Vec<f64>>> {
    let mut curvature = system.information(solution);
    for (k, (prior, log)) in priors.iter().zip(logs).enumerate() {
        *curvature.get_mut(k)?.get_mut(k)? += prior.curvature(*log);
    }
    inverse_positive(&curvature, 0.25)
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}
