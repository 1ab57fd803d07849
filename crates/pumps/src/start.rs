//! One start as a pump-down test: speed, base pressure, and whether it counts.

use std::collections::BTreeMap;

use drydown_quantity::RunId;
use drydown_runs::history::{BarometerBasis, Unit};
use drydown_runs::pump_down::{
    NoPumpDown, PumpDownFit, fit_pump_down, seconds_between_ratios, seconds_from_to,
};
use drydown_runs::{Run, StartCurve};

use crate::{PumpStart, PumpsConfig};

/// Weather around a barometer that was not measured, kPa: its range, not its standard deviation.
const WEATHER_RANGE_KPA: f64 = 3.0;
/// Logs coarser than this do not show the level before the fall, s.
const SLOW_LOG_S: f64 = 30.0;

/// Fits the pump-down of one start and judges whether it counts.
///
/// `unit` gives the chamber volume (without it there is a relative speed only). A slow log (a
/// reading a minute or less often) is used where at least two readings lie on the fall; its speed
/// has the wider standard error that these carry. The row always comes back: `reason` says why a
/// start was not accepted. Formulas: `drydown_runs::pump_down`.
#[must_use]
pub fn fit_start(curve: &StartCurve, unit: Option<&Unit>, config: &PumpsConfig) -> PumpStart {
    let fit = fit_pump_down(&curve.seconds, &curve.chamber_kpa);
    let reason = refusal(curve, unit, &fit, config);
    let fit = fit.ok();
    let base = fit
        .as_ref()
        .and_then(|fit| absolute_base(curve, fit, config));
    let relative = fit.as_ref().map(|fit| fit.relative_speed_per_s);
    PumpStart {
        unit_id: curve.unit_id.clone(),
        started_at: curve.started_at,
        run_id: curve.run_id.clone(),
        speed_m3h: relative
            .zip(chamber_l(unit))
            .map(|(s, litres)| 3.6 * s * litres),
        relative_speed_per_s: relative,
        ln_speed_se: fit.as_ref().map(|fit| fit.ln_speed_se),
        base_kpa: base.map(|(kpa, _)| kpa),
        base_kpa_se: base.map(|(_, se)| se),
        seconds_08_to_04: fall_seconds(curve, fit.as_ref()),
        step_s: Some(curve.step_s),
        ambient_kpa: curve.ambient_kpa,
        barometer_basis: curve.barometer_basis,
        oil_degc: curve.oil_degc,
        vacuum_pump_degc: curve.vacuum_pump_degc,
        ambient_degc: curve.ambient_degc,
        idle_h: curve.idle_h,
        accepted: reason.is_none(),
        reason: reason.map(str::to_owned),
    }
}

fn chamber_l(unit: Option<&Unit>) -> Option<f64> {
    unit.and_then(|row| row.chamber_volume_l)
        .filter(|litres| *litres > 0.0)
}

/// Base pressure and its standard error; None where the barometer is a mere default, whose error
/// is larger than any base pressure.
fn absolute_base(
    curve: &StartCurve,
    fit: &PumpDownFit,
    config: &PumpsConfig,
) -> Option<(f64, f64)> {
    let barometer_sd = match curve.barometer_basis {
        None | Some(BarometerBasis::Measured) => config.measured_barometer_sd_kpa,
        Some(BarometerBasis::Altitude) => config.weather_sd_kpa,
        Some(BarometerBasis::Default) => return None,
    };
    Some((fit.base_kpa, fit.base_se_kpa.hypot(barometer_sd)))
}

/// Seconds from 0.8 to 0.4 of the barometer: between readings where they are close, else on the
/// fitted curve.
fn fall_seconds(curve: &StartCurve, fit: Option<&PumpDownFit>) -> Option<f64> {
    let ambient = curve.ambient_kpa?;
    if curve.step_s <= SLOW_LOG_S {
        return seconds_between_ratios(&curve.seconds, &curve.chamber_kpa, ambient, (0.8, 0.4));
    }
    let fit = fit?;
    seconds_from_to(
        0.8 * ambient,
        0.4 * ambient,
        fit.base_kpa,
        fit.relative_speed_per_s,
    )
}

