//! How fast a pump empties its chamber: the exponential fall of pressure after a start.
//!
//! With a constant volume flow S and a chamber volume V the pressure falls as
//! `P(t) = P_u + A·exp(−s·t)`, `s = S/V` (constant flow, textbook; ISO 21360-1 names the
//! pump-down method for a pump's volume flow). In the sensor's own reference this is
//! `g(t) = g∞·(1 − exp(−s·(t − t_d)))`: an offset of the gauge or of the barometer shifts P_u and
//! leaves s alone, and the dead time t_d is carried by A, so neither must be known. Fitted by
//! least squares, profiled over ln s (the other two parameters are linear).
//! Units: seconds, kPa, 1/s.

/// A fitted pump-down.
#[derive(Clone, Debug, PartialEq)]
pub struct PumpDownFit {
    /// Speed over chamber volume s, 1/s.
    pub relative_speed_per_s: f64,
    /// Standard error of ln s from this curve alone.
    pub ln_speed_se: f64,
    /// Pressure the fall tends to, in the reference of the curve, kPa.
    pub base_kpa: f64,
    /// Standard error of the base from this curve alone, kPa.
    pub base_se_kpa: f64,
    /// When the fitted fall left `from_kpa`, seconds on the curve's clock.
    pub dead_time_s: Option<f64>,
    /// Level before the fall, kPa.
    pub from_kpa: f64,
    pub residual_sd_kpa: f64,
    /// Points used, and how many of them stand clear of the base.
    pub n_used: usize,
    pub n_falling: usize,
    /// Median of the last quarter of the curve less the base, kPa: positive where pressure creeps up again.
    pub creep_kpa: f64,
}

/// Why a curve has no fit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NoPumpDown {
    /// Fewer than four points, or fewer than two on the falling part.
    TooFewPoints,
    /// The pressure did not fall, or not as an exponential.
    NoFall,
}

/// Gauges are no better than this, kPa (a tenth of a millibar scale division; common practice).
const NOISE_FLOOR_KPA: f64 = 0.05;
/// A fall of less is no pump-down, kPa.
const LEAST_DROP_KPA: f64 = 10.0;
/// Relative speeds looked at, 1/s: time constants from half a second to three hours.
const SPEED_RANGE_PER_S: (f64, f64) = (1e-4, 2.0);

/// Steps of ln s in which the range is looked at first; that of a fit to fewer points.
const GRID: usize = 48;
const GRID_NEAR: usize = 8;

/// Fits a pump-down curve: seconds ascending, pressures in kPa in any reference.
///
/// # Errors
/// [`NoPumpDown`] where the curve cannot carry a fit.
pub fn fit_pump_down(seconds: &[f64], kpa: &[f64]) -> Result<PumpDownFit, NoPumpDown> {
    let part = falling_part(seconds, kpa)?;
    let mut used = part.after.clone();
    let mut fit = fit_points(&used, SPEED_RANGE_PER_S, GRID)?;
    for _ in 0..2 {
        // Beyond eight time constants only slow creep is left, which is no part of the model.
        let until = part.start_s + 8.0 / fit.speed;
        let clear = 5.0 * fit.sigma;
        let kept: Vec<(f64, f64)> = part
            .after
            .iter()
            .copied()
            .filter(|(t, p)| *t <= until && (p - fit.value(*t)).abs() <= clear)
            .collect();
        if kept.len() < 4 || kept.len() == used.len() {
            break;
        }
        used = kept;
        // The best speed of fewer points lies near that of all of them.
        let near = (0.5 * fit.speed, 2.0 * fit.speed);
        fit = fit_points(&used, near, GRID_NEAR)
            .or_else(|_| fit_points(&used, SPEED_RANGE_PER_S, GRID))?;
    }
    finish(&part, &used, &fit, kpa)
}

/// Seconds from one pressure to another, ratios of `ambient_kpa`, by logarithmic interpolation
/// above the base; None where the curve does not pass both.
#[must_use]
pub fn seconds_between_ratios(
    seconds: &[f64],
    kpa: &[f64],
    ambient_kpa: f64,
    ratios: (f64, f64),
) -> Option<f64> {
    let from = crossing_s(seconds, kpa, ratios.0 * ambient_kpa)?;
    let to = crossing_s(seconds, kpa, ratios.1 * ambient_kpa)?;
    Some(to - from).filter(|s| *s > 0.0)
}

