//! Trends that need no law of the errors: Theil–Sen slope, Mann–Kendall test, and the block bootstrap
//! that keeps them honest when values remember each other.

use crate::error::{StatsError, check_finite, check_length};
use crate::normal;
use crate::rng::{self, Pcg64};
use crate::robust::{median, quantile_sorted, sorted};
use drydown_quantity::Interval;

/// A Theil–Sen line.
#[derive(Clone, Debug, PartialEq)]
pub struct TheilSen {
    /// Median of the slopes between all pairs at different x.
    pub slope: f64,
    /// Median of y - slope x.
    pub intercept: f64,
    /// Interval of the slope (Sen 1968); assumes values independent of each other.
    pub interval: Interval,
    /// Number of pairs.
    pub n_pairs: usize,
}

/// Theil–Sen slope with Sen's interval (Theil 1950; Sen 1968).
///
/// # Errors
/// Unequal lengths, values that are not finite, or no pair at different x.
pub fn theil_sen(x: &[f64], y: &[f64], level: f64) -> Result<TheilSen, StatsError> {
    check_length("values", x.len(), y.len())?;
    check_finite("positions", x)?;
    check_finite("values", y)?;
    let mut slopes = pair_slopes(x, y);
    let n_pairs = slopes.len();
    let too_few = StatsError::TooFew {
        needed: 2,
        found: x.len(),
    };
    slopes.sort_by(f64::total_cmp);
    let slope = quantile_sorted(&slopes, 0.5).ok_or(too_few.clone())?;
    let rest: Vec<f64> = x.iter().zip(y).map(|(x, y)| y - slope * x).collect();
    let intercept = median(&rest).ok_or(too_few)?;
    let z = normal::quantile(0.5 + 0.5 * level);
    let reach = z * sen_variance(x, y).sqrt();
    let (low, high) = (
        0.5 * (n_pairs as f64 - reach),
        0.5 * (n_pairs as f64 + reach),
    );
    // Ranks as in Sen 1968: the (N - C)/2 th lowest and the (N + C)/2 + 1 th, to the nearest rank.
    let rank = |r: f64| {
        let at = r.round() - 1.0;
        if at < 0.0 {
            f64::NEG_INFINITY
        } else {
            slopes.get(at as usize).copied().unwrap_or(f64::INFINITY)
        }
    };
    let interval = Interval::new(level, rank(low), rank(high + 1.0));
    Ok(TheilSen {
        slope,
        intercept,
        interval,
        n_pairs,
    })
}

fn pair_slopes(x: &[f64], y: &[f64]) -> Vec<f64> {
    let mut slopes = Vec::with_capacity(x.len() * x.len() / 2);
    for i in 0..x.len() {
        for j in i + 1..x.len() {
            let dx = x[j] - x[i];
            if dx.abs() > 0.0 {
                slopes.push((y[j] - y[i]) / dx);
            }
        }
    }
    slopes
}

/// Variance of Kendall's score with ties in x and in y (Kendall 1975, leading terms).
fn sen_variance(x: &[f64], y: &[f64]) -> f64 {
    let n = x.len() as f64;
    let full = n * (n - 1.0) * (2.0 * n + 5.0);
    (full - tie_sum(x) - tie_sum(y)).max(0.0) / 18.0
}

/// Sum over ties of t (t - 1) (2 t + 5).
fn tie_sum(values: &[f64]) -> f64 {
    let ordered = sorted(values);
    ordered
        .chunk_by(|a, b| a.total_cmp(b).is_eq())
        .map(|tie| tie.len() as f64)
        .map(|t| t * (t - 1.0) * (2.0 * t + 5.0))
        .sum()
}

/// Result of a Mann–Kendall test.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MannKendall {
    /// Pairs that rise less pairs that fall.
    pub s: f64,
    /// Variance of s without trend, ties allowed for.
    pub var_s: f64,
    /// s with continuity correction over its standard deviation.
    pub z: f64,
    /// Two-sided p-value.
    pub p_value: f64,
    /// Kendall's tau-b with time.
    pub tau: f64,
}

