//! The penalised, censored likelihood of a run as residuals whose squares are deviances.
//!
//! Unknowns: ln k, ln end level, ln start, sensor offset; where asked, sensor gain, capacity,
//! free-water ratio and outlet efficiency. Exact sensor values are whitened by a continuous-time
//! AR(1); a bound enters through its log probability. Laboratory values have a constant
//! coefficient of variation plus a level-free part.

use drydown_runs::history::Censor;
use drydown_stats::{normal, robust};

use super::bottom::Says;
use super::curve::{Law, Slopes, Step, path};
use super::mixing::Mixing;
use super::noise::{Noise, whiten, whitened_sum};
use super::paths::Paths;
use super::points::{LabPoint, Points};
use super::rebound::NextStart;
use super::settled::Settled;
use crate::config::RunFitConfig;

/// The smallest and largest rate that the search looks at, 1/h.
pub(super) const RATE_MIN: f64 = 1e-4;
pub(super) const RATE_MAX: f64 = 60.0;

const STANDARD: Prior = Prior { mean: 0.0, sd: 1.0 };
/// What is known of a badly mixed reservoir before its run is fitted.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct MixingPriors {
    /// Logit of the share of the oil that passes the unit.
    pub(super) loop_share_logit: Prior,
    /// Log of the exchange, share of the volume per hour.
    pub(super) ln_exchange: Prior,
    /// What the sensor reads when the unit comes back.
    pub(super) next: Option<NextStart>,
}

/// Without other runs: about two thirds of the oil in the loop (from four to nine tenths), and an exchange of 5 % of the
/// volume an hour, within a factor of about five (common practice, no source).
pub(super) const USUAL_MIXING: MixingPriors = MixingPriors {
    loop_share_logit: Prior { mean: 0.7, sd: 0.8 },
    ln_exchange: Prior {
        mean: -3.0,
        sd: 1.0,
    },
    next: None,
};

/// Share of the gap to saturation that settled water closes an hour: 3 %, within a factor of five; common practice, no source.
pub(super) const USUAL_DISSOLVING: Prior = Prior {
    mean: -3.5,
    sd: 1.0,
};
/// Settled water as a run begins: 150 ppm of the oil, within a factor of ten; common practice, no source.
pub(super) const USUAL_POOL: Prior = Prior { mean: 5.0, sd: 1.4 };

/// Which unknowns a model has beyond the four of every run.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Shape {
    pub(super) capacity: bool,
    pub(super) free_water: bool,
    pub(super) gain: bool,
    pub(super) outlet: bool,
    /// Slopes of the rate with pressure and temperature within the run.
    pub(super) slopes: bool,
    /// An end level that moves along the run.
    pub(super) drift: bool,
    /// Two compartments: share of the loop, and exchange.
    pub(super) mixing: bool,
    /// Settled water: share of the gap that dissolves, and how much there is.
    pub(super) settled: bool,
}

/// Prior law of one unknown: mean and standard deviation on the scale of the unknown.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Prior {
    pub(super) mean: f64,
    pub(super) sd: f64,
}

/// Priors that do not come from the configuration directly.
#[derive(Clone, Copy, Debug)]
pub(super) struct Priors {
    pub(super) ln_end: Prior,
    pub(super) ln_capacity: Prior,
    /// Logit of the outlet's efficiency.
    pub(super) outlet: Prior,
    pub(super) mixing: MixingPriors,
}

/// The unknowns in words.
#[derive(Clone, Copy, Debug)]
pub(super) struct Values {
    pub(super) law: Law,
    pub(super) start_ppm: f64,
    pub(super) offset_ppm: f64,
    pub(super) gain: f64,
    pub(super) outlet_efficiency: f64,
}

/// One model of one run, with the scales of its points as the last round left them.
#[derive(Clone, Debug)]
pub(super) struct Model<'a> {
    pub(super) points: &'a Points,
    pub(super) config: &'a RunFitConfig,
    pub(super) shape: Shape,
    pub(super) priors: Priors,
    pub(super) noise: Noise,
    pub(super) sensor_scale: Vec<f64>,
    pub(super) lab_scale: Vec<f64>,
    /// The same for a sample that lies above the curve: water also comes back after the stop.
    pub(super) lab_scale_above: Vec<f64>,
    /// Prior standard deviation of the sensor's offset, ppm.
    offset_sd_ppm: f64,
    /// Median solubility at the sensor's points, ppm; 0 where not known.
    typical_solubility_ppm: f64,
}