/// First time the curve falls through a level, s.
#[must_use]
pub fn crossing_s(seconds: &[f64], kpa: &[f64], level_kpa: f64) -> Option<f64> {
    let mut before: Option<(f64, f64)> = None;
    for (t, p) in seconds.iter().copied().zip(kpa.iter().copied()) {
        if let Some((t0, p0)) = before
            && p0 >= level_kpa
            && p < level_kpa
        {
            // Exponential between the two, which is what the fall is; linear where a zero is near.
            let share = if p > 0.0 && p0 > p && level_kpa > 0.0 {
                (p0 / level_kpa).ln() / (p0 / p).ln()
            } else {
                (p0 - level_kpa) / (p0 - p)
            };
            return Some(t0 + share * (t - t0));
        }
        before = Some((t, p));
    }
    None
}

/// Pressure of the model, kPa: `P_u + (P₀ − P_u)·exp(−s·t)`.
#[must_use]
pub fn pressure_kpa(from_kpa: f64, base_kpa: f64, relative_speed_per_s: f64, seconds: f64) -> f64 {
    base_kpa + (from_kpa - base_kpa) * (-relative_speed_per_s * seconds).exp()
}

/// Seconds of the model from one absolute pressure to a lower one; None where the base is not below.
#[must_use]
pub fn seconds_from_to(
    from_kpa: f64,
    to_kpa: f64,
    base_kpa: f64,
    relative_speed_per_s: f64,
) -> Option<f64> {
    let ratio = (from_kpa - base_kpa) / (to_kpa - base_kpa);
    (to_kpa > base_kpa && ratio >= 1.0 && relative_speed_per_s > 0.0)
        .then(|| ratio.ln() / relative_speed_per_s)
}

struct FallingPart {
    after: Vec<(f64, f64)>,
    start_s: f64,
    from_kpa: f64,
}

/// Leaves out what comes before the fall; the level there is kept, as what the fall starts from.
fn falling_part(seconds: &[f64], kpa: &[f64]) -> Result<FallingPart, NoPumpDown> {
    let points: Vec<(f64, f64)> = seconds
        .iter()
        .copied()
        .zip(kpa.iter().copied())
        .filter(|(t, p)| t.is_finite() && p.is_finite())
        .collect();
    let by_pressure = |a: &&(f64, f64), b: &&(f64, f64)| a.1.total_cmp(&b.1);
    let lowest = points
        .iter()
        .min_by(by_pressure)
        .ok_or(NoPumpDown::TooFewPoints)?;
    let highest = points
        .iter()
        .take_while(|p| p.0 <= lowest.0)
        .max_by(by_pressure);
    let high = highest.map_or(lowest.1, |p| p.1);
    let drop = high - lowest.1;
    if drop < LEAST_DROP_KPA {
        return Err(NoPumpDown::NoFall);
    }
    let at_top = |p: &&(f64, f64)| p.1 >= high - 0.03 * drop && p.0 <= lowest.0;
    let top = points.iter().rposition(|p| at_top(&p)).unwrap_or(0);
    let before: Vec<f64> = points
        .iter()
        .take(top + 1)
        .filter(at_top)
        .map(|p| p.1)
        .collect();
    let after = points.get(top + 1..).unwrap_or(&[]).to_vec();
    if after.len() < 4 {
        return Err(NoPumpDown::TooFewPoints);
    }
    Ok(FallingPart {
        after,
        start_s: points.get(top).map_or(0.0, |p| p.0),
        from_kpa: before.iter().sum::<f64>() / before.len().max(1) as f64,
    })
}

/// The best curve through some points.
#[derive(Clone, Copy, Debug)]
struct Curve {
    speed: f64,
    base: f64,
    amplitude: f64,
    sigma: f64,
}

impl Curve {
    fn value(&self, t: f64) -> f64 {
        self.base + self.amplitude * (-self.speed * t).exp()
    }
}

