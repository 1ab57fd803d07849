//! The law that the water of a reservoir follows: what a sample shows, how ingress moves.

use drydown_runs::history::Censor;
use drydown_stats::normal;

use crate::saturation::Saturation;

/// What a mid-stream sample shows of all the water.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Visible {
    /// Solubility at service temperature; infinite where the oil's constants are not known.
    pub(crate) solubility_ppm: f64,
    /// What its oil holds at any given temperature over what the register says.
    pub(crate) factor: f64,
    /// Share of the water above it that a sample shows.
    pub(crate) emulsified_share: f64,
}

impl Visible {
    /// Sample from all water, ppm.
    pub(crate) fn sample_ppm(self, all_ppm: f64) -> f64 {
        let above = (all_ppm - self.solubility_ppm).max(0.0);
        all_ppm.min(self.solubility_ppm) + self.emulsified_share * above
    }

    /// All water at which a sample shows this much; infinite where it never does.
    pub(crate) fn all_ppm(self, sample_ppm: f64) -> f64 {
        if sample_ppm <= self.solubility_ppm {
            sample_ppm
        } else {
            self.solubility_ppm + (sample_ppm - self.solubility_ppm) / self.emulsified_share
        }
    }

    /// Whether as much of the water above saturation shows.
    pub(crate) fn shows_like(self, other: Self) -> bool {
        let share = self.emulsified_share;
        share.total_cmp(&other.emulsified_share).is_eq()
    }

    pub(crate) fn slope(self, all_ppm: f64) -> f64 {
        if all_ppm > self.solubility_ppm {
            self.emulsified_share.max(0.05)
        } else {
            1.0
        }
    }
}

/// The law that the water of a reservoir follows, apart from its ingress.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Law {
    pub(crate) visible: Visible,
    /// How else its water may show; None where it stays far from saturation.
    pub(crate) saturation: Option<Saturation>,
    /// Factor on the unrest of the level.
    pub(crate) unrest: f64,
    /// What its levels are measured by, over that of a middling lubricant.
    pub(crate) scale: f64,
    pub(crate) lab_cv: f64,
    pub(crate) lab_floor_ppm: f64,
    /// Exchange with the air over the oil, or with the paper in it, 1/h.
    pub(crate) exchange_per_h: f64,
    /// Content in balance with the air, ppm; 0 where the oil follows its paper: then the usual rate
    /// over the exchange is the content in balance with the paper.
    pub(crate) air_ppm: f64,
    pub(crate) moves: Moves,
    pub(crate) season: Season,
    pub(crate) strange: Strange,
}

/// The season's part of the ingress, relative to the usual rate: damp summers, warm oil over paper.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Season {
    /// Factors on the cosine and the sine of the angle of the year, which is zero at its beginning.
    pub(crate) cos: f64,
    pub(crate) sin: f64,
    /// Hour of the year at the timeline's origin, and hours from there to as_of.
    pub(crate) origin_h: f64,
    pub(crate) now_h: f64,
}

const YEAR_H: f64 = 365.25 * 24.0;

impl Season {
    /// Mean over some hours from a time on the timeline.
    pub(crate) fn mean(self, from_h: f64, hours: f64) -> f64 {
        if self.cos == 0.0 && self.sin == 0.0 {
            return 0.0;
        }
        let turn = std::f64::consts::TAU / YEAR_H;
        let (start, half) = ((self.origin_h + from_h) * turn, 0.5 * hours * turn);
        let middle = start + half;
        // a span's mean is the value at its middle, flattened by sin(x)/x
        let flat = if half > 1e-6 { half.sin() / half } else { 1.0 };
        flat * (self.cos * middle.cos() + self.sin * middle.sin())
    }
}

/// A sample that has nothing to do with the water seen before: what it then reads (lognormal).
///
/// It is another reservoir's or from a dirty bottle, or the water changed and nobody wrote it down (an
/// oil change, a burst cooler).
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Strange {
    pub(crate) ln_ppm: f64,
    pub(crate) ln_sd: f64,
}

/// Share of samples that are strange; common practice, no source.
const STRANGE_SHARE: f64 = 0.01;

