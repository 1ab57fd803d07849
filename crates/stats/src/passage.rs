//! When a drifting path first reaches a limit.
//!
//! Wiener process with drift: increments N(mu dt, s^2 dt). First passage over a distance a > 0:
//! F(t) = Phi((mu t - a)/(s sqrt t)) + exp(2 mu a/s^2) Phi(-(mu t + a)/(s sqrt t)) (inverse
//! Gaussian law; Chhikara & Folks 1989). With the drift itself N(m, w^2) the law has a closed form
//! (Peng & Tseng 2009; Si et al. 2013). Every product of a huge and a tiny factor is formed in logs.

use crate::normal;
use crate::optimise::brent_root;
use statrs::function::gamma::checked_gamma_ur;

/// A path on its way to a limit: where it is, how fast it moves, and how well both are known.
///
/// Units are the caller's; distances positive towards the limit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FirstPassage {
    /// Distance from the present level to the limit (expected value).
    pub distance: f64,
    /// Standard deviation of that distance (0 where the level is known).
    pub distance_sd: f64,
    /// Expected drift towards the limit per unit of time.
    pub drift_mean: f64,
    /// Standard deviation of the drift (0 where it is known).
    pub drift_sd: f64,
    /// Standard deviation of the path after one unit of time, beyond the drift.
    pub diffusion_sd: f64,
}

impl FirstPassage {
    /// Probability that the limit has been reached by time `t`; NaN for input that is not finite.
    #[must_use]
    pub fn cdf(&self, t: f64) -> f64 {
        let known = [
            self.distance,
            self.distance_sd,
            self.drift_mean,
            self.drift_sd,
        ];
        if known.iter().any(|v| !v.is_finite()) || !self.diffusion_sd.is_finite() || t.is_nan() {
            return f64::NAN;
        }
        if !(self.distance_sd > 0.0) {
            return self.cdf_from(self.distance, t);
        }
        // Already past the limit, plus the law averaged over the distances still to go.
        let sd = self.distance_sd;
        let past = normal::cdf(-self.distance / sd);
        let low = (self.distance - 9.0 * sd).max(0.0);
        let high = self.distance + 9.0 * sd;
        if high <= low {
            return past.min(1.0);
        }
        // The law falls from 1 to 0 around m t, within a few q: panels no wider than that, and an
        // edge there.
        let q = (self.drift_sd * t).hypot(self.diffusion_sd * t.max(0.0).sqrt());
        let split = (self.drift_mean * t).clamp(low, high);
        let wanted = if q > 0.0 && q.is_finite() {
            (high - low) / q
        } else {
            8.0
        };
        let panels = wanted.ceil().clamp(8.0, 64.0) as u32;
        let weighted = |a: f64| normal::pdf((a - self.distance) / sd) / sd * self.cdf_from(a, t);
        let rest =
            integrate((low, split), panels, weighted) + integrate((split, high), panels, weighted);
        (past + rest).clamp(0.0, 1.0)
    }

    /// Probability that the limit has not been reached by time `t`.
    #[must_use]
    pub fn survival(&self, t: f64) -> f64 {
        if self.distance_sd > 0.0 || !(self.distance > 0.0) || !(t > 0.0) || !t.is_finite() {
            return 1.0 - self.cdf(t);
        }
        // Both terms are small where survival is: the digits that 1 - F would lose are kept.
        let (direct, returned) = self.terms(self.distance, t);
        (normal::survival(direct) - returned).clamp(0.0, 1.0)
    }

    /// Probability that the limit was reached by time `t` and the path is back below it then, from a
    /// known distance: the part of `cdf` that the law at `t` alone does not tell.
    #[must_use]
    pub fn returned(&self, t: f64) -> f64 {
        if !(t > 0.0) {
            return 0.0;
        }
        let (direct, returned) = self.terms(self.distance, t);
        if self.distance <= 0.0 {
            normal::cdf(-direct)
        } else {
            returned.clamp(0.0, 1.0)
        }
    }

    /// Argument of the direct term, and the returning term.
    fn terms(&self, a: f64, t: f64) -> (f64, f64) {
        let m = self.drift_mean;
        let (w, s) = (self.drift_sd.abs(), self.diffusion_sd.abs());
        let q = (w * t).hypot(s * t.sqrt());
        if q <= 0.0 {
            let sign = if m * t >= a { 1.0 } else { -1.0 };
            return (sign * f64::INFINITY, 0.0);
        }
        let direct = (m * t - a) / q;
        let s2 = s * s;
        if s2 <= 0.0 {
            return (direct, 0.0);
        }
        let lift = 2.0 * m * a / s2 + 2.0 * (w * a / s2).powi(2);
        let z = -(2.0 * w * w * a * t + s2 * (m * t + a)) / (s2 * q);
        let returned = (lift + normal::ln_cdf(z)).exp();
        // lift is of the order of z^2/2: where both overflow the returning paths no longer matter.
        (direct, if returned.is_nan() { 0.0 } else { returned })
    }