impl<'a> Model<'a> {
    pub(super) fn new(
        points: &'a Points,
        config: &'a RunFitConfig,
        shape: Shape,
        priors: Priors,
    ) -> Self {
        let mut model = Self {
            points,
            config,
            shape,
            priors,
            noise: Noise {
                phi: 0.5,
                sigma: 1.0,
            },
            sensor_scale: Vec::new(),
            lab_scale: Vec::new(),
            lab_scale_above: Vec::new(),
            offset_sd_ppm: offset_sd_ppm(points, config),
            typical_solubility_ppm: typical_solubility_ppm(points),
        };
        let sensor: Vec<f64> = points.sensor.iter().map(|point| point.water_ppm).collect();
        let lab: Vec<f64> = points.lab.iter().map(|point| point.water_ppm).collect();
        let all = || sensor.iter().chain(&lab).copied();
        let fall_ppm = all().fold(0.0, f64::max) - all().fold(f64::INFINITY, f64::min);
        model.set_scales(&sensor, &lab, fall_ppm);
        model
    }

    fn set_scales(&mut self, sensor: &[f64], lab: &[f64], fall_ppm: f64) {
        let config = self.config;
        self.sensor_scale = sensor
            .iter()
            .map(|mean| config.sensor_sd_ppm.hypot(config.sensor_cv * mean))
            .collect();
        self.lab_scale = lab
            .iter()
            .zip(&self.points.lab)
            .map(|(mean, point)| {
                let absolute = config.lab_sd_ppm / mean.max(1.0);
                config.lab_cv.hypot(absolute).hypot(point.extra_log_sd)
            })
            .collect();
        self.lab_scale_above = lab
            .iter()
            .zip(&self.points.lab)
            .zip(&self.lab_scale)
            .map(|((mean, point), scale)| {
                let rise_ppm = self.rise_ppm(point.after_h, fall_ppm);
                scale.hypot((rise_ppm / mean.max(1.0)).ln_1p())
            })
            .collect();
    }

    /// How much water may have come back some hours after the stop, ppm: ingress, and what was not mixed
    /// (the two-compartment law foretells the latter itself).
    fn rise_ppm(&self, after_h: f64, fall_ppm: f64) -> f64 {
        let config = self.config;
        let ingress = config.sample_ingress_ppm_per_day * after_h / 24.0;
        if self.shape.mixing {
            return ingress;
        }
        let mixed = 1.0 - (-after_h / config.sample_mixing_h).exp();
        ingress + config.sample_rise_share * fall_ppm.max(0.0) * mixed
    }

    /// Takes the scales from the fitted means instead of the values.
    pub(super) fn update_scales(&mut self, theta: &[f64]) {
        let values = self.values(theta);
        let mut water = Vec::new();
        path(
            &values.law,
            &self.points.steps,
            values.start_ppm,
            &mut water,
        );
        let sensor: Vec<f64> = self
            .points
            .sensor
            .iter()
            .map(|point| self.sensor_mean(&values, &water, point.node, point.says))
            .collect();
        let lab: Vec<f64> = self
            .points
            .lab
            .iter()
            .map(|point| self.lab_mean(&values, &water, point))
            .collect();
        let end = water.get(self.points.end_node).copied();
        let fall_ppm = values.start_ppm - end.unwrap_or(values.start_ppm);
        self.set_scales(&sensor, &lab, fall_ppm);
    }

    /// Standard deviation of the logarithm of the gain.
    fn gain_sd(&self) -> f64 {
        if self.points.from_activity {
            self.config.activity_gain_sd
        } else {
            self.config.sensor_gain_sd
        }
    }

    pub(super) fn values(&self, theta: &[f64]) -> Values {
        let mut rest = theta.iter().copied().skip(4);
        let mut take = |asked: bool| if asked { rest.next() } else { None };
        let gain = take(self.shape.gain);
        let capacity = take(self.shape.capacity);
        let ratio = take(self.shape.free_water);
        let outlet = take(self.shape.outlet);
        let per_ln_pressure = take(self.shape.slopes);
        let per_inverse_kelvin = take(self.shape.slopes);
        let drift = take(self.shape.drift);
        let loop_share = take(self.shape.mixing);
        let exchange = take(self.shape.mixing);
        let dissolving = take(self.shape.settled);
        let pool = take(self.shape.settled);
        let at = |idx: usize| theta.get(idx).copied().unwrap_or(0.0);
        Values {
            law: Law {
                rate_per_h: at(0).clamp(RATE_MIN.ln(), RATE_MAX.ln()).exp(),
                asymptote_ppm: at(1).clamp(-5.0, 13.0).exp(),
                capacity_ppm_per_h: capacity
                    .map_or(f64::INFINITY, |ln| ln.clamp(-12.0, 16.0).exp()),
                free_ratio: ratio.map_or(1.0, |ln| ln.clamp(-2.0, 4.0).exp()),
                mixing: loop_share.zip(exchange).map(|(logit, ln)| Mixing {
                    loop_share: 1.0 / (1.0 + (-logit).exp()),
                    exchange_per_h: ln.clamp(-12.0, 6.0).exp(),
                }),
                settled: dissolving.zip(pool).map(|(ln_share, ln_pool)| Settled {
                    dissolving_per_h: ln_share.clamp(-12.0, 3.0).exp(),
                    pool_ppm: ln_pool.clamp(-3.0, 12.0).exp(),
                }),
                slopes: Slopes {
                    per_ln_pressure: per_ln_pressure
                        .map_or(0.0, |z| z * self.config.pressure_slope_sd),
                    per_inverse_kelvin: per_inverse_kelvin
                        .map_or(0.0, |z| z * self.config.temperature_slope_sd_k),
                },
                drift: drift.map_or(0.0, |z| {
                    (z * self.config.floor_drift_log_sd).clamp(-4.0, 4.0)
                }),
            },
            start_ppm: at(2).clamp(-3.0, 13.0).exp(),
            offset_ppm: at(3) * self.offset_sd_ppm,
            gain: gain.map_or(1.0, |z| (z * self.gain_sd()).clamp(-2.0, 2.0).exp()),
            outlet_efficiency: outlet.map_or(0.0, |logit| 1.0 / (1.0 + (-logit).exp())),
        }
    }