impl Strange {
    /// Likelihood of a result if the sample is strange, the share of such included.
    pub(crate) fn likelihood(self, ppm: f64, censor: Censor) -> f64 {
        let ppm = ppm.max(1.0);
        let z = (ppm.ln() - self.ln_ppm) / self.ln_sd;
        let reads = match censor {
            Censor::Exact => normal::pdf(z) / (self.ln_sd * ppm),
            Censor::Below => normal::cdf(z),
            Censor::Above => normal::survival(z),
        };
        STRANGE_SHARE * reads
    }
}

/// How the ingress of a reservoir moves about its usual value.
///
/// Wander: the rate is usual·(1 + u) with u a stationary Ornstein-Uhlenbeck process (weather, load,
/// season). Leaks begin and end at constant hazards and multiply the rate meanwhile: a jump Markov
/// process whose state is never seen (regime switching; Hamilton 1989, Kim 1994).
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Moves {
    /// Standard deviation of the wander, relative to the rate.
    pub(crate) wander_sd: f64,
    /// Its correlation time.
    pub(crate) wander_days: f64,
    pub(crate) leaks_per_year: f64,
    /// Mean life of a leak that nobody records.
    pub(crate) leak_days: f64,
    /// What each regime multiplies the rate by.
    pub(crate) factors: [f64; MODES],
}

/// Regimes of a reservoir: no leak, three sizes of leak, a leak that came and went since the level was
/// last seen, and a last sample that was wrong. The last two keep their water apart from
/// that of a sound reservoir until an observation has judged between them; one normal law for all would
/// call such water an error of the laboratory, or a wrong bottle the truth.
pub(crate) const MODES: usize = 6;
pub(crate) const SOUND: usize = 0;
pub(crate) const ENDED: usize = 4;
pub(crate) const DOUBTED: usize = 5;
/// What each regime multiplies the ingress by, and how often a leak is of that size. A leak brings
/// some times to some twenty times the usual water (common practice, no source).
pub(crate) const LEAKS: [f64; MODES] = [1.0, 2.5, 6.0, 15.0, 1.0, 1.0];
/// The same where the oil follows its paper: what it settles to meanwhile. The paper takes up a leak's
/// water about as fast as it comes (the same leaks, over an exchange of some two weeks).
pub(crate) const LEAKS_OVER_PAPER: [f64; MODES] = [1.0, 1.3, 1.8, 3.5, 1.0, 1.0];
pub(crate) const SIZES: [f64; MODES] = [0.0, 0.3, 0.4, 0.3, 0.0, 0.0];

impl Moves {
    /// Hazards of a leak's beginning and of its end, per hour.
    pub(crate) fn hazards_per_h(self) -> (f64, f64) {
        (
            self.leaks_per_year / (365.25 * 24.0),
            1.0 / (24.0 * self.leak_days),
        )
    }

    /// Share of time with a leak, in the long run.
    pub(crate) fn leaking_share(self) -> f64 {
        let (begins, ends) = self.hazards_per_h();
        begins / (begins + ends)
    }
}

/// Unrest of a level: of its own, ppm per root day in a middling lubricant, and relative to the daily rise (wash-downs and
/// rain come in bursts). Starting values; the fleet's data choose the factor.
const UNREST_PPM: f64 = 1.5;
const UNREST_RELATIVE: f64 = 1.0;

/// How the exchange of one reservoir stands to its fleet's: weight and factor. A breather's opening and
/// a headspace are each reservoir's own: as the fleet's, next to none, or some times as much (common
/// practice, no source).
const EXCHANGES: [(f64, f64); 3] = [(0.4, 1.0), (0.35, 0.1), (0.25, 3.0)];

