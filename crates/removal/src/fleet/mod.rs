//! How much water-free oil each unit gives on each oil, at reference conditions, with what the fleet lends.
//!
//! Runs are pooled on the log of dried flow over nameplate flow by a crossed mixed model: unit, oil,
//! unit×oil and reservoir (its width from how the volume is known), each run with its own variance,
//! slopes for temperature, pressure, flow and pump condition, the spreads integrated over.
//! Removal per pass is derived at the end and kept below 1; it is never transformed run by run.

mod account;
#[cfg(test)]
mod account_tests;
mod basis;
#[cfg(test)]
mod capacity_tests;
mod cells;
mod design;
#[cfg(test)]
mod mixing_tests;
mod quarters;
mod side;
#[cfg(test)]
mod tests;
mod truncated;

use drydown_quantity::{Interval, OilType, RunId, UnitId};
use drydown_runs::Run;
use drydown_runs::history::Registers;
use drydown_stats::mixed::{Outliers, Posterior, fit_integrated};
use drydown_stats::regress::Screen;

use crate::config::FleetConfig;
use crate::rows::{RemovalCoefficient, RemovalQuarter, RemovalRun};
pub use account::{CellAccount, Narrowing, PooledRun, RunAccount, Shares, Step, account_cell};
use design::{Fleet, to_fleet};

/// One run as the fleet sees it.
#[derive(Clone, Copy, Debug)]
pub struct FleetRun<'a> {
    pub fit: &'a RemovalRun,
    pub run: &'a Run,
    /// Pump-health indicator at the run: ln of speed over the unit's own level after its last reset.
    pub pump_indicator: Option<f64>,
}

/// A standard deviation on the log scale, or a slope: median and interval.
#[derive(Clone, Debug, PartialEq)]
pub struct Estimate {
    /// `unit`, `oil`, `cell`, `run`; or the covariate.
    pub name: &'static str,
    pub median: f64,
    pub interval: Interval,
}

/// The most water a unit removes per hour, pooled over its capped runs and the fleet.
#[derive(Clone, Debug, PartialEq)]
pub struct UnitCapacity {
    pub unit_id: UnitId,
    /// Median, kg/h.
    pub capacity_kg_per_h: f64,
    /// Standard deviation of its logarithm for a new run.
    pub log_sd: f64,
    pub n_runs: i64,
}

/// Mole fraction of water in the chamber gas late in a run, as the fitted floors imply it.
#[derive(Clone, Debug, PartialEq)]
pub struct VapourFraction {
    pub unit_id: UnitId,
    /// Mean and standard deviation of its natural logarithm for a new run.
    pub log_mean: f64,
    pub log_sd: f64,
    pub n_runs: i64,
}

/// One pooled run against what all the others foretell of it, on the log of dried flow over nameplate flow.
#[derive(Clone, Debug, PartialEq)]
pub struct RemovalResidual {
    pub run_id: RunId,
    pub unit_id: UnitId,
    pub oil_type: OilType,
    /// The run less what the others foretell.
    pub off_by_log: f64,
    /// Standard deviation that the model expects of it: the run's own error, the scatter of runs, and how well the
    /// others know. What a wild run's variance was raised by is not in it.
    pub expected_log_sd: f64,
    /// The run's own error alone.
    pub own_log_sd: f64,
    /// The heavy-tailed fit took the run for wild: it has next to no say.
    pub is_wild: bool,
}

/// Everything that the fleet's runs tell together.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct FleetRemoval {
    /// Every pair of a unit and an oil that exist, by unit and oil.
    pub coefficients: Vec<RemovalCoefficient>,
    /// By unit, oil and quarter.
    pub quarters: Vec<RemovalQuarter>,
    /// Spreads on the log scale: unit, oil, cell, run.
    pub components: Vec<Estimate>,
    /// Slopes of log dried flow.
    pub slopes: Vec<Estimate>,
    /// Plain regressions within cells, a cross-check of the slopes; empty with too few runs.
    pub screen: Vec<Screen>,
    /// By unit, every unit; empty where no run of the fleet was capped.
    pub capacities: Vec<UnitCapacity>,
    /// By unit, every unit.
    pub vapour_fractions: Vec<VapourFraction>,
    /// Every pooled run, by run start.
    pub residuals: Vec<RemovalResidual>,
}

