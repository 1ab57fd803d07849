//! Random draws from named streams: the same seed and subject always give the same numbers.

use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, StandardNormal};
use rand_pcg::Pcg64;

/// One stream of random numbers that belongs to a subject (a unit, a reservoir, a file).
#[derive(Clone, Debug)]
pub(crate) struct Draw(Pcg64);

impl Draw {
    /// The stream of a subject. Streams of different subjects are independent, so that one
    /// more draw in one place does not change another.
    pub(crate) fn of(seed: u64, subject: &str) -> Self {
        // FNV-1a (public domain) spreads the subject's bytes over the seed.
        let mut hash = 0xcbf2_9ce4_8422_2325_u64 ^ seed.wrapping_mul(0x9e37_79b9_7f4a_7c15);
        for byte in subject.bytes() {
            hash = (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3);
        }
        Self(Pcg64::seed_from_u64(hash))
    }

    /// Between 0 and 1.
    pub(crate) fn unit(&mut self) -> f64 {
        self.0.random::<f64>()
    }

    pub(crate) fn uniform(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    pub(crate) fn normal(&mut self) -> f64 {
        StandardNormal.sample(&mut self.0)
    }

    /// Normal with this standard deviation about zero, cut at ±3 of them.
    pub(crate) fn gauss(&mut self, sd: f64) -> f64 {
        self.normal().clamp(-3.0, 3.0) * sd
    }

    /// Lognormal by its median and the standard deviation of its logarithm.
    pub(crate) fn lognormal(&mut self, median: f64, sd_log: f64) -> f64 {
        median * self.gauss(sd_log).exp()
    }

    /// Exponential by its mean.
    pub(crate) fn wait(&mut self, mean: f64) -> f64 {
        -mean * (1.0 - self.unit()).max(1e-12).ln()
    }

    pub(crate) fn chance(&mut self, probability: f64) -> bool {
        self.unit() < probability
    }

    /// A whole number from 0 to below `n` (0 where `n` is 0).
    pub(crate) fn below(&mut self, n: usize) -> usize {
        ((self.unit() * n as f64) as usize).min(n.saturating_sub(1))
    }

    /// An index drawn in proportion to the weights; None where they are all zero.
    pub(crate) fn weighted(&mut self, weights: &[f64]) -> Option<usize> {
        let total: f64 = weights.iter().sum();
        if total <= 0.0 {
            return None;
        }
        let mut left = self.unit() * total;
        for (idx, weight) in weights.iter().enumerate() {
            left -= weight;
            if left < 0.0 {
                return Some(idx);
            }
        }
        weights.iter().rposition(|weight| *weight > 0.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn streams_differ_by_seed_and_by_subject_and_repeat() {
        let first = |seed, subject| Draw::of(seed, subject).unit().to_bits();
        assert_eq!(first(1, "U-01"), first(1, "U-01"));
        assert_ne!(first(1, "U-01"), first(2, "U-01"));
        assert_ne!(first(1, "U-01"), first(1, "U-02"));
    }

    #[test]
    fn a_weight_of_zero_is_never_drawn() {
        let mut draw = Draw::of(1, "weights");
        assert!((0..1000).all(|_| draw.weighted(&[0.0, 1.0, 0.0]) == Some(1)));
        assert_eq!(draw.weighted(&[0.0]), None);
    }
}
