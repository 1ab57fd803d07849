//! The prior of one kind of pump, from the pasts of its pumps, shrunk to what is known of any kind.

use drydown_stats::trend::theil_sen;

use crate::PumpStart;
use crate::covariates::{Covariates, Slopes, fit_slopes, of_base, of_speed};
use crate::filter::Spread;
use crate::leak_back::{LeakBackPrior, ln_odds_of_power};
use crate::monitor::days_of;
use crate::pace::MANNERS;
use crate::past::Span;
use crate::path::{self, Begin, Moves, manners_of};
use crate::prior::{KindPrior, WitnessPrior};
use crate::spread::{Point, fit_spread, shrunk};

/// The prior of the pumps of these spans; `trust` is how far spreads may leave the parent's (log).
pub(crate) fn kind_prior(spans: &[&Span], parent: &KindPrior, trust: f64) -> KindPrior {
    let units = spans
        .iter()
        .filter(|span| span.is_first && !span.starts.is_empty())
        .count();
    let (speed, path_spread) = speed_prior(spans, parent, trust);
    let (base, base_path_spread) = base_prior(spans, parent, trust);
    let failing = failing_prior(spans, parent);
    KindPrior {
        speed,
        path_spread,
        base,
        base_path_spread,
        steady: steady_prior(spans, &parent.steady, trust),
        n_units: units,
        n_starts: spans.iter().map(|span| span.starts.len()).sum(),
        ..failing
    }
}

/// The parent with what the pumps of these spans that failed say of failing ones.
pub(crate) fn failing_prior(spans: &[&Span], parent: &KindPrior) -> KindPrior {
    KindPrior {
        failing_drift: failing_drift(spans, parent),
        by_manner: by_manner(spans, parent),
        leak_back: leak_back(spans, parent),
        ..*parent
    }
}

/// The prior of ln speed, and its spread with the falls of failing pumps left out.
fn speed_prior(spans: &[&Span], kind: &KindPrior, trust: f64) -> (WitnessPrior, Spread) {
    let parent = &kind.speed;
    let raw = |span: &&Span| -> Vec<(f64, f64, Covariates)> {
        span.starts
            .iter()
            .filter_map(|s| Some((days_of(s.started_at), ln_speed(s)?, of_speed(s))))
            .collect()
    };
    let slopes = fit_slopes(&spans.iter().map(raw).collect::<Vec<_>>());
    let series: Vec<Vec<Point>> = spans
        .iter()
        .map(|span| speed_points(span, &slopes))
        .collect();
    let mut spread = fit_spread(&series, parent.spread, trust);
    let sound: Vec<Vec<Point>> = series.iter().map(|one| before_fall(one, kind)).collect();
    let mut path_spread = fit_spread(&sound, kind.path_spread, trust);
    path_spread.diffusion_sd = path_spread.diffusion_sd.max(LEAST_DIFFUSION);
    let slopes_of = |points: &Vec<Point>| long_slope(points);
    let drifts: Vec<f64> = series.iter().filter_map(slopes_of).collect();
    let sound = (parent.spread.drift_mean, parent.spread.drift_sd);
    (spread.drift_mean, spread.drift_sd) = shrunk(&drifts, sound, 5.0);
    // Sound pumps do not get better, nor do they fail: keep the prior where it means something.
    spread.drift_mean = spread.drift_mean.clamp(-0.001, 0.0);
    spread.drift_sd = spread.drift_sd.clamp(5e-5, 4e-4);
    let levels: Vec<f64> = spans
        .iter()
        .zip(&series)
        .filter(|(span, _)| span.is_first)
        .filter_map(|(span, points)| Some(early_level(points)? - span.ln_rated?))
        .collect();
    let (level_mean, level_sd) = shrunk(&levels, (parent.level_mean, parent.level_sd), 5.0);
    let prior = WitnessPrior {
        spread,
        level_mean,
        level_sd: level_sd.max(0.05),
        slopes,
    };
    (prior, path_spread)
}

