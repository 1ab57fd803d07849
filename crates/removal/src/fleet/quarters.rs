//! Each cell quarter by quarter: the quarter's own runs against the cell's long run.

use std::collections::BTreeMap;

use drydown_quantity::Quarter;
use drydown_stats::mixed::Posterior;
use drydown_stats::normal;

use super::cells::{Wanted, cell_laws};
use super::design::{Fleet, N_BASES, RESERVOIR_GROUP};
use crate::config::FleetConfig;
use crate::rows::RemovalQuarter;

/// One row for every cell and quarter with runs.
///
/// A quarter's level departs from the long run with the configured spread; its runs, brought to
/// reference conditions and freed of their reservoir's effect, say how far. The two are combined by precision.
pub(super) fn quarters(
    fleet: &Fleet,
    posterior: &Posterior,
    config: &FleetConfig,
) -> Vec<RemovalQuarter> {
    let slopes = posterior.fixed();
    let groups: Vec<usize> = (RESERVOIR_GROUP..RESERVOIR_GROUP + N_BASES).collect();
    let by_basis = posterior.effects(&groups);
    // A reservoir has an effect in the group of its own basis only; the others give zeros.
    let of_reservoir = |idx: usize| {
        by_basis
            .iter()
            .filter_map(|effects| effects.get(idx))
            .fold((0.0, 0.0), |sum: (f64, f64), one| {
                (sum.0 + one.0, sum.1.hypot(one.1))
            })
    };
    let run_sd = posterior
        .residual_component()
        .map_or(0.1, |component| component.median);
    let mut sums: BTreeMap<(usize, usize, Quarter), (f64, f64, i64)> = BTreeMap::new();
    for row in &fleet.rows {
        let by_covariates: f64 = row
            .covariates
            .iter()
            .zip(slopes.iter().skip(1))
            .map(|(x, (slope, _))| x * slope)
            .sum();
        let (by_reservoir, reservoir_sd) = of_reservoir(row.reservoir);
        let level = row.log_relative - by_covariates - by_reservoir;
        let own = run_sd * run_sd + row.variance;
        let weight = 1.0 / (own + reservoir_sd * reservoir_sd);
        let sum = sums
            .entry((row.unit, row.oil, row.quarter))
            .or_insert((0.0, 0.0, 0));
        *sum = (sum.0 + weight, sum.1 + weight * level, sum.2 + 1);
    }
    let half = normal::quantile(0.5 + 0.5 * config.level);
    let laws = cell_laws(fleet, posterior, &fleet.cells, Wanted::LongRun);
    sums.into_iter()
        .filter_map(|((unit, oil, quarter), (weight, weighted, n_runs))| {
            let law = laws.get(fleet.cells.binary_search(&(unit, oil)).ok()?)?;
            let prior = 1.0 / (law.sd * law.sd + config.quarter_sd * config.quarter_sd);
            let mean = (prior * law.mean + weighted) / (prior + weight);
            let sd = (prior + weight).sqrt().recip();
            let below_one = |z: f64| below_one(mean, sd, z);
            Some(RemovalQuarter {
                unit_id: fleet.units.get(unit)?.clone(),
                oil_type: fleet.oils.get(oil)?.clone(),
                quarter,
                removal_per_pass: Some(below_one(0.0)),
                lower_90: Some(below_one(-half)),
                upper_90: Some(below_one(half)),
                n_runs,
            })
        })
        .collect()
}

/// Quantile at Φ(z) of a normal law cut above 0, as a removal per pass.
fn below_one(mean: f64, sd: f64, z: f64) -> f64 {
    let below = normal::cdf(-mean / sd);
    let p = (normal::cdf(z) * below).max(1e-12);
    (mean + sd * normal::quantile(p)).exp().min(0.999)
}
