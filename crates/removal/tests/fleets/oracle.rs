//! The estimator that is told every nuisance parameter: all spreads, all slopes, how wrong volumes are.
//!
//! Two of them: one works on the same fitted runs, so that what it does better is the fleet model's own loss; the
//! other gets each run's true dried flow, so that what it does better is the whole pipeline's.

use drydown_removal::RemovalRun;
use drydown_runs::history::SensorPlace;
use drydown_stats::linear::Design;
use drydown_stats::mixed::{
    CrossedModel, FixedPrior, Group, Level, LinearPrediction, Outliers, Residual, Spread,
    fit_integrated,
};

use crate::dry::Job;
use crate::world::{
    Kind, MEAN_LN_NTU, PER_KELVIN, PER_LOG_FLOW, PER_LOG_PRESSURE, REFERENCE_DEGC, REFERENCE_KPA,
    SDS, World,
};

/// What a unit's sensor does to all its runs alike, rms of the log rate beyond the runs' own scatter: measured on twelve
/// large fleets of this simulator, for sensors at the outlet and for others.
const OUTLET_SENSOR_SD: f64 = 0.08;
const SENSOR_SD: f64 = 0.03;
/// Content of the intervals.
const LEVEL: f64 = 0.90;

/// One cell's answer on the log scale: mean, and ends of its interval.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Answer {
    pub(crate) mean: f64,
    pub(crate) width: f64,
}

/// d ln η / d ln NTU at the fleet's middle.
fn elasticity() -> f64 {
    let ntu = MEAN_LN_NTU.exp();
    ntu * (-ntu).exp() / (1.0 - (-ntu).exp())
}

struct Row {
    unit: usize,
    oil: usize,
    reservoir: usize,
    y: f64,
    variance: f64,
}

/// Each cell by the told estimator, in the order of units and oils; from the fits, or from the truth of each run.
pub(crate) fn told(
    world: &World,
    kind: Kind,
    fits: &[RemovalRun],
    from_truth: bool,
) -> Vec<Answer> {
    let rows: Vec<Row> = world
        .jobs
        .iter()
        .zip(fits)
        .filter_map(|(job, fit)| to_row(world, job, fit, from_truth))
        .collect();
    let n = rows.len();
    let (n_units, n_oils) = (kind.n_units, kind.n_oils);
    let scale = elasticity();
    let known = |levels: Vec<usize>, sds: Vec<f64>| Group {
        levels,
        n_levels: sds.len(),
        spread: Spread::Known { sds },
    };
    let group = |of: &dyn Fn(&Row) -> usize, n_levels: usize, sd: f64| {
        known(rows.iter().map(of).collect(), vec![sd; n_levels])
    };
    let volume_sds: Vec<f64> = world
        .tanks
        .iter()
        .map(|tank| {
            use drydown_runs::history::VolumeBasis::{Dip, Guess, Nameplate};
            kind.volume_sd.unwrap_or(match tank.reservoir.volume_basis {
                Some(Dip) => 0.05,
                Some(Nameplate) => 0.20,
                Some(Guess) | None => 0.35,
            })
        })
        .collect();
    let sensor_sds: Vec<f64> = world
        .registers
        .units
        .iter()
        .map(|unit| match unit.water_sensor_place {
            _ if from_truth => 0.0,
            Some(SensorPlace::Outlet) => OUTLET_SENSOR_SD,
            _ => SENSOR_SD,
        })
        .collect();
    let model = CrossedModel {
        y: rows.iter().map(|row| row.y).collect(),
        known_var: rows.iter().map(|row| row.variance).collect(),
        fixed: Design::with_intercept(n, Vec::new()).unwrap(),
        fixed_priors: vec![FixedPrior::Flat],
        groups: vec![
            group(&|row| row.unit, n_units, scale * SDS[0]),
            group(&|row| row.oil, n_oils, scale * SDS[1]),
            group(
                &|row| row.unit * n_oils + row.oil,
                n_units * n_oils,
                scale * SDS[2],
            ),
            known(rows.iter().map(|row| row.unit).collect(), sensor_sds),
            known(rows.iter().map(|row| row.reservoir).collect(), volume_sds),
        ],
        residual: Residual::Known(scale * SDS[3]),
        outliers: Outliers::Normal,
    };
    let posterior = fit_integrated(&model, 1, 1).unwrap();
    let wanted: Vec<LinearPrediction> = (0..n_units * n_oils)
        .map(|cell| LinearPrediction {
            fixed_row: vec![1.0],
            levels: vec![
                Level::Seen(cell / n_oils),
                Level::Seen(cell % n_oils),
                Level::Seen(cell),
                Level::Absent,
                Level::Absent,
            ],
            include_residual: false,
        })
        .collect();
    posterior
        .predict(&wanted)
        .unwrap()
        .into_iter()
        .map(|law| {
            let interval = law.interval(LEVEL);
            Answer {
                mean: law.mean,
                width: interval.upper.min(0.0) - interval.lower.min(0.0),
            }
        })
        .collect()
}

fn to_row(world: &World, job: &Job, fit: &RemovalRun, from_truth: bool) -> Option<Row> {
    let registers = &world.registers;
    let unit = registers
        .units
        .iter()
        .position(|unit| unit.unit_id == fit.unit_id)?;
    let oil = registers
        .oils
        .iter()
        .position(|oil| Some(&oil.oil_type) == fit.oil_type.as_ref())?;
    let reservoir = registers
        .reservoirs
        .iter()
        .position(|row| Some(&row.reservoir_id) == job.run.reservoir_id.as_ref())?;
    let nameplate = registers.units[unit].nameplate_flow_lpm?;
    let flow = job.run.flow_lpm?;
    // The fleet's mean slopes: what a cell's own removal per pass makes of them is no parameter of the fleet.
    let ln_flow = (flow / nameplate).ln();
    let on_ntu = PER_KELVIN * (job.run.oil_degc? - REFERENCE_DEGC)
        + PER_LOG_PRESSURE * (job.run.chamber_kpa? / REFERENCE_KPA).ln()
        + PER_LOG_FLOW * ln_flow;
    let conditions = elasticity() * on_ntu + ln_flow;
    let rate = fit.removal_rate_per_h?;
    let (ln_dried, sd) = if from_truth {
        let volume = registers.reservoirs[reservoir].volume_l? / job.volume_l;
        (job.dried_flow_lpm.ln() + volume.ln(), 0.01)
    } else {
        let sd = match (fit.removal_rate_lower_90, fit.removal_rate_upper_90) {
            (Some(lower), Some(upper)) => (upper / lower).ln() / 3.29,
            (Some(lower), None) => (rate / lower).ln() / 1.645,
            (None, Some(upper)) => (upper / rate).ln() / 1.645,
            (None, None) => return None,
        };
        (fit.dried_flow_lpm?.ln(), sd.max(0.02))
    };
    let y = ln_dried - nameplate.ln() - conditions;
    y.is_finite().then_some(Row {
        unit,
        oil,
        reservoir,
        y,
        variance: sd * sd,
    })
}
