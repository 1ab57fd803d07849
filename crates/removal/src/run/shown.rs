//! A run's fitted curve over its data, with residuals: for people to look at.
//!
//! A row of `removal_runs` holds the rate and the law, but not the sensor's offset, the rate's slopes or the errors'
//! memory. They are found again here from the same data, the rate held at the row's: the curve is the one behind the row.

use drydown_quantity::Stamp;
use drydown_runs::history::Censor;

use super::RunInput;
use super::bottom::Says;
use super::checks::{ResidualChecks, check_residuals};
use super::convert::to_regime;
use super::curve::path;
use super::fit::{
    Fit, fit_settled, fit_two_compartments, fit_well_mixed, hold_rate, settle_errors,
};
use super::model::{USUAL_MIXING, Values};
use super::noise::{Noise, whiten};
use super::paper::holds_paper;
use super::points::{Points, to_points};
use super::status::{check_before, end_ppm};
use super::{free_water_at_start, priors};
use crate::config::RunFitConfig;
use crate::rows::{Regime, RemovalRun};

/// What a value was to the fit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Use {
    /// A level: it has a residual.
    Level,
    /// A lower bound: a saturated sensor, or a sample above the method's range.
    AtLeast,
    /// An upper bound: a sample below the method's range.
    AtMost,
    /// One of an hour of bins near a sensor's zero, whose middle told only on which side of it the oil lay.
    Side,
    /// It did not speak, and why.
    LeftOut(&'static str),
}

/// A run's data and the curve fitted to them.
#[derive(Clone, Debug, PartialEq)]
pub struct RunCurve {
    /// Every bin of the run's series, in its order.
    pub readings: Vec<CurveReading>,
    /// Every sample that was handed in, in its order.
    pub samples: Vec<CurveSample>,
    /// None where the run had nothing to fit (the row's `evidence` says why).
    pub fit: Option<CurveFit>,
}

/// One bin, and the curve there. Curve values are None without a fit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CurveReading {
    pub at: Stamp,
    /// Hours since the run's start on the wall clock.
    pub hours: f64,
    /// What the sensor read, ppm; the same as percent relative saturation where ppm came from activity and the oil's
    /// solubility is known.
    pub measured_ppm: Option<f64>,
    pub measured_rs_pct: Option<f64>,
    pub used: Use,
    /// What the sensor should have read: the curve under the sensor's own offset (and gain, and place in the unit's
    /// outlet), ppm and percent relative saturation.
    pub sensor_ppm: Option<f64>,
    pub sensor_rs_pct: Option<f64>,
    /// Water in the oil that the unit draws, all of it and the dissolved part, ppm.
    pub water_ppm: Option<f64>,
    pub dissolved_ppm: Option<f64>,
    /// Solubility at the bin's oil temperature, ppm.
    pub solubility_ppm: Option<f64>,
}

/// One sample, and the curve at its time.
#[derive(Clone, Debug, PartialEq)]
pub struct CurveSample {
    pub lab: String,
    pub sample_id: String,
    pub measured_ppm: Option<f64>,
    pub used: Use,
    /// When it spoke (a sample from before the run speaks for its start); None where it was left out.
    pub at: Option<Stamp>,
    /// The curve there (at the unit's outlet for a sample from there), ppm.
    pub water_ppm: Option<f64>,
    /// Log of measured over curve in standard deviations of a laboratory value there; None for a bound.
    pub standardised: Option<f64>,
}

/// The law behind the curve, and what it left over.
#[derive(Clone, Debug, PartialEq)]
pub struct CurveFit {
    pub regime: Regime,
    pub removal_rate_per_h: f64,
    /// Level that the curve tends to at the run's end, ppm.
    pub end_level_ppm: f64,
    /// Largest fall that the law allows, ppm/h; None where nothing caps it.
    pub capacity_ppm_per_h: Option<f64>,
    pub start_ppm: f64,
    pub end_ppm: f64,
    /// The sensor's offset at the run's middling solubility, ppm, and its gain.
    pub sensor_offset_ppm: f64,
    pub sensor_gain: f64,
    /// Standard deviation of the sensor's errors over what is taken for usual, and their correlation from one point to
    /// the next.
    pub sensor_sd_ratio: f64,
    pub residual_phi: f64,
    /// Levels of the sensor as the fit used them (means of several bins in a long run), in time order.
    pub residuals: Vec<CurveResidual>,
    /// None where there are too few residuals to check.
    pub checks: Option<ResidualChecks>,
    /// The row's start or end is not the curve's: the row was made of other data or settings.
    pub differs_from_row: bool,
}

