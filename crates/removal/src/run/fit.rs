//! Fits one model to one run, compares regimes, and finds the profile interval of ln k.

use drydown_stats::relaxation::{Relaxation, fit_relaxation};
use drydown_stats::{normal, optimise};

use super::conditions::conditions_moved;
use super::laws::law_log_sd;
use super::model::{
    MixingPriors, Model, Prior, Priors, RATE_MAX, RATE_MIN, Shape, USUAL_DISSOLVING, USUAL_POOL,
};
use super::noise::Noise;
use super::paths::Paths;
use super::points::Points;
use super::solve::{Solution, inverse_diagonal, solve};
use crate::config::RunFitConfig;

/// A second regime asks for this many levels of the sensor.
const N_LEVELS_MIN: usize = 12;
/// A step that gains less deviance than this ends a search: a thousandth of what an interval's end is made of.
const GAIN_MIN: f64 = 1e-3;

/// A fitted model.
#[derive(Clone, Debug)]
pub(super) struct Fit<'a> {
    pub(super) model: Model<'a>,
    pub(super) theta: Vec<f64>,
    /// Minus twice the penalised log-likelihood at maximum-likelihood noise.
    pub(super) deviance: f64,
    /// Standard error of ln k from the curvature; None where the data do not bend.
    pub(super) ln_rate_se: Option<f64>,
    /// Ends of the profile interval of ln k; None where open.
    pub(super) ln_rate_lower: Option<f64>,
    pub(super) ln_rate_upper: Option<f64>,
    /// Standard deviation of the log of the end level, prior included.
    pub(super) ln_end_sd: Option<f64>,
    pub(super) phi: f64,
    /// JᵀJ over all unknowns where the search ended.
    pub(super) information: Vec<Vec<f64>>,
    /// Factor on the variance of ln k for the uncertain memory of the errors.
    variance_growth: f64,
    /// The laws that this fit was joined from, where it was more than one: the rate is between theirs.
    pub(super) joined: Vec<Shape>,
}

/// Fits first order and, where it pays, free water or a capped law; gives the better, without its interval.
pub(super) fn fit_well_mixed<'a>(
    points: &'a Points,
    priors: Priors,
    free_water: bool,
    config: &'a RunFitConfig,
) -> Fit<'a> {
    let gain = !points.lab.is_empty() && !points.sensor.is_empty();
    let outlet = points.sensor_at_outlet || points.lab.iter().any(|point| point.outlet);
    let plain = Shape {
        capacity: false,
        free_water: false,
        gain,
        outlet,
        slopes: conditions_moved(points, config),
        drift: false,
        mixing: false,
        settled: false,
    };
    let mut best = fit_shape(points, config, plain, priors, &[1.0, 0.3, 3.0]);
    if free_water {
        // Free water is there by the solubility; whether it left at its own rate is for the data to say.
        let other = fit_shape(
            points,
            config,
            Shape {
                free_water,
                ..plain
            },
            priors,
            &[1.0],
        );
        if other.deviance < best.deviance {
            best = other;
        }
    }
    if n_levels(points) >= N_LEVELS_MIN || points.lab.len() >= 4 {
        let capped = Shape {
            capacity: true,
            ..best.model.shape
        };
        // The steepest fall seen is within any cap; where the registers tell what the pump can
        // take, that says more.
        let seen = steepest(&best).max(1e-3).ln();
        let told = priors.ln_capacity.sd < 1.0;
        let mean = if told {
            priors.ln_capacity.mean.max(seen)
        } else {
            seen
        };
        let priors = Priors {
            ln_capacity: Prior {
                mean,
                sd: priors.ln_capacity.sd,
            },
            ..priors
        };
        let other = fit_shape(points, config, capped, priors, &[1.0, 3.0]);
        if other.deviance + config.regime_deviance < best.deviance && shows_cap(&other) {
            best = other;
        }
    }
    best
}

