//! Percentiles of results of which some are bounds.

use drydown_runs::history::Censor;
use drydown_stats::robust;

/// Quantile of results; None of nothing, or where only bounds lie there.
///
/// Without bounds the linear interpolation between order statistics (type 7 of Hyndman & Fan 1996). With
/// results below a bound the product-limit estimator turned about (Kaplan & Meier 1958, for left
/// censoring): never half a detection limit. A lower bound counts as its value, which is where it is at
/// least.
pub(super) fn quantile(seen: &[(f64, Censor)], p: f64) -> Option<f64> {
    let exact = |censor: Censor| censor != Censor::Below;
    if seen.iter().all(|(_, censor)| exact(*censor)) {
        let values: Vec<f64> = seen.iter().map(|(value, _)| *value).collect();
        return robust::quantile(&values, p);
    }
    let steps = distribution(seen);
    let found = steps.iter().find(|(_, reached)| *reached >= p - 1e-12)?;
    // below the lowest step only bounds are left
    (steps.first() != Some(found) || p >= found.1 - 1e-12).then_some(found.0)
}

/// Share of the results below a value; None of nothing.
pub(super) fn share_below(seen: &[(f64, Censor)], value: f64) -> Option<f64> {
    if seen.is_empty() {
        return None;
    }
    let steps = distribution(seen);
    let below = steps.iter().rev().find(|(at, _)| *at < value);
    Some(match (below, steps.first()) {
        (Some((_, reached)), _) => *reached,
        // what is left below the lowest exact value are bounds
        (None, Some((lowest, reached))) if *lowest < value => *reached,
        (None, _) => 0.0,
    })
}

/// The exact values, ascending, with the share of all results at or below each.
fn distribution(seen: &[(f64, Censor)]) -> Vec<(f64, f64)> {
    let mut values: Vec<f64> = seen
        .iter()
        .filter(|(_, censor)| *censor != Censor::Below)
        .map(|(value, _)| *value)
        .collect();
    values.sort_by(f64::total_cmp);
    values.dedup();
    let mut reached = 1.0;
    let mut steps = Vec::with_capacity(values.len());
    for value in values.iter().rev() {
        steps.push((*value, reached));
        let at =
            |(v, censor): &&(f64, Censor)| *censor != Censor::Below && v.total_cmp(value).is_eq();
        let died = seen.iter().filter(at).count() as f64;
        let at_risk = seen.iter().filter(|(v, _)| v <= value).count() as f64;
        reached *= 1.0 - died / at_risk;
    }
    steps.reverse();
    steps
}

#[cfg(test)]
mod tests {
    use super::*;

    fn exact(values: &[f64]) -> Vec<(f64, Censor)> {
        values.iter().map(|v| (*v, Censor::Exact)).collect()
    }

    #[test]
    fn percentiles_without_bounds() {
        // ten results and their type-7 percentiles, computed by hand
        let seen = exact(&[12.0, 15.0, 9.0, 22.0, 18.0, 14.0, 30.0, 11.0, 16.0, 13.0]);
        for (p, want) in [(0.70, 16.6), (0.85, 20.6), (0.95, 26.4)] {
            let got = quantile(&seen, p).unwrap();
            assert!((got - want).abs() < 1e-9, "{p}: {got}");
        }
    }

    #[test]
    fn a_bound_is_not_half_its_value() {
        // Four below 10, six above: the product-limit estimator puts .4 below 10 whatever they are.
        let mut seen = exact(&[12.0, 14.0, 16.0, 18.0, 20.0, 22.0]);
        seen.extend([(10.0, Censor::Below); 4]);
        assert_eq!(quantile(&seen, 0.5), Some(12.0));
        assert_eq!(quantile(&seen, 0.95), Some(22.0));
        assert!((share_below(&seen, 17.0).unwrap() - 0.7).abs() < 1e-12);
        // A bound above an exact value spreads over what lies below it: turned Kaplan-Meier by hand,
        // 3 exact (5, 8, 20), one below 10: at 20 1 of 4 dies, F(8) = 3/4; at 8 1 of 2, F(5) = 3/8.
        let mixed = [
            (5.0, Censor::Exact),
            (8.0, Censor::Exact),
            (20.0, Censor::Exact),
            (10.0, Censor::Below),
        ];
        let steps = distribution(&mixed);
        assert_eq!(steps.len(), 3);
        for ((value, reached), (at, want)) in
            steps.iter().zip([(5.0, 0.375), (8.0, 0.75), (20.0, 1.0)])
        {
            assert!(
                (value - at).abs() + (reached - want).abs() < 1e-12,
                "{steps:?}"
            );
        }
    }

    #[test]
    fn only_bounds_have_no_percentile() {
        assert_eq!(quantile(&[(10.0, Censor::Below); 40], 0.95), None);
        assert_eq!(quantile(&[], 0.5), None);
    }
}
