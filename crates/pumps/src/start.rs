//! One start as a pump-down test: speed, base pressure, and whether it counts.

use std::collections::BTreeMap;

use drydown_quantity::RunId;
use drydown_runs::history::{BarometerBasis, Unit};
use drydown_runs::pump_down::{NoPumpDown, fit_pump_down, seconds_between_ratios, seconds_from_to};
use drydown_runs::slow_log::fit_slow_pump_down;
use drydown_runs::{Run, StartCurve};

use crate::{PumpStart, PumpsConfig};

/// Weather around a barometer that was not measured, kPa: its range, not its standard deviation.
const WEATHER_RANGE_KPA: f64 = 3.0;
/// Logs coarser than this do not show when the fall began, and leave too few readings on it to tell
/// their own noise: at 30 s the 90 % interval of plain least squares held the truth in 71 % (test
/// `slow_logs`).
const SLOW_LOG_S: f64 = 15.0;
/// A vent seen open, or oil seen flowing, this soon was so from the beginning, s.
const AT_ONCE_S: f64 = 30.0;
/// A base pressure known no better than this from its curve says too little, kPa (what a change
/// has to be for anybody to act on it, `PumpsConfig::least_base_rise_kpa` by default).
const MAX_BASE_SE_KPA: f64 = 0.5;
/// A fitted base below zero by more than gauge and barometer may be wrong is none: the curve is no
/// exponential (a blocked exhaust slows the fall at its end), kPa (common practice)…
const BELOW_ZERO_KPA: f64 = 1.0;
/// … or by so many standard errors, whichever is more.
const BELOW_ZERO_SES: f64 = 2.0;

/// What a curve gives, however it was fitted.
struct PumpDown {
    /// Relative speed, 1/s, and the standard error of its logarithm.
    speed: Option<(f64, f64)>,
    base_kpa: f64,
    base_se_kpa: f64,
    /// Level before the fall; None where a slow log does not show it.
    from_kpa: Option<f64>,
    residual_sd_kpa: f64,
}

/// Fits the pump-down of one start and judges whether it counts.
///
/// `unit` gives the chamber volume (without it there is a relative speed only). In a slow log (more than
/// fifteen seconds between readings) the start is known to lie between two readings: speed and base
/// have the wider standard errors that follow; where the fall lies between two readings as well, the
/// base counts and the speed is left out. A base far below zero is left out and the speed counts.
/// The row always comes back: `reason` says why a start, its speed or its base was not accepted. Formulas: `drydown_runs::pump_down`, `drydown_runs::slow_log`.
#[must_use]
pub fn fit_start(curve: &StartCurve, unit: Option<&Unit>, config: &PumpsConfig) -> PumpStart {
    let fit = pump_down(curve);
    let refused = refusal(curve, unit, &fit, config);
    let fit = fit.ok();
    let base = fit
        .as_ref()
        .and_then(|fit| absolute_base(curve, fit, config));
    let below_zero = fit
        .as_ref()
        .is_some_and(|fit| below_zero(curve, fit, config));
    let base = base.filter(|_| !below_zero);
    let unclear = fit.as_ref().and_then(|fit| no_speed(fit, config));
    let base_alone = refused.is_none()
        && curve.step_s > SLOW_LOG_S
        && base.is_some()
        && fit
            .as_ref()
            .is_some_and(|fit| fit.base_se_kpa <= MAX_BASE_SE_KPA);
    let speed = fit
        .as_ref()
        .and_then(|fit| fit.speed)
        .filter(|_| !(unclear.is_some() && base_alone));
    let relative = speed.map(|(per_s, _)| per_s);
    let reason = refused.or(unclear);
    let accepted = reason.is_none() || base_alone;
    let reason = reason.or(below_zero.then_some("negative_base"));
    PumpStart {
        unit_id: curve.unit_id.clone(),
        started_at: curve.started_at,
        run_id: curve.run_id.clone(),
        speed_m3h: relative
            .zip(chamber_l(unit))
            .map(|(s, litres)| 3.6 * s * litres),
        relative_speed_per_s: relative,
        ln_speed_se: speed.map(|(_, se)| se),
        base_kpa: base.map(|(kpa, _)| kpa),
        base_kpa_se: base.map(|(_, se)| se),
        rest_kpa: rest_kpa(curve, fit.as_ref(), config),
        seconds_08_to_04: fall_seconds(curve, fit.as_ref()),
        step_s: Some(curve.step_s),
        ambient_kpa: curve.ambient_kpa,
        barometer_basis: curve.barometer_basis,
        oil_degc: curve.oil_degc,
        vacuum_pump_degc: curve.vacuum_pump_degc,
        ambient_degc: curve.ambient_degc,
        idle_h: curve.idle_h,
        accepted,
        reason: reason.map(str::to_owned),
    }
}