impl Law {
    /// The laws that a reservoir may have under its fleet's, with the ln of their weights.
    pub(crate) fn variants(&self) -> Vec<(f64, Self)> {
        let shows: Vec<(f64, Visible)> = match self.saturation {
            Some(saturation) => saturation.all().collect(),
            None => vec![(1.0, self.visible)],
        };
        // only what the air does differs: papers are alike enough
        let exchanges = if self.exchange_per_h > 0.0 && self.air_ppm > 0.0 {
            EXCHANGES.as_slice()
        } else {
            &[(1.0, 1.0)]
        };
        let with = |weight: f64, factor: f64, visible: Visible| {
            let law = Self {
                exchange_per_h: factor * self.exchange_per_h,
                visible,
                ..*self
            };
            (weight.ln(), law)
        };
        // every exchange with one of the likelier shows, the other shows with the fleet's exchange: what the
        // two do together is of the second order
        let mut crossed = false;
        let mut all = Vec::with_capacity(exchanges.len() + shows.len());
        for (weight, visible) in shows {
            let crosses = !crossed && visible.shows_like(self.visible);
            crossed |= crosses;
            let own = if crosses { exchanges } else { &[(1.0, 1.0)] };
            let laws = own.iter();
            all.extend(laws.map(|(share, factor)| with(weight * share, *factor, visible)));
        }
        all
    }

    /// Diffusion of the level, (ppm per root day)², at a rate in ppm/h: its own, and that of water
    /// that comes in bursts.
    pub(crate) fn diffusion_per_day(&self, rate_per_h: f64) -> (f64, f64) {
        let own = self.unrest * self.scale * UNREST_PPM;
        let bursts = self.unrest * UNREST_RELATIVE * 24.0 * rate_per_h;
        (own * own, bursts * bursts)
    }

    /// The level some hours on at a steady rate: factor on the old level, and what is added to it.
    pub(crate) fn advance(&self, rate_per_h: f64, hours: f64) -> (f64, f64) {
        let kappa = self.exchange_per_h;
        if kappa * hours < 1e-9 {
            return (1.0, rate_per_h * hours);
        }
        let keep = (-kappa * hours).exp();
        (keep, (self.air_ppm + rate_per_h / kappa) * (1.0 - keep))
    }
}

/// A content of all water that must not be passed, and how far off it may be, ppm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Threshold {
    pub(crate) ppm: f64,
    pub(crate) sd_ppm: f64,
}

/// A limit as it is stated, and how far off it may be, relative.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Limit {
    /// What a sample must not show, ppm.
    Shown(f64, f64),
    /// What the register's oil holds where it is coldest, ppm.
    Held(f64, f64),
}

impl Limit {
    /// All water at which it is reached, as the water shows under one law.
    pub(crate) fn threshold(self, visible: Visible) -> Threshold {
        let (ppm, cv) = match self {
            Self::Shown(ppm, cv) => (visible.all_ppm(ppm), cv),
            Self::Held(ppm, cv) => (visible.factor * ppm, cv),
        };
        Threshold {
            ppm,
            sd_ppm: cv * ppm,
        }
    }
}

/// A level before anything was seen: mean and standard deviation, ppm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct LevelPrior {
    pub(crate) mean_ppm: f64,
    pub(crate) sd_ppm: f64,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_season_has_its_mean_and_none_over_a_year() {
        let season = Season {
            cos: 0.2,
            sin: -0.1,
            origin_h: 500.0,
            now_h: 0.0,
        };
        let (from_h, hours, n) = (300.0, 2000.0, 20_000);
        let turn = std::f64::consts::TAU / YEAR_H;
        let sum: f64 = (0..n)
            .map(|k| {
                let at = (500.0 + from_h + hours * (f64::from(k) + 0.5) / f64::from(n)) * turn;
                0.2 * at.cos() - 0.1 * at.sin()
            })
            .sum();
        assert!((season.mean(from_h, hours) - sum / f64::from(n)).abs() < 1e-8);
        assert!(season.mean(from_h, YEAR_H).abs() < 1e-12);
    }

    #[test]
    fn all_water_and_sample_are_inverse() {
        let visible = Visible {
            solubility_ppm: 300.0,
            factor: 1.0,
            emulsified_share: 0.3,
        };
        for all in [0.0, 100.0, 300.0, 1000.0] {
            assert!((visible.all_ppm(visible.sample_ppm(all)) - all).abs() < 1e-9);
        }
        assert!(
            Visible {
                emulsified_share: 0.0,
                ..visible
            }
            .all_ppm(400.0)
            .is_infinite()
        );
    }
}
