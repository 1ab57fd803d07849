//! Water at the sensor per reading, in ppm by mass, with what the sensor could not say.
//!
//! Relative saturation is turned into ppm with the oil's solubility at the sensor's temperature
//! before anything is fitted: oil that warms up "dries" on a saturation sensor with no water
//! removed. A sensor at its top only says "at least the solubility".

use drydown_physics::solubility;

use crate::history::Oil;
use crate::marks::{Marks, hours_between};
use crate::{Readings, RunsConfig};

/// Water of one run, one entry per working reading.
#[derive(Clone, Debug, Default)]
pub(crate) struct Water {
    /// NaN where missing, spiking or stuck.
    pub(crate) ppm: Vec<f64>,
    pub(crate) saturated: Vec<bool>,
    pub(crate) from_activity: bool,
    pub(crate) logged: bool,
    pub(crate) stuck: bool,
    pub(crate) spiking: bool,
}

/// Water of a run's working readings `idx` (ascending indexes into the log).
pub(crate) fn water_of_run(
    readings: &Readings,
    marks: &Marks,
    idx: &[usize],
    oil: Option<&Oil>,
    config: &RunsConfig,
) -> Water {
    let by_ppm = idx.iter().any(|i| readings.water_ppm.get(*i).is_some());
    let mut water = Water {
        from_activity: !by_ppm,
        ..Water::default()
    };
    for i in idx {
        let activity = readings.water_activity.get(*i);
        let ppm = if by_ppm {
            readings.water_ppm.get(*i)
        } else {
            activity.and_then(|a| ppm_of_activity(a, sensor_degc(readings, marks, *i)?, oil?))
        };
        water.ppm.push(ppm.unwrap_or(f64::NAN));
        water
            .saturated
            .push(activity.is_some_and(|a| a >= config.saturated_activity));
    }
    water.logged = water.ppm.iter().any(|ppm| !ppm.is_nan());
    if water.logged {
        let raw: Vec<f64> = if by_ppm {
            water.ppm.clone()
        } else {
            idx.iter()
                .map(|i| readings.water_activity.get(*i).unwrap_or(f64::NAN))
                .collect()
        };
        blank_stuck(&mut water, &raw, readings, marks, idx, config);
        blank_spikes(&mut water);
    }
    water
}

fn sensor_degc(readings: &Readings, marks: &Marks, idx: usize) -> Option<f64> {
    readings
        .water_sensor_degc
        .get(idx)
        .or_else(|| marks.oil(idx))
}

/// Activity (0..1) times the solubility of the oil, ppm by mass.
fn ppm_of_activity(activity: f64, degc: f64, oil: &Oil) -> Option<f64> {
    let (a, b_k) = oil.solubility_a.zip(oil.solubility_b_k)?;
    Some(solubility::ppm_from_activity(
        activity.min(1.0),
        a,
        b_k,
        degc,
    ))
    .filter(|ppm| ppm.is_finite())
}

/// Blanks a stretch in which the sensor repeats one value while the rest of the log lives on.
///
/// A sensor that shows coarse steps beside its value may rightly stand still and is left alone.
fn blank_stuck(
    water: &mut Water,
    raw: &[f64],
    readings: &Readings,
    marks: &Marks,
    idx: &[usize],
    config: &RunsConfig,
) {
    const LEAST_READINGS: usize = 12;
    let step = raw
        .windows(2)
        .filter_map(|pair| match pair {
            [a, b] => Some((b - a).abs()).filter(|d| *d > 0.0),
            _ => None,
        })
        .fold(f64::INFINITY, f64::min);
    let mut start = 0;
    while start < raw.len() {
        let value = raw.get(start).copied().unwrap_or(f64::NAN);
        let same = raw
            .iter()
            .skip(start)
            .take_while(|v| v.to_bits() == value.to_bits())
            .count();
        let end = start + same.max(1);
        let (Some(from), Some(to)) = (idx.get(start), idx.get(end - 1)) else {
            break;
        };
        let coarse = step.is_finite() && step > 0.05 * value.abs();
        let saturated = water.saturated.get(start).copied().unwrap_or(false);
        if !value.is_nan()
            && !coarse
            && !saturated
            && same >= LEAST_READINGS
            && hours_between(&readings.at, *from, *to) >= config.stuck_h
            && log_lives(marks, idx.get(start..end).unwrap_or(&[]))
        {
            water.stuck = true;
            for ppm in water.ppm.iter_mut().take(end).skip(start + 1) {
                *ppm = f64::NAN;
            }
        }
        start = end;
    }
}

/// Whether chamber pressure or oil temperature moves: otherwise the whole log repeats itself and
/// the sensor is not to blame.
fn log_lives(marks: &Marks, idx: &[usize]) -> bool {
    let moves = |of: &dyn Fn(usize) -> Option<f64>| {
        let mut cells = idx.iter().filter_map(|i| of(*i));
        let first = cells.next();
        first.is_some_and(|value| cells.any(|other| (other - value).abs() > 0.02))
    };
    moves(&|i| marks.oil(i)) || moves(&|i| marks.chamber(i))
}

/// Blanks single readings that leap away from their neighbours and back.
fn blank_spikes(water: &mut Water) {
    const REACH: usize = 3;
    let n = water.ppm.len();
    let mut spikes = Vec::new();
    let mut window = Vec::with_capacity(2 * REACH + 1);
    for i in 0..n {
        let Some(value) = water.ppm.get(i).copied().filter(|v| !v.is_nan()) else {
            continue;
        };
        window.clear();
        let around = water
            .ppm
            .get(i.saturating_sub(REACH)..(i + REACH + 1).min(n))
            .unwrap_or(&[]);
        window.extend(around.iter().filter(|v| !v.is_nan()));
        if window.len() < 5 {
            continue;
        }
        let centre = median(&mut window);
        // The usual case costs one median; only a suspect pays for the spread as well.
        let floor = 0.15 * centre.abs() + 5.0;
        if (value - centre).abs() <= floor {
            continue;
        }
        for other in &mut window {
            *other = (*other - centre).abs();
        }
        if (value - centre).abs() > 6.0 * 1.4826 * median(&mut window) {
            spikes.push(i);
        }
    }
    water.spiking = spikes.len() >= 3 && spikes.len() * 200 > n;
    for i in spikes {
        if let Some(ppm) = water.ppm.get_mut(i) {
            *ppm = f64::NAN;
        }
    }
}

/// Median of a short window (sorted in place); NaN when empty.
fn median(window: &mut [f64]) -> f64 {
    window.sort_unstable_by(f64::total_cmp);
    let half = window.len() / 2;
    let at = |i: usize| window.get(i).copied().unwrap_or(f64::NAN);
    if window.len() % 2 == 1 {
        at(half)
    } else {
        0.5 * (at(half.wrapping_sub(1)) + at(half))
    }
}
