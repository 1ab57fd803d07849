//! Least squares of one exponential approach to a level: `y = level + fall · exp(−rate · t)`.
//!
//! Level and fall are linear once the rate is known, so that only the rate is searched for (variable projection: Golub
//! & Pereyra 1973; Kaufman's 1975 step, which leaves out the term that vanishes with the residuals). On an even grid the
//! exponentials are powers of one number and no other is taken.

use crate::error::{StatsError, check_finite, check_length};

/// Four exponentials at a time: the powers of one lane do not wait for the others'.
const LANES: usize = 4;
/// Steps of the times that differ by less than this part of their mean make an even grid.
const EVEN: f64 = 1e-9;
/// The search looks from a fall of a hundredth over the whole span to one within a hundredth of it.
const REACH: [f64; 7] = [0.05, 0.3, 1.0, 2.5, 6.0, 15.0, 50.0];
const N_STEPS: usize = 60;

/// The best exponential approach.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Relaxation {
    /// Where it tends to, in units of y.
    pub level: f64,
    /// What is above the level at t = 0, in units of y; negative where y rises.
    pub fall: f64,
    /// Per unit of t, positive.
    pub rate: f64,
    /// Residual sum of squares.
    pub rss: f64,
    /// Standard error of ln rate from the residual variance; infinite where the data do not bend.
    pub ln_rate_se: f64,
    /// Steps spent.
    pub iterations: usize,
}

/// Sums of the powers e = exp(−rate·t) with t and y.
#[derive(Clone, Copy, Debug, Default)]
struct Sums {
    e: f64,
    ee: f64,
    ey: f64,
    te: f64,
    tee: f64,
    ttee: f64,
    tey: f64,
}

/// Observations with what does not depend on the rate.
struct Data<'a> {
    t: &'a [f64],
    y: &'a [f64],
    /// y less its mean, and the mean.
    centred: Vec<f64>,
    mean: f64,
    /// Sum of squares of y about its mean.
    yy: f64,
    /// The step of an even grid.
    step: Option<f64>,
}

/// Level, fall and derivatives at one rate.
#[derive(Clone, Copy, Debug)]
struct At {
    ln_rate: f64,
    level: f64,
    fall: f64,
    /// Sum of squares about the best level and fall.
    rss: f64,
    /// Slope of half the sum of squares with ln rate, and its curvature by Kaufman's Jacobian.
    slope: f64,
    curvature: f64,
}

/// Fits `y = level + fall · exp(−rate · t)` by least squares; times ascending, in any unit.
///
/// Stops when a step changes the rate by less than `tolerance` of itself. No rate beyond a hundredth of the span of t to
/// a hundred times its inverse is looked at: data that want one do not tell it.
///
/// # Errors
/// Lengths that differ, fewer than four observations, values that are not finite, times without a span, or no
/// convergence.
pub fn fit_relaxation(t: &[f64], y: &[f64], tolerance: f64) -> Result<Relaxation, StatsError> {
    check_length("observations", t.len(), y.len())?;
    if y.len() < 4 {
        return Err(StatsError::TooFew {
            needed: 4,
            found: y.len(),
        });
    }
    check_finite("times", t)?;
    check_finite("observations", y)?;
    let data = Data::new(t, y);
    let span = t[t.len() - 1] - t[0];
    if span <= 0.0 {
        return Err(StatsError::OutOfRange {
            what: "span of the times",
            value: span,
        });
    }
    let (lowest, highest) = ((0.01 / span).ln(), (100.0 / span).ln());
    let mut here = REACH
        .iter()
        .map(|reach| data.at((reach / span).ln()))
        .min_by(|a, b| a.rss.total_cmp(&b.rss))
        .unwrap_or_else(|| data.at(-span.ln()));
    // What rounding leaves of the sum of squares: it must not keep a good step out.
    let slack = 1e-13 * data.yy;
    for iteration in 1..=N_STEPS {
        let mut step = (-here.slope / here.curvature).clamp(-1.0, 1.0);
        if !step.is_finite() {
            step = 0.0;
        }
        let mut there = data.at((here.ln_rate + step).clamp(lowest, highest));
        while there.rss > here.rss + slack && step.abs() > tolerance {
            step *= 0.3;
            there = data.at((here.ln_rate + step).clamp(lowest, highest));
        }
        let moved = (there.ln_rate - here.ln_rate).abs();
        if there.rss <= here.rss + slack {
            here = there;
        }
        if moved <= tolerance {
            return Ok(data.finish(&here, iteration));
        }
    }
    Err(StatsError::NotConverged {
        what: "rate of an exponential approach",
        iterations: N_STEPS,
    })
}

