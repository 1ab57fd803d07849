//! One answer from fits of several laws that nothing tells apart.

use drydown_stats::{normal, optimise};

use super::fit::{Fit, hold_rate};

/// A law with less than this share is left out: nothing of it reaches into the interval.
const SHARE_MIN: f64 = 0.02;

/// Joins finished fits of laws that nothing tells apart, each with its share: the first one's curve at the mean of their
/// rates, with the interval of the mixture of their laws. None without any.
pub(super) fn join<'a>(fits: Vec<(Fit<'a>, f64)>) -> Option<Fit<'a>> {
    let mut distinct: Vec<(Fit<'a>, f64)> = Vec::new();
    for (fit, share) in fits {
        let shape = fit.model.shape;
        // A run that cannot have one of the laws has another twice.
        match distinct.iter_mut().find(|one| one.0.model.shape == shape) {
            Some(one) => one.1 += share,
            None => distinct.push((fit, share)),
        }
    }
    let total: f64 = distinct.iter().map(|one| one.1).sum();
    if distinct.iter().any(|one| one.1 >= SHARE_MIN * total) {
        distinct.retain(|one| one.1 >= SHARE_MIN * total);
    }
    if distinct.len() > 1 {
        let total: f64 = distinct.iter().map(|one| one.1).sum();
        distinct.iter_mut().for_each(|one| one.1 /= total);
        return mixture(distinct);
    }
    distinct.pop().map(|one| one.0)
}

fn mixture<'a>(fits: Vec<(Fit<'a>, f64)>) -> Option<Fit<'a>> {
    let parts: Vec<Part> = fits.iter().map(|(fit, share)| part(fit, *share)).collect();
    let tail = 0.5 - 0.5 * fits.first()?.0.model.config.level;
    let ln_rate: f64 = parts.iter().map(|part| part.share * part.best).sum();
    let variance = parts.iter().try_fold(0.0, |sum, part| {
        let own = part.se?.powi(2) + (part.best - ln_rate).powi(2);
        Some(sum + part.share * own)
    });
    let lower = end(&parts, tail, |part| part.lower, -1.0);
    let upper = end(&parts, tail, |part| part.upper, 1.0);
    let shapes: Vec<_> = fits
        .iter()
        .skip(1)
        .map(|(fit, _)| fit.model.shape)
        .collect();
    let (mut joined, _) = fits.into_iter().next()?;
    joined.ln_rate_lower = lower;
    joined.ln_rate_upper = upper;
    joined.ln_rate_se = variance.map(f64::sqrt);
    joined.ln_end_sd = None;
    joined.joined = shapes;
    hold_rate(&mut joined, ln_rate.exp());
    Some(joined)
}

/// What one law says of ln k.
struct Part {
    share: f64,
    best: f64,
    lower: Option<f64>,
    upper: Option<f64>,
    se: Option<f64>,
}

fn part(fit: &Fit<'_>, share: f64) -> Part {
    Part {
        share,
        best: fit.theta.first().copied().unwrap_or(0.0),
        lower: fit.ln_rate_lower,
        upper: fit.ln_rate_upper,
        se: fit.ln_rate_se,
    }
}

/// The value beyond which (on the side of `sign`) `tail` of the mixture lies, each law normal on either side of its best
/// value with the width of its end there; None where a law whose share is more than the tail is open on that side.
fn end(parts: &[Part], tail: f64, of: impl Fn(&Part) -> Option<f64>, sign: f64) -> Option<f64> {
    let quantile = normal::quantile(1.0 - tail);
    // Distances along the side asked for, with the widths towards both.
    let mut laws: Vec<(f64, f64, f64, f64)> = Vec::new();
    let mut open = 0.0;
    for part in parts {
        let Some(end) = of(part) else {
            open += part.share;
            continue;
        };
        let back = if sign > 0.0 { part.lower } else { part.upper };
        let out_sd = ((end - part.best) * sign / quantile).max(1e-6);
        let back_sd = back.map_or(out_sd, |back| (part.best - back) * sign / quantile);
        laws.push((part.share, part.best * sign, out_sd, back_sd.max(1e-6)));
    }
    if open >= tail {
        return None;
    }
    let beyond = |at: f64| {
        let of_laws: f64 = laws
            .iter()
            .map(|(share, best, out_sd, back_sd)| {
                let sd = if at > *best { out_sd } else { back_sd };
                share * normal::cdf((best - at) / sd)
            })
            .sum();
        open + of_laws - tail
    };
    let far = |(_, best, out_sd, back_sd): &(f64, f64, f64, f64), sds: f64| {
        best + sds * if sds > 0.0 { out_sd } else { back_sd }
    };
    let least = laws.iter().map(|law| far(law, -8.0));
    let most = laws.iter().map(|law| far(law, 8.0));
    let (least, most) = (
        least.fold(f64::INFINITY, f64::min),
        most.fold(f64::NEG_INFINITY, f64::max),
    );
    optimise::brent_root(beyond, least, most, 1e-4).map(|at| at * sign)
}

#[cfg(test)]
mod tests {
    use super::*;

    const Z_95: f64 = 1.644_853_626_951_472_6;

    fn law(share: f64, best: f64, sd: f64) -> Part {
        Part {
            share,
            best,
            lower: Some(best - Z_95 * sd),
            upper: Some(best + Z_95 * sd),
            se: Some(sd),
        }
    }

    fn ends(parts: &[Part]) -> (Option<f64>, Option<f64>) {
        (
            end(parts, 0.05, |part| part.lower, -1.0),
            end(parts, 0.05, |part| part.upper, 1.0),
        )
    }

    #[test]
    fn laws_that_agree_keep_their_ends() {
        let (lower, upper) = ends(&[law(0.5, -1.0, 0.2), law(0.5, -1.0, 0.2)]);
        assert!((lower.unwrap() - (-1.0 - Z_95 * 0.2)).abs() < 1e-3);
        assert!((upper.unwrap() - (-1.0 + Z_95 * 0.2)).abs() < 1e-3);
    }

    #[test]
    fn a_law_far_above_reaches_into_the_interval_by_its_share() {
        // Of the law far above, half lies above its best value: with a share of a tenth, just the tail.
        let (lower, upper) = ends(&[law(0.9, 0.0, 0.1), law(0.1, 5.0, 0.3)]);
        assert!((upper.unwrap() - 5.0).abs() < 1e-2, "{upper:?}");
        // Below, 0.05 of the whole is 0.0556 of the first law, whose quantile there is −1.593.
        assert!((lower.unwrap() + 0.1593).abs() < 1e-3, "{lower:?}");
        let (_, upper) = ends(&[law(0.97, 0.0, 0.1), law(0.03, 5.0, 0.3)]);
        assert!(upper.unwrap() < 0.3, "{upper:?}");
    }

    #[test]
    fn an_open_end_stays_open_where_its_law_counts() {
        let open = |share: f64| Part {
            upper: None,
            ..law(share, 0.5, 0.2)
        };
        assert_eq!(ends(&[law(0.8, 0.0, 0.1), open(0.2)]).1, None);
        assert!(ends(&[law(0.97, 0.0, 0.1), open(0.03)]).1.is_some());
    }
}
