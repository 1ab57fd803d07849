//! How the base of a pump goes with the speed that wear takes from it.
//!
//! Clearances that open let gas leak back and carry less. Two laws are looked at, with w the ln speed
//! lost. By the first the base goes as `e^(γw)` from what the sound pump held: γ is 1 where base·S is
//! constant, more where clearances leak more, 0 where something only stands in the pump's way. By the
//! second what leaks back is added, as a power of the share of the speed that is lost: a pump that has none
//! left holds the barometer, which sets its size, and flow through a slot goes with the third power of
//! its height where it is laminar and with less where it is not (textbook), so that the exponent lies
//! between two and five.

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
/// How likely it is beforehand that lost speed does not lift the base (a restriction).
const NO_LEAK_BACK: f64 = 0.1;
/// A smaller loss of ln speed lifts no base that anybody could see.
pub(crate) const LEAST_LOST: f64 = 0.02;

/// A law by which lost speed lifts the base.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum LeakBack {
    /// The base goes as `e^(γw)`.
    Factor(f64),
    /// So much of [`STOPPED_KPA`] is added as this power of the lost share of the speed.
    Power(f64),
}

impl LeakBack {
    /// By what the base of the sound pump is multiplied where so much ln speed is lost.
    pub(crate) fn factor(self, lost: f64) -> f64 {
        match self {
            Self::Factor(gamma) => (gamma * lost).exp(),
            Self::Power(_) => lost.exp(),
        }
    }

    /// What is added to it, kPa.
    pub(crate) fn added_kpa(self, lost: f64) -> f64 {
        match self {
            Self::Factor(_) => 0.0,
            Self::Power(power) => STOPPED_KPA * (1.0 - (-lost.max(0.0)).exp()).powf(power),
        }
    }

    /// Whether lost speed lifts the base by it.
    pub(crate) fn is_none(self) -> bool {
        matches!(self, Self::Factor(gamma) if gamma <= 0.0)
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
pub(crate) fn laws(
    prior: &LeakBackPrior,
    lost_now: f64,
    beside_leak: bool,
) -> Vec<(LeakBack, f64)> {
    let (first, last) = NODES;
    let (mean, sd) = prior.ln_gamma;
    let lost = lost_now > LEAST_LOST;
    let step = match (lost, beside_leak) {
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
    let still = if lost { NO_LEAK_BACK } else { 0.0 };
    let by_factor = (1.0 - still) * (1.0 - prior.by_power) / total;
    let powers: &[f64] = if beside_leak {
        &POWERS_BESIDE_LEAK
    } else {
        &POWERS
    };
    let by_power = (1.0 - still) * prior.by_power / powers.len() as f64;
    nodes
        .into_iter()
        .map(|(law, weight)| (law, weight * by_factor))
        .chain(
            powers
                .iter()
                .map(|power| (LeakBack::Power(*power), by_power)),
        )
        .chain(lost.then_some((LeakBack::Factor(0.0), still)))
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
        assert!(LeakBack::Factor(0.0).is_none() && !law.is_none());
        let prior = LeakBackPrior {
            ln_gamma: (0.3, 0.4),
            by_power: BY_POWER,
        };
        for (lost, beside) in [(0.0, false), (0.5, false), (0.5, true)] {
            let total: f64 = laws(&prior, lost, beside).iter().map(|law| law.1).sum();
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
