//! What else the fleet's runs tell: the cap of each unit, the gas in its chamber, and a plain screen of covariates.

use std::collections::BTreeMap;

use drydown_physics::saturation;
use drydown_physics::vacuum::pump_water_kg_per_h;
use drydown_runs::history::Registers;
use drydown_stats::regress::{Screen, screen_covariates};
use drydown_stats::{normal, robust};

use super::design::{COVARIATES, Fleet, N_COVARIATES};
use super::{FleetRun, UnitCapacity, VapourFraction};
use crate::config::FleetConfig;
use crate::rows::RunStatus;
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
    let own = robust::huber_mean(values, 1.345).unwrap_or(fleet_mean);
    pooled_mean((own, values.len()), fleet_mean, between, within)
}

/// The same from a unit's own mean and the number of runs behind it.
fn pooled_mean((own, n): (f64, usize), fleet_mean: f64, between: f64, within: f64) -> (f64, f64) {
    let own_precision = n as f64 / (within * within);
    let prior_precision = 1.0 / (between * between);
    let precision = own_precision + prior_precision;
    let mean = (own_precision * own + prior_precision * fleet_mean) / precision;
    (mean, (1.0 / precision + within * within).sqrt())
}

/// Capacity by unit, kg/h, relative to what its vacuum pump can take (half of the chamber's gas being vapour).
///
/// One run that looks capped and is not must not set every unit's cap: the fleet's mean starts from the pump, and the
/// few runs behind it are doubted the more, the fewer they are.
pub(super) fn pool_capacities(
    runs: &[FleetRun<'_>],
    registers: &Registers,
    fleet: &Fleet,
    config: &FleetConfig,
) -> Vec<UnitCapacity> {
    const BETWEEN: f64 = 0.35;
    const WITHIN: f64 = 0.25;
    /// Sd of the log of the fleet's mean before any run (as in a run's own fit), and of one run's being a cap at all.
    const PUMP: f64 = 0.6;
    const DOUBT: f64 = 0.6;
    let scales = capacity_scales(registers, fleet, config);
    let scale = |unit: usize| scales.get(unit).copied().flatten();
    let mut by_unit: BTreeMap<usize, Vec<f64>> = BTreeMap::new();
    for run in runs {
        let Ok(unit) = fleet.units.binary_search(&run.fit.unit_id) else {
            continue;
        };
        let capacity = run.fit.capacity_kg_per_h.filter(|kg| *kg > 0.0);
        if let (Some(capacity), Some(scale)) = (capacity, scale(unit)) {
            by_unit
                .entry(unit)
                .or_default()
                .push((capacity / scale).ln());
        }
    }
    // A cap that runs without one surpass is none: a curve of another kind looked like it.
    if let Some(surpassed) = surpassed(runs, registers, fleet, &scales) {
        for values in by_unit.values_mut() {
            values.retain(|value| *value > surpassed - BETWEEN);
        }
        by_unit.retain(|_, values| !values.is_empty());
    }
    let means: Vec<f64> = by_unit
        .values()
        .filter_map(|values| robust::huber_mean(values, 1.345))
        .collect();
    let Some(of_runs) = robust::mean(&means) else {
        return Vec::new();
    };
    let (n_units, n_runs) = (
        means.len() as f64,
        by_unit.values().map(Vec::len).sum::<usize>() as f64,
    );
    let of_runs_precision =
        1.0 / (BETWEEN * BETWEEN / n_units + (WITHIN * WITHIN + DOUBT * DOUBT) / n_runs);
    let precision = of_runs_precision + 1.0 / (PUMP * PUMP);
    let (fleet_mean, fleet_var) = (of_runs_precision * of_runs / precision, 1.0 / precision);
    fleet
        .units
        .iter()
        .enumerate()
        .filter_map(|(idx, unit)| {
            let values = by_unit.get(&idx).map_or(&[] as &[f64], Vec::as_slice);
            let between = (BETWEEN * BETWEEN + fleet_var).sqrt();
            let (mean, log_sd) = pooled(values, fleet_mean, between, WITHIN);
            Some(UnitCapacity {
                unit_id: unit.clone(),
                capacity_kg_per_h: mean.exp() * scale(idx)?,
                log_sd,
                n_runs: i64::try_from(values.len()).unwrap_or(i64::MAX),
            })
        })
        .collect()
}

/// Log of what the fastest runs without a cap took out at their start, over each unit's scale: the 95th percentile of
/// the fleet's. None with fewer than twenty such runs.
fn surpassed(
    runs: &[FleetRun<'_>],
    registers: &Registers,
    fleet: &Fleet,
    scales: &[Option<f64>],
) -> Option<f64> {
    const N_RUNS_MIN: usize = 20;
    const DENSITY_KGM3: f64 = 870.0;
    let seen: Vec<f64> = runs
        .iter()
        .filter_map(|run| {
            let fit = run.fit;
            if fit.status != RunStatus::Identified || fit.capacity_kg_per_h.is_some() {
                return None;
            }
            let unit = fleet.units.binary_search(&fit.unit_id).ok()?;
            let oil = fit.oil_type.as_ref().and_then(|id| registers.oil(id));
            let density = oil
                .and_then(|oil| oil.density_15c_kgm3)
                .unwrap_or(DENSITY_KGM3);
            let fall_ppm = fit.start_ppm? - fit.end_ppm?;
            let kg_per_h = fit.dried_flow_lpm? * 0.06 * density * fall_ppm * 1e-6;
            let ratio = kg_per_h / scales.get(unit).copied().flatten()?;
            (ratio.is_finite() && ratio > 0.0).then(|| ratio.ln())
        })
        .collect();
    if seen.len() < N_RUNS_MIN {
        return None;
    }
    robust::quantile(&seen, 0.95)
}

/// What each unit's vacuum pump can take at the reference pressure, half of the gas being vapour, kg/h; for units whose
/// pump the register does not know, in proportion to their flow as with the others; None where nothing is known.
fn capacity_scales(registers: &Registers, fleet: &Fleet, config: &FleetConfig) -> Vec<Option<f64>> {
    const GAS_DEGC: f64 = 40.0;
    const VAPOUR_SHARE: f64 = 0.5;
    let by_pump: Vec<Option<f64>> = fleet
        .units
        .iter()
        .map(|id| {
            let speed = registers.unit(id)?.vacuum_pump_m3h?;
            let kg = pump_water_kg_per_h(VAPOUR_SHARE * config.reference_kpa, speed, GAS_DEGC);
            (kg.is_finite() && kg > 0.0).then_some(kg)
        })
        .collect();
    let per_flow: Vec<f64> = by_pump
        .iter()
        .zip(&fleet.nameplates)
        .filter_map(|(kg, flow)| Some((*kg)? / (*flow)?))
        .collect();
    // Without any pump in the register: 2 kg/h for 100 L/min (common practice, no source).
    let typical = robust::median(&per_flow).unwrap_or(0.02);
    by_pump
        .into_iter()
        .zip(&fleet.nameplates)
        .map(|(kg, flow)| kg.or_else(|| Some((*flow)? * typical)))
        .collect()
}

/// Mole fraction of water in the chamber gas by unit, from the floors of runs that came near them.
///
/// A floor is told only where it stands out from the sensor's own error, so that told floors alone are the high ones.
/// A run that does not tell its floor says that it lies below the run's end, and counts with its mean under that
/// (one step of expectation-maximisation from the prior); it adds nothing to the precision.
pub(super) fn pool_vapour(
    runs: &[FleetRun<'_>],
    registers: &Registers,
    fleet: &Fleet,
    config: &FleetConfig,
) -> Vec<VapourFraction> {
    const BETWEEN: f64 = 0.4;
    const WITHIN: f64 = 0.6;
    const PRIOR: f64 = 0.05;
    let mut by_unit: BTreeMap<usize, Told> = BTreeMap::new();
    for run in runs {
        let Ok(unit) = fleet.units.binary_search(&run.fit.unit_id) else {
            continue;
        };
        match vapour_fraction(run, registers, config) {
            Some((fraction, true)) => {
                let told = by_unit.entry(unit).or_default();
                told.values.push(fraction.ln());
                told.n += 1;
            }
            Some((bound, false)) => {
                let value = mean_below(PRIOR.ln(), BETWEEN.hypot(WITHIN), bound.ln());
                by_unit.entry(unit).or_default().values.push(value);
            }
            None => {}
        }
    }
    let all: Vec<f64> = by_unit
        .values()
        .flat_map(|told| told.values.iter().copied())
        .collect();
    // The prior counts as four runs.
    let n = by_unit.values().map(|told| told.n).sum::<usize>() as f64;
    let own = robust::huber_mean(&all, 1.345).unwrap_or(PRIOR.ln());
    let fleet_mean = (n * own + 4.0 * PRIOR.ln()) / (n + 4.0);
    fleet
        .units
        .iter()
        .enumerate()
        .map(|(idx, unit)| {
            let (own, n) = by_unit.get(&idx).map_or((None, 0), |told| {
                (robust::huber_mean(&told.values, 1.345), told.n)
            });
            let own = own.unwrap_or(fleet_mean);
            let (log_mean, log_sd) = pooled_mean((own, n), fleet_mean, BETWEEN, WITHIN);
            VapourFraction {
                unit_id: unit.clone(),
                log_mean,
                log_sd,
                n_runs: i64::try_from(n).unwrap_or(i64::MAX),
            }
        })
        .collect()
}

/// Logs of the vapour fractions of one unit's runs, and how many of them were told.
#[derive(Clone, Debug, Default)]
struct Told {
    values: Vec<f64>,
    n: usize,
}

/// Mean of a normal law below a bound.
fn mean_below(mean: f64, sd: f64, bound: f64) -> f64 {
    let z = (bound - mean) / sd;
    let ln_density = -0.5 * z * z - 0.5 * (2.0 * std::f64::consts::PI).ln();
    mean - sd * (ln_density - normal::ln_cdf(z)).exp()
}

/// What one run says of its gas: its floor's fraction (true), or one that the floor's is below (false).
fn vapour_fraction(
    run: &FleetRun<'_>,
    registers: &Registers,
    config: &FleetConfig,
) -> Option<(f64, bool)> {
    if run.fit.status != RunStatus::Identified {
        return None;
    }
    let end_ppm = run.fit.end_ppm.filter(|end| *end > 0.0)?;
    let told = run
        .fit
        .floor_ppm
        .filter(|floor| *floor > 0.0 && end_ppm <= 2.0 * floor);
    let level = told.unwrap_or(end_ppm);
    let degc = run.run.oil_degc.unwrap_or(config.reference_degc);
    let chamber_kpa = run.run.chamber_kpa.filter(|kpa| *kpa > 0.0)?;
    let oil = run.fit.oil_type.as_ref().and_then(|oil| registers.oil(oil));
    let solubility = solubility_ppm(oil, degc)?;
    let fraction = level / solubility * saturation::pressure_kpa(degc) / chamber_kpa;
    (fraction.is_finite() && fraction > 0.0).then_some((fraction.min(1.0), told.is_some()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_mean_below_a_bound_is_that_of_the_truncated_normal() {
        // Mean of a standard normal below 0 is -sqrt(2/pi); far above, the bound says nothing.
        assert!((mean_below(0.0, 1.0, 0.0) + (2.0 / std::f64::consts::PI).sqrt()).abs() < 1e-12);
        assert!((mean_below(1.0, 0.5, 6.0) - 1.0).abs() < 1e-9);
        // Far below, it is the bound less about sd over the distance.
        assert!((mean_below(0.0, 1.0, -20.0) + 20.05).abs() < 0.01);
    }
}
