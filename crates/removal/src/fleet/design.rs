//! Which runs the fleet pools, their covariates, and the mixed model made of them.

use std::collections::{BTreeMap, BTreeSet};

use drydown_quantity::{OilType, Quarter, ReservoirId, RunId, Stamp, UnitId};
use drydown_runs::history::{Registers, SensorPlace, VolumeBasis};
use drydown_stats::linear::Design;
use drydown_stats::mixed::{CrossedModel, FixedPrior, Group, Outliers, Residual, Spread};
use drydown_stats::robust;

use super::FleetRun;
use crate::config::FleetConfig;
use crate::rows::{Regime, RemovalRun, RunStatus};

/// The covariates, in the order of the design's columns after the intercept.
pub(super) const COVARIATES: [&str; 4] = ["temperature", "pressure", "flow", "pump"];
pub(super) const N_COVARIATES: usize = COVARIATES.len();
/// Columns of the design: the intercept, the covariates, and what a unit's pressure is off its own mean.
pub(super) const N_FIXED: usize = N_COVARIATES + 2;
const PRESSURE: usize = 1;
/// Ways in which a volume is known: dip, nameplate, guess.
pub(super) const N_BASES: usize = 3;
/// Place of the reservoirs' first group among the model's groups; one for each basis.
pub(super) const RESERVOIR_GROUP: usize = 4;

const KELVIN: f64 = 273.15;
/// A variance that leaves a padding row without any say.
const NO_SAY: f64 = 1e9;
/// No run is known better than this on the log scale: flow meters and mixing see to that.
const LOG_SE_MIN: f64 = 0.02;

/// One pooled run.
#[derive(Clone, Debug)]
pub(super) struct FleetRow {
    pub(super) run_id: RunId,
    pub(super) unit: usize,
    pub(super) oil: usize,
    pub(super) reservoir: usize,
    pub(super) cell: usize,
    pub(super) at: Stamp,
    pub(super) quarter: Quarter,
    /// Log of dried flow over nameplate flow, and its own variance.
    pub(super) log_relative: f64,
    pub(super) variance: f64,
    pub(super) covariates: [f64; N_COVARIATES],
    /// The run came near the reference conditions.
    pub(super) near: bool,
}

/// The fleet, numbered.
#[derive(Clone, Debug, Default)]
pub(super) struct Fleet {
    pub(super) units: Vec<UnitId>,
    /// Flow that each unit's dried flow is set against, L/min; None where nothing is known of it.
    pub(super) nameplates: Vec<Option<f64>>,
    /// What each unit's sensor does to the log rates of all its runs alike, sd.
    pub(super) sensor_sds: Vec<f64>,
    pub(super) oils: Vec<OilType>,
    pub(super) reservoirs: Vec<ReservoirId>,
    /// Prior sd of each reservoir's log volume, by how the volume is known: one list for each basis, zero for the
    /// reservoirs of the others.
    pub(super) reservoir_sds: [Vec<f64>; N_BASES],
    /// Cells with runs: (unit, oil).
    pub(super) cells: Vec<(usize, usize)>,
    /// By run start, then unit.
    pub(super) rows: Vec<FleetRow>,
}

