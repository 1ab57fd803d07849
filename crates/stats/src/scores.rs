//! How good forecasts were: probabilities, rankings, quantiles.

use crate::normal;
use crate::optimise::{MinimiseConfig, minimise};
use statrs::distribution::{Binomial, DiscreteCDF};

/// Mean of (p - y)^2 over probabilities and outcomes (Brier 1950); None of nothing.
#[must_use]
pub fn brier(p: &[f64], y: &[bool]) -> Option<f64> {
    mean(p.iter().zip(y).map(|(p, y)| (p - unit(*y)).powi(2)))
}

/// As [`brier`] where cases stand for several (`weights`, as of [`crate::survival::known_weights`]); None where none does.
#[must_use]
pub fn weighted_brier(p: &[f64], y: &[bool], weights: &[f64]) -> Option<f64> {
    let miss: Vec<f64> = p
        .iter()
        .zip(y)
        .map(|(p, y)| (p - unit(*y)).powi(2))
        .collect();
    weighted_mean(&miss, weights)
}

/// Mean of values that stand for several cases each; None where none does.
#[must_use]
pub fn weighted_mean(values: &[f64], weights: &[f64]) -> Option<f64> {
    let total: f64 = weights.iter().sum();
    let sum: f64 = values.iter().zip(weights).map(|(v, w)| v * w).sum();
    (total > 0.0).then(|| sum / total)
}

/// 1 - score/reference: 1 perfect, 0 no better than the reference; None where the reference is 0.
#[must_use]
pub fn skill(score: f64, reference: f64) -> Option<f64> {
    (reference > 0.0).then(|| 1.0 - score / reference)
}

/// Mean of -ln(probability of what happened); None of nothing.
#[must_use]
pub fn log_loss(p: &[f64], y: &[bool]) -> Option<f64> {
    mean(p.iter().zip(y).map(|(p, y)| {
        let hit = if *y { *p } else { 1.0 - p };
        -hit.max(1e-300).ln()
    }))
}

fn unit(y: bool) -> f64 {
    if y { 1.0 } else { 0.0 }
}

fn mean(values: impl Iterator<Item = f64>) -> Option<f64> {
    let (mut sum, mut n) = (0.0, 0.0);
    for v in values {
        sum += v;
        n += 1.0;
    }
    (n > 0.0).then(|| sum / n)
}

/// One bin of a reliability curve.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ReliabilityBin {
    /// Lower and upper edge of the forecast probabilities.
    pub edges: (f64, f64),
    /// Number of forecasts.
    pub n: usize,
    /// Mean forecast.
    pub forecast: f64,
    /// Share that happened.
    pub observed: f64,
    /// Where the observed share lies in 95 of 100 cases if the mean forecast is right (binomial).
    pub consistency_95: (f64, f64),
}

/// Reliability curve in equal-width bins over 0 to 1; empty bins are left out.
#[must_use]
pub fn reliability_bins(p: &[f64], y: &[bool], n_bins: usize) -> Vec<ReliabilityBin> {
    let bins = n_bins.max(1);
    let width = 1.0 / bins as f64;
    (0..bins)
        .filter_map(|b| {
            let members: Vec<(f64, bool)> = p
                .iter()
                .copied()
                .zip(y.iter().copied())
                .filter(|(p, _)| bin_of(*p, bins) == b)
                .collect();
            let n = members.len();
            let forecast = mean(members.iter().map(|m| m.0))?;
            let observed = mean(members.iter().map(|m| unit(m.1)))?;
            let edges = (b as f64 * width, (b + 1) as f64 * width);
            Some(ReliabilityBin {
                edges,
                n,
                forecast,
                observed,
                consistency_95: consistency(n, forecast),
            })
        })
        .collect()
}

fn bin_of(p: f64, bins: usize) -> usize {
    ((p * bins as f64).floor().max(0.0) as usize).min(bins - 1)
}

fn consistency(n: usize, p: f64) -> (f64, f64) {
    let Ok(law) = Binomial::new(p.clamp(0.0, 1.0), n as u64) else {
        return (0.0, 1.0);
    };
    let share = |q: f64| law.inverse_cdf(q) as f64 / n as f64;
    (share(0.025), share(0.975))
}

