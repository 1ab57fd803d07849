//! One coefficient per pair of a unit and an oil.

use std::collections::BTreeMap;

use drydown_quantity::Stamp;
use drydown_stats::mixed::{Level, LinearPrediction, Posterior, Predicted};

use super::basis::{is_separable, parts, to_basis};
use super::design::{Fleet, FleetRow, N_BASES, N_FIXED, RESERVOIR_GROUP};
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

/// The law of one cell at reference conditions.
pub(super) fn cell_law(
    fleet: &Fleet,
    posterior: &Posterior,
    (unit, oil): (usize, usize),
    wanted: Wanted,
) -> Option<Predicted> {
    let prediction = prediction(fleet, unit, oil, wanted);
    posterior.predict(&[prediction]).ok()?.into_iter().next()
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
    let parts = parts(fleet);
    let mut out = without_runs(fleet);
    for (idx, row) in out.iter_mut().enumerate() {
        let n_oils = fleet.oils.len().max(1);
        let (unit, oil) = (idx / n_oils, idx % n_oils);
        let own = of_cell(fleet, unit, oil);
        let own_rows: Vec<usize> = own.iter().map(|(idx, _)| *idx).collect();
        let wanted = prediction(fleet, unit, oil, Wanted::LongRun);
        row.own_share = posterior.own_share(&wanted, &own_rows).unwrap_or(0.0);
        row.n_runs = i64::try_from(own.len()).unwrap_or(i64::MAX);
        row.n_jobs = n_jobs(&own, config.job_gap_days);
        row.basis = to_basis(fleet, unit, oil, row.own_share);
        row.separable = is_separable(&parts, unit, oil);
        row.extrapolated = !came_near(fleet, unit, oil, row.basis);
        let tail = 0.5 * (1.0 - config.level);
        if let Some(law) = cell_law(fleet, posterior, (unit, oil), Wanted::LongRun) {
            row.removal_per_pass = Some(quantile_below_one(&law, 0.5));
            row.lower_90 = Some(quantile_below_one(&law, tail));
            row.upper_90 = Some(quantile_below_one(&law, 1.0 - tail));
        }
        if let Some(law) = cell_law(fleet, posterior, (unit, oil), Wanted::NewRun) {
            row.new_run_lower_90 = Some(quantile_below_one(&law, tail));
            row.new_run_upper_90 = Some(quantile_below_one(&law, 1.0 - tail));
        }
        let nameplate = fleet.nameplates.get(unit).copied().flatten();
        row.dried_flow_lpm = row
            .removal_per_pass
            .zip(nameplate)
            .map(|(share, lpm)| share * lpm);
    }
    out
}

/// Every pair without a number: there is no run to speak from.
pub(super) fn without_runs(fleet: &Fleet) -> Vec<RemovalCoefficient> {
    let pairs = fleet
        .units
        .iter()
        .flat_map(|unit| fleet.oils.iter().map(move |oil| (unit, oil)));
    pairs
        .map(|(unit, oil)| RemovalCoefficient {
            unit_id: unit.clone(),
            oil_type: oil.clone(),
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
        .collect()
}

fn of_cell(fleet: &Fleet, unit: usize, oil: usize) -> Vec<(usize, &FleetRow)> {
    fleet
        .rows
        .iter()
        .enumerate()
        .filter(|(_, row)| row.unit == unit && row.oil == oil)
        .collect()
}

/// Jobs among a cell's runs (by time): runs of one unit on one reservoir no more than a gap apart are one job.
fn n_jobs(own: &[(usize, &FleetRow)], gap_days: f64) -> i64 {
    let mut last: BTreeMap<usize, Stamp> = BTreeMap::new();
    let mut n = 0;
    for (_, row) in own {
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

/// Whether a run that carries the coefficient came near the reference conditions.
fn came_near(fleet: &Fleet, unit: usize, oil: usize, basis: Basis) -> bool {
    let own = fleet
        .rows
        .iter()
        .any(|row| row.unit == unit && row.oil == oil);
    fleet.rows.iter().any(|row| {
        let carries = match basis {
            _ if own => row.unit == unit && row.oil == oil,
            Basis::Cell | Basis::Unit => row.unit == unit,
            Basis::Oil => row.oil == oil,
            Basis::Fleet => true,
        };
        carries && row.near
    })
}
