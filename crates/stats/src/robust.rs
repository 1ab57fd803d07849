//! Summaries that one wild value cannot move.

/// Sorted copy without the values that are not numbers.
#[must_use]
pub fn sorted(values: &[f64]) -> Vec<f64> {
    let mut out: Vec<f64> = values.iter().copied().filter(|v| !v.is_nan()).collect();
    out.sort_by(f64::total_cmp);
    out
}

/// Arithmetic mean; None of nothing.
#[must_use]
pub fn mean(values: &[f64]) -> Option<f64> {
    if values.is_empty() {
        None
    } else {
        Some(values.iter().sum::<f64>() / values.len() as f64)
    }
}

/// Sample variance (n - 1); None below two values.
#[must_use]
pub fn variance(values: &[f64]) -> Option<f64> {
    let centre = mean(values)?;
    if values.len() < 2 {
        return None;
    }
    Some(values.iter().map(|v| (v - centre).powi(2)).sum::<f64>() / (values.len() - 1) as f64)
}

/// Quantile by linear interpolation of order statistics (type 7 of Hyndman & Fan 1996); None of nothing.
#[must_use]
pub fn quantile(values: &[f64], p: f64) -> Option<f64> {
    quantile_sorted(&sorted(values), p)
}

/// As `quantile`, for values already in ascending order.
#[must_use]
pub fn quantile_sorted(ascending: &[f64], p: f64) -> Option<f64> {
    let last = ascending.len().checked_sub(1)?;
    if !(0.0..=1.0).contains(&p) {
        return None;
    }
    let at = p * last as f64;
    let below = (at.floor() as usize).min(last);
    let low = *ascending.get(below)?;
    let high = ascending.get(below + 1).copied().unwrap_or(low);
    let part = at - below as f64;
    // Equal neighbours are returned as they are: infinite ones would otherwise give NaN.
    Some(if part <= 0.0 || low.total_cmp(&high).is_eq() {
        low
    } else {
        low + part * (high - low)
    })
}

/// Median; None of nothing.
#[must_use]
pub fn median(values: &[f64]) -> Option<f64> {
    quantile(values, 0.5)
}

/// Factor that makes the median absolute deviation a standard deviation under the normal law: 1/Phi^-1(3/4).
pub const MAD_TO_SD: f64 = 1.482_602_218_505_602;

/// Median absolute deviation about the median, scaled to a standard deviation; None of nothing.
#[must_use]
pub fn mad(values: &[f64]) -> Option<f64> {
    let centre = median(values)?;
    let away: Vec<f64> = values.iter().map(|v| (v - centre).abs()).collect();
    median(&away).map(|m| m * MAD_TO_SD)
}

/// Quantile of weighted values: interpolates between the mid-points of the weights; None where no
/// weight is positive. With equal weights the median is the ordinary one.
#[must_use]
pub fn weighted_quantile(values: &[f64], weights: &[f64], p: f64) -> Option<f64> {
    let mut pairs: Vec<(f64, f64)> = values
        .iter()
        .copied()
        .zip(weights.iter().copied())
        .filter(|(v, w)| !v.is_nan() && *w > 0.0 && w.is_finite())
        .collect();
    pairs.sort_by(|a, b| a.0.total_cmp(&b.0));
    let total: f64 = pairs.iter().map(|p| p.1).sum();
    if !(total > 0.0) || !(0.0..=1.0).contains(&p) {
        return None;
    }
    let target = p * total;
    let mut before = 0.0;
    let mut previous: Option<(f64, f64)> = None;
    for (value, weight) in pairs {
        let middle = before + 0.5 * weight;
        if middle >= target {
            return Some(match previous {
                Some((at, low)) if middle > at => {
                    low + (value - low) * ((target - at) / (middle - at)).clamp(0.0, 1.0)
                }
                _ => value,
            });
        }
        before += weight;
        previous = Some((middle, value));
    }
    previous.map(|p| p.1)
}