fn pump_down(curve: &StartCurve) -> Result<PumpDown, NoPumpDown> {
    let (seconds, kpa) = (&curve.seconds, &curve.chamber_kpa);
    if curve.step_s > SLOW_LOG_S {
        let fit = fit_slow_pump_down(seconds, kpa, curve.ambient_kpa)?;
        return Ok(PumpDown {
            speed: fit.ln_speed.map(|(ln_speed, se)| (ln_speed.exp(), se)),
            base_kpa: fit.base_kpa,
            base_se_kpa: fit.base_se_kpa,
            from_kpa: fit.from_kpa,
            residual_sd_kpa: fit.residual_sd_kpa,
        });
    }
    let fit = fit_pump_down(seconds, kpa)?;
    Ok(PumpDown {
        speed: Some((fit.relative_speed_per_s, fit.ln_speed_se)),
        base_kpa: fit.base_kpa,
        base_se_kpa: fit.base_se_kpa,
        from_kpa: Some(fit.from_kpa),
        residual_sd_kpa: fit.residual_sd_kpa,
    })
}

fn chamber_l(unit: Option<&Unit>) -> Option<f64> {
    unit.and_then(|row| row.chamber_volume_l)
        .filter(|litres| *litres > 0.0)
}

/// Base pressure and its standard error; None where the barometer is a mere default, whose error
/// is larger than any base pressure.
fn absolute_base(curve: &StartCurve, fit: &PumpDown, config: &PumpsConfig) -> Option<(f64, f64)> {
    let barometer_sd = match curve.barometer_basis {
        None | Some(BarometerBasis::Measured) => config.measured_barometer_sd_kpa,
        Some(BarometerBasis::Altitude) => config.weather_sd_kpa,
        Some(BarometerBasis::Default) => return None,
    };
    Some((fit.base_kpa, fit.base_se_kpa.hypot(barometer_sd)))
}

/// Whether a fitted base lies further below zero than its yardsticks may be wrong: no pump holds it.
fn below_zero(curve: &StartCurve, fit: &PumpDown, config: &PumpsConfig) -> bool {
    // Of a curve bent so much the standard error of its fit says nothing: the yardsticks' alone.
    let yardstick = absolute_base(curve, fit, config).map_or(0.0, |(_, se)| {
        (se * se - fit.base_se_kpa.powi(2)).max(0.0).sqrt()
    });
    fit.base_kpa < -BELOW_ZERO_KPA.max(BELOW_ZERO_SES * yardstick)
}

/// A chamber that holds less than this is not vented, kPa: the barometer at 4 500 m is 57.7 (ICAO standard
/// atmosphere, from memory).
const VENTED_KPA: f64 = 55.0;

/// A fall that begins by so much below the barometer had begun before its first reading, kPa (common practice).
const BEGUN_KPA: f64 = 10.0;
/// Least fall that a late log still shows, as a share of the barometer (common practice).
const LEAST_FALL: f64 = 0.3;

/// Pressure of the vented chamber before the fall: the last reading at rest, or the level that a fast log's
/// fall begins at. After too little rest the chamber may not have filled.
fn rest_kpa(curve: &StartCurve, fit: Option<&PumpDown>, config: &PumpsConfig) -> Option<f64> {
    if curve
        .idle_h
        .is_some_and(|hours| hours * 60.0 < config.min_idle_min)
    {
        return None;
    }
    // The reading of a slow log at the start itself may lie on the fall already.
    let at_rest = curve.seconds.first().filter(|seconds| **seconds < 0.0);
    let reading = at_rest.and_then(|_| curve.chamber_kpa.first().copied());
    // So far below the barometer no gauge reads: the pump has begun, and the faster the lower it stands.
    let begun = |kpa: &f64| {
        curve
            .ambient_kpa
            .is_some_and(|ambient| *kpa < ambient - BEGUN_KPA)
    };
    let from = fit.and_then(|fit| fit.from_kpa).filter(|kpa| !begun(kpa));
    reading.or(from).filter(|kpa| *kpa > VENTED_KPA)
}

