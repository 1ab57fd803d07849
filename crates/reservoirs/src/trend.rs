//! Cleanliness and acid number: a straight line through samples, and when it meets a limit.
//!
//! Bayesian line with a weak level and a prior on the slope; the noise is pooled with its usual size.

use drydown_physics::particles;
use drydown_quantity::Stamp;
use drydown_runs::history::{ReservoirAction, Sample};
use drydown_stats::normal;
use drydown_stats::passage::FirstPassage;

use crate::history::ReservoirHistory;

/// How one quantity behaves.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Manner {
    /// Usual noise of one result, and what part of the value it is.
    noise: f64,
    noise_share: f64,
    /// Prior of the slope per day: mean and standard deviation.
    slope: (f64, f64),
    /// Unrest of the level per root day.
    unrest: f64,
}

/// Code numbers: one class of repeatability, drifting half a code a month either way (common practice).
const CODES: Manner = Manner {
    noise: 0.7,
    noise_share: 0.0,
    slope: (0.0, 0.015),
    unrest: 0.06,
};
/// Acid, mg KOH/g: repeatability of used oil in ASTM D664 (0.117·X is 2.77 sd) widened to what rounding
/// and sampling add; slow rise (common practice).
const ACID: Manner = Manner {
    noise: 0.015,
    noise_share: 0.08,
    slope: (0.0002, 0.0006),
    unrest: 0.001,
};

/// Standard deviations beyond which nothing is left (6e-7).
const FAR: f64 = 5.0;

/// A line at as_of: level and slope per day, both normal, and the unrest around it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Trend {
    pub(crate) level: f64,
    pub(crate) level_sd: f64,
    pub(crate) slope: f64,
    pub(crate) slope_sd: f64,
    pub(crate) unrest: f64,
    /// What the line must not pass.
    pub(crate) limit: f64,
}

impl Trend {
    /// Probability that the level is or comes above the limit within the horizon.
    ///
    /// Within 0.006, mostly 0.001: the law of a known level, averaged over the level by the midpoint rule.
    #[must_use]
    pub(crate) fn probability(&self, horizon_days: f64) -> f64 {
        let distance = self.limit - self.level;
        if self.level_sd <= 0.0 {
            return self.passage(distance, horizon_days);
        }
        let sd = self.level_sd;
        let past = normal::quick_cdf(-distance / sd);
        let low = (distance - FAR * sd).max(0.0);
        let high = distance + FAR * sd;
        if high <= low {
            return past.min(1.0);
        }
        // within a third of the widths of both laws nothing bends much; near the limit unrest alone counts
        let widest = sd.min(2.0 * self.unrest * horizon_days.sqrt());
        let wanted = (high - low) / (0.3 * widest).max(1e-12);
        let n = wanted.ceil().clamp(8.0, 128.0) as u32;
        let step = (high - low) / f64::from(n);
        let sum: f64 = (0..n)
            .map(|k| {
                let a = low + step * (f64::from(k) + 0.5);
                normal::pdf((a - distance) / sd) * self.passage(a, horizon_days)
            })
            .sum();
        (past + sum * step / sd).clamp(0.0, 1.0)
    }

    /// The same from a known distance below the limit.
    fn passage(&self, distance: f64, horizon_days: f64) -> f64 {
        if distance <= 0.0 {
            return 1.0;
        }
        let (t, m, w) = (horizon_days, self.slope, self.slope_sd);
        let s2 = self.unrest * self.unrest;
        let q = (w * t).hypot((s2 * t).sqrt());
        let ahead = (m * t - distance) / q;
        let lift = 2.0 * m * distance / s2 + 2.0 * (w * distance / s2).powi(2);
        // the stated law, with a quick normal law where nothing large is multiplied by it
        if lift < 7.0 && q > 0.0 {
            let back = -(2.0 * w * w * distance * t + s2 * (m * t + distance)) / (s2 * q);
            let returned = lift.exp() * normal::quick_cdf(back);
            return (normal::quick_cdf(ahead) + returned).min(1.0);
        }
        if ahead < -FAR - 3.0 {
            return 0.0;
        }
        let law = FirstPassage {
            distance,
            distance_sd: 0.0,
            drift_mean: m,
            drift_sd: w,
            diffusion_sd: self.unrest,
        };
        law.cdf(t)
    }