/// However steady sound pumps are, wear keeps to no law better than this: standard deviation of ln speed
/// after a day (common practice, no source).
const LEAST_DIFFUSION: f64 = 0.0015;

/// A span's observations before it first fell faster for six weeks than sound pumps do.
fn before_fall(points: &[Point], parent: &KindPrior) -> Vec<Point> {
    let falls = windows(points).find(|window| window.falls(parent));
    let kept = falls.map_or(points.len(), |window| window.first);
    points.iter().take(kept).copied().collect()
}

fn speed_points(span: &Span, slopes: &Slopes) -> Vec<Point> {
    let point = |s: &PumpStart| {
        let y = ln_speed(s)? - slopes.effect(&of_speed(s));
        Some((days_of(s.started_at), y, s.ln_speed_se.unwrap_or(0.0)))
    };
    span.starts.iter().filter_map(point).collect()
}

/// The prior of base pressure, and its spread with the rises of failing pumps left out.
fn base_prior(spans: &[&Span], kind: &KindPrior, trust: f64) -> (WitnessPrior, Spread) {
    let parent = &kind.base;
    // An error of the barometer would pass for the pump's own spread: measured ones only.
    let measured = |s: &&PumpStart| s.base_kpa_se.is_some_and(|se| se < 0.5);
    let raw = |span: &&Span| -> Vec<(f64, f64, Covariates)> {
        let starts = span.starts.iter().filter(measured);
        starts
            .filter_map(|s| Some((days_of(s.started_at), s.base_kpa?, of_base(s, span.kind))))
            .collect()
    };
    let slopes = fit_slopes(&spans.iter().map(raw).collect::<Vec<_>>());
    let points = |span: &&Span| -> Vec<Point> {
        let starts = span.starts.iter().filter(measured);
        starts
            .filter_map(|s| {
                let y = s.base_kpa? - slopes.effect(&of_base(s, span.kind));
                Some((days_of(s.started_at), y, s.base_kpa_se?))
            })
            .collect()
    };
    let series: Vec<Vec<Point>> = spans.iter().map(points).collect();
    let mut spread = fit_spread(&series, parent.spread, trust);
    let sound: Vec<Vec<Point>> = spans
        .iter()
        .zip(&series)
        .map(|(span, base)| before_rise(base, span, kind))
        .collect();
    let path_spread = fit_spread(&sound, kind.base_path_spread, trust);
    let drifts: Vec<f64> = series.iter().filter_map(|one| long_slope(one)).collect();
    let sound = (parent.spread.drift_mean, parent.spread.drift_sd);
    (spread.drift_mean, spread.drift_sd) = shrunk(&drifts, sound, 5.0);
    // A sound base does not fall for good, nor does it rise by more than a few kPa in a year.
    spread.drift_mean = spread.drift_mean.clamp(0.0, 0.004);
    spread.drift_sd = spread.drift_sd.clamp(5e-4, 4e-3);
    let levels: Vec<f64> = series
        .iter()
        .filter_map(|points| early_level(points))
        .collect();
    let (level_mean, level_sd) = shrunk(&levels, (parent.level_mean, parent.level_sd), 5.0);
    let prior = WitnessPrior {
        spread,
        level_mean,
        level_sd: level_sd.max(0.3),
        slopes,
    };
    (prior, path_spread)
}

/// A span's base pressures before its speed first fell as that of a failing pump, or the base itself
/// rose for six weeks as no sound one does.
fn before_rise(base: &[Point], span: &Span, kind: &KindPrior) -> Vec<Point> {
    let speeds = speed_points(span, &kind.speed.slopes);
    let fall = windows(&speeds).find(|window| window.falls(kind));
    let fall = fall
        .and_then(|window| speeds.get(window.first))
        .map(|p| p.0);
    let rise = windows(base).find(|window| window.slope - 3.0 * window.se > CLEAR_RISE);
    let rise = rise.and_then(|window| base.get(window.first)).map(|p| p.0);
    let until = fall.into_iter().chain(rise).fold(f64::INFINITY, f64::min);
    base.iter().filter(|p| p.0 < until).copied().collect()
}

