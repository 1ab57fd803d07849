//! Percentiles of results of which some are bounds.

use drydown_runs::history::Censor;
use drydown_stats::robust;

/// Results in order, from which percentiles are read off.
#[derive(Clone, Debug, Default)]
pub(super) struct Seen {
    /// Every value, bounds too, ascending.
    ascending: Vec<f64>,
    has_lower_bounds: bool,
    /// The exact values, ascending, with the share of all results at or below each.
    steps: Vec<(f64, f64)>,
}

impl Seen {
    pub(super) fn of(results: &[(f64, Censor)]) -> Self {
        let values = |exact: bool| {
            let wanted = move |censor: Censor| !exact || censor != Censor::Below;
            let values = results.iter().filter(move |(_, censor)| wanted(*censor));
            robust::sorted(&values.map(|(value, _)| *value).collect::<Vec<f64>>())
        };
        let (ascending, exact) = (values(false), values(true));
        Self {
            steps: distribution(&exact, &ascending),
            ascending,
            has_lower_bounds: results.iter().any(|(_, censor)| *censor == Censor::Below),
        }
    }

    /// How many results there are.
    pub(super) fn len(&self) -> usize {
        self.ascending.len()
    }

    /// Quantile of results; None of nothing, or where only bounds lie there.
    ///
    /// Without bounds the linear interpolation between order statistics (type 7 of Hyndman & Fan 1996). With
    /// results below a bound the product-limit estimator turned about (Kaplan & Meier 1958, for left
    /// censoring): never half a detection limit. A lower bound counts as its value, which is where it is at
    /// least.
    pub(super) fn quantile(&self, p: f64) -> Option<f64> {
        if !self.has_lower_bounds {
            return robust::quantile_sorted(&self.ascending, p);
        }
        let place = self
            .steps
            .partition_point(|(_, reached)| *reached < p - 1e-12);
        let (value, reached) = self.steps.get(place)?;
        // below the lowest step only bounds are left
        (place > 0 || p >= reached - 1e-12).then_some(*value)
    }

    /// Share of the results below a value; None of nothing.
    pub(super) fn share_below(&self, value: f64) -> Option<f64> {
        if self.ascending.is_empty() {
            return None;
        }
        let n_below = self.steps.partition_point(|(at, _)| *at < value);
        let below = n_below.checked_sub(1).and_then(|idx| self.steps.get(idx));
        Some(below.map_or(0.0, |(_, reached)| *reached))
    }
}

/// The distinct exact values with the share of all results at or below each; both lists ascend.
fn distribution(exact: &[f64], all: &[f64]) -> Vec<(f64, f64)> {
    let mut values = exact.to_vec();
    values.dedup();
    let mut reached = 1.0;
    let mut steps = Vec::with_capacity(values.len());
    for value in values.iter().rev() {
        steps.push((*value, reached));
        let died = exact.partition_point(|v| v.total_cmp(value).is_le())
            - exact.partition_point(|v| v.total_cmp(value).is_lt());
        let at_risk = all.partition_point(|v| v <= value);
        reached *= 1.0 - died as f64 / at_risk as f64;
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
            let got = Seen::of(&seen).quantile(p).unwrap();
            assert!((got - want).abs() < 1e-9, "{p}: {got}");
        }
    }

    #[test]
    fn a_bound_is_not_half_its_value() {
        // Four below 10, six above: the product-limit estimator puts .4 below 10 whatever they are.
        let mut seen = exact(&[12.0, 14.0, 16.0, 18.0, 20.0, 22.0]);
        seen.extend([(10.0, Censor::Below); 4]);
        let seen = Seen::of(&seen);
        assert_eq!(seen.quantile(0.5), Some(12.0));
        assert_eq!(seen.quantile(0.95), Some(22.0));
        assert!((seen.share_below(17.0).unwrap() - 0.7).abs() < 1e-12);
        // A bound above an exact value spreads over what lies below it: turned Kaplan-Meier by hand,
        // 3 exact (5, 8, 20), one below 10: at 20 1 of 4 dies, F(8) = 3/4; at 8 1 of 2, F(5) = 3/8.
        let mixed = [
            (5.0, Censor::Exact),
            (8.0, Censor::Exact),
            (20.0, Censor::Exact),
            (10.0, Censor::Below),
        ];
        let steps = Seen::of(&mixed).steps;
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
        assert_eq!(Seen::of(&[(10.0, Censor::Below); 40]).quantile(0.95), None);
        assert_eq!(Seen::of(&[]).quantile(0.5), None);
    }
}