/// Whether levels show the straight part of a capped run.
///
/// Near saturation a sensor stands still although water leaves: it sees dissolved water only, and one that reads a
/// little low never reaches its top. That looks like a cap and is none.
fn shows_cap(fit: &Fit<'_>) -> bool {
    const N_SEEN_MIN: usize = 6;
    const OF_SOLUBILITY: f64 = 0.8;
    let points = fit.model.points;
    let values = fit.model.values(&fit.theta);
    let kink = values.law.asymptote_ppm + values.law.capacity_ppm_per_h / values.law.rate_per_h;
    let mut water = Vec::new();
    super::curve::path(&values.law, &points.steps, values.start_ppm, &mut water);
    let is_shown = |node: usize| {
        let content = water.get(node).copied().unwrap_or(0.0);
        let most = points
            .steps
            .get(node)
            .map_or(f64::INFINITY, |step| OF_SOLUBILITY * step.solubility_ppm);
        content > kink && content < most
    };
    let by_sensor = points
        .sensor
        .iter()
        .filter(|point| point.says.is_level() && is_shown(point.node))
        .count();
    // A sample tells all the water: two of them on the straight part show it whatever the solubility.
    let by_samples = points
        .lab
        .iter()
        .filter(|point| !point.outlet && water.get(point.node).is_some_and(|ppm| *ppm > kink))
        .count();
    by_sensor >= N_SEEN_MIN || by_samples >= 2
}

/// The same law with an end level that moves along the run, from where the fit stands.
pub(super) fn fit_drift<'a>(well_mixed: &Fit<'a>) -> Fit<'a> {
    let model = &well_mixed.model;
    let shape = Shape {
        drift: true,
        ..model.shape
    };
    let mut start = well_mixed.theta.clone();
    start.push(0.0);
    fit_from(
        Model::new(model.points, model.config, shape, model.priors),
        &start,
    )
}

/// Whether a run has enough levels to speak of how its reservoir mixes; with free water the law knows no such thing.
pub(super) fn can_tell_mixing(well_mixed: &Fit<'_>) -> bool {
    n_levels(well_mixed.model.points) >= N_LEVELS_MIN && !well_mixed.model.shape.free_water
}

/// Fits a loop and a rest to the points of a fit, without an interval.
pub(super) fn fit_two_compartments<'a>(well_mixed: &Fit<'a>, mixing: MixingPriors) -> Fit<'a> {
    let model = &well_mixed.model;
    let shape = Shape {
        capacity: false,
        free_water: false,
        drift: false,
        mixing: true,
        ..model.shape
    };
    let priors = Priors {
        mixing,
        ..model.priors
    };
    fit_shape(model.points, model.config, shape, priors, &[1.0])
}

/// Fits settled water that dissolves again to the points of a fit, without an interval.
pub(super) fn fit_settled<'a>(well_mixed: &Fit<'a>) -> Fit<'a> {
    let model = &well_mixed.model;
    let shape = Shape {
        capacity: false,
        free_water: false,
        drift: false,
        settled: true,
        ..model.shape
    };
    fit_shape(model.points, model.config, shape, model.priors, &[1.0, 2.0])
}

/// Gives a fit its interval. From here on the errors are those of the restricted likelihood, the curve refitted under
/// them.
pub(super) fn finish<'a>(mut fit: Fit<'a>) -> Fit<'a> {
    settle_errors(&mut fit);
    profile(&mut fit);
    fit
}

/// The errors by restricted likelihood, and the curve refitted under them.
pub(super) fn settle_errors(fit: &mut Fit<'_>) {
    for _ in 0..2 {
        (fit.model.noise, fit.variance_growth) = fit.model.fit_noise_restricted(&fit.theta);
        fit.theta = solve_model(&fit.model, &fit.theta, None).theta;
    }
    fit.phi = fit.model.noise.phi;
}

/// Refits everything else under a given rate.
pub(super) fn hold_rate(fit: &mut Fit<'_>, rate_per_h: f64) {
    if let Some(ln_rate) = fit.theta.first_mut() {
        *ln_rate = rate_per_h.clamp(RATE_MIN, RATE_MAX).ln();
    }
    fit.theta = solve_model(&fit.model, &fit.theta, Some(0)).theta;
}

/// Sensor values that tell a level.
fn n_levels(points: &Points) -> usize {
    points
        .sensor
        .iter()
        .filter(|point| point.says.is_level())
        .count()
}

/// The steepest mean fall that the fitted curve shows, ppm/h.
fn steepest(fit: &Fit<'_>) -> f64 {
    let values = fit.model.values(&fit.theta);
    let hours = fit.model.points.work_hours.max(1e-3);
    let mut water = Vec::new();
    super::curve::path(
        &values.law,
        &fit.model.points.steps,
        values.start_ppm,
        &mut water,
    );
    let end = water.get(fit.model.points.end_node).copied();
    let end = end.unwrap_or(values.start_ppm);
    let initial = values.law.rate_per_h * (values.start_ppm - values.law.asymptote_ppm);
    let mean = (values.start_ppm - end) / hours;
    (initial.max(1e-6) * mean.max(1e-6)).sqrt()
}