    /// Time by which the limit is reached with probability `p`; None where that lies beyond
    /// `horizon`, or never comes. Zero where it is already reached with that probability.
    #[must_use]
    pub fn quantile(&self, p: f64, horizon: f64) -> Option<f64> {
        if !(0.0..=1.0).contains(&p) || !(horizon > 0.0) || !horizon.is_finite() {
            return None;
        }
        let at_end = self.cdf(horizon);
        if !(at_end >= p) {
            return None;
        }
        if self.cdf(0.0) >= p {
            return Some(0.0);
        }
        // Root in the log of time: the law spans many orders of magnitude.
        let f = |u: f64| self.cdf(horizon * u.exp()) - p;
        brent_root(f, -60.0, 0.0, 1e-12).map(|u| horizon * u.exp())
    }

    /// The law from a known distance.
    fn cdf_from(&self, a: f64, t: f64) -> f64 {
        if a <= 0.0 {
            return 1.0;
        }
        if t <= 0.0 {
            return 0.0;
        }
        if t.is_infinite() {
            return self.ever_from(a);
        }
        let (direct, returned) = self.terms(a, t);
        (normal::cdf(direct) + returned).clamp(0.0, 1.0)
    }

    /// Probability that the limit is ever reached.
    fn ever_from(&self, a: f64) -> f64 {
        let (m, w, s) = (
            self.drift_mean,
            self.drift_sd.abs(),
            self.diffusion_sd.abs(),
        );
        let s2 = s * s;
        if w <= 0.0 {
            let fixed = if m > 0.0 || (m >= 0.0 && s2 > 0.0) {
                1.0
            } else {
                0.0
            };
            return if m < 0.0 && s2 > 0.0 {
                (2.0 * m * a / s2).exp()
            } else {
                fixed
            };
        }
        let direct = normal::cdf(m / w);
        if s2 <= 0.0 {
            return direct;
        }
        let lift = 2.0 * m * a / s2 + 2.0 * (w * a / s2).powi(2);
        (direct + (lift + normal::ln_cdf(-(2.0 * w * a / s2 + m / w))).exp()).clamp(0.0, 1.0)
    }
}

/// Density of the first passage of a Wiener process with known drift (inverse Gaussian).
#[must_use]
pub fn wiener_density(a: f64, drift: f64, diffusion_sd: f64, t: f64) -> f64 {
    if !(t > 0.0) || !(a > 0.0) || !(diffusion_sd > 0.0) {
        return 0.0;
    }
    let s = diffusion_sd;
    let z = (a - drift * t) / (s * t.sqrt());
    (a.ln() - s.ln() - 1.5 * t.ln() + normal::ln_pdf(z)).exp()
}

/// Probability that a straight line from `start` with a lognormal rate (log mean `m`, log sd `s`)
/// has reached `limit` by time `t` (Meeker & Escobar 1998, section 13).
#[must_use]
pub fn lognormal_rate_cdf(limit: f64, start: f64, (m, s): (f64, f64), t: f64) -> f64 {
    if start >= limit {
        return 1.0;
    }
    if !(t > 0.0) {
        return 0.0;
    }
    let needed = (limit - start).ln() - t.ln();
    if s > 0.0 {
        normal::cdf((m - needed) / s)
    } else {
        f64::from(u8::from(m >= needed))
    }
}

/// Probability that a gamma process (shape `shape_rate` per unit of time, `rate` per unit of level)
/// has reached `limit` by time `t`.
#[must_use]
pub fn gamma_process_cdf(limit: f64, shape_rate: f64, rate: f64, t: f64) -> f64 {
    if limit <= 0.0 {
        return 1.0;
    }
    if !(t > 0.0) {
        return 0.0;
    }
    checked_gamma_ur(shape_rate * t, rate * limit).unwrap_or(f64::NAN)
}

/// Nodes and weights of the 10-point Gauss–Legendre rule, positive half (Abramowitz & Stegun 25.4).
const LEGENDRE: [(f64, f64); 5] = [
    (0.148_874_338_981_631_2, 0.295_524_224_714_752_9),
    (0.433_395_394_129_247_2, 0.269_266_719_309_996_4),
    (0.679_409_568_299_024_4, 0.219_086_362_515_982_04),
    (0.865_063_366_688_984_5, 0.149_451_349_150_580_6),
    (0.973_906_528_517_171_7, 0.066_671_344_308_688_14),
];