/// One level of the sensor against the curve.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CurveResidual {
    pub at: Stamp,
    pub measured_ppm: f64,
    pub sensor_ppm: f64,
    /// Measured less curve over the standard deviation of the sensor's errors: about standard normal, and correlated.
    pub standardised: f64,
    /// The part of it that the one before did not foretell, over its own standard deviation: standard normal and
    /// independent if the model holds.
    pub innovation: f64,
}

/// The curve behind a row of `removal_runs`, at the times of the run's bins and samples, with residuals and their checks.
///
/// `row` is the stored row of the same run; its rate and law are taken, everything else is fitted again from `input`
/// under `config` (some milliseconds a run). Where the row tells no rate, the curve is the one that was found wanting. For a badly
/// mixed reservoir, share and exchange come from this run alone; the stored row had the other runs' word for them, so
/// that start and end may differ by a few percent.
#[must_use]
pub fn run_curve(input: &RunInput<'_>, row: &RemovalRun, config: &RunFitConfig) -> RunCurve {
    let points = to_points(input, config);
    let unfit = check_before(input, &points).is_some();
    let fit = (!unfit).then(|| fit_again(input, &points, row, config));
    let water = fit.as_ref().map(|fit| {
        let values = fit.model.values(&fit.theta);
        let mut water = Vec::new();
        path(&values.law, &points.steps, values.start_ppm, &mut water);
        (values, water)
    });
    let at_curve = water
        .as_ref()
        .zip(fit.as_ref())
        .map(|((values, water), fit)| AtCurve { fit, values, water });
    RunCurve {
        readings: readings(input, &points, at_curve),
        samples: samples(input, &points, at_curve),
        fit: at_curve.map(|curve| to_fit(input, row, curve)),
    }
}

/// A fit with its path at every node.
#[derive(Clone, Copy)]
struct AtCurve<'a> {
    fit: &'a Fit<'a>,
    values: &'a Values,
    water: &'a [f64],
}

/// The fit of the row's law with the row's rate.
fn fit_again<'a>(
    input: &RunInput<'_>,
    points: &'a Points,
    row: &RemovalRun,
    config: &'a RunFitConfig,
) -> Fit<'a> {
    let free_water = free_water_at_start(points);
    let mut fit = fit_well_mixed(points, priors(input, config), free_water, config);
    if row.regime == Some(Regime::TwoCompartments) {
        fit = fit_two_compartments(&fit, USUAL_MIXING);
    }
    if row.regime == Some(Regime::FreeWater) {
        // Free water in the oil, or at the bottom: where the run began with both, the better of the two curves.
        let settled = fit_settled(&fit);
        if !free_water || settled.deviance < fit.deviance {
            fit = settled;
        }
    }
    settle_errors(&mut fit);
    // Over paper the curve falls faster than the unit dries.
    let held = row.removal_rate_per_h.filter(|_| !holds_paper(input));
    if let Some(rate) = held.filter(|rate| *rate > 0.0) {
        hold_rate(&mut fit, rate);
    }
    fit
}

fn readings(
    input: &RunInput<'_>,
    points: &Points,
    curve: Option<AtCurve<'_>>,
) -> Vec<CurveReading> {
    input
        .series
        .iter()
        .enumerate()
        .map(|(idx, bin)| {
            let node = points.bin_nodes.get(idx).copied().unwrap_or(0);
            let solubility_ppm = points
                .steps
                .get(node)
                .map(|step| step.solubility_ppm)
                .filter(|ppm| ppm.is_finite());
            let to_rs_pct = |ppm: Option<f64>| {
                let share = ppm? / solubility_ppm.filter(|_| bin.from_activity)?;
                Some(100.0 * share)
            };
            let water_ppm = curve.and_then(|curve| curve.water.get(node).copied());
            let sensor_ppm = curve.map(|curve| {
                let model = &curve.fit.model;
                model.sensor_mean(curve.values, curve.water, node, Says::Level)
            });
            CurveReading {
                at: bin.at,
                hours: bin.at.hours_after(input.run.started_at),
                measured_ppm: bin.water_ppm,
                measured_rs_pct: to_rs_pct(bin.water_ppm),
                used: use_of_bin(points, idx, bin.at, bin.water_censor),
                sensor_ppm,
                sensor_rs_pct: to_rs_pct(sensor_ppm),
                water_ppm,
                dissolved_ppm: water_ppm
                    .map(|ppm| solubility_ppm.map_or(ppm, |most| ppm.min(most))),
                solubility_ppm,
            }
        })
        .collect()
}