/// Mann–Kendall test of values in time order (Mann 1945; Kendall 1975). Assumes values independent of
/// each other: under positive memory it finds trends that are not there.
///
/// # Errors
/// Fewer than three values, or values that are not finite.
pub fn mann_kendall(values: &[f64]) -> Result<MannKendall, StatsError> {
    check_finite("values", values)?;
    if values.len() < 3 {
        return Err(StatsError::TooFew {
            needed: 3,
            found: values.len(),
        });
    }
    let (s, n_tied) = score(values);
    let n = values.len() as f64;
    let pairs = 0.5 * n * (n - 1.0);
    let bottom = ((pairs - n_tied) * pairs).sqrt();
    let tau = if bottom > 0.0 { s / bottom } else { 0.0 };
    let var_s = (n * (n - 1.0) * (2.0 * n + 5.0) - tie_sum(values)) / 18.0;
    Ok(from_score(s, var_s, tau))
}

fn score(values: &[f64]) -> (f64, f64) {
    let (mut s, mut tied) = (0.0, 0.0);
    for (i, a) in values.iter().enumerate() {
        for b in values.iter().skip(i + 1) {
            if b > a {
                s += 1.0;
            } else if b < a {
                s -= 1.0;
            } else {
                tied += 1.0;
            }
        }
    }
    (s, tied)
}

fn from_score(s: f64, var_s: f64, tau: f64) -> MannKendall {
    let corrected = if s > 0.0 {
        s - 1.0
    } else if s < 0.0 {
        s + 1.0
    } else {
        0.0
    };
    let z = if var_s > 0.0 {
        corrected / var_s.sqrt()
    } else {
        0.0
    };
    MannKendall {
        s,
        var_s,
        z,
        p_value: (2.0 * normal::survival(z.abs())).min(1.0),
        tau,
    }
}

/// Seasonal Mann–Kendall test: scores and variances summed over seasons (Hirsch, Slack & Smith 1982).
/// `seasons` names the season of each value; values are in time order.
///
/// # Errors
/// Unequal lengths, values that are not finite, or no season with two values.
pub fn seasonal_mann_kendall(values: &[f64], seasons: &[usize]) -> Result<MannKendall, StatsError> {
    check_length("seasons", values.len(), seasons.len())?;
    check_finite("values", values)?;
    let mut by_season: std::collections::BTreeMap<usize, Vec<f64>> = Default::default();
    for (v, s) in values.iter().zip(seasons) {
        by_season.entry(*s).or_default().push(*v);
    }
    let (mut s, mut var_s, mut pairs) = (0.0, 0.0, 0.0);
    for part in by_season.values() {
        let n = part.len() as f64;
        s += score(part).0;
        var_s += (n * (n - 1.0) * (2.0 * n + 5.0) - tie_sum(part)) / 18.0;
        pairs += 0.5 * n * (n - 1.0);
    }
    if !(pairs > 0.0) {
        return Err(StatsError::TooFew {
            needed: 2,
            found: values.len(),
        });
    }
    Ok(from_score(s, var_s, s / pairs))
}

