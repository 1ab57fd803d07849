//! Random numbers from an explicit seed and the name of what they are for.
//!
//! The stream depends on the seed and the subject only, never on order of work or number of
//! threads. The hash is 64-bit FNV-1a (offset 0xcbf29ce484222325, prime 0x100000001b3), written
//! out here so that a newer library cannot change an answer.

use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, StandardNormal};
pub use rand_pcg::Pcg64;

/// 64-bit FNV-1a hash of bytes (Fowler, Noll, Vo; draft-eastlake-fnv).
#[must_use]
pub fn stable_hash(bytes: &[u8]) -> u64 {
    bytes.iter().fold(0xcbf2_9ce4_8422_2325_u64, |hash, byte| {
        (hash ^ u64::from(*byte)).wrapping_mul(0x0000_0100_0000_01b3)
    })
}

/// A seed of its own for a named subject, from the common seed.
#[must_use]
pub fn derived_seed(seed: u64, subject: &str) -> u64 {
    let mut bytes = seed.to_le_bytes().to_vec();
    bytes.extend_from_slice(subject.as_bytes());
    stable_hash(&bytes)
}

/// The generator for one subject under one seed.
#[must_use]
pub fn seeded(seed: u64, subject: &str) -> Pcg64 {
    Pcg64::seed_from_u64(derived_seed(seed, subject))
}

/// One draw from the standard normal law.
#[must_use]
pub fn standard_normal(rng: &mut Pcg64) -> f64 {
    StandardNormal.sample(rng)
}

/// `n` independent draws from the standard normal law.
#[must_use]
pub fn standard_normals(rng: &mut Pcg64, n: usize) -> Vec<f64> {
    (0..n).map(|_| standard_normal(rng)).collect()
}

/// One draw from the uniform law on [0, 1).
#[must_use]
pub fn uniform(rng: &mut Pcg64) -> f64 {
    rng.random::<f64>()
}

/// A uniform index below `n` (0 where `n` is 0).
#[must_use]
pub fn index(rng: &mut Pcg64, n: usize) -> usize {
    if n == 0 { 0 } else { rng.random_range(0..n) }
}

/// One draw from Student's t with `df` degrees of freedom (normal over root chi-square/df).
#[must_use]
pub fn student_t(rng: &mut Pcg64, df: f64) -> f64 {
    match rand_distr::StudentT::new(df) {
        Ok(law) => law.sample(rng),
        // A t law without degrees of freedom does not exist; the normal is its limit at infinity.
        Err(_) => standard_normal(rng),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hash_matches_the_published_test_vectors() {
        // draft-eastlake-fnv-17, appendix C: FNV-1a 64 of "", "a", "foobar".
        assert_eq!(stable_hash(b""), 0xcbf2_9ce4_8422_2325);
        assert_eq!(stable_hash(b"a"), 0xaf63_dc4c_8601_ec8c);
        assert_eq!(stable_hash(b"foobar"), 0x8594_4171_f739_67e8);
    }

    #[test]
    fn same_subject_same_stream_other_subject_other_stream() {
        let a = standard_normals(&mut seeded(7, "one"), 5);
        assert_eq!(a, standard_normals(&mut seeded(7, "one"), 5));
        assert_ne!(a, standard_normals(&mut seeded(7, "two"), 5));
        assert_ne!(a, standard_normals(&mut seeded(8, "one"), 5));
    }

    #[test]
    fn normal_draws_have_mean_zero_and_variance_one() {
        let x = standard_normals(&mut seeded(1, "moments"), 20_000);
        let mean = x.iter().sum::<f64>() / 20_000.0;
        let var = x.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / 20_000.0;
        assert!(mean.abs() < 4.0 / 141.0, "{mean}");
        assert!((var - 1.0).abs() < 0.05, "{var}");
    }
}
