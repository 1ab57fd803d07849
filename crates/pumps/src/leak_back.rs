//! How the base of a pump goes with the speed that wear takes from it.
//!
//! Clearances that open let gas leak back and carry less. Two laws are looked at, with w the ln speed
//! lost. By the first the base goes as `e^(γw)` from what the sound pump held: γ is 1 where base·S is
//! constant, more where clearances leak more, 0 where something only stands in the pump's way. By the
//! second what leaks back is added, as a power of the share of the speed that is lost: a pump that has none
//! left holds the barometer, which sets its size, and flow through a slot goes with the third power of
//! its height where it is laminar and with less where it is not (textbook), so that the exponent lies
//! between two and five.
//!
//! What stands in the way (a filter that clogs) opens nothing: what the pump itself holds stays, and what leaks
//! into the chamber is carried away at the smaller speed, so that the leak's share of the base goes as `e^w`
//! (balance of the chamber, `p = p₀ + Q/S`). How large that share is differs from unit to unit. A worn pump
//! whose own pressure stands does the same, and nothing that is measured then tells the two apart.

/// What a pump without any speed left holds, kPa.
const STOPPED_KPA: f64 = 100.0;
/// Standard normal nodes at which ln γ is looked at: first, last and step; wider apart beside a leak,
/// which leaves γ less well known.
const NODES: (f64, f64) = (-2.5, 3.0);
const STEP: f64 = 0.25;
const STEP_BESIDE_LEAK: f64 = 1.0;
/// Exponents of the second law, and how likely it is before a fleet has shown its own (common practice, no
/// source).
const POWERS: [f64; 3] = [2.5, 3.3, 4.5];
const POWERS_BESIDE_LEAK: [f64; 2] = [2.6, 4.0];
pub(crate) const BY_POWER: f64 = 0.08;
/// How likely it is beforehand that lost speed opened nothing (a restriction).
const IN_THE_WAY: f64 = 0.1;
/// … and that the base of a worn pump goes like that of one in whose way something stands (common practice, no
/// source).
const WORN_ALIKE: f64 = 0.1;
/// Shares of a sound pump's base that are leaks looked at, every tenth; wider apart beside a leak.
const SHARES: usize = 10;
const SHARES_BESIDE_LEAK: usize = 3;
/// How likely it is that there is as good as none (common practice, no source).
const TIGHT: f64 = 0.35;
/// A smaller loss of ln speed lifts no base that anybody could see.
pub(crate) const LEAST_LOST: f64 = 0.02;

/// A law by which lost speed lifts the base.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum LeakBack {
    /// The base goes as `e^(γw)`.
    Factor(f64),
    /// So much of [`STOPPED_KPA`] is added as this power of the lost share of the speed.
    Power(f64),
    /// This share of the base goes as `e^w`, the rest stays.
    Share(f64),
}

impl LeakBack {
    /// By what the base of the sound pump is multiplied where so much ln speed is lost.
    pub(crate) fn factor(self, lost: f64) -> f64 {
        match self {
            Self::Factor(gamma) => (gamma * lost).exp(),
            Self::Power(_) => lost.exp(),
            Self::Share(share) => 1.0 + share * lost.exp_m1(),
        }
    }

    /// By what the base of a pump that has lost so much ln speed is multiplied where it loses some more.
    pub(crate) fn factor_of_more(self, lost: f64, more: f64) -> f64 {
        self.factor(lost + more) / self.factor(lost)
    }

    /// What is added to it, kPa.
    pub(crate) fn added_kpa(self, lost: f64) -> f64 {
        match self {
            Self::Factor(_) | Self::Share(_) => 0.0,
            Self::Power(power) => STOPPED_KPA * (1.0 - (-lost.max(0.0)).exp()).powf(power),
        }
    }
}

/// A law and how likely it is beforehand, of a pump that wears and of one in whose way something stands: together.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Law {
    pub(crate) back: LeakBack,
    pub(crate) worn: f64,
    pub(crate) in_the_way: f64,
}

impl Law {
    /// How likely it is beforehand.
    pub(crate) fn prior(&self) -> f64 {
        self.worn + self.in_the_way
    }

    /// A law of worn pumps alone.
    pub(crate) const fn of_wear(back: LeakBack, worn: f64) -> Self {
        Self {
            back,
            worn,
            in_the_way: 0.0,
        }
    }
}

/// What is known beforehand of how bases go with lost speed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LeakBackPrior {
    /// ln γ: mean and standard deviation.
    pub ln_gamma: (f64, f64),
    /// How likely it is that what leaks back is added, as a power of the lost share of the speed.
    pub by_power: f64,
}