/// Fills each run's pump-down columns from the first accepted start of that run. Starts are in time.
#[must_use]
pub fn fill_pump_down(runs: Vec<Run>, starts: &[PumpStart]) -> Vec<Run> {
    let mut first: BTreeMap<&RunId, &PumpStart> = BTreeMap::new();
    for start in starts.iter().filter(|start| start.accepted) {
        first.entry(&start.run_id).or_insert(start);
    }
    runs.into_iter()
        .map(|run| match first.get(&run.run_id) {
            Some(start) => run.with_pump_down(start.speed_m3h, start.base_kpa),
            None => run,
        })
        .collect()
}

/// Why a start does not count, in one word; None where it does.
fn refusal(
    curve: &StartCurve,
    unit: Option<&Unit>,
    fit: &Result<PumpDownFit, NoPumpDown>,
    config: &PumpsConfig,
) -> Option<&'static str> {
    if let Some(word) = condition_refusal(curve, config) {
        return Some(word);
    }
    let fit = match fit {
        Ok(fit) => fit,
        Err(NoPumpDown::TooFewPoints) => return Some("too_few_points"),
        Err(NoPumpDown::NoFall) => return Some("no_fall"),
    };
    let drop = fit.from_kpa - fit.base_kpa;
    let ambient = curve.ambient_kpa.unwrap_or(fit.from_kpa);
    let rated = unit
        .and_then(|row| row.vacuum_pump_m3h)
        .zip(chamber_l(unit));
    let share = rated.map(|(m3h, litres)| 3.6 * fit.relative_speed_per_s * litres / m3h);
    let refusals = [
        (
            curve.step_s <= SLOW_LOG_S && !from_ambient(curve, fit, config),
            "not_from_ambient",
        ),
        // An open vent holds the chamber at a plateau. Where the vent is logged shut, it is a leak.
        (
            !curve.vent_logged && fit.base_kpa > 0.35 * ambient,
            "plateau",
        ),
        (fit.residual_sd_kpa > 0.03 * drop, "poor_fit"),
        (fit.ln_speed_se > config.max_ln_speed_se, "too_coarse"),
        (
            share.is_some_and(|share| !(0.03..=2.0).contains(&share)),
            "implausible",
        ),
    ];
    refusals
        .into_iter()
        .find(|(holds, _)| *holds)
        .map(|(_, word)| word)
}

/// Refusals by the conditions of the start, before any fit.
fn condition_refusal(curve: &StartCurve, config: &PumpsConfig) -> Option<&'static str> {
    let at_once = |from: Option<f64>| from.is_some_and(|s| s <= curve.step_s.min(SLOW_LOG_S));
    let rested_h = curve.idle_h.unwrap_or(f64::INFINITY);
    let warm = curve
        .oil_degc
        .is_some_and(|degc| degc > config.warm_oil_degc);
    let refusals = [
        (at_once(curve.vent_open_from_s), "vent_open"),
        (at_once(curve.oil_flow_from_s), "oil_flowing"),
        (rested_h * 60.0 < config.min_idle_min, "short_rest"),
        (warm && rested_h < config.warm_idle_h, "warm_oil"),
    ];
    refusals
        .into_iter()
        .find(|(holds, _)| *holds)
        .map(|(_, word)| word)
}

/// Whether the base pressure of a start tells of the pump: a chamber that rested too little still
/// gives off vapour, which lifts the end of the fall and leaves its speed. At the first start of a
/// log nothing is known of a rest, and it counts.
pub(crate) fn base_counts(start: &PumpStart, config: &PumpsConfig) -> bool {
    start.idle_h.is_none_or(|hours| hours >= config.warm_idle_h)
}

fn from_ambient(curve: &StartCurve, fit: &PumpDownFit, config: &PumpsConfig) -> bool {
    let Some(ambient) = curve.ambient_kpa else {
        return true;
    };
    let tolerance = match curve.barometer_basis {
        Some(BarometerBasis::Measured) => config.from_ambient_kpa,
        _ => config.from_ambient_kpa + WEATHER_RANGE_KPA,
    };
    (fit.from_kpa - ambient).abs() <= tolerance
}
