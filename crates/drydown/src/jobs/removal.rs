//! The job `removal`: runs to rates, sensors against the laboratory, and the fleet's coefficients.

use std::collections::{BTreeMap, BTreeSet};

use anyhow::Result;
use arrow::array::RecordBatch;
use drydown_pumps::PumpHealth;
use drydown_quantity::{ReservoirId, RunId, UnitId};
use drydown_removal::{
    FleetRemoval, FleetRun, RemovalConfig, RemovalRun, RunInput, SensorCheck, SensorInput,
    check_sensors, fit_reservoir, fit_run, pool_fleet,
};
use drydown_runs::history::{Registers, Sample};
use drydown_runs::{Run, SeriesPoint};
use drydown_tables::{ModelTerm, to_batch};
use rayon::prelude::*;

use super::{Context, Job};
use crate::config::AnalysisSection;

pub(super) const JOB: Job = Job {
    name: "removal",
    reads: &["runs", "run_series", "samples", "pump_health"],
    writes: &[
        "removal_runs",
        "sensor_checks",
        "removal_coefficients",
        "removal_quarters",
        "removal_model",
        "removal_residuals",
        "unit_capacities",
        "vapour_fractions",
    ],
    needs: "one run; an interval of its own needs a run whose water fell",
    run,
};

/// Samples this long before and after a run are handed to its fit, which decides what to use, h.
const SAMPLE_MARGIN_H: f64 = 96.0;

/// The stage's settings from the configuration.
pub(crate) fn removal_config(section: &AnalysisSection) -> RemovalConfig {
    let mut config = RemovalConfig::documented();
    config.fleet.reference_degc = section.reference_oil_degc;
    config.fleet.reference_kpa = section.reference_chamber_kpa;
    config.fleet.seed = section.seed;
    config
}

fn run(context: &Context<'_>) -> Result<Vec<(&'static str, RecordBatch)>> {
    let registers = context.registers()?;
    let config = removal_config(&context.config.analysis);
    let runs: Vec<Run> = context.records()?;
    let samples = context.samples()?;
    let points: Vec<SeriesPoint> = context.records()?;
    let series = series_by_run(&points);
    let by_reservoir = samples_by_reservoir(&samples);
    let near: Vec<Vec<&Sample>> = runs
        .iter()
        .map(|run| near_samples(run, &by_reservoir))
        .collect();
    let inputs: Vec<RunInput<'_>> = runs
        .iter()
        .zip(&near)
        .map(|(run, near)| to_input(run, &series, near, &registers))
        .collect();
    let fits = fit_all(&inputs, &config);
    let checks = sensor_checks(&registers, &runs, &points, &by_reservoir, &config);
    let indicators = indicators(&context.records::<PumpHealth>()?);
    let fleet = pool(&runs, &fits, &indicators, &registers, &config);
    Ok(vec![
        ("removal_runs", to_batch(&fits, context.as_of)?),
        ("sensor_checks", to_batch(&checks, context.as_of)?),
        (
            "removal_coefficients",
            to_batch(&fleet.coefficients, context.as_of)?,
        ),
        (
            "removal_quarters",
            to_batch(&fleet.quarters, context.as_of)?,
        ),
        (
            "removal_model",
            to_batch(&ModelTerm::of_fleet(&fleet), context.as_of)?,
        ),
        (
            "removal_residuals",
            to_batch(&fleet.residuals, context.as_of)?,
        ),
        (
            "unit_capacities",
            to_batch(&fleet.capacities, context.as_of)?,
        ),
        (
            "vapour_fractions",
            to_batch(&fleet.vapour_fractions, context.as_of)?,
        ),
    ])
}

/// The fits of all runs, in their order: those of one reservoir together, which tell how it mixes.
fn fit_all(inputs: &[RunInput<'_>], config: &RemovalConfig) -> Vec<RemovalRun> {
    let mut groups: BTreeMap<Option<&ReservoirId>, Vec<usize>> = BTreeMap::new();
    for (idx, input) in inputs.iter().enumerate() {
        groups
            .entry(input.run.reservoir_id.as_ref())
            .or_default()
            .push(idx);
    }
    let groups: Vec<(Option<&ReservoirId>, Vec<usize>)> = groups.into_iter().collect();
    let mut fits: Vec<(usize, RemovalRun)> = groups
        .par_iter()
        .flat_map_iter(|(reservoir, own)| {
            let of_group = own.iter().filter_map(|idx| inputs.get(*idx));
            let rows: Vec<RemovalRun> = if reservoir.is_some() {
                let of_group: Vec<RunInput<'_>> = of_group.cloned().collect();
                fit_reservoir(&of_group, &config.run)
            } else {
                // Runs whose reservoir nobody wrote down have nothing in common.
                of_group.map(|input| fit_run(input, &config.run)).collect()
            };
            own.iter().copied().zip(rows)
        })
        .collect();
    fits.sort_by_key(|(idx, _)| *idx);
    fits.into_iter().map(|(_, fit)| fit).collect()
}

/// A run with its bins, the samples near it and what the registers say.
pub(crate) fn to_input<'a>(
    run: &'a Run,
    series: &BTreeMap<&RunId, &'a [SeriesPoint]>,
    samples: &'a [&'a Sample],
    registers: &'a Registers,
) -> RunInput<'a> {
    RunInput {
        run,
        series: series.get(&run.run_id).copied().unwrap_or(&[]),
        samples,
        unit: registers.unit(&run.unit_id),
        oil: run.oil_type.as_ref().and_then(|id| registers.oil(id)),
        reservoir: run
            .reservoir_id
            .as_ref()
            .and_then(|id| registers.reservoir(id)),
    }
}

