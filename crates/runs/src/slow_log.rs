//! Pump-downs in slow logs, where half a minute or more lies between two readings.
//!
//! The fall `P(t) = P_u + (P₀ − P_u)·exp(−s·(t − t₀))` (`pump_down`) began at an instant t₀ that no
//! reading shows: it lies somewhere between the last reading at rest and the first below it. Speed s
//! and base P_u are fitted by maximum likelihood of the readings, with t₀ profiled out over that
//! interval. No law of t₀ within it is assumed: loggers and operators keep the same clock.
//!
//! Few readings do not tell their own noise, so that it is integrated out under a prior worth three
//! readings (likelihood of Student's form). Two readings clear of the base give a speed with a wide
//! error. One gives only that the pump is at least so fast, however fast it is: no speed then, and
//! the base alone. Units: seconds, kPa, 1/s.

use crate::pump_down::NoPumpDown;

/// What a slow log tells of a pump-down.
#[derive(Clone, Debug, PartialEq)]
pub struct SlowPumpDown {
    /// ln of speed over chamber volume, 1/s: median of its likelihood, and the standard error whose
    /// 90 % interval is as wide as that of the likelihood (its tails are those of Student's law);
    /// None where the readings bound it on one side only.
    pub ln_speed: Option<(f64, f64)>,
    /// Pressure the fall tends to, in the reference of the curve, kPa, and its standard error.
    pub base_kpa: f64,
    pub base_se_kpa: f64,
    /// Level before the fall, kPa; None where no reading shows it.
    pub from_kpa: Option<f64>,
    pub residual_sd_kpa: f64,
    /// Readings after the start, and how many of them stand clear of the base.
    pub n_used: usize,
    pub n_falling: usize,
}

/// A gauge's noise, kPa, and the readings that this prior is worth (common practice, no source).
const NOISE_KPA: f64 = 0.15;
const NOISE_WORTH: f64 = 3.0;
/// A fall of less is no pump-down, kPa.
const LEAST_DROP_KPA: f64 = 10.0;
/// A reading this near the highest one is still at rest, kPa.
const REST_KPA: f64 = 0.5;
/// The highest reading is at rest where it is this near the barometer, kPa (weather, common practice).
const NEAR_AMBIENT_KPA: f64 = 5.0;
/// No pump holds less than this below zero, as far as a barometer can be wrong, kPa.
const LEAST_BASE_KPA: f64 = -3.0;
/// Beyond this only slow creep is left, which is no part of the model, s. Three readings are kept.
const LONGEST_S: f64 = 600.0;
/// Relative speeds looked at, 1/s.
const SPEED_RANGE_PER_S: (f64, f64) = (1e-3, 1.0);
/// Log likelihood lost at the end of a 95 % interval: half the 95 % point of chi-square with one
/// degree of freedom (Wilks).
const LN_95: f64 = 1.92;
/// 95 % point of the standard normal law.
const Z_90: f64 = 1.644_853_6;
/// Log likelihood below which a speed carries no weight (a quarter of a per cent of the best).
const LN_SUPPORT: f64 = 6.0;