/// The laws and their probabilities beforehand. Where no speed is lost it does not matter which it is.
pub(crate) fn laws(prior: &LeakBackPrior, lost_now: f64, beside_leak: bool) -> Vec<Law> {
    let (first, last) = NODES;
    let (mean, sd) = prior.ln_gamma;
    let step = match (lost_now > LEAST_LOST, beside_leak) {
        (false, _) => 1.0,
        (true, false) => STEP,
        (true, true) => STEP_BESIDE_LEAK,
    };
    let n = ((last - first) / step) as usize;
    let nodes = (0..=n).map(|k| {
        let z = first + step * k as f64;
        (
            LeakBack::Factor((mean + sd * z).exp()),
            (-0.5 * z * z).exp(),
        )
    });
    let nodes: Vec<(LeakBack, f64)> = nodes.collect();
    let total: f64 = nodes.iter().map(|(_, weight)| weight).sum();
    let worn = 1.0 - IN_THE_WAY;
    let opened = worn * (1.0 - WORN_ALIKE);
    let by_factor = opened * (1.0 - prior.by_power) / total;
    let powers: &[f64] = if beside_leak {
        &POWERS_BESIDE_LEAK
    } else {
        &POWERS
    };
    let by_power = opened * prior.by_power / powers.len() as f64;
    let shares = if beside_leak {
        SHARES_BESIDE_LEAK
    } else {
        SHARES
    };
    let by_share = move |k: usize| {
        let of = |p: f64| p / shares as f64;
        let (tight, alike) = if k == 0 {
            (TIGHT, 0.0)
        } else {
            (of(1.0 - TIGHT), of(1.0))
        };
        Law {
            back: LeakBack::Share(k as f64 / shares as f64),
            worn: worn * WORN_ALIKE * alike,
            in_the_way: IN_THE_WAY * tight,
        }
    };
    nodes
        .into_iter()
        .map(|(law, weight)| Law::of_wear(law, weight * by_factor))
        .chain(
            powers
                .iter()
                .map(|power| Law::of_wear(LeakBack::Power(*power), by_power)),
        )
        .chain((0..=shares).map(by_share))
        .collect()
}

/// How much better the bases of a worn pump go with its lost speed by the second law than by the first, as
/// log likelihood of the best of each: `seen` gives ln speed lost and base, `sound_kpa` the base before.
pub(crate) fn ln_odds_of_power(seen: &[(f64, f64)], sound_kpa: f64) -> f64 {
    let best = |laws: &[LeakBack]| {
        let misfit = laws.iter().map(|law| misfit(*law, seen, sound_kpa));
        misfit.fold(f64::INFINITY, f64::min)
    };
    let by_factor: Vec<LeakBack> = (0..=24)
        .map(|k| LeakBack::Factor(0.25 * f64::from(k)))
        .collect();
    0.5 * (best(&by_factor) - best(&POWERS.map(LeakBack::Power)))
}

fn misfit(law: LeakBack, seen: &[(f64, f64)], sound_kpa: f64) -> f64 {
    /// How well a base tells the law: as a share of it, and kPa (common practice).
    const SHARE: f64 = 0.15;
    const LEAST_KPA: f64 = 0.3;
    let one = |(lost, kpa): &(f64, f64)| {
        let held = sound_kpa * law.factor(*lost) + law.added_kpa(*lost);
        let z = (kpa - held) / LEAST_KPA.hypot(SHARE * held);
        (z * z).min(9.0) + 2.0 * LEAST_KPA.hypot(SHARE * held).ln()
    };
    seen.iter().map(one).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stopped_pump_holds_the_barometer_and_a_sound_one_its_base() {
        let law = LeakBack::Power(2.7);
        assert!(law.added_kpa(0.0).abs() < 1e-12 && (law.factor(0.0) - 1.0).abs() < 1e-12);
        assert!((law.added_kpa(20.0) - STOPPED_KPA).abs() < 1e-3);
        let half = LeakBack::Share(0.5);
        assert!((half.factor(2f64.ln()) - 1.5).abs() < 1e-12 && half.added_kpa(1.0).abs() < 1e-12);
        let more = half.factor(0.3) * half.factor_of_more(0.3, 0.4);
        assert!((more - half.factor(0.7)).abs() < 1e-12);
        let prior = LeakBackPrior {
            ln_gamma: (0.3, 0.4),
            by_power: BY_POWER,
        };
        for (lost, beside) in [(0.0, false), (0.5, false), (0.5, true)] {
            let total: f64 = laws(&prior, lost, beside).iter().map(Law::prior).sum();
            assert!((total - 1.0).abs() < 1e-9, "{total}");
        }
    }

    #[test]
    fn bases_tell_by_which_law_they_rose() {
        let seen = |law: LeakBack| -> Vec<(f64, f64)> {
            (3..12)
                .map(|k| 0.1 * f64::from(k))
                .map(|lost| (lost, 2.0 * law.factor(lost) + law.added_kpa(lost)))
                .collect()
        };
        assert!(ln_odds_of_power(&seen(LeakBack::Power(3.3)), 2.0) > 1.0);
        assert!(ln_odds_of_power(&seen(LeakBack::Factor(1.5)), 2.0) < -1.0);
    }
}