fn steady_prior(spans: &[&Span], parent: &WitnessPrior, trust: f64) -> WitnessPrior {
    let raw: Vec<Vec<(f64, f64, Covariates)>> =
        spans.iter().map(|span| span.runs.clone()).collect();
    let slopes = fit_slopes(&raw);
    let points = |span: &&Span| -> Vec<Point> {
        span.runs
            .iter()
            .map(|(day, y, x)| (*day, y - slopes.effect(x), 0.0))
            .collect()
    };
    let series: Vec<Vec<Point>> = spans.iter().map(points).collect();
    // A level that wanders with the rises of failing pumps would take in a step before its chart has
    // gathered it: runs differ as much as a step.
    let sound: Vec<Vec<Point>> = series.iter().map(|one| before_steady_rise(one)).collect();
    let spread = fit_spread(&sound, parent.spread, trust);
    let levels: Vec<f64> = series
        .iter()
        .filter_map(|points| early_level(points))
        .collect();
    let (level_mean, level_sd) = shrunk(&levels, (parent.level_mean, parent.level_sd), 5.0);
    WitnessPrior {
        spread,
        level_mean,
        level_sd: level_sd.max(0.1),
        slopes,
    }
}

/// Median of a span's first observations.
fn early_level(points: &[Point]) -> Option<f64> {
    let first: Vec<f64> = points.iter().take(5).map(|(_, y, _)| *y).collect();
    if first.len() < 3 {
        None
    } else {
        drydown_stats::robust::median(&first)
    }
}

/// Slope per day over a span of at least sixty days and eight observations.
fn long_slope(points: &[Point]) -> Option<f64> {
    let (first, last) = (points.first()?.0, points.last()?.0);
    if last - first < 60.0 || points.len() < 8 {
        return None;
    }
    // A few dozen points tell the slope; pairs grow with the square.
    let every = points.len().div_ceil(60);
    let kept = || points.iter().step_by(every);
    let x: Vec<f64> = kept().map(|(day, _, _)| *day).collect();
    let y: Vec<f64> = kept().map(|(_, y, _)| *y).collect();
    theil_sen(&x, &y, 0.9).ok().map(|line| line.slope)
}

/// A span's ln steady pressures before they first rose for six weeks as no sound pump's do.
fn before_steady_rise(points: &[Point]) -> Vec<Point> {
    let rise = windows(points).find(|window| window.slope - 2.0 * window.se > CLEAR_STEADY_RISE);
    let kept = rise.map_or(points.len(), |window| window.first);
    points.iter().take(kept).copied().collect()
}

/// Rise of ln steady pressure per day that no sound pump has for six weeks (common practice).
const CLEAR_STEADY_RISE: f64 = 0.001;

/// Rise of a base per day that no sound pump has for six weeks, kPa (common practice).
const CLEAR_RISE: f64 = 0.01;

/// Slope per day of ln speed that no sound pump has for six weeks.
fn clear_fall(parent: &KindPrior) -> f64 {
    let sound = &parent.speed.spread;
    (sound.drift_mean - 5.0 * sound.drift_sd).min(-0.002)
}

/// Six weeks of one span: number of the first observation, slope per day and its standard error.
#[derive(Clone, Copy, Debug)]
struct Window {
    first: usize,
    slope: f64,
    se: f64,
}

impl Window {
    /// Whether ln speed fell faster than that of sound pumps, beyond chance (of many windows).
    fn falls(&self, parent: &KindPrior) -> bool {
        self.slope + 3.0 * self.se < clear_fall(parent)
    }
}

