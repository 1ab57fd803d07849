//! Residuals that remember: lag-one correlation at even steps, exponential memory at uneven ones.

use crate::error::{StatsError, check_finite, check_length};
use crate::optimise::brent_minimum;

/// Lag-one correlation of a series in even steps with the small-sample correction
/// phi + (1 + 3 phi)/n (Kendall 1954; Marriott & Pope 1954), kept within ±0.99; None below four values
/// or without variation.
#[must_use]
pub fn lag_one(residuals: &[f64]) -> Option<f64> {
    let raw = raw_lag_one(residuals)?;
    Some((raw + (1.0 + 3.0 * raw) / residuals.len() as f64).clamp(-0.99, 0.99))
}

/// Lag-one correlation about the mean, uncorrected; None below four values or without variation.
#[must_use]
pub fn raw_lag_one(residuals: &[f64]) -> Option<f64> {
    let n = residuals.len();
    if n < 4 || residuals.iter().any(|r| !r.is_finite()) {
        return None;
    }
    let mean = residuals.iter().sum::<f64>() / n as f64;
    let bottom: f64 = residuals.iter().map(|r| (r - mean).powi(2)).sum();
    let top: f64 = residuals
        .windows(2)
        .map(|w| (w[0] - mean) * (w[1] - mean))
        .sum();
    (bottom > 0.0).then(|| top / bottom)
}

/// Number of independent values worth as much as `n` correlated ones for their mean:
/// n / (1 + 2 sum (1 - k/n) phi^k).
#[must_use]
pub fn effective_n(n: usize, phi: f64) -> f64 {
    let size = n as f64;
    let mut power = 1.0;
    let mut sum = 1.0;
    for k in 1..n {
        power *= phi;
        if power.abs() < 1e-15 {
            break;
        }
        sum += 2.0 * (1.0 - k as f64 / size) * power;
    }
    if sum > 0.0 {
        (size / sum).min(size * size)
    } else {
        size
    }
}

/// Factor on a standard error that ignored the correlation: sqrt((1 + phi)/(1 - phi)), at least 1.
#[must_use]
pub fn se_factor(phi: f64) -> f64 {
    let phi = phi.clamp(0.0, 0.9999);
    ((1.0 + phi) / (1.0 - phi)).sqrt()
}

/// Exponential memory in continuous time: correlation exp(-dt/memory).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Car1 {
    /// Time over which correlation falls to 1/e (in units of the times; 0: no memory).
    pub memory: f64,
    /// Standard deviation of the residuals.
    pub sd: f64,
    /// Log-likelihood at the estimates.
    pub ln_likelihood: f64,
}

impl Car1 {
    /// Correlation over a lag.
    #[must_use]
    pub fn correlation(&self, lag: f64) -> f64 {
        correlation(lag, self.memory)
    }
}

fn correlation(lag: f64, memory: f64) -> f64 {
    if memory > 0.0 {
        (-lag / memory).exp()
    } else {
        0.0
    }
}

/// Turns residuals with exponential memory into independent ones of the same variance: each less
/// what the one before foretells, over the root of what is left. Times must ascend.
///
/// # Errors
/// Unequal lengths, or times that do not ascend.
pub fn whiten(times: &[f64], values: &[f64], memory: f64) -> Result<Vec<f64>, StatsError> {
    check_length("values", times.len(), values.len())?;
    check_ascending(times)?;
    let mut out: Vec<f64> = values.iter().take(1).copied().collect();
    for (t, v) in times.windows(2).zip(values.windows(2)) {
        let rho = correlation(t[1] - t[0], memory);
        out.push((v[1] - rho * v[0]) / root_left(rho));
    }
    Ok(out)
}

/// sqrt(1 - rho^2), kept from zero.
fn root_left(rho: f64) -> f64 {
    (1.0 - rho * rho).max(1e-12).sqrt()
}

fn check_ascending(times: &[f64]) -> Result<(), StatsError> {
    check_finite("times", times)?;
    match times.windows(2).find(|w| w[1] <= w[0]) {
        None => Ok(()),
        Some(w) => Err(StatsError::OutOfRange {
            what: "times (must ascend)",
            value: w[1],
        }),
    }
}

/// Log-likelihood of zero-mean residuals with exponential memory; the standard deviation is the
/// best one for that memory.
fn profile(times: &[f64], values: &[f64], memory: f64) -> (f64, f64) {
    let n = values.len() as f64;
    let mut squares = values.first().map_or(0.0, |v| v * v);
    let mut ln_left = 0.0;
    for (t, v) in times.windows(2).zip(values.windows(2)) {
        let rho = correlation(t[1] - t[0], memory);
        let root = root_left(rho);
        squares += ((v[1] - rho * v[0]) / root).powi(2);
        ln_left += root.ln();
    }
    let variance = (squares / n).max(f64::MIN_POSITIVE);
    let ln_two_pi = (2.0 * std::f64::consts::PI).ln();
    (
        -0.5 * n * (ln_two_pi + variance.ln() + 1.0) - ln_left,
        variance.sqrt(),
    )
}