impl<'a> Data<'a> {
    fn new(t: &'a [f64], y: &'a [f64]) -> Self {
        let n = y.len() as f64;
        let mean = y.iter().sum::<f64>() / n;
        let centred: Vec<f64> = y.iter().map(|value| value - mean).collect();
        let yy = centred.iter().map(|value| value * value).sum();
        let step = (t[t.len() - 1] - t[0]) / (n - 1.0);
        let even = t
            .iter()
            .enumerate()
            .all(|(idx, at)| (at - t[0] - step * idx as f64).abs() <= EVEN * step.abs() * n);
        Self {
            t,
            y,
            centred,
            mean,
            yy,
            step: even.then_some(step),
        }
    }

    /// The sums at a rate. Times count from the first, which the fall is brought back from at the end.
    fn sums(&self, rate: f64) -> Sums {
        match self.step {
            Some(step) => self.even_sums(rate, step),
            None => {
                let mut sums = Sums::default();
                for (at, y) in self.t.iter().zip(&self.centred) {
                    let t = at - self.t[0];
                    sums.add((-rate * t).exp(), t, *y);
                }
                sums
            }
        }
    }

    fn even_sums(&self, rate: f64, step: f64) -> Sums {
        let one = (-rate * step).exp();
        let four = (one * one) * (one * one);
        let mut e = [1.0, one, one * one, one * one * one];
        let mut t = [0.0, step, 2.0 * step, 3.0 * step];
        let mut lanes = [[0.0; LANES]; 7];
        let chunks = self.centred.chunks_exact(LANES);
        let rest = chunks.remainder();
        for y in chunks {
            for lane in 0..LANES {
                let te = t[lane] * e[lane];
                lanes[0][lane] += e[lane];
                lanes[1][lane] += e[lane] * e[lane];
                lanes[2][lane] += e[lane] * y[lane];
                lanes[3][lane] += te;
                lanes[4][lane] += te * e[lane];
                lanes[5][lane] += te * te;
                lanes[6][lane] += te * y[lane];
                e[lane] *= four;
                t[lane] += LANES as f64 * step;
            }
        }
        let total = |k: usize| lanes[k].iter().sum::<f64>();
        let mut sums = Sums {
            e: total(0),
            ee: total(1),
            ey: total(2),
            te: total(3),
            tee: total(4),
            ttee: total(5),
            tey: total(6),
        };
        for (lane, y) in rest.iter().enumerate() {
            sums.add(e[lane], t[lane], *y);
        }
        sums
    }

    fn at(&self, ln_rate: f64) -> At {
        let rate = ln_rate.exp();
        let n = self.y.len() as f64;
        let s = self.sums(rate);
        let spread = (s.ee - s.e * s.e / n).max(0.0);
        let fall = if spread > 1e-14 * n {
            s.ey / spread
        } else {
            0.0
        };
        let level = -fall * s.e / n;
        // Along ln rate the model moves by d = −fall·rate·t·e; level and fall take their part of it with them.
        let scale = -fall * rate;
        let by_one = scale * s.te;
        let by_e = scale * s.tee;
        let slope = -(scale * s.tey - level * by_one - fall * by_e);
        let beside = by_e - by_one * s.e / n;
        let length = scale * scale * s.ttee - by_one * by_one / n;
        let curvature = if spread > 0.0 {
            length - beside * beside / spread
        } else {
            0.0
        };
        At {
            ln_rate,
            level,
            fall,
            rss: (self.yy - fall * s.ey).max(0.0),
            slope,
            curvature,
        }
    }

    fn finish(&self, at: &At, iterations: usize) -> Relaxation {
        let rate = at.ln_rate.exp();
        let (level, first) = (at.level + self.mean, self.t[0]);
        // The sum of squares once more from the residuals: the difference of two large sums has lost digits.
        let rss: f64 = self
            .t
            .iter()
            .zip(self.y)
            .map(|(t, y)| (y - level - at.fall * (-rate * (t - first)).exp()).powi(2))
            .sum();
        let dof = self.y.len() as f64 - 3.0;
        let variance = if dof > 0.0 { rss / dof } else { f64::INFINITY };
        Relaxation {
            level,
            fall: at.fall * (rate * first).exp(),
            rate,
            rss,
            ln_rate_se: if at.curvature > 0.0 {
                (variance / at.curvature).sqrt()
            } else {
                f64::INFINITY
            },
            iterations,
        }
    }
}