/// Parts of the Brier score (Murphy 1973; remainder Stephenson et al. 2008):
/// brier = reliability - resolution + uncertainty + within.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BrierParts {
    /// Squared distance of observed share from forecast, over bins.
    pub reliability: f64,
    /// Squared distance of observed share from the base rate, over bins.
    pub resolution: f64,
    /// Variance of the outcome.
    pub uncertainty: f64,
    /// What is lost by putting different forecasts into one bin.
    pub within: f64,
    /// Expected calibration error: mean |observed - forecast| over bins.
    pub calibration_error: f64,
}

/// Splits the Brier score over equal-width bins; None of nothing.
#[must_use]
pub fn brier_parts(p: &[f64], y: &[bool], n_bins: usize) -> Option<BrierParts> {
    let n = p.len().min(y.len()) as f64;
    let base = mean(y.iter().map(|y| unit(*y)))?;
    let bins = reliability_bins(p, y, n_bins);
    let over = |f: &dyn Fn(&ReliabilityBin) -> f64| {
        bins.iter().map(|b| b.n as f64 / n * f(b)).sum::<f64>()
    };
    let reliability = over(&|b| (b.forecast - b.observed).powi(2));
    let resolution = over(&|b| (b.observed - base).powi(2));
    let uncertainty = base * (1.0 - base);
    Some(BrierParts {
        reliability,
        resolution,
        uncertainty,
        within: brier(p, y)? - (reliability - resolution + uncertainty),
        calibration_error: over(&|b| (b.forecast - b.observed).abs()),
    })
}

/// Probability that a case that happened was ranked above one that did not, ties counted half (area
/// under the curve); None without both kinds.
#[must_use]
pub fn auc(score: &[f64], y: &[bool]) -> Option<f64> {
    weighted_auc(score, y, &vec![1.0; score.len()])
}

/// As [`auc`] where cases stand for several; None without both kinds.
#[must_use]
pub fn weighted_auc(score: &[f64], y: &[bool], weights: &[f64]) -> Option<f64> {
    let mut order: Vec<(f64, bool, f64)> = score
        .iter()
        .zip(y)
        .zip(weights)
        .map(|((score, y), weight)| (*score, *y, *weight))
        .collect();
    order.sort_by(|a, b| a.0.total_cmp(&b.0));
    let (mut above, mut yes, mut no) = (0.0, 0.0, 0.0);
    for tie in order.chunk_by(|a, b| a.0.total_cmp(&b.0).is_eq()) {
        let sum = |kind: bool| -> f64 {
            tie.iter()
                .filter(|row| row.1 == kind)
                .map(|row| row.2)
                .sum()
        };
        let (tie_yes, tie_no) = (sum(true), sum(false));
        above += tie_yes * (no + 0.5 * tie_no);
        yes += tie_yes;
        no += tie_no;
    }
    (yes > 0.0 && no > 0.0).then(|| above / (yes * no))
}

/// Pairs behind Harrell's index of concordance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Concordance {
    /// (concordant + tied/2) / all comparable pairs.
    pub index: f64,
    /// Pairs in which the higher risk met the event first.
    pub concordant: u64,
    /// Pairs in which it did not.
    pub discordant: u64,
    /// Comparable pairs of equal risk.
    pub tied_risk: u64,
}

/// Harrell's index for risks against times that may be censored (Harrell et al. 1996); None without a
/// comparable pair. `event` is false where the time is only a lower bound.
#[must_use]
pub fn c_index(risk: &[f64], time: &[f64], event: &[bool]) -> Option<Concordance> {
    let n = risk.len().min(time.len()).min(event.len());
    let (mut concordant, mut discordant, mut tied_risk) = (0_u64, 0_u64, 0_u64);
    for i in (0..n).filter(|i| event[*i]) {
        for j in (0..n).filter(|j| *j != i) {
            // i is known to have come first: earlier, or at the same time as a censored j.
            let same = time[i].total_cmp(&time[j]).is_eq();
            if time[i] < time[j] || (same && !event[j]) {
                match risk[i].total_cmp(&risk[j]) {
                    std::cmp::Ordering::Greater => concordant += 1,
                    std::cmp::Ordering::Less => discordant += 1,
                    std::cmp::Ordering::Equal => tied_risk += 1,
                }
            }
        }
    }
    let all = (concordant + discordant + tied_risk) as f64;
    (all > 0.0).then(|| Concordance {
        index: (concordant as f64 + 0.5 * tied_risk as f64) / all,
        concordant,
        discordant,
        tied_risk,
    })
}