/// Fits the pump-down of a slow log: seconds ascending, absolute pressures in kPa.
///
/// # Errors
/// [`NoPumpDown`] where the pressure did not fall, or fewer than two readings follow the start.
pub fn fit_slow_pump_down(
    seconds: &[f64],
    kpa: &[f64],
    ambient_kpa: Option<f64>,
) -> Result<SlowPumpDown, NoPumpDown> {
    let fall = Fall::of(seconds, kpa, ambient_kpa)?;
    let ends = (SPEED_RANGE_PER_S.0.ln(), SPEED_RANGE_PER_S.1.ln());
    let mut nodes = fall.nodes(ends, 120);
    for _ in 0..3 {
        let support = support(&nodes).ok_or(NoPumpDown::NoFall)?;
        nodes = fall.nodes(support, 60);
    }
    let best = nodes
        .iter()
        .max_by(|a, b| a.ln_likelihood.total_cmp(&b.ln_likelihood))
        .copied()
        .ok_or(NoPumpDown::NoFall)?;
    let weigh = |node: &Node| (node.ln_likelihood - best.ln_likelihood).exp();
    let total: f64 = nodes.iter().map(weigh).sum();
    let mean = |of: &dyn Fn(&Node) -> f64| {
        let sum: f64 = nodes.iter().map(|node| weigh(node) * of(node)).sum();
        sum / total
    };
    let step = nodes
        .first()
        .zip(nodes.get(1))
        .map_or(0.0, |(a, b)| b.ln_speed - a.ln_speed);
    let quantile = |p: f64| {
        let mut below = 0.0;
        nodes.iter().find_map(|node| {
            let before = below;
            below += weigh(node) / total;
            // Within the node's own stretch, in proportion.
            let share = (p - before) / (below - before).max(1e-300);
            (below >= p).then_some(node.ln_speed + (share - 0.5) * step)
        })
    };
    let base_kpa = mean(&|node| node.base_kpa);
    let base_var = mean(&|node| (node.base_kpa - base_kpa).powi(2) + node.base_var);
    let bounded = [ends.0, ends.1].into_iter().all(|end| {
        let at_end = fall.node(end);
        at_end.is_none_or(|node| node.ln_likelihood < best.ln_likelihood - LN_95)
    });
    let clear = 4.0 * best.noise_kpa;
    Ok(SlowPumpDown {
        ln_speed: quantile(0.5).filter(|_| bounded).map(|median| {
            let width = quantile(0.95).zip(quantile(0.05)).map(|(b, a)| b - a);
            (median, (width.unwrap_or(0.0) / (2.0 * Z_90)).max(1e-6))
        }),
        base_kpa,
        base_se_kpa: base_var.sqrt(),
        from_kpa: fall.rest.map(|rest| rest.kpa),
        residual_sd_kpa: best.noise_kpa,
        n_used: fall.after.len(),
        n_falling: fall
            .after
            .iter()
            .filter(|(_, p)| p - base_kpa > clear)
            .count(),
    })
}

/// The ends of the nodes that carry weight, one node more on each side.
fn support(nodes: &[Node]) -> Option<(f64, f64)> {
    let most = nodes
        .iter()
        .map(|node| node.ln_likelihood)
        .fold(f64::NEG_INFINITY, f64::max);
    let carries = |node: &Node| node.ln_likelihood > most - LN_SUPPORT;
    let first = nodes.iter().position(carries)?;
    let last = nodes.iter().rposition(carries)?;
    let at = |k: usize| nodes.get(k).map(|node| node.ln_speed);
    let low = at(first.saturating_sub(1))?;
    let high = at((last + 1).min(nodes.len() - 1))?;
    (high > low).then_some((low, high))
}

/// The last reading at rest, and the level there.
#[derive(Clone, Copy, Debug)]
struct Rest {
    seconds: f64,
    kpa: f64,
}

/// A fall as a slow log shows it.
struct Fall {
    rest: Option<Rest>,
    /// Readings after the rest: at least two.
    after: Vec<(f64, f64)>,
}

/// The best fit at one speed.
#[derive(Clone, Copy, Debug)]
struct Node {
    ln_speed: f64,
    ln_likelihood: f64,
    base_kpa: f64,
    base_var: f64,
    noise_kpa: f64,
}