/// Interval of the Theil–Sen slope by resampling blocks of neighbouring values whole (moving-block
/// bootstrap of the residuals; Künsch 1989), for values that remember each other.
///
/// `block`: values per block, at least the memory of the series. None where no slope exists.
#[must_use]
pub fn theil_sen_block_interval(
    (x, y): (&[f64], &[f64]),
    level: f64,
    block: usize,
    n_draws: usize,
    rng: &mut Pcg64,
) -> Option<Interval> {
    let fit = theil_sen(x, y, level).ok()?;
    let n = x.len();
    let block = block.clamp(1, n);
    let residuals: Vec<f64> = x
        .iter()
        .zip(y)
        .map(|(x, y)| y - fit.intercept - fit.slope * x)
        .collect();
    let mut slopes = Vec::with_capacity(n_draws);
    for _ in 0..n_draws {
        let mut drawn = Vec::with_capacity(n + block);
        while drawn.len() < n {
            let start = rng::index(rng, n - block + 1);
            drawn.extend_from_slice(residuals.get(start..start + block)?);
        }
        let values: Vec<f64> = x
            .iter()
            .zip(&drawn)
            .map(|(x, r)| fit.intercept + fit.slope * x + r)
            .collect();
        slopes.push(median(&pair_slopes(x, &values))?);
    }
    slopes.sort_by(f64::total_cmp);
    let tail = 0.5 * (1.0 - level);
    // Basic bootstrap: the spread about the estimate, turned over.
    let low = 2.0 * fit.slope - quantile_sorted(&slopes, 1.0 - tail)?;
    let high = 2.0 * fit.slope - quantile_sorted(&slopes, tail)?;
    Some(Interval::new(level, low, high))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_wild_value_does_not_move_the_slope() {
        let x: Vec<f64> = (0..21).map(f64::from).collect();
        let mut y: Vec<f64> = x.iter().map(|x| 3.0 + 0.5 * x).collect();
        y[20] = 1e6;
        let fit = theil_sen(&x, &y, 0.9).unwrap();
        assert!((fit.slope - 0.5).abs() < 1e-12 && (fit.intercept - 3.0).abs() < 1e-12);
        assert!(fit.interval.contains(0.5) && fit.n_pairs == 210);
    }

    #[test]
    fn scale_shift_and_reversal() {
        let y = [3.0, 1.0, 4.0, 1.5, 5.0, 9.0, 2.0, 6.0];
        let a = mann_kendall(&y).unwrap();
        let scaled: Vec<f64> = y.iter().map(|v| 7.0 * v - 2.0).collect();
        assert_eq!(a, mann_kendall(&scaled).unwrap());
        let back: Vec<f64> = y.iter().rev().copied().collect();
        assert!((mann_kendall(&back).unwrap().s + a.s).abs() < 1e-12);
        let flat = mann_kendall(&[2.0; 9]).unwrap();
        assert!(flat.s.abs() < 1e-12 && (flat.p_value - 1.0).abs() < 1e-12);
    }

    #[test]
    fn exact_variance_of_the_score_by_enumeration() {
        // All 24 orders of four values: mean 0, variance n(n-1)(2n+5)/18 = 26/3.
        let mut sum = 0.0;
        let values = [1.0, 2.0, 3.0, 4.0];
        let mut count = 0.0;
        for a in 0..4 {
            for b in (0..4).filter(|b| *b != a) {
                for c in (0..4).filter(|c| *c != a && *c != b) {
                    let d = 6 - a - b - c;
                    let s = mann_kendall(&[values[a], values[b], values[c], values[d]]).unwrap();
                    sum += s.s * s.s;
                    count += 1.0;
                }
            }
        }
        let want = mann_kendall(&values).unwrap().var_s;
        assert!((sum / count - want).abs() < 1e-12 && (want - 26.0 / 3.0).abs() < 1e-12);
    }

    #[test]
    fn memory_widens_the_block_interval() {
        let mut rng = rng::seeded(2, "trend");
        let mut e = 0.0;
        let y: Vec<f64> = (0..120)
            .map(|_| {
                e = 0.8 * e + rng::standard_normal(&mut rng);
                e
            })
            .collect();
        let x: Vec<f64> = (0..120).map(f64::from).collect();
        let naive = theil_sen(&x, &y, 0.9).unwrap().interval.width();
        let blocks = theil_sen_block_interval((&x, &y), 0.9, 15, 200, &mut rng)
            .unwrap()
            .width();
        assert!(blocks > 1.5 * naive, "{blocks} {naive}");
    }

    #[test]
    fn degenerate_input_is_refused() {
        assert!(theil_sen(&[1.0, 1.0], &[2.0, 3.0], 0.9).is_err());
        assert!(mann_kendall(&[1.0, 2.0]).is_err());
        assert!(seasonal_mann_kendall(&[1.0, 2.0], &[0, 1]).is_err());
    }
}
