//! Size and memory of a sensor's errors around a fitted curve.

use drydown_stats::optimise;

use super::curve::path;
use super::model::Model;
use super::solve;

/// Errors that remember more than this from bin to bin are a drift, which no run of this length can tell from its curve.
const PHI_MAX: f64 = 0.985;
/// Least multiplier of a sensor's own scale: its resolution.
const SIGMA_MIN: f64 = 0.05;

/// Size and memory of the sensor's errors.
#[derive(Clone, Copy, Debug)]
pub(super) struct Noise {
    /// Correlation from one bin to the next.
    pub(super) phi: f64,
    /// Multiplier of each point's own scale.
    pub(super) sigma: f64,
}

impl Model<'_> {
    /// Standardised sensor residuals with their clock, exact values only; a break where a bound lies between.
    pub(super) fn sensor_z(&self, theta: &[f64]) -> Vec<Vec<(f64, f64)>> {
        let values = self.values(theta);
        let mut water = Vec::new();
        path(
            &values.law,
            &self.points.steps,
            values.start_ppm,
            &mut water,
        );
        let mut blocks: Vec<Vec<(f64, f64)>> = vec![Vec::new()];
        for (point, scale) in self.points.sensor.iter().zip(&self.sensor_scale) {
            if !point.says.is_level() {
                blocks.push(Vec::new());
            } else if let Some(block) = blocks.last_mut() {
                let mean = self.sensor_mean(&values, &water, point.node, point.says);
                block.push(((point.water_ppm - mean) / scale, point.clock_h));
            }
        }
        blocks.retain(|block| !block.is_empty());
        blocks
    }

    /// Mean square of the sensor's standardised residuals, and how many there are; None without any.
    pub(super) fn misfit(&self, theta: &[f64]) -> Option<(f64, f64)> {
        let blocks = self.sensor_z(theta);
        let count = blocks.iter().map(Vec::len).sum::<usize>() as f64;
        let sum: f64 = blocks.iter().flatten().map(|(z, _)| z * z).sum();
        (count > 0.0).then(|| (sum / count, count))
    }

    /// Size and memory of the errors given the unknowns, by maximum likelihood: for comparing models.
    pub(super) fn fit_noise(&self, theta: &[f64]) -> Noise {
        let blocks = self.sensor_z(theta);
        let count = blocks.iter().map(Vec::len).sum::<usize>() as f64;
        if count < 4.0 {
            return self.noise;
        }
        let deviance = |phi: f64| {
            let (sum, log_det) = whitened_sum(&blocks, phi, self.points.bin_h);
            count * (sum / count).max(1e-12).ln() + log_det
        };
        let (phi, _) = optimise::brent_minimum(deviance, 0.0, PHI_MAX, 1e-4);
        let sum = whitened_sum(&blocks, phi, self.points.bin_h).0;
        Noise {
            phi,
            sigma: (sum / count).sqrt().max(SIGMA_MIN),
        }
    }

    /// The same by restricted likelihood, for intervals: the fitted curve takes part of the errors' memory with it, and
    /// plain maximum likelihood would not notice (Patterson & Thompson 1971, on the curve's tangent).
    ///
    /// Also gives by how much the variance of ln k grows, a factor of 1 and up, because the memory is itself uncertain:
    /// the mean of that variance over the memory's law, over its value at the estimate.
    pub(super) fn fit_noise_restricted(&self, theta: &[f64]) -> (Noise, f64) {
        let blocks = self.sensor_z(theta);
        let count = blocks.iter().map(Vec::len).sum::<usize>() as f64;
        if count < 6.0 {
            return (self.noise, 1.0);
        }
        let tangent = Tangent {
            slopes: self.sensor_slopes(theta, &blocks),
            beside: self.information_beside_sensor(theta),
            blocks,
            bin_h: self.points.bin_h,
            // Rate, end level and start are what the sensor alone can tell.
            left: count - 3.0,
        };
        let (phi, best) =
            optimise::brent_minimum(|phi| tangent.at(phi).deviance, 0.0, PHI_MAX, 1e-3);
        let here = tangent.at(phi);
        let (mut mean, mut total) = (0.0, 0.0);
        for step in 0..24 {
            let at = tangent.at(PHI_MAX * (f64::from(step) + 0.5) / 24.0);
            let weight = (-0.5 * (at.deviance - best)).exp();
            if let Some(variance) = at.ln_rate_variance {
                (mean, total) = (mean + weight * variance, total + weight);
            }
        }
        let growth = here
            .ln_rate_variance
            .map_or(1.0, |variance| mean / total / variance);
        let growth = if growth.is_finite() {
            growth.clamp(1.0, 6.0)
        } else {
            1.0
        };
        (
            Noise {
                phi,
                sigma: here.sigma,
            },
            growth,
        )
    }

    /// Slope of each sensor residual along each unknown, in the blocks' own form.
    fn sensor_slopes(&self, theta: &[f64], at: &[Vec<(f64, f64)>]) -> Vec<Vec<Vec<(f64, f64)>>> {
        const H: f64 = 1e-6;
        (0..theta.len())
            .map(|idx| {
                let mut moved = theta.to_vec();
                if let Some(cell) = moved.get_mut(idx) {
                    *cell += H;
                }
                let mut blocks = self.sensor_z(&moved);
                for (block, base) in blocks.iter_mut().zip(at) {
                    for (value, (z, _)) in block.iter_mut().zip(base) {
                        value.0 = (value.0 - z) / H;
                    }
                }
                blocks
            })
            .collect()
    }

    /// What samples and priors tell of the unknowns: JᵀJ of their residuals.
    fn information_beside_sensor(&self, theta: &[f64]) -> Vec<Vec<f64>> {
        const H: f64 = 1e-6;
        let beside = |theta: &[f64]| {
            let values = self.values(theta);
            let mut water = Vec::with_capacity(self.points.steps.len());
            path(
                &values.law,
                &self.points.steps,
                values.start_ppm,
                &mut water,
            );
            let mut out = Vec::new();
            self.push_lab(&values, &water, &mut out);
            self.push_next(&values, &water, &mut out);
            self.push_priors(theta, &mut out);
            out
        };
        let base = beside(theta);
        let columns: Vec<Vec<f64>> = (0..theta.len())
            .map(|idx| {
                let mut moved = theta.to_vec();
                if let Some(cell) = moved.get_mut(idx) {
                    *cell += H;
                }
                beside(&moved)
                    .iter()
                    .zip(&base)
                    .map(|(a, b)| (a - b) / H)
                    .collect()
            })
            .collect();
        solve::gram(&columns)
    }
}