impl Fall {
    fn of(seconds: &[f64], kpa: &[f64], ambient_kpa: Option<f64>) -> Result<Self, NoPumpDown> {
        let points: Vec<(f64, f64)> = seconds
            .iter()
            .copied()
            .zip(kpa.iter().copied())
            .filter(|(t, p)| t.is_finite() && p.is_finite())
            .collect();
        let by_pressure =
            |a: &(usize, (f64, f64)), b: &(usize, (f64, f64))| a.1.1.total_cmp(&b.1.1);
        let numbered = || points.iter().copied().enumerate();
        let (lowest, (_, low)) = numbered()
            .min_by(by_pressure)
            .ok_or(NoPumpDown::TooFewPoints)?;
        let (_, (_, high)) = numbered()
            .take(lowest + 1)
            .max_by(by_pressure)
            .ok_or(NoPumpDown::TooFewPoints)?;
        if high - low < LEAST_DROP_KPA {
            return Err(NoPumpDown::NoFall);
        }
        let rests = ambient_kpa.is_some_and(|kpa| high > kpa - NEAR_AMBIENT_KPA);
        let at_rest: Vec<(usize, (f64, f64))> = numbered()
            .take(lowest)
            .filter(|(_, (_, p))| rests && *p >= high - REST_KPA)
            .collect();
        let rest = at_rest.last().map(|(_, (seconds, _))| Rest {
            seconds: *seconds,
            kpa: at_rest.iter().map(|(_, (_, p))| p).sum::<f64>() / at_rest.len() as f64,
        });
        let from = at_rest.last().map_or(0, |(idx, _)| idx + 1);
        let begins = points.get(from).map_or(0.0, |point| point.0);
        let after: Vec<(f64, f64)> = points
            .iter()
            .skip(from)
            .enumerate()
            .take_while(|(k, (t, _))| *k < 3 || t - begins <= LONGEST_S)
            .map(|(_, point)| *point)
            .collect();
        if after.len() < 2 {
            return Err(NoPumpDown::TooFewPoints);
        }
        Ok(Self { rest, after })
    }

    fn nodes(&self, (low, high): (f64, f64), n: usize) -> Vec<Node> {
        (0..=n)
            .filter_map(|k| self.node(low + (high - low) * k as f64 / n as f64))
            .collect()
    }

    /// Base and height of the first reading above it by least squares at one speed, the height
    /// within what the instant of the start allows; None where it allows none.
    fn node(&self, ln_speed: f64) -> Option<Node> {
        let speed = ln_speed.exp();
        let (first_s, _) = *self.after.first()?;
        let left = |t: f64| (-speed * (t - first_s)).exp();
        let n = self.after.len() as f64;
        let mean_left = self.after.iter().map(|(t, _)| left(*t)).sum::<f64>() / n;
        let mean_kpa = self.after.iter().map(|(_, p)| p).sum::<f64>() / n;
        let (mut gg, mut gp, mut pp) = (0.0, 0.0, 0.0);
        for (t, p) in &self.after {
            let (g, p) = (left(*t) - mean_left, p - mean_kpa);
            gg += g * g;
            gp += g * p;
            pp += p * p;
        }
        if gg < 1e-12 {
            return None;
        }
        let free = gp / gg;
        let (low, high) = self.heights(speed, first_s, mean_kpa, mean_left);
        if low > high {
            return None;
        }
        let height = free.clamp(low, high);
        let rss = (pp - gp * gp / gg).max(0.0) + gg * (height - free).powi(2);
        let worth = NOISE_WORTH * NOISE_KPA.powi(2) + rss;
        // One degree each for base and height.
        let degrees = NOISE_WORTH + n - 2.0;
        let noise_var = worth / degrees;
        let held = (height - free).abs() > 0.0;
        let by_height = if held {
            0.0
        } else {
            mean_left * mean_left / gg
        };
        Some(Node {
            ln_speed,
            ln_likelihood: -0.5 * degrees * worth.ln(),
            base_kpa: mean_kpa - height * mean_left,
            base_var: noise_var * (1.0 / n + by_height),
            noise_kpa: noise_var.sqrt(),
        })
    }