    /// What the sensor should read.
    pub(super) fn sensor_mean(
        &self,
        values: &Values,
        water: &[f64],
        node: usize,
        says: Says,
    ) -> f64 {
        let content = water.get(node).copied().unwrap_or(values.start_ppm);
        let solubility = self
            .points
            .steps
            .get(node)
            .map_or(f64::INFINITY, |step| step.solubility_ppm);
        // A sensor sees dissolved water only; a bound is about all of it.
        let whole = says == Says::AtTop || !self.shape.free_water || !self.points.dissolved_only;
        let seen = if whole {
            content
        } else {
            content.min(solubility)
        };
        let seen = if self.points.sensor_at_outlet {
            at_outlet(values, self.points.steps.get(node), seen)
        } else {
            seen
        };
        // The zero error of a capacitive sensor is an activity, whether it shows that or ppm: it grows with the
        // solubility as the oil warms, which a constant one would take for drying.
        let offset = if self.typical_solubility_ppm > 0.0 {
            let ratio = solubility / self.typical_solubility_ppm;
            values.offset_ppm * if ratio.is_finite() { ratio } else { 1.0 }
        } else {
            values.offset_ppm
        };
        values.gain * seen + offset
    }

    /// Residuals at the unknowns: sensor, laboratory, priors. `paths` are those of this model's points.
    pub(super) fn residuals(&self, theta: &[f64], paths: &Paths, out: &mut Vec<f64>) {
        out.clear();
        let values = self.values(theta);
        let curve = (&values.law, values.start_ppm);
        paths.with(curve, &self.points.steps, |water| {
            self.push_sensor(&values, water, out);
            self.push_lab(&values, water, out);
            self.push_next(&values, water, out);
        });
        self.push_priors(theta, out);
    }

    fn push_sensor(&self, values: &Values, water: &[f64], out: &mut Vec<f64>) {
        let mut before: Option<(f64, f64)> = None;
        let mut since_bound = 0usize;
        let n = self.points.sensor.len();
        for (idx, (point, scale)) in self
            .points
            .sensor
            .iter()
            .zip(&self.sensor_scale)
            .enumerate()
        {
            let mean = self.sensor_mean(values, water, point.node, point.says);
            let z = (point.water_ppm - mean) / (scale * self.noise.sigma);
            match point.says {
                Says::Level | Says::AtTop => {}
                Says::Over | Says::Under => {
                    out.push(bound_residual(if point.says == Says::Under {
                        z
                    } else {
                        -z
                    }));
                    before = None;
                    continue;
                }
            }
            if point.says == Says::AtTop {
                // Neighbouring bounds say the same thing: the last of a block and every sixth before it count.
                let last = self
                    .points
                    .sensor
                    .get(idx + 1)
                    .is_none_or(|next| next.says != Says::AtTop)
                    || idx + 1 == n;
                out.push(if last || since_bound.is_multiple_of(6) {
                    bound_residual(-z)
                } else {
                    0.0
                });
                since_bound += 1;
                before = None;
                continue;
            }
            since_bound = 0;
            let (innovation, _) =
                whiten(z, before, point.clock_h, self.noise.phi, self.points.bin_h);
            out.push(innovation);
            before = Some((z, point.clock_h));
        }
    }

    pub(super) fn push_lab(&self, values: &Values, water: &[f64], out: &mut Vec<f64>) {
        for (idx, point) in self.points.lab.iter().enumerate() {
            let Some(z) = self.lab_z(values, water, idx) else {
                continue;
            };
            out.push(match point.censor {
                Censor::Exact => z,
                Censor::Below => bound_residual(z),
                Censor::Above => bound_residual(-z),
            });
        }
    }