/// Integral over an interval in panels of ten points each.
fn integrate((low, high): (f64, f64), panels: u32, f: impl Fn(f64) -> f64) -> f64 {
    if !(high > low) {
        return 0.0;
    }
    let half = 0.5 * (high - low) / f64::from(panels);
    (0..panels)
        .map(|panel| {
            let middle = low + half * (2.0 * f64::from(panel) + 1.0);
            let sum: f64 = LEGENDRE
                .iter()
                .map(|(x, w)| w * (f(middle - half * x) + f(middle + half * x)))
                .sum();
            half * sum
        })
        .sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn law(drift_mean: f64, drift_sd: f64, distance_sd: f64) -> FirstPassage {
        FirstPassage {
            distance: 10.0,
            distance_sd,
            drift_mean,
            drift_sd,
            diffusion_sd: 0.5,
        }
    }

    #[test]
    fn returned_is_what_the_law_at_the_end_does_not_tell() {
        for (distance, drift_mean, drift_sd) in [
            (1.0, 0.3, 0.0),
            (2.0, -0.2, 0.4),
            (0.5, 0.0, 0.1),
            (-0.3, 0.1, 0.2),
        ] {
            let path = FirstPassage {
                distance,
                distance_sd: 0.0,
                drift_mean,
                drift_sd,
                diffusion_sd: 0.8,
            };
            let t = 3.0_f64;
            let spread = (drift_sd * t).hypot(0.8 * t.sqrt());
            let above = normal::cdf((drift_mean * t - distance) / spread);
            assert!((path.returned(t) - (path.cdf(t) - above)).abs() < 1e-12);
        }
    }

    #[test]
    fn mean_of_the_known_drift_law_is_distance_over_drift() {
        let known = law(0.5, 0.0, 0.0);
        // Mean = integral of the survival function.
        let mean = (0..60)
            .map(|i| {
                integrate((f64::from(i) * 2.0, f64::from(i) * 2.0 + 2.0), 8, |t| {
                    known.survival(t)
                })
            })
            .sum::<f64>();
        assert!((mean - 20.0).abs() < 1e-6, "{mean}");
        let total = integrate((1e-6, 80.0), 16, |t| wiener_density(10.0, 0.5, 0.5, t));
        assert!((total - known.cdf(80.0)).abs() < 1e-8, "{total}");
    }

    #[test]
    fn random_drift_is_the_average_over_drifts() {
        for (m, w) in [(0.3, 0.2), (-0.1, 0.3), (1.0, 0.05)] {
            let mixed = law(m, w, 0.0);
            for t in [5.0, 20.0, 100.0] {
                let average = integrate((m - 9.0 * w, m + 9.0 * w), 80, |mu| {
                    normal::pdf((mu - m) / w) / w * law(mu, 0.0, 0.0).cdf(t)
                });
                assert!((mixed.cdf(t) - average).abs() < 1e-7, "{m} {w} {t}");
            }
        }
    }

    #[test]
    fn probability_grows_with_time_and_stays_a_probability() {
        for distance_sd in [0.0, 3.0] {
            let p = law(0.1, 0.2, distance_sd);
            let mut last = p.cdf(0.0);
            for i in 1..200 {
                let now = p.cdf(f64::from(i) * 3.0);
                assert!(now >= last - 1e-12 && (0.0..=1.0).contains(&now));
                last = now;
            }
            assert!(last <= p.cdf(f64::INFINITY).max(last));
        }
    }

    #[test]
    fn extreme_values_do_not_break_the_logs() {
        let steep = FirstPassage {
            distance: 1e4,
            distance_sd: 0.0,
            drift_mean: 100.0,
            drift_sd: 0.0,
            diffusion_sd: 1e-3,
        };
        assert!(steep.cdf(99.0) < 1e-9 && steep.cdf(101.0) > 1.0 - 1e-9);
        let vague = FirstPassage {
            drift_sd: 50.0,
            ..steep
        };
        assert!(vague.cdf(100.0) > 0.49 && vague.cdf(100.0) < 0.51);
        assert!(law(f64::NAN, 0.0, 0.0).cdf(1.0).is_nan());
    }

    #[test]
    fn quantiles_invert_and_report_beyond_horizon() {
        let p = law(0.5, 0.1, 1.0);
        let t = p.quantile(0.5, 1000.0).unwrap();
        assert!((p.cdf(t) - 0.5).abs() < 1e-8);
        assert_eq!(law(-0.5, 0.0, 0.0).quantile(0.5, 1e6), None);
        assert_eq!(p.quantile(0.9, 5.0), None);
        let passed = FirstPassage {
            distance: -1.0,
            ..p
        };
        assert_eq!(passed.quantile(0.5, 10.0), Some(0.0));
    }

    #[test]
    fn level_uncertainty_matches_simulation_free_limit() {
        // Without drift or diffusion only the start matters: P(distance <= 0).
        let still = FirstPassage {
            distance: 2.0,
            distance_sd: 1.0,
            drift_mean: 0.0,
            drift_sd: 0.0,
            diffusion_sd: 0.0,
        };
        assert!((still.cdf(5.0) - normal::cdf(-2.0)).abs() < 1e-10);
    }
}