/// The best curve among speeds of a range, looked at on a grid of so many steps first.
fn fit_points(points: &[(f64, f64)], range: (f64, f64), grid: usize) -> Result<Curve, NoPumpDown> {
    let (low, high) = (range.0.ln(), range.1.ln());
    let profile = Profile::of(points).ok_or(NoPumpDown::TooFewPoints)?;
    let rss = |ln_speed: f64| profile.rss(ln_speed.exp());
    let at = |k: usize| low + (high - low) * k as f64 / grid as f64;
    let mut best = (0, f64::INFINITY);
    for k in 0..=grid {
        let left = rss(at(k));
        if left < best.1 {
            best = (k, left);
        }
    }
    let best = best.0;
    if best == 0 || best == grid {
        return Err(NoPumpDown::NoFall);
    }
    let ln_speed = golden(&rss, at(best - 1), at(best + 1));
    let speed = ln_speed.exp();
    let ((base, amplitude), rss) = linear_fit(points, speed).ok_or(NoPumpDown::NoFall)?;
    if amplitude <= 0.0 {
        return Err(NoPumpDown::NoFall);
    }
    let degrees = points.len().saturating_sub(3).max(1) as f64;
    let sigma = (rss / degrees).sqrt().max(NOISE_FLOOR_KPA);
    Ok(Curve {
        speed,
        base,
        amplitude,
        sigma,
    })
}

/// The sum of squares that base and amplitude leave at any speed, summed in one pass over the points:
/// it is asked for a hundred times a start. Pressures count from their mean, which keeps the digits.
struct Profile {
    /// Seconds since the point before, and pressure less the mean.
    steps: Vec<(f64, f64)>,
    squares: f64,
}

impl Profile {
    fn of(points: &[(f64, f64)]) -> Option<Self> {
        let mut before = points.first()?.0;
        let mean = points.iter().map(|(_, p)| p).sum::<f64>() / points.len() as f64;
        let mut steps = Vec::with_capacity(points.len());
        for (t, p) in points {
            steps.push((t - before, p - mean));
            before = *t;
        }
        let squares = steps.iter().map(|(_, p)| p * p).sum();
        Some(Self { steps, squares })
    }

    fn rss(&self, speed: f64) -> f64 {
        let n = self.steps.len() as f64;
        let (mut e, mut sum, mut squares, mut with_p) = (1.0, 0.0, 0.0, 0.0);
        // Most logs keep their step: its factor is worked out once.
        let (mut step, mut factor) = (0.0, 1.0);
        for (seconds, p) in &self.steps {
            if (seconds - step).abs() > 1e-9 {
                step = *seconds;
                factor = (-speed * step).exp();
            }
            e *= factor;
            sum += e;
            squares += e * e;
            with_p += e * p;
        }
        let spread = squares - sum * sum / n;
        if spread < 1e-12 {
            return f64::INFINITY;
        }
        self.squares - with_p * with_p / spread
    }
}

/// Base and amplitude by least squares for a given speed, and the sum of squares left.
///
/// Times count from the first point, so that the exponential starts at 1.
fn linear_fit(points: &[(f64, f64)], speed: f64) -> Option<((f64, f64), f64)> {
    let t0 = points.first()?.0;
    let n = points.len() as f64;
    let e = |t: f64| (-speed * (t - t0)).exp();
    let (mut se, mut sp) = (0.0, 0.0);
    for (t, p) in points {
        se += e(*t);
        sp += p;
    }
    let (me, mp) = (se / n, sp / n);
    let (mut see, mut sep) = (0.0, 0.0);
    for (t, p) in points {
        see += (e(*t) - me).powi(2);
        sep += (e(*t) - me) * (p - mp);
    }
    if see < 1e-12 {
        return None;
    }
    let slope = sep / see;
    let base = mp - slope * me;
    let rss = points
        .iter()
        .map(|(t, p)| (p - base - slope * e(*t)).powi(2))
        .sum();
    // Amplitude at the curve's own zero of time.
    Some(((base, slope * (speed * t0).exp()), rss))
}

/// Golden-section search of a minimum between two ends, to 1e-7 of ln s (a standard error is a
/// thousandth at best).
fn golden(f: &impl Fn(f64) -> f64, mut low: f64, mut high: f64) -> f64 {
    let share = 0.5 * (5f64.sqrt() - 1.0);
    let (mut a, mut b) = (high - share * (high - low), low + share * (high - low));
    let (mut fa, mut fb) = (f(a), f(b));
    while high - low > 1e-7 {
        if fa <= fb {
            (high, b, fb) = (b, a, fa);
            a = high - share * (high - low);
            fa = f(a);
        } else {
            (low, a, fa) = (a, b, fb);
            b = low + share * (high - low);
            fb = f(b);
        }
    }
    0.5 * (low + high)
}

