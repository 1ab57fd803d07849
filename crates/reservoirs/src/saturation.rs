//! What oil does with water that it cannot dissolve, where that matters.
//!
//! A turbine oil sheds it within hours: a mid-stream sample then reads the saturation of the oil however
//! much lies at the bottom. A gear or engine oil keeps it emulsified for weeks, and the sample shows it
//! (common practice, no source). Which of the two an oil in use does, and how far its saturation is from
//! the register's, each reservoir's own samples must tell: all readings are kept, with their weights.

use drydown_runs::history::Oil;

use crate::law::Visible;

/// Share of the water above saturation that a sample shows, where it is shed and where it is kept.
/// Common practice, no source.
const SHED: f64 = 0.05;
const KEPT: f64 = 0.6;
/// Factors on the register's saturation and their weights, two points of the variance of the spread: ageing and
/// additives move it by some tenth or more, and an oil 4 K warmer or colder than its samples' middle,
/// as by the season, by another tenth or more (common practice, no source).
const FACTORS: [(f64, f64); 2] = [(0.8, 0.5), (1.2, 0.5)];
/// A limit above this share of the saturation, or a value seen above the second: saturation matters.
const LIMIT_SHARE: f64 = 0.75;
const SEEN_SHARE: f64 = 0.8;
/// Probability that oils keep their water where the name of the family says so, or that they do not.
const SURELY: f64 = 0.85;

/// How the water of one reservoir may show: probability that its oil keeps water emulsified.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Saturation {
    keeps: f64,
}

impl Saturation {
    /// None where the reservoir stays far below its saturation, whatever the oil would do there.
    pub(crate) fn new(
        visible: Visible,
        (limit_ppm, highest_ppm): (Option<f64>, f64),
        oil: Option<&Oil>,
    ) -> Option<Self> {
        let s = visible.solubility_ppm;
        let matters = limit_ppm.is_some_and(|limit| limit > LIMIT_SHARE * s);
        if !s.is_finite() || !(matters || highest_ppm > SEEN_SHARE * s) {
            return None;
        }
        let family = oil.and_then(|oil| oil.family.as_deref()).unwrap_or("");
        let family = family.to_lowercase();
        let says = |words: &[&str]| words.iter().any(|word| family.contains(word));
        let keeps = if says(&["turbine", "insulat", "circulating"]) {
            1.0 - SURELY
        } else if says(&["gear", "engine", "tractor"]) {
            SURELY
        } else {
            // the share that is expected of an oil that nothing is known of
            ((visible.emulsified_share - SHED) / (KEPT - SHED)).clamp(0.05, 0.95)
        };
        Some(Self { keeps })
    }

    /// The likelier of the two, for work that follows only one.
    pub(crate) fn likelier(self, visible: Visible) -> Visible {
        let emulsified_share = if self.keeps > 0.5 { KEPT } else { SHED };
        Visible {
            emulsified_share,
            ..visible
        }
    }

    /// How the water may show, with weights that sum to one.
    pub(crate) fn all(self, visible: Visible) -> impl Iterator<Item = (f64, Visible)> {
        let shed = FACTORS.into_iter().map(move |(factor, weight)| {
            let shows = Visible {
                solubility_ppm: factor * visible.solubility_ppm,
                factor,
                emulsified_share: SHED,
            };
            ((1.0 - self.keeps) * weight, shows)
        });
        let kept = Visible {
            emulsified_share: KEPT,
            ..visible
        };
        shed.chain(std::iter::once((self.keeps, kept)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::world::oil;

    #[test]
    fn it_matters_near_saturation_only() {
        let visible = Visible {
            solubility_ppm: 200.0,
            factor: 1.0,
            emulsified_share: 0.3,
        };
        let of = |limit, seen| Saturation::new(visible, (limit, seen), Some(&oil()));
        assert!(of(Some(100.0), 90.0).is_none());
        assert!(of(Some(100.0), 190.0).is_some());
        let near = of(Some(180.0), 90.0).unwrap();
        let weights: f64 = near.all(visible).map(|(weight, _)| weight).sum();
        assert!((weights - 1.0).abs() < 1e-12);
        let mean: f64 = near.all(visible).map(|(w, v)| w * v.emulsified_share).sum();
        assert!((mean - 0.3).abs() < 1e-12, "{mean}");
    }
}
