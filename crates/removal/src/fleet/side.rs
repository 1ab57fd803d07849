//! What else the fleet's runs tell: the cap of each unit, the gas in its chamber, and a plain screen of covariates.

use std::collections::BTreeMap;

use drydown_physics::saturation;
use drydown_runs::history::Registers;
use drydown_stats::regress::{Screen, screen_covariates};
use drydown_stats::robust;

use super::design::{COVARIATES, Fleet, N_COVARIATES};
use super::{FleetRun, UnitCapacity, VapourFraction};
use crate::config::FleetConfig;
use crate::run::solubility_ppm;

/// Covariates screened by least squares within cells; empty where there are too few runs.
pub(super) fn screen(fleet: &Fleet) -> Vec<Screen> {
    let n = fleet.rows.len();
    if n < fleet.cells.len() + N_COVARIATES + 3 {
        return Vec::new();
    }
    let within = |value: &dyn Fn(usize) -> f64| -> Vec<f64> {
        let mut sums = vec![(0.0, 0.0); fleet.cells.len()];
        for (idx, row) in fleet.rows.iter().enumerate() {
            if let Some(sum) = sums.get_mut(row.cell) {
                *sum = (sum.0 + value(idx), sum.1 + 1.0);
            }
        }
        fleet
            .rows
            .iter()
            .enumerate()
            .map(|(idx, row)| {
                value(idx)
                    - sums
                        .get(row.cell)
                        .map_or(0.0, |sum| sum.0 / f64::max(sum.1, 1.0))
            })
            .collect()
    };
    let row = |idx: usize| fleet.rows.get(idx);
    let columns: Vec<Vec<f64>> = (0..N_COVARIATES)
        .map(|column| {
            within(&|idx| {
                row(idx)
                    .and_then(|row| row.covariates.get(column))
                    .copied()
                    .unwrap_or(0.0)
            })
        })
        .collect();
    let y = within(&|idx| row(idx).map_or(0.0, |row| row.log_relative));
    screen_covariates(&columns, &COVARIATES, &y).unwrap_or_default()
}

/// Values of a unit pulled towards the fleet's: mean and sd of a new value, by precision.
///
/// `between` and `within` are the spreads of units and of runs that a fleet without many runs is taken to have.
fn pooled(values: &[f64], fleet_mean: f64, between: f64, within: f64) -> (f64, f64) {
    let n = values.len() as f64;
    let own = robust::huber_mean(values, 1.345).unwrap_or(fleet_mean);
    let own_precision = n / (within * within);
    let prior_precision = 1.0 / (between * between);
    let precision = own_precision + prior_precision;
    let mean = (own_precision * own + prior_precision * fleet_mean) / precision;
    (mean, (1.0 / precision + within * within).sqrt())
}

/// Capacity by unit, kg/h, relative to nameplate flow across units.
pub(super) fn pool_capacities(runs: &[FleetRun<'_>], fleet: &Fleet) -> Vec<UnitCapacity> {
    const BETWEEN: f64 = 0.35;
    const WITHIN: f64 = 0.25;
    let mut by_unit: BTreeMap<usize, Vec<f64>> = BTreeMap::new();
    for run in runs {
        let Ok(unit) = fleet.units.binary_search(&run.fit.unit_id) else {
            continue;
        };
        let nameplate = fleet.nameplates.get(unit).copied().flatten();
        let capacity = run.fit.capacity_kg_per_h.filter(|kg| *kg > 0.0);
        if let (Some(capacity), Some(nameplate)) = (capacity, nameplate) {
            by_unit
                .entry(unit)
                .or_default()
                .push((capacity / nameplate).ln());
        }
    }
    let means: Vec<f64> = by_unit
        .values()
        .filter_map(|values| robust::huber_mean(values, 1.345))
        .collect();
    let Some(fleet_mean) = robust::mean(&means) else {
        return Vec::new();
    };
    fleet
        .units
        .iter()
        .zip(&fleet.nameplates)
        .enumerate()
        .filter_map(|(idx, (unit, nameplate))| {
            let values = by_unit.get(&idx).map_or(&[] as &[f64], Vec::as_slice);
            let (mean, log_sd) = pooled(values, fleet_mean, BETWEEN, WITHIN);
            Some(UnitCapacity {
                unit_id: unit.clone(),
                capacity_kg_per_h: mean.exp() * (*nameplate)?,
                log_sd,
                n_runs: i64::try_from(values.len()).unwrap_or(i64::MAX),
            })
        })
        .collect()
}

/// Mole fraction of water in the chamber gas by unit, from the floors of runs that came near them.
pub(super) fn pool_vapour(
    runs: &[FleetRun<'_>],
    registers: &Registers,
    fleet: &Fleet,
    config: &FleetConfig,
) -> Vec<VapourFraction> {
    const BETWEEN: f64 = 0.4;
    const WITHIN: f64 = 0.6;
    const PRIOR: f64 = 0.05;
    let mut by_unit: BTreeMap<usize, Vec<f64>> = BTreeMap::new();
    for run in runs {
        let Ok(unit) = fleet.units.binary_search(&run.fit.unit_id) else {
            continue;
        };
        if let Some(fraction) = vapour_fraction(run, registers, config) {
            by_unit.entry(unit).or_default().push(fraction.ln());
        }
    }
    let all: Vec<f64> = by_unit.values().flatten().copied().collect();
    // The prior counts as four runs.
    let n = all.len() as f64;
    let own = robust::huber_mean(&all, 1.345).unwrap_or(PRIOR.ln());
    let fleet_mean = (n * own + 4.0 * PRIOR.ln()) / (n + 4.0);
    fleet
        .units
        .iter()
        .enumerate()
        .map(|(idx, unit)| {
            let values = by_unit.get(&idx).map_or(&[] as &[f64], Vec::as_slice);
            let (log_mean, log_sd) = pooled(values, fleet_mean, BETWEEN, WITHIN);
            VapourFraction {
                unit_id: unit.clone(),
                log_mean,
                log_sd,
                n_runs: i64::try_from(values.len()).unwrap_or(i64::MAX),
            }
        })
        .collect()
}

/// What the floor of one run says of its gas; None where the run ended far above its floor.
fn vapour_fraction(run: &FleetRun<'_>, registers: &Registers, config: &FleetConfig) -> Option<f64> {
    let floor = run.fit.floor_ppm.filter(|floor| *floor > 0.0)?;
    if run.fit.end_ppm? > 2.0 * floor {
        return None;
    }
    let degc = run.run.oil_degc.unwrap_or(config.reference_degc);
    let chamber_kpa = run.run.chamber_kpa.filter(|kpa| *kpa > 0.0)?;
    let oil = run.fit.oil_type.as_ref().and_then(|oil| registers.oil(oil));
    let solubility = solubility_ppm(oil, degc)?;
    let fraction = floor / solubility * saturation::pressure_kpa(degc) / chamber_kpa;
    (fraction.is_finite() && fraction > 0.0).then_some(fraction.min(1.0))
}