/// The innovation of a standardised residual after the one before it, and its variance as a share.
pub(super) fn whiten(
    z: f64,
    before: Option<(f64, f64)>,
    clock_h: f64,
    phi: f64,
    bin_h: f64,
) -> (f64, f64) {
    match before {
        Some((z_before, clock_before)) if phi > 0.0 => {
            let bins = (clock_h - clock_before) / bin_h;
            // Most steps are one bin wide to a hair: no power to take.
            let memory = if (bins - 1.0).abs() < 0.02 {
                phi
            } else {
                phi.powf(bins.max(0.05))
            };
            let share = 1.0 - memory * memory;
            ((z - memory * z_before) / share.sqrt(), share)
        }
        _ => (z, 1.0),
    }
}

/// Sum of squared innovations, and the log of the determinant of the correlation.
pub(super) fn whitened_sum(blocks: &[Vec<(f64, f64)>], phi: f64, bin_h: f64) -> (f64, f64) {
    let (mut sum, mut log_det) = (0.0, 0.0);
    for block in blocks {
        let mut before = None;
        for (z, clock_h) in block {
            let (innovation, share) = whiten(*z, before, *clock_h, phi, bin_h);
            sum += innovation * innovation;
            log_det += share.ln();
            before = Some((*z, *clock_h));
        }
    }
    (sum, log_det)
}

/// The values of a block structure after whitening, in one row.
fn whitened_values(blocks: &[Vec<(f64, f64)>], phi: f64, bin_h: f64) -> Vec<f64> {
    let mut out = Vec::new();
    for block in blocks {
        let mut before = None;
        for (z, clock_h) in block {
            out.push(whiten(*z, before, *clock_h, phi, bin_h).0);
            before = Some((*z, *clock_h));
        }
    }
    out
}

/// The likelihood of the errors' memory on the tangent of the fitted curve.
struct Tangent {
    blocks: Vec<Vec<(f64, f64)>>,
    slopes: Vec<Vec<Vec<(f64, f64)>>>,
    beside: Vec<Vec<f64>>,
    bin_h: f64,
    left: f64,
}

/// What the tangent says at one memory.
struct TangentAt {
    /// Minus twice the restricted log-likelihood.
    deviance: f64,
    sigma: f64,
    ln_rate_variance: Option<f64>,
}

impl Tangent {
    fn at(&self, phi: f64) -> TangentAt {
        let (sum, log_det) = whitened_sum(&self.blocks, phi, self.bin_h);
        let variance = (sum / self.left).max(SIGMA_MIN * SIGMA_MIN);
        let whitened: Vec<Vec<f64>> = self
            .slopes
            .iter()
            .map(|column| whitened_values(column, phi, self.bin_h))
            .collect();
        let mut information = solve::gram(&whitened);
        for (row, extra) in information.iter_mut().zip(&self.beside) {
            row.iter_mut()
                .zip(extra)
                .for_each(|(cell, extra)| *cell += variance * extra);
        }
        let log_information = solve::log_determinant(&information).unwrap_or(0.0);
        TangentAt {
            deviance: self.left * variance.ln() + log_det + log_information,
            sigma: variance.sqrt(),
            ln_rate_variance: solve::inverse_diagonal(&information, 0).map(|cell| cell * variance),
        }
    }
}
