//! How one coefficient came about: the weight of every run in it, and what would narrow it.

use drydown_quantity::{OilType, ReservoirId, RunId, Stamp, UnitId};
use drydown_runs::history::Registers;
use drydown_stats::mixed::{CrossedModel, Level, LinearPrediction, Outliers, Posterior, Spread};
use drydown_stats::robust;

use super::cells::{Wanted, coefficients_of, prediction};
use super::design::{self, Fleet, FleetRow, N_BASES, RESERVOIR_GROUP, to_fleet};
use super::{FleetRun, posterior, residuals};
use crate::config::FleetConfig;
use crate::rows::{Regime, RemovalCoefficient, RunStatus};

/// Place of the cells among the model's groups.
const CELL_GROUP: usize = 2;
/// The group of reservoirs whose volume was dipped, among the reservoirs' groups.
const DIPPED: usize = 0;
/// Factor on a run's own standard deviation where its water is sampled before and after
/// (common practice, no source: four measurements instead of two).
const SAMPLED_SD: f64 = 0.5;

/// One run of the cell.
#[derive(Clone, Debug, PartialEq)]
pub struct RunAccount {
    pub run_id: RunId,
    pub started_at: Stamp,
    pub reservoir_id: Option<ReservoirId>,
    pub status: RunStatus,
    /// Its reservoir showed a loop and a rest: only part of the oil passed the unit.
    pub badly_mixed: bool,
    /// Dried flow of the run alone, L/min.
    pub dried_flow_lpm: Option<f64>,
    /// None where the run is not pooled.
    pub pooled: Option<PooledRun>,
    /// What the run's fit says of itself.
    pub evidence: String,
}

/// What a pooled run does for the coefficient.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PooledRun {
    /// How far the log of the coefficient moves when the log of the run's dried flow moves by one.
    pub share: f64,
    /// Run less what all the others foretell of it, in standard deviations.
    pub off_by_sd: f64,
    /// The heavy-tailed fit took it for wild, and its variance was raised.
    pub is_wild: bool,
}

/// Whose data carry the coefficient: none below zero, and together no more than 1 (what is missing, priors carry).
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Shares {
    /// The unit on this oil.
    pub own: f64,
    /// The unit on other oils.
    pub unit: f64,
    /// Other units on this oil.
    pub oil: f64,
    /// Others.
    pub rest: f64,
}

/// Something that can be done about the width of the interval.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Narrowing {
    pub step: Step,
    /// Width of the interval of the long-run mean after it, as a share of today's (log scale).
    pub width_ratio: f64,
}

/// What can be done.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Step {
    /// One run more of usual precision at reference conditions, on a reservoir whose volume was dipped.
    OneMoreRun,
    /// Three such runs on three reservoirs.
    ThreeMoreRuns,
    /// The volumes of this many reservoirs of its runs dipped.
    DipVolumes(usize),
    /// The water of this many runs sampled before and after.
    SampleRuns(usize),
}

/// How one coefficient came about.
#[derive(Clone, Debug, PartialEq)]
pub struct CellAccount {
    pub coefficient: RemovalCoefficient,
    pub shares: Shares,
    /// The runs of the unit on the oil, by start.
    pub runs: Vec<RunAccount>,
    /// By what they give, most first.
    pub narrowings: Vec<Narrowing>,
}

