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
    /// Stated volume of the reservoir, L.
    volume_l: Option<f64>,
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
            volume_l: input
                .reservoir
                .and_then(|reservoir| reservoir.volume_l)
                .filter(|volume| *volume > 0.0),
            flow_exponent: config.flow_exponent,
            temperature_slope_k: config.temperature_slope_k,
        }
    }

    /// Gives each step the solubility at the reservoir's own temperature: it begins as the first oil did that arrived,
    /// and is warmed by what comes back (heat balance of a stirred tank, losses left out). Where flow or volume is not
    /// known the unit's temperature stands for it.
    pub(super) fn warm_reservoir(&self, steps: &mut [Step]) {
        let (Some(volume_l), Some(flow_lpm), Some(mean_degc), Some(first_degc)) = (
            self.volume_l,
            self.flow_lpm,
            self.oil_degc,
            self.series.iter().find_map(|point| point.oil_degc),
        ) else {
            return;
        };
        let mut degc = first_degc;
        for step in steps {
            let arriving = 1.0 / (1.0 / (mean_degc + KELVIN) + step.inverse_kelvin) - KELVIN;
            if step.factor > 0.0 {
                let turnovers = step.hours * step.flow_ratio * flow_lpm * 60.0 / volume_l;
                degc += (arriving - degc) * (1.0 - (-turnovers).exp());
            }
            if let Some(ppm) = super::solubility_ppm(self.oil, degc) {
                step.tank_solubility_ppm = ppm;
            }
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
            tank_solubility_ppm: solubility_ppm,
            ln_pressure,
            inverse_kelvin,
            to_go: 0.0,
        }
    }
}

/// Whether pressure or temperature moved so much within the run that the rate's own slopes matter.
pub(super) fn conditions_moved(points: &super::points::Points, config: &RunFitConfig) -> bool {
    const LEAST: f64 = 0.05;
    let working = || {
        points
            .steps
            .iter()
            .filter(|step| step.hours * step.factor > 0.0)
    };
    let total: f64 = working().map(|step| step.hours).sum();
    let spread = |of: fn(&Step) -> f64| {
        let mean = working().map(|step| step.hours * of(step)).sum::<f64>() / total;
        let square = working()
            .map(|step| step.hours * (of(step) - mean).powi(2))
            .sum::<f64>();
        (square / total).sqrt()
    };
    config.pressure_slope_sd * spread(|step| step.ln_pressure) > LEAST
        || config.temperature_slope_sd_k * spread(|step| step.inverse_kelvin) > LEAST
}