/// Numbers units, oils, reservoirs and cells, and keeps the runs that tell a dried flow.
pub(super) fn to_fleet(
    runs: &[FleetRun<'_>],
    registers: &Registers,
    config: &FleetConfig,
) -> Fleet {
    let units: BTreeSet<&UnitId> = registers
        .units
        .iter()
        .map(|unit| &unit.unit_id)
        .chain(runs.iter().map(|r| &r.fit.unit_id))
        .collect();
    let oils: BTreeSet<&OilType> = registers
        .oils
        .iter()
        .map(|oil| &oil.oil_type)
        .chain(runs.iter().filter_map(|r| r.fit.oil_type.as_ref()))
        .collect();
    let reservoirs: BTreeSet<&ReservoirId> = runs
        .iter()
        .filter_map(|r| r.fit.reservoir_id.as_ref())
        .collect();
    let mut fleet = Fleet {
        units: units.into_iter().cloned().collect(),
        oils: oils.into_iter().cloned().collect(),
        reservoirs: reservoirs.into_iter().cloned().collect(),
        ..Fleet::default()
    };
    fleet.nameplates = fleet
        .units
        .iter()
        .map(|unit| nameplate(unit, runs, registers))
        .collect();
    fleet.sensor_sds = fleet
        .units
        .iter()
        .map(|id| {
            let place = registers.unit(id).and_then(|unit| unit.water_sensor_place);
            if place == Some(SensorPlace::Outlet) {
                config.outlet_sensor_log_sd
            } else {
                config.sensor_log_sd
            }
        })
        .collect();
    fleet.reservoir_sds = reservoir_sds(&fleet.reservoirs, registers, config);
    let mut rows: Vec<FleetRow> = runs
        .iter()
        .filter_map(|run| to_row(run, &fleet, config))
        .collect();
    rows.sort_by(|a, b| (a.at, &a.run_id).cmp(&(b.at, &b.run_id)));
    fleet.rows = rows;
    doubt_badly_mixed(&mut fleet, runs, config);
    let cells: BTreeSet<(usize, usize)> =
        fleet.rows.iter().map(|row| (row.unit, row.oil)).collect();
    fleet.cells = cells.into_iter().collect();
    let number: BTreeMap<(usize, usize), usize> = fleet
        .cells
        .iter()
        .enumerate()
        .map(|(idx, cell)| (*cell, idx))
        .collect();
    for row in &mut fleet.rows {
        row.cell = number.get(&(row.unit, row.oil)).copied().unwrap_or(0);
    }
    fleet
}

/// Raises the variance of runs that disagree with the others on how their reservoir mixes: a run that could not tell
/// the two compartments which the others show has the rate of the loop, up to `1/share` times too large; a lone one
/// that shows them where the others do not is too low by as much.
fn doubt_badly_mixed(fleet: &mut Fleet, runs: &[FleetRun<'_>], config: &FleetConfig) {
    let told: BTreeSet<&RunId> = runs
        .iter()
        .filter(|run| run.fit.regime == Some(Regime::TwoCompartments))
        .map(|run| &run.fit.run_id)
        .collect();
    let mut counts = vec![(0_usize, 0_usize); fleet.reservoirs.len()];
    for row in &fleet.rows {
        if let Some((n, n_told)) = counts.get_mut(row.reservoir) {
            *n += 1;
            *n_told += usize::from(told.contains(&row.run_id));
        }
    }
    for row in &mut fleet.rows {
        let (n, n_told) = counts.get(row.reservoir).copied().unwrap_or((0, 0));
        let badly_mixed = n_told > 0 && n_told as f64 >= config.badly_mixed_share * n as f64;
        if badly_mixed != told.contains(&row.run_id) {
            row.variance += config.badly_mixed_log_sd.powi(2);
        }
    }
}

/// Stated widths of the log volumes, one list for each basis.
fn reservoir_sds(
    reservoirs: &[ReservoirId],
    registers: &Registers,
    config: &FleetConfig,
) -> [Vec<f64>; N_BASES] {
    let basis = |id: &ReservoirId| registers.reservoir(id).and_then(|row| row.volume_basis);
    let place = |basis: Option<VolumeBasis>| match basis {
        Some(VolumeBasis::Dip) => 0,
        Some(VolumeBasis::Nameplate) => 1,
        Some(VolumeBasis::Guess) | None => 2,
    };
    std::array::from_fn(|wanted| {
        reservoirs
            .iter()
            .map(basis)
            .map(|basis| {
                if place(basis) == wanted {
                    // Errors of the runs' rates that go with the reservoir (its ingress, its settled water) act as a
                    // wrong volume does.
                    config
                        .volume_log_sd(basis)
                        .hypot(config.reservoir_rate_log_sd)
                } else {
                    0.0
                }
            })
            .collect()
    })
}

/// The register's nameplate flow, else the median flow of the unit's runs.
fn nameplate(unit: &UnitId, runs: &[FleetRun<'_>], registers: &Registers) -> Option<f64> {
    let registered = registers
        .unit(unit)
        .and_then(|row| row.nameplate_flow_lpm)
        .filter(|flow| *flow > 0.0);
    registered.or_else(|| {
        let flows: Vec<f64> = runs
            .iter()
            .filter(|run| &run.fit.unit_id == unit)
            .filter_map(|run| run.run.flow_lpm.filter(|flow| *flow > 0.0))
            .collect();
        robust::median(&flows)
    })
}

fn to_row(run: &FleetRun<'_>, fleet: &Fleet, config: &FleetConfig) -> Option<FleetRow> {
    if !matches!(run.fit.status, RunStatus::Identified | RunStatus::OneSided) {
        return None;
    }
    let unit = fleet.units.binary_search(&run.fit.unit_id).ok()?;
    let oil = fleet.oils.binary_search(run.fit.oil_type.as_ref()?).ok()?;
    let reservoir = fleet
        .reservoirs
        .binary_search(run.fit.reservoir_id.as_ref()?)
        .ok()?;
    let nameplate = fleet.nameplates.get(unit).copied().flatten()?;
    let dried = run
        .fit
        .dried_flow_lpm
        .filter(|flow| flow.is_finite() && *flow > 0.0)?;
    let variance = log_variance(run.fit)?;
    let inverse = |degc: f64| 1e3 / (degc + KELVIN);
    let oil_degc = run
        .run
        .oil_degc
        .filter(|degc| degc.is_finite() && *degc > -KELVIN + 1.0);
    let temperature = oil_degc.map_or(0.0, |degc| inverse(degc) - inverse(config.reference_degc));
    let positive = |value: Option<f64>| value.filter(|value| value.is_finite() && *value > 0.0);
    let pressure =
        positive(run.run.chamber_kpa).map_or(0.0, |kpa| (kpa / config.reference_kpa).ln());
    let flow = positive(run.run.flow_lpm).map_or(0.0, |lpm| (lpm / nameplate).ln());
    let near_temperature =
        oil_degc.is_some_and(|degc| (degc - config.reference_degc).abs() <= config.near_degc);
    Some(FleetRow {
        run_id: run.fit.run_id.clone(),
        unit,
        oil,
        reservoir,
        cell: 0,
        at: run.run.started_at,
        quarter: run.run.started_at.quarter(),
        log_relative: (dried / nameplate).ln(),
        variance,
        covariates: [
            temperature,
            pressure,
            flow,
            run.pump_indicator
                .filter(|value| value.is_finite())
                .unwrap_or(0.0),
        ],
        near: near_temperature
            && pressure.abs() <= config.near_log_kpa
            && flow.abs() <= config.near_log_flow,
    })
}

/// Variance of the log rate: from the profile's closed ends, else from one end, never below the curvature's.
fn log_variance(fit: &RemovalRun) -> Option<f64> {
    const NORMAL_95: f64 = 1.644_853_626_951_472_6;
    let rate = fit.removal_rate_per_h.filter(|rate| *rate > 0.0)?;
    let by_ends = match (fit.removal_rate_lower_90, fit.removal_rate_upper_90) {
        (Some(lower), Some(upper)) if lower > 0.0 => Some((upper / lower).ln() / (2.0 * NORMAL_95)),
        (Some(lower), None) if lower > 0.0 => Some((rate / lower).ln() / NORMAL_95),
        (None, Some(upper)) => Some((upper / rate).ln() / NORMAL_95),
        _ => None,
    };
    let by_curvature = fit.removal_rate_se.map(|se| se / rate);
    let one_sided = fit.status == RunStatus::OneSided;
    let sd = match (by_ends, by_curvature) {
        (Some(ends), Some(curvature)) if one_sided => ends.max(curvature),
        (Some(ends), _) => ends,
        (None, Some(curvature)) => curvature,
        (None, None) => return None,
    };
    (sd.is_finite() && sd < 3.0).then(|| sd.max(LOG_SE_MIN).powi(2))
}

/// Log pressure of each run less the mean of its unit's runs.
///
/// A pump that wears or leaks has more pressure than it used to, and more of its own vapour: a unit's runs against each
/// other tell its condition together with the pressure (Mundlak 1978: effects within and between groups differ where
/// something unseen goes with the covariate). At reference conditions the pump is as usual, so that no answer has this column.
fn off_own_pressure(fleet: &Fleet) -> Vec<f64> {
    let pressure = |row: &FleetRow| row.covariates.get(PRESSURE).copied().unwrap_or(0.0);
    let mut sums = vec![(0.0, 0.0); fleet.units.len()];
    for row in &fleet.rows {
        if let Some((sum, n)) = sums.get_mut(row.unit) {
            *sum += pressure(row);
            *n += 1.0;
        }
    }
    let usual = |unit: usize| sums.get(unit).map_or(0.0, |(sum, n): &(f64, f64)| sum / n);
    fleet
        .rows
        .iter()
        .map(|row| pressure(row) - usual(row.unit))
        .collect()
}

/// The crossed model of the pooled runs: groups unit, oil, cell, the unit's sensor, and reservoir once for each basis of its volume.
///
/// A basis states how wrong its volumes are; what the fleet's runs show corrects the statement, basis by basis.
/// Slopes have weak priors, so that a covariate that never moved keeps an honest width. With fewer runs
/// than columns, rows without any say fill up: the priors then carry the answer.
pub(super) fn to_model(
    fleet: &Fleet,
    outliers: Outliers,
    config: &FleetConfig,
) -> Option<CrossedModel> {
    let n = fleet.rows.len();
    let padding = N_FIXED.saturating_sub(n);
    let mean = robust::mean(
        &fleet
            .rows
            .iter()
            .map(|row| row.log_relative)
            .collect::<Vec<f64>>(),
    )?;
    let mut y: Vec<f64> = fleet.rows.iter().map(|row| row.log_relative).collect();
    let mut known_var: Vec<f64> = fleet.rows.iter().map(|row| row.variance).collect();
    y.resize(n + padding, mean);
    known_var.resize(n + padding, NO_SAY);
    let mut columns: Vec<Vec<f64>> = (0..N_COVARIATES)
        .map(|idx| {
            let mut column: Vec<f64> = fleet
                .rows
                .iter()
                .map(|row| row.covariates.get(idx).copied().unwrap_or(0.0))
                .collect();
            column.resize(n + padding, 0.0);
            column
        })
        .collect();
    let mut own_pressure = off_own_pressure(fleet);
    own_pressure.resize(n + padding, 0.0);
    columns.push(own_pressure);
    let group = |of: fn(&FleetRow) -> usize, n_levels: usize, spread: Spread| {
        let mut levels: Vec<usize> = fleet.rows.iter().map(of).collect();
        levels.resize(n + padding, 0);
        Group {
            levels,
            n_levels,
            spread,
        }
    };
    let estimated = || Spread::Estimated {
        prior_scale: config.sd_scale,
    };
    let slope = |mean: f64, sd: f64| FixedPrior::Normal { mean, sd };
    let mut groups = vec![
        group(|row| row.unit, fleet.units.len(), estimated()),
        group(|row| row.oil, fleet.oils.len(), estimated()),
        group(|row| row.cell, fleet.cells.len(), estimated()),
        // What a unit's sensor does to all its runs alike is an error, no part of the unit's work.
        group(
            |row| row.unit,
            fleet.units.len(),
            Spread::Known {
                sds: fleet.sensor_sds.clone(),
            },
        ),
    ];
    groups.extend(fleet.reservoir_sds.iter().map(|sds| {
        let spread = if sds.iter().any(|sd| *sd > 0.0) {
            Spread::Stated {
                sds: sds.clone(),
                log_scale: config.volume_sd_log_scale,
            }
        } else {
            Spread::Known { sds: sds.clone() }
        };
        group(|row| row.reservoir, fleet.reservoirs.len(), spread)
    }));
    Some(CrossedModel {
        fixed: Design::with_intercept(n + padding, columns).ok()?,
        y,
        known_var,
        fixed_priors: vec![
            slope(config.prior_log_mean, config.prior_log_sd),
            slope(config.slope_mean_temperature, config.slope_sd_temperature),
            slope(0.0, config.slope_sd_pressure),
            // Dried flow rises with flow, less than in proportion: η = 1 − exp(−NTU), NTU ∝ 1/Q.
            slope(0.5, config.slope_sd_flow),
            slope(0.0, config.slope_sd_pump),
            slope(0.0, config.slope_sd_own_pressure),
        ],
        groups,
        residual: Residual::Estimated {
            prior_scale: config.sd_scale,
        },
        outliers,
    })
}