    /// The same for one drawn level and slope (standard normal numbers).
    #[must_use]
    pub(crate) fn probability_given(&self, z_level: f64, z_slope: f64, horizon_days: f64) -> f64 {
        let known = Self {
            level: self.level + z_level * self.level_sd,
            level_sd: 0.0,
            slope: self.slope + z_slope * self.slope_sd,
            slope_sd: 0.0,
            ..*self
        };
        known.probability(horizon_days)
    }
}

/// The lines of the three particle sizes that have a limit and a sample.
pub(crate) fn cleanliness_trends(
    history: &ReservoirHistory<'_>,
    solubility_ppm: f64,
    as_of: Stamp,
) -> Vec<Trend> {
    let limits = history
        .reservoir
        .cleanliness_limit
        .as_deref()
        .and_then(particles::parse_iso4406);
    let Some(limits) = limits else {
        return Vec::new();
    };
    let samples = since_last_treatment(history, |sample| {
        // free water counts as particles: such counts say nothing of the dirt
        let wet = sample.water_ppm.is_some_and(|ppm| ppm > solubility_ppm);
        !wet && sample
            .iso4406_4um
            .or(sample.iso4406_6um)
            .or(sample.iso4406_14um)
            .is_some()
    });
    let fields: [fn(&Sample) -> Option<i64>; 3] =
        [|s| s.iso4406_4um, |s| s.iso4406_6um, |s| s.iso4406_14um];
    fields
        .iter()
        .zip(limits)
        .filter_map(|(field, limit)| {
            let points = points(&samples, as_of, |sample| {
                field(sample).map(|code| code as f64)
            });
            // codes are whole: the next one begins half a code above
            fit(&points, &CODES, limit? as f64 + 0.5)
        })
        .collect()
}

/// The line of the acid number.
pub(crate) fn acid_trend(history: &ReservoirHistory<'_>, as_of: Stamp) -> Option<Trend> {
    let limit = history.reservoir.acid_limit_mgkoh_g?;
    let changed = last_event(history, &[ReservoirAction::OilChange]);
    let samples: Vec<&Sample> = history
        .samples
        .iter()
        .copied()
        .filter(|sample| sample.informs_reservoir() && sample.acid_mgkoh_g.is_some())
        .filter(|sample| sample.taken_at >= changed)
        .collect();
    fit(
        &points(&samples, as_of, |sample| sample.acid_mgkoh_g),
        &ACID,
        limit,
    )
}

fn last_event(history: &ReservoirHistory<'_>, actions: &[ReservoirAction]) -> Option<Stamp> {
    history
        .events
        .iter()
        .rev()
        .find(|event| actions.contains(&event.action))
        .map(|event| event.at)
}

/// The wanted samples since oil was last changed or filtered by a run; all of them where none followed.
fn since_last_treatment<'a>(
    history: &ReservoirHistory<'a>,
    wanted: impl Fn(&Sample) -> bool,
) -> Vec<&'a Sample> {
    let all: Vec<&Sample> = history
        .samples
        .iter()
        .copied()
        .filter(|sample| sample.informs_reservoir() && wanted(sample))
        .collect();
    let run = history.run_ends.iter().map(|run| run.ended_at).max();
    let treated = run.max(last_event(history, &[ReservoirAction::OilChange]));
    let after: Vec<&Sample> = all
        .iter()
        .copied()
        .filter(|sample| sample.taken_at >= treated)
        .collect();
    if after.is_empty() { all } else { after }
}

/// (days before as_of as a negative number, value), by time.
fn points(
    samples: &[&Sample],
    as_of: Stamp,
    value: impl Fn(&Sample) -> Option<f64>,
) -> Vec<(f64, f64)> {
    samples
        .iter()
        .filter_map(|sample| Some((sample.taken_at?.days_after(as_of), value(sample)?)))
        .collect()
}

