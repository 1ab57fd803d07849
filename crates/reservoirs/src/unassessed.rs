//! What stands in the risk for free water that cannot be assessed.
//!
//! Where an oil's solubility or its coldest temperature is not known there is no probability of free
//! water, and null is stored. In the risk, null is not "no": a reservoir must neither sink nor rise for
//! want of constants. It counts as free water is expected in the reservoirs of its kind that have them and are
//! as likely to pass their water limit (kernel regression; Nadaraya 1964, Watson 1964).

/// Parts of the axis of the probability of the water limit.
const PARTS: usize = 20;
/// Width of the kernel on that axis; common practice, no source.
const WIDTH: f64 = 0.1;
/// Reservoirs that the share of the kind counts for beside those near; common practice, no source.
const COUNTS_FOR: f64 = 1.0;

/// Expected probability of free water by that of the water limit.
#[derive(Clone, Debug, PartialEq)]
struct Curve {
    share: f64,
    at: Vec<f64>,
}

impl Curve {
    /// From pairs (water limit, free water); None without any.
    fn new(pairs: &[(f64, f64)]) -> Option<Self> {
        if pairs.is_empty() {
            return None;
        }
        let share = pairs.iter().map(|(_, free)| free).sum::<f64>() / pairs.len() as f64;
        let at = (0..=PARTS)
            .map(|node| {
                let p = node as f64 / PARTS as f64;
                let near = pairs.iter().fold((0.0, 0.0), |(sum, n), (limit, free)| {
                    let weight = (-0.5 * ((limit - p) / WIDTH).powi(2)).exp();
                    (sum + weight * free, n + weight)
                });
                (near.0 + COUNTS_FOR * share) / (near.1 + COUNTS_FOR)
            })
            .collect();
        Some(Self { share, at })
    }

    fn of(&self, p_limit: Option<f64>) -> f64 {
        let Some(p) = p_limit else {
            return self.share;
        };
        let place = p.clamp(0.0, 1.0) * PARTS as f64;
        let node = (place as usize).min(PARTS - 1);
        let value = |idx: usize| self.at.get(idx).copied().unwrap_or(self.share);
        value(node) + (place - node as f64) * (value(node + 1) - value(node))
    }
}

/// What free water that cannot be assessed counts as, by kind of reservoir.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Unassessed {
    oil: Option<Curve>,
    paper: Option<Curve>,
}

impl Unassessed {
    /// From the reservoirs where both are known: whether over paper, water limit, free water.
    pub(crate) fn new(known: impl Iterator<Item = (bool, f64, f64)>) -> Self {
        let (mut oil, mut paper) = (Vec::new(), Vec::new());
        for (over_paper, limit, free) in known {
            if over_paper { &mut paper } else { &mut oil }.push((limit, free));
        }
        Self {
            oil: Curve::new(&oil),
            paper: Curve::new(&paper),
        }
    }

    /// Expected probability of free water; of the water limit where the fleet knows of none; None where that is not
    /// known either.
    pub(crate) fn free_water(&self, over_paper: bool, p_limit: Option<f64>) -> Option<f64> {
        let curve = if over_paper { &self.paper } else { &self.oil };
        curve
            .as_ref()
            .map_or(p_limit, |curve| Some(curve.of(p_limit)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn free_water_counts_as_where_the_limit_is_as_near() {
        let known = (0..=100).map(|k| (false, f64::from(k) / 100.0, f64::from(k) / 200.0));
        let all = Unassessed::new(known);
        for p in [0.2, 0.33, 0.5, 0.8] {
            let got = all.free_water(false, Some(p)).unwrap();
            assert!((got - 0.5 * p).abs() < 0.02, "{p}: {got}");
        }
        let share = all.free_water(false, None).unwrap();
        assert!((share - 0.25).abs() < 1e-9, "{share}");
    }

    #[test]
    fn a_fleet_without_constants_is_ranked_by_the_limit() {
        let none = Unassessed::new(std::iter::empty());
        assert_eq!(none.free_water(false, Some(0.4)), Some(0.4));
        assert_eq!(none.free_water(true, None), None);
    }
}