/// Pools the fleet's runs. Any number of runs is an answer: without any, every coefficient is empty.
#[must_use]
pub fn pool_fleet(
    runs: &[FleetRun<'_>],
    registers: &Registers,
    config: &FleetConfig,
) -> FleetRemoval {
    // One order of summation, whatever the order of arrival.
    let mut runs = runs.to_vec();
    runs.sort_by(|a, b| (a.run.started_at, &a.fit.run_id).cmp(&(b.run.started_at, &b.fit.run_id)));
    let mut fleet = to_fleet(&runs, registers, config);
    let own: Vec<f64> = fleet.rows.iter().map(|row| row.variance).collect();
    let posterior = posterior(&mut fleet, config);
    let mut out = FleetRemoval {
        screen: side::screen(&fleet),
        capacities: side::pool_capacities(&runs, registers, &fleet, config),
        vapour_fractions: side::pool_vapour(&runs, registers, &fleet, config),
        ..FleetRemoval::default()
    };
    match posterior {
        Some(posterior) => {
            out.coefficients = cells::coefficients(&fleet, &posterior, config);
            out.quarters = quarters::quarters(&fleet, &posterior, config);
            out.components = components(&posterior, config);
            out.slopes = slopes(&posterior, config);
            out.residuals = residuals(&fleet, &posterior, &own);
        }
        None => out.coefficients = cells::without_runs(&fleet),
    }
    out
}

/// Fits twice: heavy tails first, to find the wild runs; then the normal law with those runs' variances raised.
///
/// The heavy-tailed fit alone takes part of every run's scatter for wildness, and its spreads are then too small
/// for a new run (a trial of 5 fleets of 25 × 8: coverage of 90 % intervals 0.86).
fn posterior(fleet: &mut Fleet, config: &FleetConfig) -> Option<Posterior> {
    /// A variance raised by less than this belongs to the normal law's own tails.
    const WILD: f64 = 3.0;
    if fleet.rows.is_empty() {
        return None;
    }
    let model = design::to_model(fleet, Outliers::StudentT { df: config.tail_df }, config)?;
    // Where the heavy-tailed fit finds no end, the normal one speaks without it.
    if let Ok(first) = fit_integrated(&model, config.n_draws, config.seed) {
        let run_sd = first
            .residual_component()
            .map_or(0.0, |component| component.median);
        for (row, inflation) in fleet.rows.iter_mut().zip(first.inflation()) {
            if *inflation > WILD {
                row.variance += (row.variance + run_sd * run_sd) * (inflation - 1.0);
            }
        }
    }
    let model = design::to_model(fleet, Outliers::Normal, config)?;
    fit_integrated(&model, config.n_draws, config.seed).ok()
}

/// Each run against the others; `own` are the variances of the runs before any was raised.
fn residuals(fleet: &Fleet, posterior: &Posterior, own: &[f64]) -> Vec<RemovalResidual> {
    fleet
        .rows
        .iter()
        .zip(posterior.left_out())
        .zip(own)
        .filter_map(|((row, residual), own)| {
            let raised = row.variance - own;
            Some(RemovalResidual {
                run_id: row.run_id.clone(),
                unit_id: fleet.units.get(row.unit)?.clone(),
                oil_type: fleet.oils.get(row.oil)?.clone(),
                off_by_log: residual.left_out,
                expected_log_sd: (residual.sd.powi(2) - raised).max(f64::MIN_POSITIVE).sqrt(),
                own_log_sd: own.sqrt(),
                is_wild: raised > 0.0,
            })
        })
        .collect()
}

fn components(posterior: &Posterior, config: &FleetConfig) -> Vec<Estimate> {
    let names = ["unit", "oil", "cell"];
    let mut out: Vec<Estimate> = names
        .into_iter()
        .zip(posterior.group_components())
        .filter_map(|(name, component)| {
            let component = component?;
            let interval = component.interval(config.level);
            Some(Estimate {
                name,
                median: component.median,
                interval,
            })
        })
        .collect();
    out.extend(posterior.residual_component().map(|component| Estimate {
        name: "run",
        median: component.median,
        interval: component.interval(config.level),
    }));
    out
}

fn slopes(posterior: &Posterior, config: &FleetConfig) -> Vec<Estimate> {
    let z = drydown_stats::normal::quantile(0.5 + 0.5 * config.level);
    design::COVARIATES
        .into_iter()
        .zip(posterior.fixed().into_iter().skip(1))
        .map(|(name, (mean, sd))| Estimate {
            name,
            median: mean,
            interval: Interval::new(config.level, mean - z * sd, mean + z * sd),
        })
        .collect()
}