/// The account of one unit on one oil; None where the registers and runs know no such pair.
#[must_use]
pub fn account_cell(
    runs: &[FleetRun<'_>],
    registers: &Registers,
    config: &FleetConfig,
    (unit, oil): (&UnitId, &OilType),
) -> Option<CellAccount> {
    let mut fleet = to_fleet(runs, registers, config);
    let before: Vec<f64> = fleet.rows.iter().map(|row| row.variance).collect();
    let pair = (
        fleet.units.binary_search(unit).ok()?,
        fleet.oils.binary_search(oil).ok()?,
    );
    let Some(posterior) = posterior(&mut fleet, config) else {
        let all = super::cells::without_runs(&fleet);
        return Some(CellAccount {
            coefficient: find(all, unit, oil)?,
            shares: Shares::default(),
            runs: own_runs(runs, (unit, oil), |_| None),
            narrowings: Vec::new(),
        });
    };
    let wanted = prediction(&fleet, pair.0, pair.1, Wanted::LongRun);
    let weights = posterior.weights(&wanted).ok()?;
    let residuals = residuals(&fleet, &posterior, &before);
    let pooled = |id: &RunId| {
        let idx = residuals.iter().position(|one| one.run_id == *id)?;
        let residual = residuals.get(idx)?;
        Some(PooledRun {
            share: weights.get(idx).copied()?,
            off_by_sd: residual.off_by_log / residual.expected_log_sd,
            is_wild: residual.is_wild,
        })
    };
    Some(CellAccount {
        coefficient: coefficients_of(&fleet, &posterior, config, &[pair])
            .into_iter()
            .next()?,
        shares: shares(&fleet.rows, &weights, pair),
        runs: own_runs(runs, (unit, oil), pooled),
        narrowings: narrowings(&fleet, &posterior, (&wanted, pair), config),
    })
}

fn find(all: Vec<RemovalCoefficient>, unit: &UnitId, oil: &OilType) -> Option<RemovalCoefficient> {
    all.into_iter()
        .find(|row| row.unit_id == *unit && row.oil_type == *oil)
}

/// What a difference of two runs tells needs a level to stand on, whose weight is below zero: the others' weights then
/// add up to more than the whole. Such a level is left out, and what is not the cell's own is shared out among the rest
/// in proportion.
fn shares(rows: &[FleetRow], weights: &[f64], (unit, oil): (usize, usize)) -> Shares {
    let mut shares = Shares::default();
    for (row, weight) in rows.iter().zip(weights) {
        *match (row.unit == unit, row.oil == oil) {
            (true, true) => &mut shares.own,
            (true, false) => &mut shares.unit,
            (false, true) => &mut shares.oil,
            (false, false) => &mut shares.rest,
        } += weight;
    }
    let total = (shares.own + shares.unit + shares.oil + shares.rest).clamp(0.0, 1.0);
    let own = shares.own.clamp(0.0, total);
    let beside = shares.unit.max(0.0) + shares.oil.max(0.0) + shares.rest.max(0.0);
    let scale = if beside > 0.0 {
        (total - own) / beside
    } else {
        0.0
    };
    Shares {
        own,
        unit: scale * shares.unit.max(0.0),
        oil: scale * shares.oil.max(0.0),
        rest: scale * shares.rest.max(0.0),
    }
}

fn own_runs(
    runs: &[FleetRun<'_>],
    (unit, oil): (&UnitId, &OilType),
    pooled: impl Fn(&RunId) -> Option<PooledRun>,
) -> Vec<RunAccount> {
    let mut own: Vec<RunAccount> = runs
        .iter()
        .filter(|run| run.fit.unit_id == *unit && run.fit.oil_type.as_ref() == Some(oil))
        .map(|run| RunAccount {
            run_id: run.fit.run_id.clone(),
            started_at: run.run.started_at,
            reservoir_id: run.fit.reservoir_id.clone(),
            status: run.fit.status,
            badly_mixed: run.fit.regime == Some(Regime::TwoCompartments),
            dried_flow_lpm: run.fit.dried_flow_lpm,
            pooled: pooled(&run.fit.run_id),
            evidence: run.fit.evidence.clone(),
        })
        .collect();
    own.sort_by(|a, b| (a.started_at, &a.run_id).cmp(&(b.started_at, &b.run_id)));
    own
}

fn narrowings(
    fleet: &Fleet,
    posterior: &Posterior,
    (wanted, (unit, oil)): (&LinearPrediction, (usize, usize)),
    config: &FleetConfig,
) -> Vec<Narrowing> {
    let Ok(now) = posterior.sd_at_mode(wanted) else {
        return Vec::new();
    };
    let Some(model) = design::to_model(fleet, Outliers::Normal, config) else {
        return Vec::new();
    };
    let own: Vec<usize> = fleet
        .rows
        .iter()
        .enumerate()
        .filter(|(_, row)| row.unit == unit && row.oil == oil)
        .map(|(idx, _)| idx)
        .collect();
    let mut reservoirs: Vec<usize> = own
        .iter()
        .filter_map(|idx| fleet.rows.get(*idx))
        .map(|row| row.reservoir)
        .filter(|at| {
            let dipped = fleet.reservoir_sds.first().and_then(|sds| sds.get(*at));
            dipped.is_none_or(|sd| *sd <= 0.0)
        })
        .collect();
    reservoirs.sort_unstable();
    reservoirs.dedup();
    // A cell without runs is no level of the model: a first run makes it one.
    let cell = fleet
        .cells
        .binary_search(&(unit, oil))
        .unwrap_or(fleet.cells.len());
    let mut seen = wanted.clone();
    if let Some(level) = seen.levels.get_mut(CELL_GROUP) {
        *level = Level::Seen(cell);
    }
    let mut trials = Vec::new();
    let variance = usual_variance(fleet, unit);
    for (step, n) in [(Step::OneMoreRun, 1), (Step::ThreeMoreRuns, 3)] {
        let other = with_runs(&model, n, [unit, oil, cell], (variance, config));
        trials.push((step, other, &seen));
    }
    if !reservoirs.is_empty() {
        let step = Step::DipVolumes(reservoirs.len());
        trials.push((step, with_dips(&model, &reservoirs, config), wanted));
    }
    if !own.is_empty() {
        let mut other = model.clone();
        for idx in &own {
            if let Some(variance) = other.known_var.get_mut(*idx) {
                *variance *= SAMPLED_SD * SAMPLED_SD;
            }
        }
        trials.push((Step::SampleRuns(own.len()), other, wanted));
    }
    let mut out: Vec<Narrowing> = trials
        .into_iter()
        .filter_map(|(step, other, wanted)| {
            let sd = posterior.sd_under(&other, wanted).ok()?;
            let width_ratio = sd / now;
            (width_ratio.is_finite() && width_ratio < 1.0)
                .then_some(Narrowing { step, width_ratio })
        })
        .collect();
    out.sort_by(|a, b| a.width_ratio.total_cmp(&b.width_ratio));
    out
}

/// The median variance of the unit's runs, or of the fleet's.
fn usual_variance(fleet: &Fleet, unit: usize) -> f64 {
    let median = |wanted: &dyn Fn(&FleetRow) -> bool| {
        let rows = fleet.rows.iter().filter(|row| wanted(row));
        robust::median(&rows.map(|row| row.variance).collect::<Vec<f64>>())
    };
    median(&|row| row.unit == unit)
        .or_else(|| median(&|_| true))
        .unwrap_or(1.0)
}

/// The model with `n` runs more, each on a dipped reservoir of its own.
fn with_runs(
    model: &CrossedModel,
    n: usize,
    [unit, oil, cell]: [usize; 3],
    (variance, config): (f64, &FleetConfig),
) -> CrossedModel {
    let mut other = model.clone();
    let mut columns = model.fixed.columns().to_vec();
    for (idx, column) in columns.iter_mut().enumerate() {
        // At reference conditions every covariate is zero.
        column.extend(std::iter::repeat_n(if idx == 0 { 1.0 } else { 0.0 }, n));
    }
    other.y.extend(std::iter::repeat_n(0.0, n));
    other.known_var.extend(std::iter::repeat_n(variance, n));
    if let Ok(fixed) = drydown_stats::linear::Design::from_columns(other.y.len(), columns) {
        other.fixed = fixed;
    }
    // The fourth group is the unit's sensor.
    for (group, level) in other.groups.iter_mut().zip([unit, oil, cell, unit]) {
        group.levels.extend(std::iter::repeat_n(level, n));
        group.n_levels = group.n_levels.max(level + 1);
    }
    for (place, group) in other.groups.iter_mut().skip(RESERVOIR_GROUP).enumerate() {
        group.levels.extend(group.n_levels..group.n_levels + n);
        group.n_levels += n;
        let sd = if place == DIPPED {
            config.dipped_log_sd()
        } else {
            0.0
        };
        if let Spread::Known { sds } | Spread::Stated { sds, .. } = &mut group.spread {
            sds.extend(std::iter::repeat_n(sd, n));
        }
    }
    other
}

/// The model with the volumes of these reservoirs dipped.
fn with_dips(model: &CrossedModel, reservoirs: &[usize], config: &FleetConfig) -> CrossedModel {
    let mut other = model.clone();
    let groups = other.groups.iter_mut().skip(RESERVOIR_GROUP).take(N_BASES);
    for (place, group) in groups.enumerate() {
        if let Spread::Known { sds } | Spread::Stated { sds, .. } = &mut group.spread {
            for at in reservoirs {
                if let Some(sd) = sds.get_mut(*at) {
                    *sd = if place == DIPPED {
                        config.dipped_log_sd()
                    } else {
                        0.0
                    };
                }
            }
        }
    }
    other
}
