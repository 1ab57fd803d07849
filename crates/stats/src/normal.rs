//! The normal law with true tails, and quantiles of Student's t and chi-square.
//!
//! erfc comes from libm (below one unit in the last place); statrs 0.19 has eleven digits of it.
//! `ln_cdf` stays finite at z = -1e6 where the density itself has long underflowed.

use libm::erfc;
use statrs::distribution::{ChiSquared, ContinuousCDF, StudentsT};
use statrs::function::erf::erfc_inv;
use std::f64::consts::{FRAC_1_SQRT_2, SQRT_2};

/// ln sqrt(2 pi).
pub const LN_SQRT_2PI: f64 = 0.918_938_533_204_672_8;

/// Standard normal density.
#[must_use]
pub fn pdf(z: f64) -> f64 {
    ln_pdf(z).exp()
}

/// Log of the standard normal density.
#[must_use]
pub fn ln_pdf(z: f64) -> f64 {
    -0.5 * z * z - LN_SQRT_2PI
}

/// Standard normal distribution function.
#[must_use]
pub fn cdf(z: f64) -> f64 {
    0.5 * erfc(-z * FRAC_1_SQRT_2)
}

/// Standard normal distribution function to 7.5e-8, for the many that only enter a sum (Abramowitz &
/// Stegun 1964, 26.2.17); a fifth of the time of `cdf`.
#[must_use]
pub fn quick_cdf(z: f64) -> f64 {
    if z.is_nan() {
        return f64::NAN;
    }
    if z.abs() > 9.0 {
        return f64::from(u8::from(z > 0.0));
    }
    let t = 1.0 / (1.0 + 0.231_641_9 * z.abs());
    let series = t
        * (0.319_381_530
            + t * (-0.356_563_782
                + t * (1.781_477_937 + t * (-1.821_255_978 + t * 1.330_274_429))));
    let tail = pdf(z) * series;
    if z > 0.0 { 1.0 - tail } else { tail }
}

/// Upper tail, 1 - cdf, without cancellation.
#[must_use]
pub fn survival(z: f64) -> f64 {
    cdf(-z)
}

/// Log of the standard normal distribution function, right in both tails.
///
/// Below z = -20 the Mills ratio is taken from its continued fraction (Abramowitz & Stegun
/// 26.2.14), so that the value is finite as long as z^2 is.
#[must_use]
pub fn ln_cdf(z: f64) -> f64 {
    if z.is_nan() {
        return f64::NAN;
    }
    if z > 0.0 {
        return (-0.5 * erfc(z * FRAC_1_SQRT_2)).ln_1p();
    }
    if z > -20.0 {
        return (0.5 * erfc(-z * FRAC_1_SQRT_2)).ln();
    }
    let x = -z;
    // R(x) = 1/(x + 1/(x + 2/(x + 3/(x + ...)))); 40 terms are exact to the last bit at x = 20.
    let tail = (1..=40).rev().fold(x, |t, k| x + f64::from(k) / t);
    ln_pdf(z) - tail.ln()
}

/// Log of Phi(upper) - Phi(lower); minus infinity where the interval is empty.
#[must_use]
pub fn ln_interval(lower: f64, upper: f64) -> f64 {
    if lower.is_nan() || upper.is_nan() {
        return f64::NAN;
    }
    if upper <= lower {
        return f64::NEG_INFINITY;
    }
    // Work in the tail where both ends are small: no cancellation against 1.
    if lower > 0.0 {
        return ln_interval(-upper, -lower);
    }
    if upper < 0.0 {
        let (a, b) = (ln_cdf(lower), ln_cdf(upper));
        return b + ln_1m_exp(a - b);
    }
    (-cdf(lower) - survival(upper)).ln_1p()
}

/// ln(1 - e^x) for x <= 0 (Maechler 2012: log1p below -ln 2, expm1 above).
#[must_use]
pub fn ln_1m_exp(x: f64) -> f64 {
    if x < -std::f64::consts::LN_2 {
        (-x.exp()).ln_1p()
    } else {
        (-x.exp_m1()).ln()
    }
}

/// ln(e^a + e^b) without overflow.
#[must_use]
pub fn ln_add_exp(a: f64, b: f64) -> f64 {
    let (high, low) = if a >= b { (a, b) } else { (b, a) };
    if high == f64::NEG_INFINITY {
        high
    } else {
        high + (low - high).exp().ln_1p()
    }
}

/// Standard normal quantile; infinite at 0 and 1, NaN outside.
#[must_use]
pub fn quantile(p: f64) -> f64 {
    if !(0.0..=1.0).contains(&p) {
        return f64::NAN;
    }
    if p <= 0.0 {
        return f64::NEG_INFINITY;
    }
    if p >= 1.0 {
        return f64::INFINITY;
    }
    if p > 0.5 {
        return -lower_quantile(1.0 - p);
    }
    lower_quantile(p)
}