/// Discounted cumulative gain of gains in the order of the list (Järvelin & Kekäläinen 2002), first `k`.
#[must_use]
pub fn dcg(gains: &[f64], k: usize) -> f64 {
    gains
        .iter()
        .take(k)
        .enumerate()
        .map(|(i, g)| g / (i as f64 + 2.0).log2())
        .sum()
}

/// Normalised discounted cumulative gain of the first `k` when cases are listed by falling score;
/// equal scores share their gains. None where no case has a gain.
#[must_use]
pub fn ndcg(score: &[f64], gain: &[f64], k: usize) -> Option<f64> {
    let n = score.len().min(gain.len());
    let mut order: Vec<usize> = (0..n).collect();
    order.sort_by(|a, b| score[*b].total_cmp(&score[*a]));
    let mut listed = Vec::with_capacity(n);
    for tie in order.chunk_by(|a, b| score[*a].total_cmp(&score[*b]).is_eq()) {
        let shared = tie.iter().map(|i| gain[*i]).sum::<f64>() / tie.len() as f64;
        listed.extend(std::iter::repeat_n(shared, tie.len()));
    }
    let mut ideal: Vec<f64> = gain.iter().copied().take(n).collect();
    ideal.sort_by(|a, b| b.total_cmp(a));
    let best = dcg(&ideal, k);
    (best > 0.0).then(|| dcg(&listed, k) / best)
}

/// Logistic recalibration of forecast probabilities (Cox 1958).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Calibration {
    /// Intercept beside the slope; 0 if calibrated.
    pub intercept: f64,
    /// Slope on the logit of the forecast; below 1 the forecasts are too extreme.
    pub slope: f64,
    /// Standard error of the slope; None where the likelihood is flat.
    pub slope_se: Option<f64>,
    /// Intercept with the slope held at 1 (calibration in the large).
    pub in_the_large: f64,
    /// Spiegelhalter's z: beyond ±1.96 the forecasts are not calibrated (Spiegelhalter 1986).
    pub spiegelhalter_z: f64,
}

/// Fits logit P(y) = intercept + slope logit(p); None without both kinds of outcome or below ten cases.
/// Probabilities of 0 and 1 are taken as 1e-6 from the end.
#[must_use]
pub fn calibration(p: &[f64], y: &[bool]) -> Option<Calibration> {
    weighted_calibration(p, y, &vec![1.0; p.len()])
}

/// As [`calibration`] where cases stand for several. The standard error is that of so many cases as the weights sum to.
#[must_use]
pub fn weighted_calibration(p: &[f64], y: &[bool], weights: &[f64]) -> Option<Calibration> {
    let n = p.len().min(y.len()).min(weights.len());
    let happened = y.iter().take(n).filter(|y| **y).count();
    if n < 10 || happened == 0 || happened == n || p.iter().any(|p| !p.is_finite()) {
        return None;
    }
    let safe: Vec<f64> = p
        .iter()
        .take(n)
        .map(|p| p.clamp(1e-6, 1.0 - 1e-6))
        .collect();
    let logit: Vec<f64> = safe.iter().map(|p| (p / (1.0 - p)).ln()).collect();
    let loss = |a: f64, b: f64| -> f64 {
        logit
            .iter()
            .zip(y)
            .zip(weights)
            .map(|((l, y), weight)| {
                let eta = a + b * l;
                // -log likelihood: ln(1 + e^eta) - y eta, without overflow.
                let loss = eta.max(0.0) + (-eta.abs()).exp().ln_1p() - if *y { eta } else { 0.0 };
                weight * loss
            })
            .sum()
    };
    let both = |x: &[f64]| match x {
        [a, b] => loss(*a, *b),
        _ => f64::NAN,
    };
    let strict = |n: usize| MinimiseConfig {
        scales: vec![0.2; n],
        max_iterations: 200,
        gradient_tolerance: 1e-7,
    };
    let joint = minimise(&both, &[0.0, 1.0], &strict(2));
    let one = |x: &[f64]| x.first().map_or(f64::NAN, |a| loss(*a, 1.0));
    let large = minimise(&one, &[0.0], &strict(1));
    let top: f64 = safe
        .iter()
        .zip(y)
        .zip(weights)
        .map(|((p, y), weight)| weight * (unit(*y) - p) * (1.0 - 2.0 * p))
        .sum();
    let bottom: f64 = safe
        .iter()
        .zip(weights)
        .map(|(p, weight)| weight * (1.0 - 2.0 * p).powi(2) * p * (1.0 - p))
        .sum();
    Some(Calibration {
        intercept: *joint.x.first()?,
        slope: *joint.x.get(1)?,
        slope_se: joint
            .covariance(1.0)
            .and_then(|c| c.get(1)?.get(1).map(|v| v.max(0.0).sqrt())),
        in_the_large: *large.x.first()?,
        spiegelhalter_z: if bottom > 0.0 {
            top / bottom.sqrt()
        } else {
            0.0
        },
    })
}

