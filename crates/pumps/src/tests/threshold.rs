//! What many would do instead: three standard deviations on the steady vacuum that the gauge shows.

use drydown_runs::Run;
use drydown_stats::robust;

use super::world::day_zero;

/// Runs that the threshold learns its mean and standard deviation from.
const LEARNT_FROM: usize = 20;

/// Days on which an episode begins in which the steady gauge vacuum lies below the mean of a unit's
/// first twenty runs by more than three of their standard deviations.
pub(super) fn threshold_alerts(runs: &[Run]) -> Vec<f64> {
    let vacuum: Vec<(f64, f64)> = runs
        .iter()
        .filter_map(|run| {
            let day = run.ended_at.days_after(day_zero());
            Some((day, run.ambient_kpa? - run.steady_kpa?))
        })
        .collect();
    let first: Vec<f64> = vacuum.iter().take(LEARNT_FROM).map(|(_, v)| *v).collect();
    let Some((mean, variance)) = robust::mean(&first).zip(robust::variance(&first)) else {
        return Vec::new();
    };
    let least = mean - 3.0 * variance.sqrt();
    let mut days = Vec::new();
    let mut before = false;
    for (day, vacuum) in vacuum.iter().skip(LEARNT_FROM) {
        let below = *vacuum < least;
        if below && !before {
            days.push(*day);
        }
        before = below;
    }
    days
}