/// Every window of six weeks with enough in it.
fn windows(points: &[Point]) -> impl Iterator<Item = Window> {
    const WINDOW_DAYS: f64 = 45.0;
    points
        .iter()
        .enumerate()
        .filter_map(|(first, (from, _, _))| {
            let rest = points.get(first..).unwrap_or(&[]);
            let n = rest
                .iter()
                .take_while(|p| p.0 <= from + WINDOW_DAYS)
                .count();
            let window = rest.get(..n).unwrap_or(&[]);
            let long = window
                .last()
                .is_some_and(|p| p.0 - from > 0.5 * WINDOW_DAYS);
            let (slope, se) = ols_slope(window);
            (window.len() >= 6 && long).then_some(Window { first, slope, se })
        })
}

/// A speed is back where it has regained this share of what it had lost, and no less than this (common
/// practice, no source).
const REGAINED: f64 = 0.5;
const LEAST_REGAINED: f64 = 0.15;

/// The first fall of a span's ln speed: how many of its points come before, and those from the first six
/// weeks that fell much faster than those of sound pumps until it was lowest. Where the speed came back, a
/// repair that nobody recorded has ended the fall: what follows is another pump's.
fn fall_of<'a>(points: &'a [Point], parent: &KindPrior) -> Option<(usize, &'a [Point])> {
    let first = windows(points).find(|window| window.falls(parent))?.first;
    let level = early_level(points)?;
    let fallen = points.get(first..)?;
    let mut lowest: Option<(usize, f64)> = None;
    for (number, three) in fallen.windows(3).enumerate() {
        let three: Vec<f64> = three.iter().map(|point| point.1).collect();
        let Some(now) = drydown_stats::robust::median(&three) else {
            continue;
        };
        let Some((at, low)) = lowest.filter(|(_, low)| now > *low) else {
            lowest = Some((number, now));
            continue;
        };
        if now - low > (REGAINED * (level - low)).max(LEAST_REGAINED) {
            return Some((first, fallen.get(..at + 3)?));
        }
    }
    Some((first, fallen))
}

/// Fall of ln speed per day of pumps that failed.
fn failing_drift(spans: &[&Span], parent: &KindPrior) -> (f64, f64) {
    let slope = |span: &&Span| {
        let points = speed_points(span, &parent.speed.slopes);
        let (slope, _) = ols_slope(fall_of(&points, parent)?.1);
        Some(-slope).filter(|fall| *fall > 0.0)
    };
    let found: Vec<f64> = spans.iter().filter_map(slope).collect();
    shrunk(&found, parent.failing_drift, 4.0)
}

/// Pumps that failed which what is known beforehand of their manner counts for, and the loss of ln speed
/// from which one shows it.
const MANNER_KNOWN: f64 = 2.0;
const SHOWN_LOSS: f64 = 0.4;
/// How well a course keeps to a law of wear at best, standard deviation of ln speed (common practice).
const LEAST_MISFIT: f64 = 0.02;
const MANNER_ROUNDS: usize = 10;

