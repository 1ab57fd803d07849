//! What each step of a run's clock was like: flow and temperature as a factor on the rate, and solubility.

use drydown_quantity::Stamp;
use drydown_runs::history::Oil;
use drydown_runs::{Phase, SeriesPoint};
use drydown_stats::robust;

use super::RunInput;
use super::curve::Step;
use crate::config::RunFitConfig;

const KELVIN: f64 = 273.15;

/// Flow, temperature and solubility along a run.
pub(super) struct Conditions<'a> {
    series: &'a [SeriesPoint],
    oil: Option<&'a Oil>,
    flow_lpm: Option<f64>,
    oil_degc: Option<f64>,
    /// Mean log of the chamber's pressure while drying, kPa.
    ln_kpa: Option<f64>,
    flow_exponent: f64,
    temperature_slope_k: f64,
}

impl<'a> Conditions<'a> {
    pub(super) fn of(input: &RunInput<'a>, config: &RunFitConfig) -> Self {
        let drying = |of: fn(&SeriesPoint) -> Option<f64>| {
            let values: Vec<f64> = input
                .series
                .iter()
                .filter(|p| p.phase == Phase::Drying)
                .filter_map(of)
                .collect();
            robust::mean(&values)
        };
        Self {
            series: input.series,
            oil: input.oil,
            flow_lpm: input.run.flow_lpm.or_else(|| drying(|p| p.flow_lpm)),
            oil_degc: input.run.oil_degc.or_else(|| drying(|p| p.oil_degc)),
            ln_kpa: drying(|p| p.chamber_kpa.filter(|kpa| *kpa > 0.0).map(f64::ln)),
            flow_exponent: config.flow_exponent,
            temperature_slope_k: config.temperature_slope_k,
        }
    }

    /// The step that ends at a time: conditions of the bin at or after it.
    pub(super) fn step(&self, at: Stamp, hours: f64) -> Step {
        let idx = self.series.partition_point(|point| point.at < at);
        let Some(point) = self.series.get(idx).or_else(|| self.series.last()) else {
            return Step::of_hours(hours);
        };
        let flow_ratio = match (point.flow_lpm, self.flow_lpm) {
            (Some(flow), Some(mean)) if mean > 0.0 => flow / mean,
            _ if point.phase == Phase::PumpDown => 0.0,
            _ => 1.0,
        };
        let flows = flow_ratio >= 0.05;
        let by_flow = if flows {
            flow_ratio.powf(self.flow_exponent)
        } else {
            0.0
        };
        let inverse_kelvin = match (point.oil_degc, self.oil_degc) {
            (Some(now), Some(mean)) => 1.0 / (now + KELVIN) - 1.0 / (mean + KELVIN),
            _ => 0.0,
        };
        let by_temperature = (-self.temperature_slope_k * inverse_kelvin).exp();
        let ln_pressure = match (point.chamber_kpa, self.ln_kpa) {
            (Some(now), Some(mean)) if now > 0.0 => now.ln() - mean,
            _ => 0.0,
        };
        let solubility_ppm = point
            .oil_degc
            .or(self.oil_degc)
            .and_then(|degc| super::solubility_ppm(self.oil, degc))
            .unwrap_or(f64::INFINITY);
        Step {
            hours,
            idle_hours: 0.0,
            factor: by_flow * by_temperature,
            flow_ratio: if flows { flow_ratio } else { 1.0 },
            solubility_ppm,
            ln_pressure,
            inverse_kelvin,
            to_go: 0.0,
        }
    }
}