/// Fits one shape from several starts (factors of the rate that the ends suggest); the best of them.
fn fit_shape<'a>(
    points: &'a Points,
    config: &'a RunFitConfig,
    shape: Shape,
    priors: Priors,
    factors: &[f64],
) -> Fit<'a> {
    let mut best: Option<Fit<'a>> = None;
    for factor in factors.iter().copied() {
        let model = Model::new(points, config, shape, priors);
        let start = start_values(points, shape, priors, factor);
        let fit = fit_from(model, &start);
        if best
            .as_ref()
            .is_none_or(|held| fit.deviance < held.deviance)
        {
            best = Some(fit);
        }
        // One start is enough where it already tells noise from curve.
        if best
            .as_ref()
            .is_some_and(|held| held.phi < 0.9 && !shape.capacity)
        {
            break;
        }
    }
    best.unwrap_or_else(|| {
        let model = Model::new(points, config, shape, priors);
        let start = start_values(points, shape, priors, 1.0);
        fit_from(model, &start)
    })
}

/// Alternates between the unknowns and the size and memory of the errors.
fn fit_from<'a>(mut model: Model<'a>, start: &[f64]) -> Fit<'a> {
    let mut theta = start.to_vec();
    for _ in 0..6 {
        theta = solve_model(&model, &theta, None).theta;
        model.update_scales(&theta);
        let likely = model.fit_noise(&theta);
        let settled = (likely.phi - model.noise.phi).abs() < 0.005
            && (likely.sigma / model.noise.sigma - 1.0).abs() < 0.01;
        model.noise = likely;
        if settled {
            break;
        }
    }
    let solution = solve_model(&model, &theta, None);
    theta = solution.theta;
    let deviance = model.deviance(&theta);
    let phi = model.noise.phi;
    Fit {
        model,
        theta,
        deviance,
        ln_rate_se: None,
        ln_rate_lower: None,
        ln_rate_upper: None,
        ln_end_sd: None,
        phi,
        information: solution.information,
        variance_growth: 1.0,
        joined: Vec::new(),
    }
}

fn solve_model(model: &Model<'_>, start: &[f64], fixed: Option<usize>) -> Solution {
    let paths = Paths::default();
    solve(
        &|theta: &[f64], out: &mut Vec<f64>| model.residuals(theta, &paths, out),
        start,
        fixed,
        GAIN_MIN,
    )
}

/// One exponential through the sensor's levels; None where they are too few or do not fall.
fn seen_by_sensor(points: &Points) -> Option<Relaxation> {
    if points.sensor_at_outlet || n_levels(points) < N_LEVELS_MIN {
        return None;
    }
    let mut worked = 0.0;
    let hours: Vec<f64> = points
        .steps
        .iter()
        .map(|step| {
            worked += step.hours * step.factor;
            worked
        })
        .collect();
    let (t, y): (Vec<f64>, Vec<f64>) = points
        .sensor
        .iter()
        .filter(|point| point.says.is_level())
        .filter_map(|point| Some((*hours.get(point.node)?, point.water_ppm)))
        .unzip();
    let seen = fit_relaxation(&t, &y, 1e-3).ok()?;
    (seen.fall > 0.0 && seen.rate * worked > 0.3 && seen.ln_rate_se < 0.5).then_some(seen)
}

fn start_values(points: &Points, shape: Shape, priors: Priors, factor: f64) -> Vec<f64> {
    let first = points
        .lab
        .iter()
        .filter(|point| !point.outlet)
        .map(|point| (point.node, point.water_ppm))
        .chain(
            points
                .sensor
                .iter()
                .map(|point| (point.node, point.water_ppm)),
        )
        .min_by_key(|(node, _)| *node);
    let last = points
        .sensor
        .iter()
        .map(|point| (point.node, point.water_ppm))
        .chain(
            points
                .lab
                .iter()
                .filter(|point| !point.outlet)
                .map(|point| (point.node, point.water_ppm)),
        )
        .max_by_key(|(node, _)| *node);
    let start = first.map_or(100.0, |(_, water)| water.max(1.0));
    let end = last.map_or(start, |(_, water)| water.max(0.5));
    let floor = priors.ln_end.mean.exp().min(0.7 * end);
    let hours = points.work_hours.max(0.1);
    let ratio = ((start - floor) / (end - floor).max(0.02 * start)).max(1.05);
    let rate = (factor * ratio.ln() / hours).clamp(RATE_MIN * 2.0, RATE_MAX / 2.0);
    let mut theta = vec![rate.ln(), floor.max(0.5).ln(), start.ln(), 0.0];
    if let Some(seen) = seen_by_sensor(points).filter(|_| (factor - 1.0).abs() < 1e-9) {
        let rate = seen.rate.clamp(RATE_MIN * 2.0, RATE_MAX / 2.0);
        // The sensor's own zero is in its level: a floor below what the gas allows is no floor.
        let level = seen.level.max(0.3 * floor).max(0.5);
        theta = vec![rate.ln(), level.ln(), (level + seen.fall).ln(), 0.0];
    }
    if shape.gain {
        theta.push(0.0);
    }
    if shape.capacity {
        theta.push(
            ((start - end).max(1.0) / hours)
                .ln()
                .max(priors.ln_capacity.mean - 1.0),
        );
    }
    if shape.free_water {
        theta.push(0.5);
    }
    if shape.outlet {
        theta.push(priors.outlet.mean);
    }
    if shape.slopes {
        theta.extend([0.0, 0.0]);
    }
    if shape.drift {
        theta.push(0.0);
    }
    if shape.mixing {
        theta.extend([
            priors.mixing.loop_share_logit.mean,
            priors.mixing.ln_exchange.mean,
        ]);
    }
    if shape.settled {
        theta.extend([USUAL_DISSOLVING.mean, USUAL_POOL.mean]);
    }
    theta
}