/// In which manner the speeds of pumps that failed fell: the likeliest shares beside what was known.
fn by_manner(spans: &[&Span], parent: &KindPrior) -> [f64; MANNERS] {
    // No law holds to the last hundredth, however steady sound pumps are.
    let sound = Spread {
        noise_sd: parent.path_spread.noise_sd.max(LEAST_MISFIT),
        ..parent.path_spread
    };
    let moves = Moves {
        sound,
        fall: parent.failing_drift,
        by_manner: parent.by_manner,
    };
    let of_span = |span: &&Span| {
        let points = speed_points(span, &parent.speed.slopes);
        let (before, fallen) = fall_of(&points, parent)?;
        let level = early_level(&points)?;
        let lost = level - fallen.iter().map(|p| p.1).fold(f64::INFINITY, f64::min);
        let onset = fallen.first()?.0;
        let (from, _, _) = *points.first()?;
        let begin = Begin {
            day: from,
            level,
            level_sd: parent.path_spread.noise_sd,
        };
        let course = points.get(..before + fallen.len())?;
        let points = course.iter().map(|(day, y, se)| path::Point {
            day: *day,
            y: *y,
            se: *se,
        });
        let points: Vec<path::Point> = points.collect();
        (lost > SHOWN_LOSS).then(|| manners_of(begin, &points, onset, &moves))?
    };
    let shown: Vec<[f64; MANNERS]> = spans.iter().filter_map(of_span).collect();
    // Expectation and maximisation; what a pump says goes with the odds of what is known.
    let mut by = parent.by_manner;
    for _ in 0..MANNER_ROUNDS {
        let mut sum = parent.by_manner.map(|share| MANNER_KNOWN * share);
        for one in &shown {
            let mut own = *one;
            for ((cell, now), before) in own.iter_mut().zip(by).zip(parent.by_manner) {
                *cell *= now / before.max(1e-9);
            }
            let total: f64 = own.iter().sum();
            for (cell, share) in sum.iter_mut().zip(own) {
                *cell += share / total.max(1e-12);
            }
        }
        let total: f64 = sum.iter().sum();
        by = sum.map(|share| share / total);
    }
    by
}

/// Pumps that failed which the law of leak-back known beforehand counts for.
const LAW_KNOWN: f64 = 3.0;
/// What one pump's bases may say of the law, log odds: its own history is not the fleet's.
const MOST_LN_ODDS: f64 = 4.0;

/// How the bases of failing pumps went with their lost speed: by regression of ln(base over its level
/// before) on the loss, through the origin, for each span that fell, and by which law it fits better.
fn leak_back(spans: &[&Span], parent: &KindPrior) -> LeakBackPrior {
    let (mut gammas, mut by_power, mut of) = (Vec::new(), 0.0, 0.0);
    for (base, seen) in spans.iter().filter_map(|span| worn_bases(span, parent)) {
        let ll: f64 = seen.iter().map(|(lost, _)| lost * lost).sum();
        let ratio = |kpa: f64| (kpa.max(0.3 * base) / base).ln();
        let lb: f64 = seen.iter().map(|(lost, kpa)| lost * ratio(*kpa)).sum();
        // What only stands in the pump's way lifts no base.
        if lb / ll <= 0.3 {
            continue;
        }
        gammas.push((lb / ll).ln());
        let odds = ln_odds_of_power(&seen, base).clamp(-MOST_LN_ODDS, MOST_LN_ODDS);
        let known = parent.leak_back.by_power;
        let odds = odds.exp() * known / (1.0 - known);
        by_power += odds / (1.0 + odds);
        of += 1.0;
    }
    let (mean, sd) = shrunk(&gammas, parent.leak_back.ln_gamma, 4.0);
    LeakBackPrior {
        // A handful of pumps does not show how much pumps differ.
        ln_gamma: (mean.clamp(-0.5, 1.5), sd.max(0.12)),
        by_power: (LAW_KNOWN * parent.leak_back.by_power + by_power) / (LAW_KNOWN + of),
    }
}

/// Base of a pump before its speed first fell, and ln speed lost and base of its later starts; None where
/// there are too few.
fn worn_bases(span: &Span, parent: &KindPrior) -> Option<(f64, Vec<(f64, f64)>)> {
    /// A smaller loss of ln speed says little of the law; fewer starts neither.
    const LEAST_LOSS: f64 = 0.3;
    const LEAST_STARTS: usize = 5;
    let points = speed_points(span, &parent.speed.slopes);
    let fall = windows(&points).find(|window| window.falls(parent))?;
    let from = points.get(fall.first)?.0;
    let last = |values: Vec<f64>| {
        let late = values.get(values.len().saturating_sub(10)..)?;
        (late.len() >= 3).then(|| drydown_stats::robust::median(late))?
    };
    let before = |s: &&PumpStart| days_of(s.started_at) < from;
    let earlier = || span.starts.iter().filter(before);
    let speed = last(earlier().filter_map(ln_speed).collect())?;
    let base = last(earlier().filter_map(|s| s.base_kpa).collect()).filter(|kpa| *kpa > 0.5)?;
    let later = span.starts.iter().filter(|s| !before(s));
    let seen = later.filter_map(|start| Some((speed - ln_speed(start)?, start.base_kpa?)));
    let seen: Vec<(f64, f64)> = seen.filter(|(lost, _)| *lost > LEAST_LOSS).collect();
    (seen.len() >= LEAST_STARTS).then_some((base, seen))
}