/// Quantile for p in (0, 0.5]: library start, two Newton steps on the log of the tail.
fn lower_quantile(p: f64) -> f64 {
    let mut z = -SQRT_2 * erfc_inv(2.0 * p);
    if !z.is_finite() {
        z = -(-2.0 * p.ln()).sqrt();
    }
    for _ in 0..2 {
        let ln_tail = ln_cdf(z);
        let slope = (ln_pdf(z) - ln_tail).exp();
        let step = (ln_tail - p.ln()) / slope;
        if step.is_finite() {
            z -= step;
        }
    }
    z
}

/// Nodes and weights of Gauss-Legendre quadrature on (−1, 1), the positive half (Abramowitz & Stegun
/// 1964, table 25.4, n = 10).
const LEGENDRE: [(f64, f64); 5] = [
    (0.148_874_338_981_631_2, 0.295_524_224_714_752_9),
    (0.433_395_394_129_247_2, 0.269_266_719_309_996_4),
    (0.679_409_568_299_024_4, 0.219_086_362_515_982),
    (0.865_063_366_688_984_5, 0.149_451_349_150_580_6),
    (0.973_906_528_517_171_7, 0.066_671_344_308_688_1),
];

/// Probability that two standard normal variables of correlation `rho` lie below `h` and `k`.
///
/// Φ(h)·Φ(k) plus an integral over the angle whose sine is the correlation (Drezner & Wesolowsky,
/// J. Statist. Comput. Simul. 35, 1990); right to 1e-9 up to |rho| = 0.8, to some 1e-4 beyond.
#[must_use]
pub fn bivariate_cdf(h: f64, k: f64, rho: f64) -> f64 {
    /// Where a second panel begins.
    const STEEP: f64 = 0.927_295_218_001_612_2;
    let rho = rho.clamp(-1.0, 1.0);
    let (apart, product) = (cdf(h) * cdf(k), h * k);
    if !product.is_finite() || rho.abs() < 1e-12 {
        return apart;
    }
    let half_squares = 0.5 * (h * h + k * k);
    let at = |angle: f64| {
        let (sin, cos) = angle.sin_cos();
        ((product * sin - half_squares) / (cos * cos).max(1e-300)).exp()
    };
    let panel = |from: f64, to: f64| {
        let (middle, half) = (0.5 * (from + to), 0.5 * (to - from));
        let sum: f64 = LEGENDRE
            .iter()
            .map(|(x, w)| w * (at(middle - half * x) + at(middle + half * x)))
            .sum();
        half * sum
    };
    let end = rho.asin();
    let turned = if end.abs() > STEEP {
        let edge = STEEP.copysign(end);
        panel(0.0, edge) + panel(edge, end)
    } else {
        panel(0.0, end)
    };
    (apart + turned / std::f64::consts::TAU).clamp(0.0, 1.0)
}

/// Distribution function of Student's t with `df` degrees of freedom (normal where df is infinite).
#[must_use]
pub fn student_t_cdf(t: f64, df: f64) -> f64 {
    if !df.is_finite() || df > 1e9 {
        return cdf(t);
    }
    StudentsT::new(0.0, 1.0, df).map_or(f64::NAN, |law| law.cdf(t))
}

/// Quantile of Student's t with `df` degrees of freedom; NaN where df or p is out of range.
#[must_use]
pub fn student_t_quantile(p: f64, df: f64) -> f64 {
    if !df.is_finite() || df > 1e9 {
        return quantile(p);
    }
    if !(0.0..=1.0).contains(&p) || df <= 0.0 {
        return f64::NAN;
    }
    StudentsT::new(0.0, 1.0, df).map_or(f64::NAN, |law| law.inverse_cdf(p))
}

/// Distribution function of chi-square with `df` degrees of freedom.
#[must_use]
pub fn chi_square_cdf(x: f64, df: f64) -> f64 {
    if x <= 0.0 {
        return 0.0;
    }
    ChiSquared::new(df).map_or(f64::NAN, |law| law.cdf(x))
}