fn use_of_bin(points: &Points, idx: usize, at: Stamp, censor: Option<Censor>) -> Use {
    match points.bins_why_not.get(idx).copied().flatten() {
        Some(why) => Use::LeftOut(why),
        None if points.sides_from.is_some_and(|from| at >= from) => Use::Side,
        None if censor == Some(Censor::Above) => Use::AtLeast,
        None => Use::Level,
    }
}

fn samples(input: &RunInput<'_>, points: &Points, curve: Option<AtCurve<'_>>) -> Vec<CurveSample> {
    input
        .samples
        .iter()
        .enumerate()
        .map(|(idx, sample)| {
            let point = points.lab.iter().position(|point| point.idx == idx);
            let lab = point.and_then(|place| points.lab.get(place));
            let used = match (points.samples_why_not.get(idx).copied().flatten(), lab) {
                (Some(why), _) => Use::LeftOut(why),
                (None, Some(lab)) => match lab.censor {
                    Censor::Exact => Use::Level,
                    Censor::Below => Use::AtMost,
                    Censor::Above => Use::AtLeast,
                },
                (None, None) => Use::LeftOut("sample without a water value"),
            };
            CurveSample {
                lab: sample.lab.to_string(),
                sample_id: sample.sample_id.to_string(),
                measured_ppm: sample.water_ppm,
                used,
                at: lab.map(|lab| lab.at),
                water_ppm: lab
                    .zip(curve)
                    .map(|(lab, curve)| curve.fit.model.lab_mean(curve.values, curve.water, lab)),
                standardised: point.zip(curve).filter(|_| used == Use::Level).and_then(
                    |(place, curve)| {
                        let model = &curve.fit.model;
                        model.lab_z(curve.values, curve.water, place)
                    },
                ),
            }
        })
        .collect()
}

fn to_fit(input: &RunInput<'_>, row: &RemovalRun, curve: AtCurve<'_>) -> CurveFit {
    let (fit, values) = (curve.fit, curve.values);
    let residuals = residuals(input, curve);
    let innovations: Vec<f64> = residuals.iter().map(|one| one.innovation).collect();
    let end_ppm = end_ppm(fit);
    let tolerance = if values.law.mixing.is_some() {
        0.10
    } else {
        0.01
    };
    let away = |stored: Option<f64>, ppm: f64| {
        stored.is_none_or(|stored| (stored - ppm).abs() > 0.5 + tolerance * stored.abs())
    };
    CurveFit {
        regime: to_regime(fit),
        removal_rate_per_h: values.law.rate_per_h,
        end_level_ppm: values.law.asymptote_ppm,
        capacity_ppm_per_h: Some(values.law.capacity_ppm_per_h).filter(|ppm| ppm.is_finite()),
        start_ppm: values.start_ppm,
        end_ppm,
        sensor_offset_ppm: values.offset_ppm,
        sensor_gain: values.gain,
        sensor_sd_ratio: fit.model.noise.sigma,
        residual_phi: fit.model.noise.phi,
        checks: check_residuals(&innovations),
        residuals,
        differs_from_row: away(row.start_ppm, values.start_ppm) || away(row.end_ppm, end_ppm),
    }
}

fn residuals(input: &RunInput<'_>, curve: AtCurve<'_>) -> Vec<CurveResidual> {
    let model = &curve.fit.model;
    let points = model.points;
    // Restricted likelihood overstates the memory of these very residuals (it allows for what the curve took with it);
    // to look white they need the memory that they have.
    let Noise { phi, sigma } = model.fit_noise(&curve.fit.theta);
    let mut before: Option<(f64, f64)> = None;
    let mut out = Vec::new();
    for (point, scale) in points.sensor.iter().zip(&model.sensor_scale) {
        if !point.says.is_level() {
            before = None;
            continue;
        }
        let sensor_ppm = model.sensor_mean(curve.values, curve.water, point.node, point.says);
        let standardised = (point.water_ppm - sensor_ppm) / (scale * sigma);
        let (innovation, _) = whiten(standardised, before, point.clock_h, phi, points.bin_h);
        before = Some((standardised, point.clock_h));
        out.push(CurveResidual {
            at: input.run.started_at.plus_hours(point.clock_h),
            measured_ppm: point.water_ppm,
            sensor_ppm,
            standardised,
            innovation,
        });
    }
    out
}