fn finish(
    part: &FallingPart,
    used: &[(f64, f64)],
    curve: &Curve,
    kpa: &[f64],
) -> Result<PumpDownFit, NoPumpDown> {
    let n_falling = used
        .iter()
        .filter(|(_, p)| p - curve.base > 4.0 * curve.sigma)
        .count();
    if n_falling < 2 {
        return Err(NoPumpDown::TooFewPoints);
    }
    let (ln_speed_se, base_se_kpa) = standard_errors(used, curve).ok_or(NoPumpDown::NoFall)?;
    let span = part.from_kpa - curve.base;
    let dead_time_s = (span > 0.0).then(|| (curve.amplitude / span).ln() / curve.speed);
    let mut late: Vec<f64> = kpa.get(kpa.len() * 3 / 4..).unwrap_or(&[]).to_vec();
    late.sort_unstable_by(f64::total_cmp);
    let late = late.get(late.len() / 2).copied().unwrap_or(curve.base);
    Ok(PumpDownFit {
        relative_speed_per_s: curve.speed,
        ln_speed_se,
        base_kpa: curve.base,
        base_se_kpa,
        dead_time_s,
        from_kpa: part.from_kpa,
        residual_sd_kpa: curve.sigma,
        n_used: used.len(),
        n_falling,
        creep_kpa: late - curve.base,
    })
}

