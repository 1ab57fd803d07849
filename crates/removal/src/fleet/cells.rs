//! One coefficient per pair of a unit and an oil.

use std::collections::BTreeMap;

use drydown_quantity::Stamp;
use drydown_stats::mixed::{Level, LinearPrediction, Posterior, Predicted};

use super::basis::{Told, is_separable, parts};
use super::design::{Fleet, N_BASES, N_FIXED, RESERVOIR_GROUP};
use super::truncated::quantile_below_one;
use crate::config::FleetConfig;
use crate::rows::{Basis, RemovalCoefficient};

/// What a law speaks of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Wanted {
    /// The cell's long-run mean.
    LongRun,
    /// One new run.
    NewRun,
}

/// The laws of cells at reference conditions, in their order; empty where the model refuses them.
pub(super) fn cell_laws(
    fleet: &Fleet,
    posterior: &Posterior,
    cells: &[(usize, usize)],
    wanted: Wanted,
) -> Vec<Predicted> {
    let predictions: Vec<LinearPrediction> = cells
        .iter()
        .map(|(unit, oil)| prediction(fleet, *unit, *oil, wanted))
        .collect();
    posterior.predict(&predictions).unwrap_or_default()
}

pub(super) fn prediction(
    fleet: &Fleet,
    unit: usize,
    oil: usize,
    wanted: Wanted,
) -> LinearPrediction {
    let mut fixed_row = vec![0.0; N_FIXED];
    if let Some(intercept) = fixed_row.first_mut() {
        *intercept = 1.0;
    }
    let cell = fleet
        .cells
        .binary_search(&(unit, oil))
        .map_or(Level::New, Level::Seen);
    // A reservoir's own departure is an error of its volume, no part of the unit's work.
    let mut levels = vec![Level::Absent; RESERVOIR_GROUP + N_BASES];
    for (place, level) in levels
        .iter_mut()
        .zip([Level::Seen(unit), Level::Seen(oil), cell])
    {
        *place = level;
    }
    LinearPrediction {
        fixed_row,
        levels,
        include_residual: wanted == Wanted::NewRun,
    }
}

/// Every pair, by unit and oil.
pub(super) fn coefficients(
    fleet: &Fleet,
    posterior: &Posterior,
    config: &FleetConfig,
) -> Vec<RemovalCoefficient> {
    let n_oils = fleet.oils.len();
    let pairs: Vec<(usize, usize)> = (0..fleet.units.len())
        .flat_map(|unit| (0..n_oils).map(move |oil| (unit, oil)))
        .collect();
    coefficients_of(fleet, posterior, config, &pairs)
}

/// The pairs asked for, (unit, oil), in their order.
pub(super) fn coefficients_of(
    fleet: &Fleet,
    posterior: &Posterior,
    config: &FleetConfig,
    pairs: &[(usize, usize)],
) -> Vec<RemovalCoefficient> {
    let parts = parts(fleet);
    let told = Told::of(fleet);
    let long_run = cell_laws(fleet, posterior, pairs, Wanted::LongRun);
    let new_run = cell_laws(fleet, posterior, pairs, Wanted::NewRun);
    let shares = own_shares(fleet, posterior, &told, pairs);
    let tail = 0.5 * (1.0 - config.level);
    let mut out = Vec::with_capacity(pairs.len());
    for (at, (unit, oil)) in pairs.iter().copied().enumerate() {
        let Some(mut row) = without_run(fleet, unit, oil) else {
            continue;
        };
        let own = told.rows_of((unit, oil));
        row.own_share = shares.get(&(unit, oil)).copied().unwrap_or(0.0);
        row.n_runs = i64::try_from(own.len()).unwrap_or(i64::MAX);
        row.n_jobs = n_jobs(fleet, own, config.job_gap_days);
        row.basis = told.basis(unit, oil, row.own_share);
        row.separable = is_separable(&parts, unit, oil);
        row.extrapolated = !told.came_near(unit, oil, row.basis);
        if let Some(law) = long_run.get(at) {
            row.removal_per_pass = Some(quantile_below_one(law, 0.5));
            row.lower_90 = Some(quantile_below_one(law, tail));
            row.upper_90 = Some(quantile_below_one(law, 1.0 - tail));
        }
        if let Some(law) = new_run.get(at) {
            row.new_run_lower_90 = Some(quantile_below_one(law, tail));
            row.new_run_upper_90 = Some(quantile_below_one(law, 1.0 - tail));
        }
        let nameplate = fleet.nameplates.get(unit).copied().flatten();
        row.dried_flow_lpm = row
            .removal_per_pass
            .zip(nameplate)
            .map(|(share, lpm)| share * lpm);
        out.push(row);
    }
    out
}

/// What the own runs of each cell carry of it, where it has any.
fn own_shares(
    fleet: &Fleet,
    posterior: &Posterior,
    told: &Told,
    pairs: &[(usize, usize)],
) -> BTreeMap<(usize, usize), f64> {
    let with_runs: Vec<(usize, usize)> = pairs
        .iter()
        .copied()
        .filter(|pair| !told.rows_of(*pair).is_empty())
        .collect();
    let wanted: Vec<(LinearPrediction, Vec<usize>)> = with_runs
        .iter()
        .map(|(unit, oil)| {
            let own = told.rows_of((*unit, *oil)).to_vec();
            (prediction(fleet, *unit, *oil, Wanted::LongRun), own)
        })
        .collect();
    let shares = posterior.own_shares(&wanted).unwrap_or_default();
    with_runs.into_iter().zip(shares).collect()
}

/// Every pair without a number: there is no run to speak from.
pub(super) fn without_runs(fleet: &Fleet) -> Vec<RemovalCoefficient> {
    let n_oils = fleet.oils.len();
    (0..fleet.units.len())
        .flat_map(|unit| (0..n_oils).map(move |oil| (unit, oil)))
        .filter_map(|(unit, oil)| without_run(fleet, unit, oil))
        .collect()
}

fn without_run(fleet: &Fleet, unit: usize, oil: usize) -> Option<RemovalCoefficient> {
    Some(RemovalCoefficient {
        unit_id: fleet.units.get(unit)?.clone(),
        oil_type: fleet.oils.get(oil)?.clone(),
        removal_per_pass: None,
        dried_flow_lpm: None,
        lower_90: None,
        upper_90: None,
        new_run_lower_90: None,
        new_run_upper_90: None,
        n_runs: 0,
        n_jobs: 0,
        own_share: 0.0,
        basis: Basis::Fleet,
        separable: false,
        extrapolated: true,
    })
}

/// Jobs among a cell's runs (by time): runs of one unit on one reservoir no more than a gap apart are one job.
fn n_jobs(fleet: &Fleet, own: &[usize], gap_days: f64) -> i64 {
    let mut last: BTreeMap<usize, Stamp> = BTreeMap::new();
    let mut n = 0;
    for row in own.iter().filter_map(|idx| fleet.rows.get(*idx)) {
        let same = last
            .get(&row.reservoir)
            .is_some_and(|before| row.at.days_after(*before) <= gap_days);
        if !same {
            n += 1;
        }
        last.insert(row.reservoir, row.at);
    }
    n
}