/// Pinball loss of one quantile forecast at level `tau` (Koenker & Bassett 1978).
#[must_use]
pub fn pinball(tau: f64, forecast: f64, observed: f64) -> f64 {
    let miss = observed - forecast;
    if miss >= 0.0 {
        tau * miss
    } else {
        (tau - 1.0) * miss
    }
}

/// Share of values inside their intervals, ends included; None of nothing.
#[must_use]
pub fn coverage(intervals: &[(f64, f64)], values: &[f64]) -> Option<f64> {
    mean(
        intervals
            .iter()
            .zip(values)
            .map(|((low, high), v)| unit(low <= v && v <= high)),
    )
}

/// Interval score of a central interval (Gneiting & Raftery 2007): width plus 2/alpha times any miss.
#[must_use]
pub fn interval_score(level: f64, lower: f64, upper: f64, observed: f64) -> f64 {
    let alpha = 1.0 - level;
    (upper - lower) + 2.0 / alpha * ((lower - observed).max(0.0) + (observed - upper).max(0.0))
}

/// Continuous ranked probability score of a normal forecast (Gneiting & Raftery 2007).
#[must_use]
pub fn crps_normal(mean: f64, sd: f64, observed: f64) -> f64 {
    if !(sd > 0.0) {
        return (observed - mean).abs();
    }
    let z = (observed - mean) / sd;
    let centre = z * (normal::cdf(z) - normal::survival(z));
    sd * (centre + 2.0 * normal::pdf(z) - 1.0 / std::f64::consts::PI.sqrt())
}

/// Continuous ranked probability score of an ensemble; None of nothing.
#[must_use]
pub fn crps_ensemble(members: &[f64], observed: f64) -> Option<f64> {
    let miss = mean(members.iter().map(|m| (m - observed).abs()))?;
    let spread = mean(
        members
            .iter()
            .flat_map(|a| members.iter().map(move |b| (a - b).abs())),
    )?;
    Some(miss - 0.5 * spread)
}