/// Standard errors of ln s and of the base from the curvature at the best fit.
fn standard_errors(points: &[(f64, f64)], curve: &Curve) -> Option<(f64, f64)> {
    // Normal matrix of (base, amplitude at the first point, ln s).
    let t0 = points.first()?.0;
    let amplitude = curve.amplitude * (-curve.speed * t0).exp();
    let mut m = [[0.0f64; 3]; 3];
    for (t, _) in points {
        let e = (-curve.speed * (t - t0)).exp();
        let row = [1.0, e, -amplitude * (t - t0) * e * curve.speed];
        for (line, a) in m.iter_mut().zip(row) {
            for (cell, b) in line.iter_mut().zip(row) {
                *cell += a * b;
            }
        }
    }
    let [[a, b, c], [_, d, e], [_, _, f]] = m;
    let det = a * (d * f - e * e) - b * (b * f - c * e) + c * (b * e - c * d);
    if det <= 0.0 {
        return None;
    }
    let var_base = (d * f - e * e) / det * curve.sigma.powi(2);
    let var_ln_speed = (a * d - b * b) / det * curve.sigma.powi(2);
    (var_base > 0.0 && var_ln_speed > 0.0).then(|| (var_ln_speed.sqrt(), var_base.sqrt()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn curve(step_s: f64, n: usize, dead_s: f64, base: f64) -> (Vec<f64>, Vec<f64>) {
        let t: Vec<f64> = (0..n).map(|k| k as f64 * step_s).collect();
        let p = t
            .iter()
            .map(|t| pressure_kpa(101.325, base, 1.0 / 18.0, (t - dead_s).max(0.0)));
        let p = p.collect();
        (t, p)
    }

    #[test]
    fn pressure_after_a_minute_is_the_closed_form() {
        // 150 L, 30 m³/h, base 2 kPa, sea level: computed from the closed form.
        let s = 30.0 / 3600.0 / 0.150;
        let got_pa = 1000.0 * pressure_kpa(101.325, 2.0, s, 60.0);
        assert!((got_pa - 5543.3).abs() < 0.5, "{got_pa}");
    }

    #[test]
    fn the_same_pump_looks_slow_at_altitude_unless_pressures_are_ratios() {
        // 5 to 20 inHg of vacuum; conventional inch of mercury; ISO 2533 barometers.
        const INHG_KPA: f64 = 3.386389;
        let seconds = |ambient: f64, s: f64| {
            let at = |inhg: f64| ambient - inhg * INHG_KPA;
            seconds_from_to(at(5.0), at(20.0), 2.0, s).unwrap()
        };
        let s = 30.0 / 3600.0 / 0.150;
        assert!((seconds(101.325, s) - 17.25).abs() < 0.01);
        assert!((seconds(84.556, s) - 26.77).abs() < 0.01);
        assert!((seconds(101.325, 0.7 * s) - 24.65).abs() < 0.01);
        // 0.8 to 0.4 of the barometer: nearly the same at both altitudes.
        let ratio = |ambient: f64| seconds_from_to(0.8 * ambient, 0.4 * ambient, 2.0, s).unwrap();
        assert!((ratio(101.325) - 12.94).abs() < 0.01);
        assert!((ratio(84.556) - 13.03).abs() < 0.01);
    }

    #[test]
    fn a_dial_gauge_series_gives_the_published_speed() {
        // Readings of a dial gauge in inHg at 5 s; expected values from an independent fit.
        let inhg = [
            0.0, 7.1, 12.5, 16.6, 19.7, 22.0, 23.8, 25.1, 26.2, 26.9, 27.5, 27.9, 28.3,
        ];
        let t: Vec<f64> = (0..13).map(|k| 5.0 * f64::from(k)).collect();
        let p: Vec<f64> = inhg.iter().map(|g| 101.325 - g * 3.386389).collect();
        let fit = fit_pump_down(&t, &p).unwrap();
        // The reference fit holds the first point on the curve; ours leaves it free.
        assert!(
            (fit.relative_speed_per_s - 0.05563).abs() < 0.0006,
            "{fit:?}"
        );
        assert!((fit.base_kpa - 2.055).abs() < 0.25, "{fit:?}");
    }

    #[test]
    fn a_clean_curve_gives_back_speed_base_and_dead_time() {
        let (t, p) = curve(5.0, 60, 12.0, 2.0);
        let fit = fit_pump_down(&t, &p).unwrap();
        assert!(
            (fit.relative_speed_per_s * 18.0 - 1.0).abs() < 1e-5,
            "{fit:?}"
        );
        assert!((fit.base_kpa - 2.0).abs() < 1e-3);
        assert!((fit.dead_time_s.unwrap() - 12.0).abs() < 0.2);
        assert!((seconds_between_ratios(&t, &p, 101.325, (0.8, 0.4)).unwrap() - 12.94).abs() < 0.1);
    }

    #[test]
    fn an_offset_of_the_gauge_moves_the_base_and_not_the_speed() {
        let (t, p) = curve(5.0, 60, 3.0, 2.0);
        let moved: Vec<f64> = p.iter().map(|kpa| kpa - 101.325 - 0.7).collect();
        let (a, b) = (
            fit_pump_down(&t, &p).unwrap(),
            fit_pump_down(&t, &moved).unwrap(),
        );
        assert!((a.relative_speed_per_s / b.relative_speed_per_s - 1.0).abs() < 1e-6);
        assert!((a.base_kpa - b.base_kpa - 102.025).abs() < 1e-6);
    }

    #[test]
    fn what_cannot_be_fitted_says_why() {
        let (t, p) = curve(5.0, 3, 0.0, 2.0);
        assert_eq!(fit_pump_down(&t, &p), Err(NoPumpDown::TooFewPoints));
        let flat = vec![100.0; 30];
        let t: Vec<f64> = (0..30).map(f64::from).collect();
        assert_eq!(fit_pump_down(&t, &flat), Err(NoPumpDown::NoFall));
        assert_eq!(fit_pump_down(&[], &[]), Err(NoPumpDown::TooFewPoints));
        // One point on the fall, then the base: the speed is not in the data.
        let (t, p) = curve(300.0, 8, 30.0, 2.0);
        assert_eq!(fit_pump_down(&t, &p), Err(NoPumpDown::TooFewPoints));
    }

    #[test]
    fn a_minute_log_still_carries_a_speed_with_a_wider_error() {
        let (t, mut p) = curve(60.0, 15, 20.0, 2.0);
        for (k, kpa) in p.iter_mut().enumerate() {
            *kpa += 0.05 * (k as f64 * 2.1).sin();
        }
        let fit = fit_pump_down(&t, &p).unwrap();
        let (t5, p5) = curve(5.0, 60, 20.0, 2.0);
        let fine = fit_pump_down(&t5, &p5).unwrap();
        assert!(fit.ln_speed_se > 3.0 * fine.ln_speed_se, "{fit:?}");
        assert!(
            (fit.relative_speed_per_s * 18.0).ln().abs() < 3.0 * fit.ln_speed_se,
            "{fit:?}"
        );
    }
}