/// Slope by least squares and its standard error.
fn ols_slope(points: &[Point]) -> (f64, f64) {
    let n = points.len() as f64;
    let mx = points.iter().map(|p| p.0).sum::<f64>() / n;
    let my = points.iter().map(|p| p.1).sum::<f64>() / n;
    let sxx: f64 = points.iter().map(|p| (p.0 - mx).powi(2)).sum();
    let sxy: f64 = points.iter().map(|p| (p.0 - mx) * (p.1 - my)).sum();
    let syy: f64 = points.iter().map(|p| (p.1 - my).powi(2)).sum();
    if sxx <= 0.0 || n < 3.0 {
        return (0.0, f64::INFINITY);
    }
    let slope = sxy / sxx;
    let rss = (syy - slope * sxy).max(0.0);
    (slope, (rss / (n - 2.0) / sxx).sqrt())
}

fn ln_speed(start: &PumpStart) -> Option<f64> {
    start.relative_speed_per_s.filter(|s| *s > 0.0).map(f64::ln)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::FleetPrior;

    #[test]
    fn a_fall_ends_where_the_speed_came_back_unrecorded() {
        let era = FleetPrior::common_practice(&crate::PumpsConfig::documented());
        let kind = era.era_at(drydown_quantity::Stamp::from_micros(0)).unwrap();
        let point = |k: u32, lost: f64| {
            let scatter = 0.02 * (f64::from(k) * 1.7).sin();
            (3.0 * f64::from(k), -3.0 - lost + scatter, 0.0)
        };
        // Sound for ninety days, worn for ninety, then new again or stopped where it is.
        let lost = |k: u32| 0.03 * f64::from(k.saturating_sub(30));
        let back: Vec<Point> = (0..90)
            .map(|k| point(k, if k < 60 { lost(k) } else { 0.0 }))
            .collect();
        let stands: Vec<Point> = (0..90).map(|k| point(k, lost(k.min(60)))).collect();
        let (before, fall) = fall_of(&back, &kind.any_kind).unwrap();
        let end = before + fall.len();
        assert!((58..=61).contains(&end), "{end}");
        let (slope, _) = ols_slope(fall);
        // With what came after the repair it would be none.
        assert!(slope < -0.006, "{slope}");
        let (before, fall) = fall_of(&stands, &kind.any_kind).unwrap();
        assert_eq!(before + fall.len(), 90);
    }

    #[test]
    fn the_worked_speed_trend_is_reproduced() {
        // Days and m³/h of a small worked example; slopes and the day of 80 % computed independently.
        let day = [0.0, 10.0, 20.0, 30.0, 40.0, 50.0];
        let m3h = [30.0, 29.6, 29.5, 28.8, 28.6, 28.1];
        let points: Vec<Point> = day.iter().zip(m3h).map(|(d, v)| (*d, v, 0.0)).collect();
        let (slope, _) = ols_slope(&points);
        assert!((slope + 0.037714).abs() < 1e-6, "{slope}");
        let intercept = m3h.iter().sum::<f64>() / 6.0 - slope * 25.0;
        assert!(((24.0 - intercept) / slope - 160.2).abs() < 0.1);
        let robust = theil_sen(&day, &m3h, 0.9).unwrap().slope;
        assert!((robust + 0.0380).abs() < 1e-4, "{robust}");
    }
}