/// Quantile of chi-square with `df` degrees of freedom; NaN where df or p is out of range.
#[must_use]
pub fn chi_square_quantile(p: f64, df: f64) -> f64 {
    if !(0.0..=1.0).contains(&p) {
        return f64::NAN;
    }
    // One degree of freedom is a squared normal: exact, and the case that matters most here.
    if (df - 1.0).abs() < 1e-12 {
        return quantile(0.5 + 0.5 * p).powi(2);
    }
    ChiSquared::new(df).map_or(f64::NAN, |law| law.inverse_cdf(p))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(got: f64, want: f64, tol: f64) {
        assert!(
            (got - want).abs() <= tol * want.abs().max(1.0),
            "got {got}, want {want}"
        );
    }

    #[test]
    fn ln_cdf_is_finite_and_falls_like_half_z_squared() {
        for z in [-1e6, -1e5, -300.0, -40.0] {
            assert!(ln_cdf(z).is_finite());
            close(ln_cdf(z), -0.5 * z * z - (-z).ln() - LN_SQRT_2PI, 1e-3);
        }
        // Abramowitz & Stegun, table 26.2: -log10 Q(x) at x = 10, 38, 50.
        for (x, minus_log10) in [(10.0, 23.118_05), (38.0, 315.539_79), (50.0, 544.966_34)] {
            close(-ln_cdf(-x) / std::f64::consts::LN_10, minus_log10, 3e-7);
        }
    }

    #[test]
    fn ln_cdf_joins_smoothly_at_the_switch() {
        let (a, b) = (ln_cdf(-20.0 + 1e-9), ln_cdf(-20.0 - 1e-9));
        close(a, b, 1e-9);
        close(ln_cdf(-20.0), (cdf(-20.0)).ln(), 1e-13);
    }

    #[test]
    fn the_quick_law_is_right_to_seven_digits() {
        for idx in -1000..=1000 {
            let z = f64::from(idx) / 100.0;
            assert!((quick_cdf(z) - cdf(z)).abs() < 7.6e-8, "{z}");
        }
        assert!(quick_cdf(f64::NEG_INFINITY) <= 0.0 && quick_cdf(f64::INFINITY) >= 1.0);
        assert!(quick_cdf(f64::NAN).is_nan());
    }

    #[test]
    fn bivariate_is_sheppards_at_the_centre_and_an_integral_elsewhere() {
        // Sheppard 1899: 1/4 + asin(rho)/(2 pi)
        for rho in [-0.95_f64, -0.5, 0.0, 0.3, 0.75, 0.9, 0.99] {
            let want = 0.25 + rho.asin() / std::f64::consts::TAU;
            close(bivariate_cdf(0.0, 0.0, rho), want, 1e-9);
        }
        for (h, k, rho, tol) in [
            (0.5, -1.0, 0.6, 1e-8),
            (1.5, 1.0, -0.4, 1e-8),
            (-2.0, -1.8, 0.95, 2e-5),
            (1.0, 1.3, 0.98, 2e-4),
        ] {
            let n = 40_000;
            let (low, step) = (-9.0, (h + 9.0) / f64::from(n));
            let root = (1.0_f64 - rho * rho).sqrt();
            let sum: f64 = (0..n)
                .map(|idx| {
                    let x: f64 = low + step * (f64::from(idx) + 0.5);
                    pdf(x) * cdf((k - rho * x) / root) * step
                })
                .sum();
            close(bivariate_cdf(h, k, rho), sum, tol);
        }
        close(bivariate_cdf(1e6, 0.3, 0.5), cdf(0.3), 1e-12);
    }

    #[test]
    fn quantile_inverts_cdf_over_the_whole_range() {
        for p in [1e-300, 1e-20, 1e-6, 0.01, 0.3, 0.5, 0.9, 0.999] {
            let z = quantile(p);
            assert!((ln_cdf(z) - p.ln()).abs() < 1e-11, "p {p} z {z}");
        }
        close(quantile(0.95), 1.644_853_626_951_472_6, 1e-14);
        assert!(quantile(0.0).is_infinite() && quantile(1.5).is_nan());
    }

    #[test]
    fn interval_has_no_cancellation() {
        close(ln_interval(8.0, 9.0), (cdf(-8.0) - cdf(-9.0)).ln(), 1e-12);
        assert!(ln_interval(50.0, 51.0).is_finite());
        close(
            ln_interval(-1.0, 1.0),
            0.682_689_492_137_085_9_f64.ln(),
            1e-12,
        );
        assert!(ln_interval(1.0, 1.0).is_infinite());
    }

    #[test]
    fn tabulated_quantiles() {
        // NIST/SEMATECH e-Handbook tables 1.3.6.7.2 and 1.3.6.7.4.
        close(student_t_quantile(0.975, 10.0), 2.228, 3e-4);
        close(chi_square_quantile(0.90, 1.0), 2.706, 3e-4);
        close(chi_square_quantile(0.95, 10.0), 18.307, 3e-4);
        close(student_t_cdf(student_t_quantile(0.3, 4.0), 4.0), 0.3, 1e-9);
    }
}