/// Huber's weight of a standardised residual: 1 within `cut` (1.345 gives 95 % efficiency), cut/|z| beyond.
#[must_use]
pub fn huber_weight(z: f64, cut: f64) -> f64 {
    let size = z.abs();
    if size <= cut { 1.0 } else { cut / size }
}

/// Tukey's biweight of a standardised residual: 0 beyond `cut` (4.685 gives 95 % efficiency).
#[must_use]
pub fn biweight(z: f64, cut: f64) -> f64 {
    let u = z / cut;
    if u.abs() >= 1.0 {
        0.0
    } else {
        (1.0 - u * u).powi(2)
    }
}

/// Mean of what remains after a fraction `trim` (0 to 0.5) is cut from each end; None of nothing.
#[must_use]
pub fn trimmed_mean(values: &[f64], trim: f64) -> Option<f64> {
    let ascending = sorted(values);
    let cut = (trim.clamp(0.0, 0.5) * ascending.len() as f64).floor() as usize;
    let kept = ascending
        .get(cut..ascending.len().saturating_sub(cut))
        .unwrap_or(&[]);
    if kept.is_empty() {
        median(values)
    } else {
        mean(kept)
    }
}

/// Huber's location with the scale fixed at the MAD; None of nothing.
#[must_use]
pub fn huber_mean(values: &[f64], cut: f64) -> Option<f64> {
    let mut centre = median(values)?;
    let scale = mad(values)?;
    if scale <= 0.0 {
        return Some(centre);
    }
    for _ in 0..100 {
        let (mut top, mut bottom) = (0.0, 0.0);
        for v in values.iter().filter(|v| v.is_finite()) {
            let w = huber_weight((v - centre) / scale, cut);
            top += w * v;
            bottom += w;
        }
        let next = top / bottom;
        let moved = (next - centre).abs();
        centre = next;
        if moved < 1e-12 * scale {
            break;
        }
    }
    Some(centre)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn type_seven_quantiles() {
        let x = [1.0, 2.0, 3.0, 4.0];
        assert_eq!(quantile(&x, 0.25), Some(1.75));
        assert_eq!(quantile(&x, 1.0), Some(4.0));
        assert_eq!(median(&[3.0, 1.0, f64::NAN]), Some(2.0));
        assert_eq!(median(&[]), None);
        assert_eq!(
            quantile(&[1.0, f64::INFINITY, f64::INFINITY], 0.75),
            Some(f64::INFINITY)
        );
    }

    #[test]
    fn one_wild_value_moves_neither_median_nor_mad() {
        let calm = [9.0, 10.0, 11.0, 10.5, 9.5, 10.2, 9.8];
        let wild = [9.0, 10.0, 11.0, 10.5, 9.5, 10.2, 1e9];
        assert!((median(&calm).unwrap() - median(&wild).unwrap()).abs() < 0.5);
        assert!(mad(&wild).unwrap() < 2.0 * mad(&calm).unwrap());
        assert!(huber_mean(&wild, 1.345).unwrap() < 11.0);
        assert!((trimmed_mean(&wild, 0.2).unwrap() - 10.24).abs() < 0.1);
    }

    #[test]
    fn weights_repeat_values() {
        let by_weight = weighted_quantile(&[1.0, 2.0, 3.0], &[1.0, 1.0, 1.0], 0.5).unwrap();
        assert!((by_weight - 2.0).abs() < 1e-12);
        assert_eq!(weighted_quantile(&[1.0, 5.0], &[1.0, 0.0], 0.9), Some(1.0));
        assert_eq!(weighted_quantile(&[1.0], &[0.0], 0.5), None);
        let heavy = weighted_quantile(&[1.0, 2.0, 3.0], &[1.0, 1.0, 98.0], 0.5).unwrap();
        assert!((2.9..=3.0).contains(&heavy));
    }

    #[test]
    fn weights_of_residuals() {
        assert!((huber_weight(2.69, 1.345) - 0.5).abs() < 1e-12);
        assert!((huber_weight(-0.5, 1.345) - 1.0).abs() < 1e-12);
        assert!(biweight(5.0, 4.685).abs() < 1e-12);
    }
}