/// Exponential memory of residuals at uneven times, by maximum likelihood; None below five values or
/// without variation. The memory is looked for between a tenth of the median step and ten times the span.
///
/// # Errors
/// Unequal lengths, values that are not finite, or times that do not ascend.
pub fn fit_car1(times: &[f64], residuals: &[f64]) -> Result<Option<Car1>, StatsError> {
    check_length("residuals", times.len(), residuals.len())?;
    check_finite("residuals", residuals)?;
    check_ascending(times)?;
    let steps: Vec<f64> = times.windows(2).map(|w| w[1] - w[0]).collect();
    let Some(step) = crate::robust::median(&steps) else {
        return Ok(None);
    };
    if residuals.len() < 5 || residuals.iter().all(|r| r.abs() <= 0.0) {
        return Ok(None);
    }
    let span: f64 = steps.iter().sum();
    let (low, high) = ((0.1 * step).ln(), (10.0 * span).ln());
    let f = |ln_memory: f64| -profile(times, residuals, ln_memory.exp()).0;
    let (at, _) = brent_minimum(f, low, high, 1e-6);
    let (independent, independent_sd) = profile(times, residuals, 0.0);
    let (ln_likelihood, sd) = profile(times, residuals, at.exp());
    Ok(Some(if ln_likelihood > independent {
        Car1 {
            memory: at.exp(),
            sd,
            ln_likelihood,
        }
    } else {
        Car1 {
            memory: 0.0,
            sd: independent_sd,
            ln_likelihood: independent,
        }
    }))
}

/// Number of independent values worth as much as these times for the mean, under exponential memory:
/// 1 + sum (1 - rho)/(1 + rho).
#[must_use]
pub fn effective_n_uneven(times: &[f64], memory: f64) -> f64 {
    if times.is_empty() {
        return 0.0;
    }
    1.0 + times
        .windows(2)
        .map(|w| {
            let rho = correlation((w[1] - w[0]).max(0.0), memory);
            (1.0 - rho) / (1.0 + rho)
        })
        .sum::<f64>()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rng;

    fn ar(phi: f64, n: usize, seed: u64) -> Vec<f64> {
        let mut rng = rng::seeded(seed, "ar1");
        let mut x = rng::standard_normal(&mut rng);
        (0..n)
            .map(|_| {
                x = phi * x + (1.0 - phi * phi).sqrt() * rng::standard_normal(&mut rng);
                x
            })
            .collect()
    }

    #[test]
    fn correction_removes_most_of_the_bias_in_short_series() {
        let (mut raw, mut corrected) = (0.0, 0.0);
        for seed in 0..400 {
            let x = ar(0.5, 30, seed);
            raw += raw_lag_one(&x).unwrap() / 400.0;
            corrected += lag_one(&x).unwrap() / 400.0;
        }
        assert!(
            raw < 0.43 && (corrected - 0.5).abs() < 0.05,
            "{raw} {corrected}"
        );
    }

    #[test]
    fn effective_number_in_known_cases() {
        assert!((effective_n(100, 0.0) - 100.0).abs() < 1e-12);
        // Long series: n (1 - phi)/(1 + phi).
        assert!((effective_n(100_000, 0.8) / (100_000.0 / 9.0) - 1.0).abs() < 1e-3);
        let even: Vec<f64> = (0..2000).map(f64::from).collect();
        let memory = -1.0 / 0.8_f64.ln();
        assert!((effective_n_uneven(&even, memory) / (2000.0 / 9.0) - 1.0).abs() < 0.01);
        assert!((se_factor(0.8) - 3.0).abs() < 1e-12 && (se_factor(-0.5) - 1.0).abs() < 1e-12);
    }

    #[test]
    fn whitening_undoes_the_memory() {
        let x = ar(0.9, 4000, 1);
        let t: Vec<f64> = (0..4000).map(f64::from).collect();
        let w = whiten(&t, &x, -1.0 / 0.9_f64.ln()).unwrap();
        assert!(raw_lag_one(&w).unwrap().abs() < 0.05);
        let var = crate::robust::variance(&w).unwrap();
        assert!((var - 1.0).abs() < 0.1);
        assert!(whiten(&[0.0, 0.0], &[1.0, 1.0], 1.0).is_err());
    }

    #[test]
    fn memory_is_found_at_uneven_times() {
        let x = ar(0.9, 6000, 2);
        let mut rng = rng::seeded(3, "thin");
        let (t, v): (Vec<f64>, Vec<f64>) = x
            .iter()
            .enumerate()
            .filter(|_| rng::uniform(&mut rng) < 0.4)
            .map(|(i, v)| (i as f64, *v))
            .unzip();
        let fit = fit_car1(&t, &v).unwrap().unwrap();
        assert!((fit.correlation(1.0) - 0.9).abs() < 0.03, "{fit:?}");
        let white = rng::standard_normals(&mut rng, 300);
        let fit = fit_car1(&t[..300], &white).unwrap().unwrap();
        assert!(fit.correlation(1.0) < 0.3);
        assert_eq!(fit_car1(&[0.0, 1.0], &[0.1, 0.2]).unwrap(), None);
    }
}