/// Quantile index of split conformal prediction: the ceil((n + 1) level)-th smallest score; infinite
/// where n is too small for the level (Vovk, Gammerman & Shafer 2005).
#[must_use]
pub fn conformal_quantile(scores: &[f64], level: f64) -> f64 {
    let ordered = crate::robust::sorted(scores);
    // A hair below the product: 0.9 x 10 must be rank 9, not 10.
    let rank = ((ordered.len() + 1) as f64 * level - 1e-9).ceil().max(1.0) as usize;
    ordered.get(rank - 1).copied().unwrap_or(f64::INFINITY)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rng;

    #[test]
    fn cases_that_stand_for_several_count_as_several() {
        let (p, y) = ([0.9, 0.2, 0.6, 0.4], [true, false, false, true]);
        let weights = [1.0, 3.0, 2.0, 1.0];
        let often = |values: &[f64]| -> Vec<f64> {
            let each = values.iter().zip(weights);
            each.flat_map(|(value, weight)| vec![*value; weight as usize])
                .collect()
        };
        let many = often(&p);
        let happened: Vec<bool> = often(&y.map(unit)).iter().map(|y| *y > 0.5).collect();
        let close = |a: Option<f64>, b: Option<f64>| (a.unwrap() - b.unwrap()).abs() < 1e-12;
        assert!(close(
            weighted_brier(&p, &y, &weights),
            brier(&many, &happened)
        ));
        assert!(close(weighted_auc(&p, &y, &weights), auc(&many, &happened)));
        assert_eq!(weighted_brier(&p, &y, &[0.0; 4]), None);
    }

    #[test]
    fn parts_add_up() {
        let p = [0.1, 0.4, 0.35, 0.8, 0.75, 0.05, 0.95, 0.5];
        let y = [false, true, false, true, true, false, true, false];
        let parts = brier_parts(&p, &y, 5).unwrap();
        let total = parts.reliability - parts.resolution + parts.uncertainty + parts.within;
        assert!((total - brier(&p, &y).unwrap()).abs() < 1e-15);
        assert_eq!(brier(&[], &[]), None);
    }

    #[test]
    fn auc_is_the_share_of_pairs() {
        let score = [0.1, 0.4, 0.4, 0.8];
        let y = [false, false, true, true];
        // Pairs: (0.4,0.1) 1, (0.4,0.4) 1/2, (0.8,0.1) 1, (0.8,0.4) 1.
        assert_eq!(auc(&score, &y), Some(0.875));
        assert_eq!(auc(&score, &[true; 4]), None);
        let c = c_index(&score, &[4.0, 3.0, 2.0, 1.0], &[true; 4]).unwrap();
        assert_eq!((c.concordant, c.discordant, c.tied_risk), (5, 0, 1));
    }

    #[test]
    fn honest_forecasts_are_found_calibrated_and_sharp_ones_not() {
        let mut rng = rng::seeded(4, "calibration");
        let p: Vec<f64> = (0..4000)
            .map(|_| 0.05 + 0.9 * rng::uniform(&mut rng))
            .collect();
        let y: Vec<bool> = p.iter().map(|p| rng::uniform(&mut rng) < *p).collect();
        let c = calibration(&p, &y).unwrap();
        assert!((c.slope - 1.0).abs() < 3.5 * c.slope_se.unwrap() && c.spiegelhalter_z.abs() < 3.5);
        let sharp: Vec<f64> = p
            .iter()
            .map(|p| {
                let o = (p / (1.0 - p)).powi(2);
                o / (1.0 + o)
            })
            .collect();
        assert!((calibration(&sharp, &y).unwrap().slope - 0.5).abs() < 0.1);
        let outside = reliability_bins(&p, &y, 10)
            .iter()
            .filter(|b| b.observed < b.consistency_95.0 || b.observed > b.consistency_95.1)
            .count();
        assert!(outside <= 2);
    }

    #[test]
    fn the_right_quantile_has_the_least_pinball_loss() {
        let mut rng = rng::seeded(6, "pinball");
        let x = rng::standard_normals(&mut rng, 5000);
        let loss = |q: f64| x.iter().map(|v| pinball(0.9, q, *v)).sum::<f64>();
        let at = normal::quantile(0.9);
        assert!(loss(at) < loss(at + 0.2) && loss(at) < loss(at - 0.2));
    }

    #[test]
    fn too_few_scores_give_an_infinite_quantile() {
        assert!(conformal_quantile(&[1.0, 2.0, 3.0], 0.9).is_infinite());
        let nine: Vec<f64> = (1..=9).map(f64::from).collect();
        assert!((conformal_quantile(&nine, 0.9) - 9.0).abs() < 1e-12);
    }

    #[test]
    fn intervals_and_ensembles() {
        assert_eq!(coverage(&[(0.0, 1.0), (0.0, 1.0)], &[0.5, 2.0]), Some(0.5));
        assert!((interval_score(0.9, 0.0, 1.0, 2.0) - 21.0).abs() < 1e-9);
        assert!((crps_normal(1.0, 0.0, 3.0) - 2.0).abs() < 1e-12);
        assert_eq!(crps_ensemble(&[2.0], 5.0), Some(3.0));
    }
}
