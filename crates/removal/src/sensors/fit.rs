//! Offset, gain and drift of a sensor from its pairs.

use std::collections::BTreeSet;

use drydown_quantity::{Interval, ReservoirId, Stamp};
use drydown_stats::linear::{Design, least_squares};
use drydown_stats::{normal, robust};

use super::pairs::Pair;
use crate::config::RemovalConfig;

const DAYS_PER_YEAR: f64 = 365.25;
/// Where a pair's residual is cut: 95 % efficiency for normal errors (Huber 1981).
const HUBER: f64 = 1.345;

pub(super) struct PairFit {
    /// Sensor less laboratory now, at the median level.
    pub(super) offset: f64,
    pub(super) interval: Interval,
    pub(super) level_ppm: f64,
    /// Whether an interval at the level of an accusation leaves zero out.
    pub(super) offset_clear: bool,
    pub(super) gain: Option<f64>,
    /// ppm a year, and whether an interval at the level of an accusation leaves zero out.
    pub(super) drift: Option<(f64, bool)>,
}

/// What all fits to one sensor's pairs share, so that a fit without some of them speaks of the same offset.
struct Frame {
    level_ppm: f64,
    last: Stamp,
    with_drift: bool,
    typical_solubility_ppm: Option<f64>,
}

impl Frame {
    fn of(pairs: &[Pair], config: &RemovalConfig) -> Option<Self> {
        let levels: Vec<f64> = pairs.iter().map(|pair| pair.sensor_ppm).collect();
        let known: Vec<f64> = pairs
            .iter()
            .filter_map(|pair| pair.solubility_ppm)
            .collect();
        let (first, last) = (pairs.first()?.at, pairs.last()?.at);
        Some(Self {
            level_ppm: robust::median(&levels)?,
            last,
            with_drift: pairs.len() >= config.sensor.n_pairs_drift
                && last.days_after(first) >= config.sensor.drift_span_days,
            typical_solubility_ppm: robust::median(&known).filter(|ppm| *ppm > 0.0),
        })
    }

    /// Offset, gain and drift of one pair. An offset of one activity is worth more ppm in an oil that holds more water.
    fn row(&self, pair: &Pair) -> Vec<f64> {
        let scale = match (pair.solubility_ppm, self.typical_solubility_ppm) {
            (Some(own), Some(typical)) => (own / typical).clamp(0.2, 5.0),
            _ => 1.0,
        };
        let years = if self.with_drift {
            pair.at.days_after(self.last) / DAYS_PER_YEAR
        } else {
            0.0
        };
        vec![
            scale,
            (pair.sensor_ppm - self.level_ppm) / 100.0,
            years * scale,
        ]
    }
}

/// Laboratory less sensor: offset, per 100 ppm, per year, with standard errors.
struct Solved {
    coefficients: Vec<f64>,
    standard_errors: Vec<f64>,
}

/// Regresses laboratory less sensor on level and time, with weak priors and robust weights; the standard errors hold
/// at least the scatter between runs and between reservoirs.
pub(super) fn fit_pairs(pairs: &[Pair], config: &RemovalConfig) -> Option<PairFit> {
    let frame = Frame::of(pairs, config)?;
    let solved = solve(pairs, &frame, config)?;
    let by_run = jackknife(pairs, &frame, config, |pair| pair.run_idx.to_string());
    let by_reservoir = jackknife(pairs, &frame, config, |pair| {
        pair.reservoir_id
            .as_ref()
            .map(|id| ReservoirId::as_str(id).to_owned())
            .unwrap_or_default()
    });
    let error = |column: usize| {
        let own = solved.standard_errors.get(column).copied()?;
        let between = |errors: &Option<Vec<f64>>| {
            errors
                .as_ref()
                .and_then(|errors| errors.get(column).copied())
                .unwrap_or(0.0)
        };
        Some(own.max(between(&by_run)).max(between(&by_reservoir)))
    };
    let run = &config.run;
    let n_runs = pairs.iter().map(|p| p.run_idx).collect::<BTreeSet<_>>();
    let freedom = (n_runs.len() as f64 - 1.0).max(2.0);
    let offset = -*solved.coefficients.first()?;
    // What one laboratory does to all its values alike, and a habit of writing down another hour than that of the
    // drawing: no number of pairs takes them away.
    let shared = (config.sensor.lab_bias_cv * frame.level_ppm).hypot(shared_time_sd(pairs, config));
    let (offset_se, drift_se) = (error(0)?, error(2)?);
    let half = |level: f64| {
        let upper = 0.5 + 0.5 * level;
        let t = normal::student_t_quantile(upper, freedom);
        ((t * offset_se).hypot(normal::quantile(upper) * shared), t)
    };
    let (half_shown, _) = half(run.level);
    let (half_accused, t_accused) = half(config.sensor.accuse_level);
    let per_level = 1.0 + solved.coefficients.get(1)? / 100.0;
    let drift = -*solved.coefficients.get(2)?;
    Some(PairFit {
        offset,
        interval: Interval::new(run.level, offset - half_shown, offset + half_shown),
        level_ppm: frame.level_ppm,
        offset_clear: offset.abs() > half_accused,
        gain: (per_level > 0.05).then(|| 1.0 / per_level),
        drift: frame
            .with_drift
            .then(|| (drift, drift.abs() > t_accused * drift_se)),
    })
}