impl Sums {
    fn add(&mut self, e: f64, t: f64, y: f64) {
        let te = t * e;
        self.e += e;
        self.ee += e * e;
        self.ey += e * y;
        self.te += te;
        self.tee += te * e;
        self.ttee += te * te;
        self.tey += te * y;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::optimise::{LmConfig, levenberg_marquardt};
    use crate::rng;

    fn run(rate: f64, seed: u64, times: &[f64]) -> Vec<f64> {
        let mut noise = rng::seeded(seed, "relaxation");
        times
            .iter()
            .map(|t| 40.0 + 400.0 * (-rate * t).exp() + 4.0 * rng::standard_normal(&mut noise))
            .collect()
    }

    fn by_levenberg(t: &[f64], y: &[f64], rate: f64) -> Vec<f64> {
        let residuals = |at: &[f64]| -> Vec<f64> {
            t.iter()
                .zip(y)
                .map(|(t, y)| at[0] + at[1] * (-at[2].exp() * t).exp() - y)
                .collect()
        };
        levenberg_marquardt(&residuals, &[40.0, 400.0, rate.ln()], &LmConfig::strict())
            .unwrap()
            .x
    }

    #[test]
    fn the_optimum_is_that_of_the_full_search_on_even_and_uneven_grids() {
        let even: Vec<f64> = (0..90).map(|n| 2.0 + f64::from(n) / 6.0).collect();
        let uneven: Vec<f64> = even.iter().map(|t| t * t / 12.0).collect();
        for (seed, rate) in [0.05, 0.15, 0.4, 1.0].into_iter().enumerate() {
            for times in [&even, &uneven] {
                let y = run(rate, seed as u64, times);
                let fit = fit_relaxation(times, &y, 1e-9).unwrap();
                let other = by_levenberg(times, &y, rate);
                assert!((fit.level - other[0]).abs() < 1e-5, "{fit:?} {other:?}");
                assert!(
                    (fit.fall / other[1] - 1.0).abs() < 1e-7,
                    "{fit:?} {other:?}"
                );
                assert!((fit.rate.ln() - other[2]).abs() < 1e-7, "{fit:?} {other:?}");
            }
        }
    }

    #[test]
    fn misra1a_has_its_certified_answer() {
        // NIST StRD nonlinear regression, Misra1a: b1 238.94212918, b2 5.5015643181E-04 for b1·(1 − exp(−b2·x)). Here
        // the level is free, so the same curve through the origin is asked of data that lie on it exactly.
        let t: Vec<f64> = (0..40).map(|n| 20.0 * f64::from(n)).collect();
        let y: Vec<f64> = t
            .iter()
            .map(|t| 238.942_129_18 * (1.0 - (-5.501_564_318_1e-4 * t).exp()))
            .collect();
        let fit = fit_relaxation(&t, &y, 1e-12).unwrap();
        assert!(
            (fit.rate / 5.501_564_318_1e-4 - 1.0).abs() < 1e-6,
            "{fit:?}"
        );
        assert!((fit.level / 238.942_129_18 - 1.0).abs() < 1e-6, "{fit:?}");
        assert!((fit.fall + fit.level).abs() < 1e-4, "{fit:?}");
    }

    #[test]
    fn its_standard_error_is_the_spread_of_its_estimates() {
        let times: Vec<f64> = (0..60).map(|n| f64::from(n) / 5.0).collect();
        let fits: Vec<Relaxation> = (0..400)
            .map(|seed| fit_relaxation(&times, &run(0.3, seed, &times), 1e-8).unwrap())
            .collect();
        let n = fits.len() as f64;
        let mean = fits.iter().map(|fit| fit.rate.ln()).sum::<f64>() / n;
        let sd = (fits
            .iter()
            .map(|fit| (fit.rate.ln() - mean).powi(2))
            .sum::<f64>()
            / n)
            .sqrt();
        let said = fits.iter().map(|fit| fit.ln_rate_se).sum::<f64>() / n;
        assert!((mean - 0.3_f64.ln()).abs() < 0.01, "{mean}");
        assert!((said / sd - 1.0).abs() < 0.12, "{said} {sd}");
    }

    #[test]
    fn what_cannot_be_fitted_is_refused_or_said() {
        assert!(fit_relaxation(&[0.0, 1.0, 2.0], &[1.0, 2.0, 3.0], 1e-8).is_err());
        assert!(fit_relaxation(&[1.0; 5], &[1.0, 2.0, 3.0, 4.0, 5.0], 1e-8).is_err());
        assert!(fit_relaxation(&[0.0, 1.0, 2.0, 3.0], &[1.0, f64::NAN, 3.0, 2.0], 1e-8).is_err());
        let flat = fit_relaxation(&[0.0, 1.0, 2.0, 3.0, 4.0], &[7.0; 5], 1e-8).unwrap();
        assert!(
            flat.fall.abs() < 1e-9 && (flat.level - 7.0).abs() < 1e-9,
            "{flat:?}"
        );
    }
}
