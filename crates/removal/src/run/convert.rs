//! From a fitted run to its row: dried flow, capacity, what limits it, and the sentence of evidence.

use std::fmt::Write as _;

use super::fit::Fit;
use super::floor::{Floor, told_floor};
use super::points::Points;
use super::status::end_ppm;
use super::{RunInput, Verdict};
use crate::config::RunFitConfig;
use crate::rows::{LimitedBy, Regime, RemovalRun, RunStatus};
use drydown_physics::steam::latent_kj_per_kg;
use drydown_physics::vacuum::pump_water_kg_per_h;

/// Gas at the vacuum pump's inlet, °C: behind the condenser (common practice, no source).
const GAS_DEGC: f64 = 40.0;

/// The row of a run that could not be fitted.
pub(super) fn without_fit(
    input: &RunInput<'_>,
    points: &Points,
    status: RunStatus,
    why: &str,
) -> RemovalRun {
    RemovalRun {
        run_id: input.run.run_id.clone(),
        unit_id: input.run.unit_id.clone(),
        oil_type: input.run.oil_type.clone(),
        reservoir_id: input.run.reservoir_id.clone(),
        removal_rate_per_h: None,
        removal_rate_se: None,
        removal_rate_lower_90: None,
        removal_rate_upper_90: None,
        dried_flow_lpm: None,
        removal_per_pass: None,
        floor_ppm: None,
        floor_lower_90: None,
        floor_upper_90: None,
        capacity_kg_per_h: None,
        limited_by: None,
        regime: None,
        status,
        start_ppm: None,
        end_ppm: None,
        n_used: to_count(points.n_used()),
        n_points: to_count(points.n_bins + points.n_samples),
        residual_phi: None,
        evidence: sentence(points, why),
    }
}

/// The row of a fitted run. Rate, dried flow and removal per pass stay empty where the status says there is none.
///
/// Removal per pass is given only up to 1: above it, volume or flow is wrong or the oil mixes badly, and the sentence says so.
/// The dried flow stands either way and is what the fleet pools.
pub(super) fn to_row(
    input: &RunInput<'_>,
    points: &Points,
    fit: &Fit<'_>,
    verdict: &Verdict,
    config: &RunFitConfig,
) -> RemovalRun {
    let mut row = without_fit(input, points, verdict.status, "");
    let values = fit.model.values(&fit.theta);
    let rate = values.law.rate_per_h;
    row.start_ppm = finite(values.start_ppm);
    row.end_ppm = finite(end_ppm(fit));
    row.residual_phi = (!points.sensor.is_empty()).then_some(fit.phi);
    let mut notes = vec![verdict.why.clone()];
    let has_ends = matches!(verdict.status, RunStatus::Identified | RunStatus::OneSided);
    notes.extend(mixing_note(fit).filter(|_| has_ends));
    notes.extend(settled_note(fit).filter(|_| has_ends));
    notes.extend(
        super::status::doubt(fit)
            .map(Into::into)
            .filter(|_| has_ends),
    );
    if has_ends {
        row.regime = Some(to_regime(fit));
        row.removal_rate_lower_90 = fit.ln_rate_lower.map(f64::exp);
        row.removal_rate_upper_90 = fit.ln_rate_upper.map(f64::exp);
        row.capacity_kg_per_h = capacity_kg_per_h(input, values.law.capacity_ppm_per_h, config);
        row.limited_by = to_limit(input, &row);
    }
    if has_ends && row.regime != Some(Regime::Capacity) {
        row.removal_rate_per_h = finite(rate);
        row.removal_rate_se = fit.ln_rate_se.and_then(|se| finite(se * rate));
        let floor = told_floor(input, fit, config);
        row.floor_ppm = floor.map(|floor| floor.ppm);
        row.floor_lower_90 = floor.map(|floor| floor.lower_ppm);
        row.floor_upper_90 = floor.map(|floor| floor.upper_ppm);
        notes.push(floor_note(floor));
        row.dried_flow_lpm = input
            .reservoir
            .and_then(|reservoir| reservoir.volume_l)
            .filter(|volume| *volume > 0.0)
            .and_then(|volume_l| finite(rate * volume_l / 60.0));
        match (row.dried_flow_lpm, input.run.flow_lpm) {
            (Some(dried), Some(flow)) if flow > 0.0 && dried <= flow => {
                row.removal_per_pass = Some(dried / flow);
            }
            (Some(dried), Some(flow)) if flow > 0.0 => notes.push(format!(
                "more dried than pumped ({:.2} times): {}",
                dried / flow,
                if values.law.mixing.is_some() {
                    "volume or flow is off"
                } else {
                    "only part of the oil passes the unit, or volume or flow is off"
                }
            )),
            (None, _) => notes.push("no reservoir volume, so no dried flow".into()),
            _ => notes.push("no oil flow, so no removal per pass".into()),
        }
    }
    notes.retain(|note| !note.is_empty());
    row.evidence = sentence(points, &notes.join("; "));
    row
}

