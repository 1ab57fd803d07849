//! Whether standardised residuals look like what a model says of them: no memory, no long stretches on one side,
//! normal, no more far ones than there should be. (A trend: [`crate::trend::mann_kendall`].)

use crate::ar1::raw_lag_one;
use crate::error::{StatsError, check_finite};
use crate::normal;
use crate::robust;

/// A portmanteau test of autocorrelations.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Portmanteau {
    /// Autocorrelation at lag one, about the mean.
    pub lag_one: f64,
    /// Q, about chi-square without memory.
    pub statistic: f64,
    /// Its degrees of freedom: lags less fitted coefficients.
    pub df: f64,
    /// Chance of as large a Q without memory.
    pub p_value: f64,
}

/// Test of the first `n_lags` autocorrelations together (Ljung & Box 1978, Biometrika 65:297–303):
/// `Q = n(n+2) Σ r_k²/(n−k)`, chi-square with `n_lags − n_fitted` degrees of freedom where `n_fitted` coefficients of
/// memory were estimated from the same values.
///
/// # Errors
/// Fewer than `n_lags + 3` values, no lag beyond the fitted coefficients, values that are not finite or all alike.
pub fn ljung_box(
    values: &[f64],
    n_lags: usize,
    n_fitted: usize,
) -> Result<Portmanteau, StatsError> {
    check_finite("values", values)?;
    let needed = n_lags + 3;
    if values.len() < needed || n_lags <= n_fitted {
        return Err(StatsError::TooFew {
            needed: needed.max(n_fitted + 4),
            found: values.len(),
        });
    }
    let lag_one = raw_lag_one(values).ok_or(StatsError::OutOfRange {
        what: "spread",
        value: 0.0,
    })?;
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let bottom: f64 = values.iter().map(|value| (value - mean).powi(2)).sum();
    let sum: f64 = (1..=n_lags)
        .map(|lag| {
            let top: f64 = values
                .iter()
                .zip(values.iter().skip(lag))
                .map(|(a, b)| (a - mean) * (b - mean))
                .sum();
            (top / bottom).powi(2) / (n - lag as f64)
        })
        .sum();
    let statistic = n * (n + 2.0) * sum;
    let df = (n_lags - n_fitted) as f64;
    Ok(Portmanteau {
        lag_one,
        statistic,
        df,
        p_value: 1.0 - normal::chi_square_cdf(statistic, df),
    })
}

/// A test of the number of runs of one sign.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SignRuns {
    /// Stretches of values on one side.
    pub n_runs: usize,
    /// As many as chance would give on average.
    pub expected: f64,
    /// Observed less expected over the standard deviation; negative where values stay on one side too long.
    pub z: f64,
    /// Two-sided.
    pub p_value: f64,
}

/// Test of the number of stretches above and below `centre` (Wald & Wolfowitz 1940, Ann. Math. Stat. 11:147–162):
/// with n₁ values above and n₂ below, mean `2n₁n₂/n + 1`, variance `2n₁n₂(2n₁n₂ − n)/(n²(n − 1))`. A value at the
/// centre counts as above.
///
/// # Errors
/// Fewer than ten values, all on one side, or values that are not finite.
pub fn sign_runs(values: &[f64], centre: f64) -> Result<SignRuns, StatsError> {
    check_finite("values", values)?;
    let above: Vec<bool> = values.iter().map(|value| *value >= centre).collect();
    let n_above = above.iter().filter(|side| **side).count();
    let n_below = above.len() - n_above;
    if above.len() < 10 || n_above.min(n_below) == 0 {
        return Err(StatsError::TooFew {
            needed: 10,
            found: above.len().min(n_above.min(n_below)),
        });
    }
    let n_runs = above.chunk_by(|a, b| a == b).count();
    let n = above.len() as f64;
    let twice = 2.0 * n_above as f64 * n_below as f64;
    let expected = twice / n + 1.0;
    let variance = twice * (twice - n) / (n * n * (n - 1.0));
    let z = if variance > 0.0 {
        (n_runs as f64 - expected) / variance.sqrt()
    } else {
        0.0
    };
    Ok(SignRuns {
        n_runs,
        expected,
        z,
        p_value: (2.0 * normal::survival(z.abs())).min(1.0),
    })
}

/// A test of normality.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Normality {
    /// Anderson & Darling's A², not yet corrected for the number of values.
    pub statistic: f64,
    pub p_value: f64,
}