/// The bins of each run; the table is sorted by run and time.
pub(crate) fn series_by_run(points: &[SeriesPoint]) -> BTreeMap<&RunId, &[SeriesPoint]> {
    points
        .chunk_by(|a, b| a.run_id == b.run_id)
        .filter_map(|bins| bins.first().map(|first| (&first.run_id, bins)))
        .collect()
}

/// Each unit's water sensor against the laboratory.
fn sensor_checks(
    registers: &Registers,
    runs: &[Run],
    points: &[SeriesPoint],
    by_reservoir: &BTreeMap<&ReservoirId, Vec<&Sample>>,
    config: &RemovalConfig,
) -> Vec<SensorCheck> {
    let series = series_by_run(points);
    let mut runs_of: BTreeMap<&UnitId, Vec<&Run>> = BTreeMap::new();
    for run in runs {
        runs_of.entry(&run.unit_id).or_default().push(run);
    }
    registers
        .units
        .par_iter()
        .flat_map_iter(|unit| {
            let mut own = runs_of.get(&unit.unit_id).cloned().unwrap_or_default();
            own.sort_by_key(|run| run.started_at);
            let bins: Vec<SeriesPoint> = own
                .iter()
                .filter_map(|run| series.get(&run.run_id))
                .flat_map(|bins| bins.iter().cloned())
                .collect();
            let reservoirs: BTreeSet<&ReservoirId> = own
                .iter()
                .filter_map(|run| run.reservoir_id.as_ref())
                .collect();
            let samples: Vec<&Sample> = reservoirs
                .iter()
                .filter_map(|id| by_reservoir.get(id))
                .flatten()
                .copied()
                .collect();
            let input = SensorInput {
                unit,
                runs: &own,
                series: &bins,
                samples: &samples,
                maintenance: registers.maintenance_of(&unit.unit_id),
                oils: &registers.oils,
            };
            check_sensors(&input, config)
        })
        .collect()
}

pub(crate) fn samples_by_reservoir(samples: &[Sample]) -> BTreeMap<&ReservoirId, Vec<&Sample>> {
    let mut by_reservoir: BTreeMap<&ReservoirId, Vec<&Sample>> = BTreeMap::new();
    for sample in samples {
        if let Some(id) = &sample.reservoir_id {
            by_reservoir.entry(id).or_default().push(sample);
        }
    }
    by_reservoir
}

pub(crate) fn near_samples<'a>(
    run: &Run,
    by_reservoir: &BTreeMap<&ReservoirId, Vec<&'a Sample>>,
) -> Vec<&'a Sample> {
    let (from, to) = (
        run.started_at.plus_hours(-SAMPLE_MARGIN_H),
        run.ended_at.plus_hours(SAMPLE_MARGIN_H),
    );
    let of_reservoir = run
        .reservoir_id
        .as_ref()
        .and_then(|id| by_reservoir.get(id));
    of_reservoir
        .into_iter()
        .flatten()
        .filter(|sample| sample.taken_at.is_some_and(|at| at >= from && at <= to))
        .copied()
        .collect()
}

/// Pump level at each judged run.
pub(super) fn indicators(health: &[PumpHealth]) -> BTreeMap<RunId, f64> {
    health
        .iter()
        .filter_map(|row| Some((row.run_id.clone(), row.indicator?)))
        .collect()
}

fn pool(
    runs: &[Run],
    fits: &[RemovalRun],
    indicators: &BTreeMap<RunId, f64>,
    registers: &Registers,
    config: &RemovalConfig,
) -> FleetRemoval {
    let rows: Vec<FleetRun<'_>> = runs
        .iter()
        .zip(fits)
        .map(|(run, fit)| FleetRun {
            fit,
            run,
            pump_indicator: indicators.get(&run.run_id).copied(),
        })
        .collect();
    pool_fleet(&rows, registers, &config.fleet)
}

/// The fleet's coefficients from runs and their fits.
pub(super) fn pool_pairs(
    pairs: &[(Run, RemovalRun)],
    indicators: &BTreeMap<RunId, f64>,
    registers: &Registers,
    config: &RemovalConfig,
) -> FleetRemoval {
    let rows: Vec<FleetRun<'_>> = pairs
        .iter()
        .map(|(run, fit)| FleetRun {
            fit,
            run,
            pump_indicator: indicators.get(&run.run_id).copied(),
        })
        .collect();
    pool_fleet(&rows, registers, &config.fleet)
}