/// The floor with its interval, or that there is none.
fn floor_note(floor: Option<Floor>) -> String {
    floor.map_or_else(
        || "the data do not tell the floor".into(),
        |floor| {
            format!(
                "floor {:.0} ppm ({:.0} to {:.0})",
                floor.ppm, floor.lower_ppm, floor.upper_ppm
            )
        },
    )
}

/// What a badly mixed reservoir looked like.
fn mixing_note(fit: &Fit<'_>) -> Option<String> {
    let mixing = fit.model.values(&fit.theta).law.mixing?;
    Some(format!(
        "badly mixed: about {:.0} % of the oil passes the unit and exchanges {:.0} % of the volume an hour with the rest",
        100.0 * mixing.loop_share,
        100.0 * mixing.exchange_per_h
    ))
}

/// What the settled water looked like.
fn settled_note(fit: &Fit<'_>) -> Option<String> {
    let settled = fit.model.values(&fit.theta).law.settled?;
    Some(format!(
        "settled water dissolves again: about {:.0} ppm of it as the run began, {:.0} % of the gap to saturation an hour",
        settled.pool_ppm,
        100.0 * settled.dissolving_per_h
    ))
}

/// Which law the fitted run followed.
pub(super) fn to_regime(fit: &Fit<'_>) -> Regime {
    let values = fit.model.values(&fit.theta);
    let law = values.law;
    if law.capacity_ppm_per_h.is_finite() {
        let kink = law.asymptote_ppm + law.capacity_ppm_per_h / law.rate_per_h;
        if end_ppm(fit) > 0.9 * kink {
            return Regime::Capacity;
        }
        if values.start_ppm > kink {
            return Regime::Mixed;
        }
    }
    if law.mixing.is_some() {
        Regime::TwoCompartments
    } else if fit.model.shape.free_water || law.settled.is_some() {
        Regime::FreeWater
    } else {
        Regime::FirstOrder
    }
}

fn capacity_kg_per_h(input: &RunInput<'_>, ppm_per_h: f64, config: &RunFitConfig) -> Option<f64> {
    let volume_l = input.reservoir.and_then(|reservoir| reservoir.volume_l)?;
    let density = input
        .oil
        .and_then(|oil| oil.density_15c_kgm3)
        .unwrap_or(config.density_kgm3);
    finite(ppm_per_h * volume_l * density * 1e-9)
}

/// The vacuum pump or the heater, whichever could have been the cap; transfer where nothing capped the run.
fn to_limit(input: &RunInput<'_>, row: &RemovalRun) -> Option<LimitedBy> {
    match row.regime? {
        Regime::FirstOrder | Regime::FreeWater | Regime::TwoCompartments => {
            return Some(LimitedBy::Transfer);
        }
        Regime::Capacity | Regime::Mixed => {}
    }
    let capacity = row.capacity_kg_per_h?;
    let unit = input.unit?;
    let pump = unit
        .vacuum_pump_m3h
        .zip(input.run.chamber_kpa)
        .map(|(m3h, kpa)| {
            // All of it vapour: the most that the pump can swallow.
            pump_water_kg_per_h(kpa, m3h, GAS_DEGC)
        });
    let latent = latent_kj_per_kg(input.run.oil_degc.unwrap_or(60.0));
    let heat = unit.heater_rated_kw.map(|kw| kw * 3600.0 / latent);
    let away = |limit: f64| (limit / capacity).ln().abs();
    match (pump, heat) {
        (Some(pump), Some(heat)) if away(heat) < away(pump) => Some(LimitedBy::Heat),
        (Some(_), _) => Some(LimitedBy::Pump),
        (None, Some(_)) => Some(LimitedBy::Heat),
        (None, None) => None,
    }
}

fn sentence(points: &Points, why: &str) -> String {
    let mut text = format!(
        "{} of {} bins and {} of {} samples used",
        points.sensor.len() * points.merged.max(1),
        points.n_bins,
        points.lab.len(),
        points.n_samples
    );
    if !points.left_out.is_empty() {
        text.push_str("; left out: ");
        for (idx, (reason, n)) in points.left_out.iter().enumerate() {
            let _ = write!(text, "{}{n} {reason}", if idx > 0 { ", " } else { "" });
        }
    }
    if !why.is_empty() {
        let _ = write!(text, "; {why}");
    }
    text
}

fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

fn to_count(n: usize) -> i64 {
    i64::try_from(n).unwrap_or(i64::MAX)
}