    /// Least and greatest height of the first reading above the base: the start lies between the
    /// last reading at rest and the first below, and no base lies below zero.
    fn heights(&self, speed: f64, first_s: f64, mean_kpa: f64, mean_left: f64) -> (f64, f64) {
        let by_base = (mean_kpa - LEAST_BASE_KPA) / mean_left.max(1e-300);
        let Some(rest) = self.rest else {
            return (0.0, by_base);
        };
        let drop = rest.kpa - mean_kpa;
        let earliest = (-speed * (first_s - rest.seconds)).exp();
        let low = earliest * drop / (1.0 - earliest * mean_left);
        let high = drop / (1.0 - mean_left).max(1e-12);
        (low, high.min(by_base))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pump_down::pressure_kpa;

    const PER_S: f64 = 30.0 / 3600.0 / 0.150;

    /// A reading at rest and others every `step_s`; the fall begins `before_s` before the first.
    fn log(step_s: f64, before_s: f64, per_s: f64, n: usize) -> (Vec<f64>, Vec<f64>) {
        let t: Vec<f64> = (0..=n).map(|k| (k as f64 - 1.0) * step_s).collect();
        let fall = |t: f64| pressure_kpa(101.325, 2.0, per_s, (t + before_s).max(0.0));
        let p = t.iter().map(|t| fall(*t)).collect();
        (t, p)
    }

    #[test]
    fn a_minute_log_gives_speed_and_base_of_the_closed_form() {
        // 150 L, 30 m³/h, base 2 kPa, sea level: 5543.3 Pa a minute after the start (computed from
        // the closed form). The readings are that fall, one of them on that very minute.
        let (t, p) = log(60.0, 60.0 - 1e-9, PER_S, 8);
        assert!((1000.0 * p[1] - 5543.3).abs() < 0.5, "{}", p[1]);
        for before_s in [5.0, 15.0, 25.0] {
            let (t, p) = log(60.0, before_s, PER_S, 8);
            let fit = fit_slow_pump_down(&t, &p, Some(101.325)).unwrap();
            let (ln_speed, se) = fit.ln_speed.unwrap();
            assert!(
                (ln_speed - PER_S.ln()).abs() < 0.5 * se && se < 0.2,
                "{fit:?}"
            );
            assert!(
                (fit.base_kpa - 2.0).abs() < 2.0 * fit.base_se_kpa,
                "{fit:?}"
            );
            assert_eq!((fit.n_falling, fit.from_kpa), (2, Some(101.325)));
        }
        // The reading a minute after the start and the next on the base: at least so fast.
        let fit = fit_slow_pump_down(&t, &p, Some(101.325)).unwrap();
        assert!(
            fit.n_falling == 1 && (fit.base_kpa - 2.0).abs() < 0.1,
            "{fit:?}"
        );
    }

    #[test]
    fn one_reading_on_the_slope_gives_a_base_and_no_speed() {
        let (t, p) = log(300.0, 30.0, PER_S, 4);
        let fit = fit_slow_pump_down(&t, &p, Some(101.325)).unwrap();
        assert_eq!((fit.ln_speed, fit.n_falling), (None, 1));
        assert!(
            (fit.base_kpa - 2.0).abs() < 0.1 && fit.base_se_kpa < 0.2,
            "{fit:?}"
        );
        // A worn pump takes its time: two readings on the slope, and the speed is there.
        let (t, p) = log(300.0, 30.0, 0.2 * PER_S, 4);
        let fit = fit_slow_pump_down(&t, &p, Some(101.325)).unwrap();
        let (ln_speed, se) = fit.ln_speed.unwrap();
        assert!(
            (ln_speed - (0.2 * PER_S).ln()).abs() < se && se < 0.25,
            "{fit:?}"
        );
    }

    #[test]
    fn the_start_lies_after_the_last_reading_at_rest() {
        // One reading on the slope: any speed above a bound.
        let t = [-60.0, 0.0, 60.0, 120.0, 180.0];
        let p = [101.325, 38.5, 2.0, 2.0, 2.0];
        let held = fit_slow_pump_down(&t, &p, Some(101.325)).unwrap();
        assert_eq!(held.ln_speed, None);
        let slow = [101.325, 100.0, 61.0, 38.0, 24.3];
        let fit = fit_slow_pump_down(&t, &slow, Some(101.325)).unwrap();
        let free = fit_slow_pump_down(&t[1..], &slow[1..], None).unwrap();
        assert!(fit.from_kpa.is_some() && free.from_kpa.is_none());
        assert!((fit.ln_speed.unwrap().0 - free.ln_speed.unwrap().0).abs() < 0.1);
    }

    #[test]
    fn what_tells_nothing_says_so() {
        let flat = [101.0; 5];
        let t = [0.0, 60.0, 120.0, 180.0, 240.0];
        let fit = |p: &[f64]| fit_slow_pump_down(&t[..p.len()], p, Some(101.325)).unwrap_err();
        assert_eq!(fit(&flat), NoPumpDown::NoFall);
        assert_eq!(fit(&[101.0, 2.0]), NoPumpDown::TooFewPoints);
        assert_eq!(fit(&[]), NoPumpDown::TooFewPoints);
    }
}