/// The weighted mean over the pairs of what the hour of drawing may have moved them by, ppm.
fn shared_time_sd(pairs: &[Pair], config: &RemovalConfig) -> f64 {
    let weights = standard_deviations(pairs, config);
    let (mut sum, mut total) = (0.0, 0.0);
    for (pair, sd) in pairs.iter().zip(&weights) {
        let weight = 1.0 / (sd * sd);
        sum += weight * pair.time_sd_ppm;
        total += weight;
    }
    if total > 0.0 { sum / total } else { 0.0 }
}

/// Standard errors by leaving out one group of pairs at a time (delete-one jackknife: Efron 1982, The Jackknife, the
/// Bootstrap and Other Resampling Plans, chapter 3); None with fewer than three groups.
fn jackknife(
    pairs: &[Pair],
    frame: &Frame,
    config: &RemovalConfig,
    group: impl Fn(&Pair) -> String,
) -> Option<Vec<f64>> {
    let groups: BTreeSet<String> = pairs.iter().map(&group).collect();
    if groups.len() < 3 {
        return None;
    }
    let without: Vec<Vec<f64>> = groups
        .iter()
        .filter_map(|one| {
            let rest: Vec<Pair> = pairs.iter().filter(|p| group(p) != *one).cloned().collect();
            Some(solve(&rest, frame, config)?.coefficients)
        })
        .collect();
    let n = without.len() as f64;
    let spread = |column: usize| {
        let values = without.iter().filter_map(|row| row.get(column));
        let mean = values.clone().sum::<f64>() / n;
        let square: f64 = values.map(|value| (value - mean).powi(2)).sum();
        ((n - 1.0) / n * square).sqrt()
    };
    Some((0..3).map(spread).collect())
}

fn solve(pairs: &[Pair], frame: &Frame, config: &RemovalConfig) -> Option<Solved> {
    let mut rows: Vec<Vec<f64>> = pairs.iter().map(|pair| frame.row(pair)).collect();
    let mut y: Vec<f64> = pairs
        .iter()
        .map(|pair| pair.lab_ppm - pair.sensor_ppm)
        .collect();
    // Priors as two further observations: the gain near 1, the drift near 0.
    rows.extend([vec![0.0, 1.0, 0.0], vec![0.0, 0.0, 1.0]]);
    y.extend([0.0, 0.0]);
    let own_sd = standard_deviations(pairs, config);
    let design = Design::from_rows(&rows).ok()?;
    let mut robust_weights = vec![1.0; y.len()];
    let mut fit = None;
    for _ in 0..20 {
        let weights: Vec<f64> = own_sd
            .iter()
            .zip(&robust_weights)
            .map(|(sd, weight)| weight / (sd * sd))
            .collect();
        let now = least_squares(&design, &y, Some(&weights)).ok()?;
        for ((weight, sd), (x, y)) in robust_weights
            .iter_mut()
            .zip(&own_sd)
            .zip(rows.iter().zip(&y))
            .take(pairs.len())
        {
            let (fitted, _) = now.predict(x).ok()?;
            *weight = robust::huber_weight((y - fitted) / sd, HUBER);
        }
        fit = Some(now);
    }
    let fit = fit?;
    let standardised: Vec<f64> = rows
        .iter()
        .zip(&y)
        .zip(&own_sd)
        .take(pairs.len())
        .filter_map(|((x, y), sd)| Some((y - fit.predict(x).ok()?.0) / sd))
        .collect();
    let scale = fit.residual_sd.max(1e-9);
    let growth = huber_growth(&standardised);
    Some(Solved {
        standard_errors: fit
            .standard_errors
            .iter()
            .map(|se| se / scale * growth)
            .collect(),
        coefficients: fit.coefficients,
    })
}

/// Standard deviation of each pair's difference, ppm, and of the two priors that follow them.
fn standard_deviations(pairs: &[Pair], config: &RemovalConfig) -> Vec<f64> {
    let run = &config.run;
    let own_cv = (run.lab_cv.powi(2) - config.sensor.lab_bias_cv.powi(2))
        .max(0.0)
        .sqrt();
    pairs
        .iter()
        .map(|pair| {
            let level = pair.sensor_ppm.max(pair.lab_ppm * 0.5);
            run.lab_sd_ppm
                .hypot(own_cv.hypot(pair.extra_log_sd) * level)
                .hypot(pair.time_sd_ppm)
                .max(1e-6)
        })
        .chain([
            100.0 * config.sensor.gain_log_sd,
            config.sensor.drift_sd_ppm_per_year,
        ])
        .collect()
}

/// By how much standard errors grow for scatter beyond what the laboratory is known for, 1 and up: Huber's root mean
/// square of the cut residuals over the share that is not cut (Huber 1981, Robust Statistics, section 7.6). Less scatter
/// narrows nothing.
fn huber_growth(standardised: &[f64]) -> f64 {
    let n = standardised.len() as f64;
    let cut: f64 = standardised
        .iter()
        .map(|z| z.clamp(-HUBER, HUBER).powi(2))
        .sum();
    let inside = standardised.iter().filter(|z| z.abs() < HUBER).count() as f64;
    ((cut / (n - 1.0).max(1.0)).sqrt() / (inside / n).max(0.2)).max(1.0)
}