/// Anderson & Darling's test of normality with mean and standard deviation estimated (Stephens 1974, JASA 69:730–737),
/// its p-value by the formulas of D'Agostino & Stephens 1986, Goodness-of-Fit Techniques, table 4.9.
///
/// # Errors
/// Fewer than eight values, values that are not finite or all alike.
pub fn anderson_darling(values: &[f64]) -> Result<Normality, StatsError> {
    check_finite("values", values)?;
    if values.len() < 8 {
        return Err(StatsError::TooFew {
            needed: 8,
            found: values.len(),
        });
    }
    let mean = robust::mean(values).unwrap_or(0.0);
    let sd = robust::variance(values).unwrap_or(0.0).sqrt();
    if !(sd > 0.0) {
        return Err(StatsError::OutOfRange {
            what: "spread",
            value: sd,
        });
    }
    let ordered = robust::sorted(values);
    let n = ordered.len() as f64;
    let sum: f64 = ordered
        .iter()
        .zip(ordered.iter().rev())
        .enumerate()
        .map(|(idx, (low, high))| {
            let weight = 2.0 * idx as f64 + 1.0;
            weight * (normal::ln_cdf((low - mean) / sd) + normal::ln_cdf((mean - high) / sd))
        })
        .sum();
    let statistic = -n - sum / n;
    let corrected = statistic * (1.0 + 0.75 / n + 2.25 / (n * n));
    Ok(Normality {
        statistic,
        p_value: normality_p(corrected),
    })
}

fn normality_p(a: f64) -> f64 {
    if a < 0.200 {
        1.0 - (-13.436 + 101.14 * a - 223.73 * a * a).exp()
    } else if a < 0.340 {
        1.0 - (-8.318 + 42.796 * a - 59.938 * a * a).exp()
    } else if a < 0.600 {
        (0.9177 - 4.279 * a - 1.38 * a * a).exp()
    } else if a <= 13.0 {
        (1.2937 - 5.709 * a + 0.0186 * a * a).exp()
    } else {
        0.0
    }
}

/// Values that lie far from zero.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Outlying {
    /// How many.
    pub n: usize,
    /// How many standard normal ones there would be on average.
    pub expected: f64,
    /// Chance of as many or more among standard normal values (binomial tail).
    pub p_value: f64,
}

/// How many values lie more than `cut` from zero, against standard normal ones.
///
/// # Errors
/// No values, values that are not finite, or a cut that is not positive.
pub fn outlying(values: &[f64], cut: f64) -> Result<Outlying, StatsError> {
    check_finite("values", values)?;
    if !(cut > 0.0) {
        return Err(StatsError::OutOfRange {
            what: "cut",
            value: cut,
        });
    }
    if values.is_empty() {
        return Err(StatsError::TooFew {
            needed: 1,
            found: 0,
        });
    }
    let n = values.iter().filter(|value| value.abs() > cut).count();
    let share = 2.0 * normal::survival(cut);
    let size = values.len() as f64;
    // Below n: (1 − share)^size and on, each from the one before it.
    let mut term = (1.0 - share).powf(size);
    let mut below = 0.0;
    for k in 0..n {
        below += term;
        let k = k as f64;
        term *= (size - k) / (k + 1.0) * share / (1.0 - share);
    }
    Ok(Outlying {
        n,
        expected: size * share,
        p_value: (1.0 - below).clamp(0.0, 1.0),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rng;

    #[test]
    fn each_test_calls_one_in_twenty_normal_series_odd() {
        const N: usize = 2000;
        let mut odd = [0_usize; 3];
        for trial in 0..N {
            let mut rng = rng::seeded(7, &format!("residuals {trial}"));
            let values = rng::standard_normals(&mut rng, 60);
            let p = [
                ljung_box(&values, 10, 0).unwrap().p_value,
                sign_runs(&values, 0.0).unwrap().p_value,
                anderson_darling(&values).unwrap().p_value,
            ];
            for (count, p) in odd.iter_mut().zip(p) {
                *count += usize::from(p < 0.05);
            }
        }
        // Four standard errors of a share of .05 among 2000 are .02.
        for count in odd {
            let share = count as f64 / N as f64;
            assert!((0.03..=0.07).contains(&share), "{odd:?}");
        }
    }

    #[test]
    fn each_test_sees_what_it_is_for() {
        let mut rng = rng::seeded(8, "odd");
        let white = rng::standard_normals(&mut rng, 80);
        let mut memory = 0.0;
        let red: Vec<f64> = white
            .iter()
            .map(|value| {
                memory = 0.7 * memory + value;
                memory
            })
            .collect();
        let skewed: Vec<f64> = white.iter().map(|value| value.exp()).collect();
        let mut wild = white.clone();
        wild[10] = 6.0;
        wild[50] = -5.0;
        assert!(ljung_box(&red, 10, 0).unwrap().p_value < 0.001);
        assert!(sign_runs(&red, 0.0).unwrap().z < -3.0);
        assert!(anderson_darling(&skewed).unwrap().p_value < 0.001);
        assert!(outlying(&wild, 3.0).unwrap().p_value < 0.03);
        assert_eq!(outlying(&wild, 3.0).unwrap().n, 2);
    }

    #[test]
    fn what_cannot_be_tested_is_refused() {
        assert!(ljung_box(&[1.0; 20], 5, 0).is_err());
        assert!(ljung_box(&[1.0, 2.0, 3.0], 5, 0).is_err());
        assert!(sign_runs(&[1.0; 20], 0.0).is_err());
        assert!(anderson_darling(&[2.0; 20]).is_err());
        assert!(anderson_darling(&[f64::NAN; 20]).is_err());
        assert!(outlying(&[], 3.0).is_err());
    }
}