/// Seconds from 0.8 to 0.4 of the barometer: between readings where they are close, else on the
/// fitted curve.
fn fall_seconds(curve: &StartCurve, fit: Option<&PumpDown>) -> Option<f64> {
    let ambient = curve.ambient_kpa?;
    if curve.step_s <= SLOW_LOG_S {
        return seconds_between_ratios(&curve.seconds, &curve.chamber_kpa, ambient, (0.8, 0.4));
    }
    let fit = fit?;
    let (speed, _) = fit.speed?;
    seconds_from_to(0.8 * ambient, 0.4 * ambient, fit.base_kpa, speed)
}

/// Fills each run's pump-down columns from the first accepted start of that run that has a speed, else
/// from its first accepted start. Starts are in time.
#[must_use]
pub fn fill_pump_down(runs: Vec<Run>, starts: &[PumpStart]) -> Vec<Run> {
    let mut first: BTreeMap<&RunId, &PumpStart> = BTreeMap::new();
    for start in starts.iter().filter(|start| start.accepted) {
        let kept = first.entry(&start.run_id).or_insert(start);
        if kept.relative_speed_per_s.is_none() && start.relative_speed_per_s.is_some() {
            *kept = start;
        }
    }
    runs.into_iter()
        .map(|run| match first.get(&run.run_id) {
            Some(start) => run.with_pump_down(start.speed_m3h, start.base_kpa),
            None => run,
        })
        .collect()
}

/// Why a start does not count, in one word; None where it does, apart from its speed ([`no_speed`]).
fn refusal(
    curve: &StartCurve,
    unit: Option<&Unit>,
    fit: &Result<PumpDown, NoPumpDown>,
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
    let from = fit.from_kpa.or(curve.ambient_kpa).unwrap_or(101.325);
    let ambient = curve.ambient_kpa.unwrap_or(from);
    let rated = unit
        .and_then(|row| row.vacuum_pump_m3h)
        .zip(chamber_l(unit));
    let share = rated
        .zip(fit.speed)
        .map(|((m3h, litres), (per_s, _))| 3.6 * per_s * litres / m3h);
    let refusals = [
        (!from_ambient(curve, fit, config), "not_from_ambient"),
        // An open vent holds the chamber at a plateau. Where the vent is logged shut, it is a leak.
        (
            !curve.vent_logged && fit.base_kpa > 0.35 * ambient,
            "plateau",
        ),
        (
            fit.residual_sd_kpa > 0.03 * (from - fit.base_kpa),
            "poor_fit",
        ),
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

/// Why the speed of a start says too little: the fall lies between two readings, which bound the
/// speed on one side only, or its error is too wide.
fn no_speed(fit: &PumpDown, config: &PumpsConfig) -> Option<&'static str> {
    match fit.speed {
        None => Some("between_readings"),
        Some((_, se)) if se > config.max_ln_speed_se => Some("too_coarse"),
        Some(_) => None,
    }
}

/// Refusals by the conditions of the start, before any fit.
fn condition_refusal(curve: &StartCurve, config: &PumpsConfig) -> Option<&'static str> {
    let at_once = |from: Option<f64>| from.is_some_and(|s| s <= curve.step_s.min(AT_ONCE_S));
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

fn from_ambient(curve: &StartCurve, fit: &PumpDown, config: &PumpsConfig) -> bool {
    let Some((ambient, from)) = curve.ambient_kpa.zip(fit.from_kpa) else {
        return true;
    };
    let tolerance = match curve.barometer_basis {
        Some(BarometerBasis::Measured) => config.from_ambient_kpa,
        _ => config.from_ambient_kpa + WEATHER_RANGE_KPA,
    };
    (from - ambient).abs() <= tolerance || begins_late(curve, fit)
}

/// Whether the readings of a fast log begin on the fall, some seconds after the pump did, and still show most of
/// it: an exponential tells its rate and its end from anywhere.
fn begins_late(curve: &StartCurve, fit: &PumpDown) -> bool {
    let from = curve.ambient_kpa.zip(fit.from_kpa);
    curve.step_s <= SLOW_LOG_S
        && from.is_some_and(|(ambient, from)| {
            from < ambient && from >= fit.base_kpa + LEAST_FALL * ambient
        })
}