/// Fills the standard error and the profile interval of ln k.
fn profile(fit: &mut Fit<'_>) {
    let refit = solve_model(&fit.model, &fit.theta, None);
    fit.theta.clone_from(&refit.theta);
    let variance = inverse_diagonal(&refit.information, 0);
    fit.ln_rate_se = variance
        .map(|cell| (cell * fit.variance_growth).sqrt())
        .filter(|se| se.is_finite());
    fit.ln_end_sd = inverse_diagonal(&refit.information, 1)
        .map(|cell| (cell * fit.variance_growth).sqrt())
        .filter(|sd| sd.is_finite());
    let quantile = interval_quantile(fit);
    let limit = quantile * quantile * fit.variance_growth;
    let best = refit.theta.first().copied().unwrap_or(0.0);
    let (low, high) = (RATE_MIN.ln(), RATE_MAX.ln());
    let step = fit.ln_rate_se.unwrap_or(0.5).clamp(0.02, 0.7) * quantile;
    let model = &fit.model;
    let theta = &refit.theta;
    // Each point starts where the one before it ended.
    let last = std::cell::RefCell::new(theta.clone());
    let warm = std::cell::Cell::new(true);
    let excess = |ln_rate: f64| {
        let mut start = if warm.get() {
            last.borrow().clone()
        } else {
            theta.clone()
        };
        if let Some(cell) = start.first_mut() {
            *cell = ln_rate;
        }
        let found = solve_model(model, &start, Some(0));
        last.replace(found.theta);
        found.sum - refit.sum - limit
    };
    let end = |step: f64, bound: f64| {
        last.replace(theta.clone());
        let (inside, outside) = optimise::expand_bracket(excess, best, step, bound)?;
        optimise::brent_root(excess, inside, outside, 2e-3)
    };
    // Where a warm start led astray, the same search from the best point each time.
    let either = |step: f64, bound: f64| {
        warm.set(true);
        end(step, bound).or_else(|| {
            warm.set(false);
            end(step, bound)
        })
    };
    // The law holds the rate constant but for its slopes; a real one wanders by more than the sensor's noise alone.
    let law_sd = law_log_sd(&fit.model);
    let widened = |end: f64| best + (end - best).signum() * (end - best).hypot(quantile * law_sd);
    fit.ln_rate_lower = either(-step, low).map(widened);
    fit.ln_rate_upper = either(step, high).map(widened);
    fit.ln_rate_se = fit.ln_rate_se.map(|se| se.hypot(law_sd));
}

/// Student's quantile at the run's own number of independent sensor values; the normal one for samples alone.
fn interval_quantile(fit: &Fit<'_>) -> f64 {
    let points = fit.model.points;
    let exact = n_levels(points) as f64;
    let upper = 0.5 + 0.5 * fit.model.config.level;
    if exact < 4.0 {
        return normal::quantile(upper);
    }
    let Noise { phi, .. } = fit.model.noise;
    let independent = exact * (1.0 - phi) / (1.0 + phi) + 2.0 * points.lab.len() as f64;
    normal_or_t(upper, (independent - 3.0).max(4.0))
}

fn normal_or_t(upper: f64, df: f64) -> f64 {
    let quantile = normal::student_t_quantile(upper, df);
    if quantile.is_finite() {
        quantile
    } else {
        normal::quantile(upper)
    }
}