/// The line through points at as_of; None without a point.
fn fit(points: &[(f64, f64)], manner: &Manner, limit: f64) -> Option<Trend> {
    let n = points.len() as f64;
    if points.is_empty() {
        return None;
    }
    let mean = points.iter().map(|(_, y)| y).sum::<f64>() / n;
    let usual = manner.noise.hypot(manner.noise_share * mean);
    let mut noise = usual;
    let mut line = solve(points, noise, manner);
    // the residuals speak with n − 1, the usual noise with four
    let residual: f64 = points
        .iter()
        .map(|(t, y)| (y - line.0 - line.1 * t).powi(2))
        .sum();
    noise = ((4.0 * usual * usual + residual) / (4.0 + n - 1.0)).sqrt();
    line = solve(points, noise, manner);
    let newest = points
        .iter()
        .map(|(t, _)| *t)
        .fold(f64::NEG_INFINITY, f64::max);
    let (level, slope, level_var, slope_var) = line;
    Some(Trend {
        level,
        // unrest since the newest point
        level_sd: (level_var + manner.unrest.powi(2) * (-newest).max(0.0)).sqrt(),
        slope,
        slope_sd: slope_var.sqrt(),
        unrest: manner.unrest,
        limit,
    })
}

/// Level at as_of, slope, their variances: weighted least squares with a prior on the slope.
fn solve(points: &[(f64, f64)], noise: f64, manner: &Manner) -> (f64, f64, f64, f64) {
    let w = 1.0 / (noise * noise);
    let prior = 1.0 / manner.slope.1.powi(2);
    let (mut s0, mut s1, mut s2, mut y0, mut y1) = (0.0, 0.0, prior, 0.0, prior * manner.slope.0);
    for (t, y) in points {
        s0 += w;
        s1 += w * t;
        s2 += w * t * t;
        y0 += w * y;
        y1 += w * t * y;
    }
    let det = s0 * s2 - s1 * s1;
    let level = (s2 * y0 - s1 * y1) / det;
    let slope = (s0 * y1 - s1 * y0) / det;
    (level, slope, s2 / det, s0 / det)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_rising_code_is_likelier_to_pass_than_a_flat_one() {
        let rising: Vec<(f64, f64)> =
            [(-90.0, 14.0), (-60.0, 14.6), (-30.0, 15.4), (-1.0, 16.0)].to_vec();
        let flat: Vec<(f64, f64)> = rising.iter().map(|(t, _)| (*t, 15.0)).collect();
        let p = |points: &[(f64, f64)]| fit(points, &CODES, 17.5).unwrap().probability(60.0);
        assert!(p(&rising) > p(&flat) + 0.1, "{} {}", p(&rising), p(&flat));
        assert!(fit(&[], &CODES, 17.5).is_none());
    }

    #[test]
    fn the_quick_average_is_the_law_of_first_passage() {
        for (level, level_sd) in [
            (12.0, 0.4),
            (15.0, 0.8),
            (16.5, 0.3),
            (17.4, 0.1),
            (18.5, 0.5),
        ] {
            for (slope, slope_sd) in [(0.0, 0.012), (0.03, 0.004), (-0.02, 0.01)] {
                for unrest in [0.01, 0.06, 0.2] {
                    let trend = Trend {
                        level,
                        level_sd,
                        slope,
                        slope_sd,
                        unrest,
                        limit: 17.5,
                    };
                    let law = FirstPassage {
                        distance: 17.5 - level,
                        distance_sd: level_sd,
                        drift_mean: slope,
                        drift_sd: slope_sd,
                        diffusion_sd: unrest,
                    };
                    let (got, want) = (trend.probability(60.0), law.cdf(60.0));
                    assert!((got - want).abs() < 6e-3, "{trend:?}: {got} {want}");
                }
            }
        }
    }

    #[test]
    fn the_line_is_the_textbook_one_when_the_prior_is_wide() {
        let wide = Manner {
            slope: (0.0, 1e6),
            ..ACID
        };
        let points = [(-20.0, 1.0), (-10.0, 2.0), (0.0, 3.0)];
        let (level, slope, _, _) = solve(&points, 0.1, &wide);
        assert!((level - 3.0).abs() < 1e-9 && (slope - 0.1).abs() < 1e-9);
    }

    #[test]
    fn one_sample_carries_the_prior_slope() {
        let trend = fit(&[(-10.0, 0.1)], &ACID, 0.2).unwrap();
        assert!((trend.slope - ACID.slope.0).abs() < 1e-9);
        assert!(trend.probability(60.0) < 0.2 && trend.probability(60.0) > 0.0);
    }
}