    /// Log of the laboratory value number `idx` over the curve, in standard deviations.
    pub(super) fn lab_z(&self, values: &Values, water: &[f64], idx: usize) -> Option<f64> {
        let point = self.points.lab.get(idx)?;
        let mean = self.lab_mean(values, water, point).max(1e-6);
        let log = (point.water_ppm / mean).ln();
        // After the stop water comes back and none leaves: only a value below the curve speaks plainly.
        let scales = if log > 0.0 {
            &self.lab_scale_above
        } else {
            &self.lab_scale
        };
        scales.get(idx).map(|scale| log / scale)
    }

    pub(super) fn lab_mean(&self, values: &Values, water: &[f64], point: &LabPoint) -> f64 {
        let content = water.get(point.node).copied().unwrap_or(values.start_ppm);
        if point.outlet {
            at_outlet(values, self.points.steps.get(point.node), content)
        } else {
            content
        }
    }

    pub(super) fn push_priors(&self, theta: &[f64], out: &mut Vec<f64>) {
        let at = |idx: usize| theta.get(idx).copied().unwrap_or(0.0);
        let toward = |value: f64, prior: Prior| (value - prior.mean) / prior.sd;
        out.push(toward(at(1), self.priors.ln_end));
        out.push(at(3));
        let mut next = 4;
        for (asked, prior) in [
            (self.shape.gain, STANDARD),
            (self.shape.capacity, self.priors.ln_capacity),
            // Free water leaves faster than dissolved water: more than 90 % a pass is common practice, no source.
            (self.shape.free_water, Prior { mean: 0.5, sd: 0.5 }),
            (self.shape.outlet, self.priors.outlet),
            (self.shape.slopes, STANDARD),
            (self.shape.slopes, STANDARD),
            (self.shape.drift, STANDARD),
            (self.shape.mixing, self.priors.mixing.loop_share_logit),
            (self.shape.mixing, self.priors.mixing.ln_exchange),
            (self.shape.settled, USUAL_DISSOLVING),
            (self.shape.settled, USUAL_POOL),
        ] {
            if asked {
                out.push(toward(at(next), prior));
                next += 1;
            }
        }
    }

    /// Minus twice the penalised log-likelihood at the unknowns and this model's noise, up to a constant of the data.
    pub(super) fn deviance(&self, theta: &[f64]) -> f64 {
        let mut residuals = Vec::new();
        self.residuals(theta, &Paths::default(), &mut residuals);
        let sum: f64 = residuals.iter().map(|value| value * value).sum();
        let blocks = self.sensor_z(theta);
        let n: usize = blocks.iter().map(Vec::len).sum();
        let (_, log_det) = whitened_sum(&blocks, self.noise.phi, self.points.bin_h);
        sum + 2.0 * n as f64 * self.noise.sigma.ln()
            + log_det
            + 2.0
                * self
                    .sensor_scale
                    .iter()
                    .map(|scale| scale.ln())
                    .sum::<f64>()
            + 2.0 * self.lab_scale.iter().map(|scale| scale.ln()).sum::<f64>()
    }
}

/// The zero error of a capacitive sensor is an activity, worth more ppm the more water the oil can hold.
fn offset_sd_ppm(points: &Points, config: &RunFitConfig) -> f64 {
    config
        .sensor_offset_sd_ppm
        .hypot(config.sensor_offset_activity_sd * typical_solubility_ppm(points))
}

fn typical_solubility_ppm(points: &Points) -> f64 {
    let known: Vec<f64> = points
        .sensor
        .iter()
        .filter_map(|point| points.steps.get(point.node))
        .map(|step| step.solubility_ppm)
        .filter(|ppm| ppm.is_finite())
        .collect();
    robust::median(&known).unwrap_or(0.0)
}

/// Water in the stream that leaves the unit: removal per pass moves with flow, temperature and pressure as the rate does.
pub(super) fn at_outlet(values: &Values, step: Option<&Step>, content_ppm: f64) -> f64 {
    const MOST: f64 = 0.995;
    let floor = step.map_or(values.law.asymptote_ppm, |step| {
        values.law.asymptote_at(step)
    });
    let now = step.map_or(1.0, |step| step.per_pass_under(values.law.slopes));
    let share = (values.outlet_efficiency * if now > 0.0 { now } else { 1.0 }).min(MOST);
    floor + (1.0 - share) * (content_ppm - floor)
}

/// The residual whose square is the deviance of "the standard normal lies below z", with a sign that keeps it smooth.
fn bound_residual(z: f64) -> f64 {
    -(-2.0 * normal::ln_cdf(z)).max(0.0).sqrt()
}
