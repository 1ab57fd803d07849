//! What a unit's witnesses say of a change since its onset.

use drydown_physics::saturation;
use drydown_quantity::Stamp;
use drydown_runs::Run;

use crate::base_path::BasePoint;
use crate::cause::Testimony;
use crate::monitor::Monitor;
use crate::shift::Shift;
use crate::watch::Watch;

/// Most that the course of the base may say for or against wet oil, log odds.
const MOST_COURSE: f64 = 4.0;

/// What the witnesses of a unit say at the end of a run of the change since an onset.
pub(crate) fn testimony(watch: &Watch<'_>, run: &Run, onset: Stamp) -> Testimony {
    let judged = |monitor: &Monitor| {
        let shift = || {
            let seen = || monitor.shift_since(onset);
            // A witness in control has learnt what came since: the level before the onset counts.
            let held = monitor.alert.then(seen).flatten();
            held.or_else(|| monitor.shift_from(onset)).or_else(seen)
        };
        monitor.is_judged().then(shift).flatten()
    };
    let ramp = |monitor: &Monitor| {
        let change = monitor.change().filter(|_| monitor.alert);
        change.map_or(0.0, |change| change.ramp_over_step)
    };
    let before = watch.base_points.iter().rev().find(|p| p.at < onset);
    let since = watch.renewed_at.map_or(onset, |at| at.max(onset));
    let later: Vec<&BasePoint> = watch.base_points.iter().filter(|p| p.at >= since).collect();
    let by_points = before
        .filter(|_| !watch.base.alert)
        .and_then(|before| shift_of_points(before, &later, watch));
    let sealed: Vec<f64> = later.iter().filter_map(|p| p.sealed_kpa).collect();
    let mean_sealed = drydown_stats::robust::mean(&sealed).or_else(|| watch.saturation_kpa());
    let running_kpa = run.vacuum_pump_degc.map(saturation::pressure_kpa);
    Testimony {
        kind: watch.kind(),
        speed: judged(&watch.speed),
        base: by_points.or_else(|| judged(&watch.base)),
        steady: judged(&watch.steady),
        saturation_kpa: mean_sealed,
        running_saturation_kpa: running_kpa.filter(|kpa| kpa.is_finite()),
        base_kpa: before.map(|p| p.level).or_else(|| watch.sound_base_kpa()),
        steady_kpa: watch.steady.level_before(onset).map(f64::exp),
        speed_ramp: ramp(&watch.speed),
        base_ramp: ramp(&watch.base),
        wet_course: before.map_or(0.0, |before| wet_course(before, &later, watch)),
        recoveries: watch.base.recoveries,
    }
}

/// How far the base stands from its level before the onset, through oil changes since: mean of the
/// later half of what came after the last of them.
fn shift_of_points(before: &BasePoint, later: &[&BasePoint], watch: &Watch<'_>) -> Option<Shift> {
    let late = later.len().div_ceil(2);
    let recent: Vec<&&BasePoint> = later.iter().rev().take(late).collect();
    if recent.is_empty() {
        return None;
    }
    let n = recent.len() as f64;
    let spread = watch.base.spread();
    let mean = recent.iter().map(|p| p.kpa).sum::<f64>() / n;
    let own = recent.iter().map(|p| p.se * p.se).sum::<f64>() / n;
    let noise = (own + spread.noise_sd.powi(2)) / n + spread.shared_sd.powi(2);
    Some(Shift {
        recent: mean - before.level,
        se: noise.sqrt().hypot(before.level_sd),
        n: later.len(),
    })
}

/// Log likelihood ratio of a rise that goes with the saturation pressure at the pump's temperature
/// (water in its oil) over one that is the same at every temperature (a leak), from the starts since
/// the onset; 0 where their temperatures are not logged.
fn wet_course(before: &BasePoint, later: &[&BasePoint], watch: &Watch<'_>) -> f64 {
    let spread = watch.base.spread();
    let (mut n, mut weights, mut e1, mut ee, mut es, mut ss) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
    for point in later {
        let Some(sealed) = point.sealed_kpa else {
            continue;
        };
        let excess = point.kpa - before.level;
        let variance = spread.noise_sd.powi(2) + spread.shared_sd.powi(2) + point.se * point.se;
        let weight = variance.max(1e-6).recip();
        n += 1.0;
        weights += weight;
        e1 += weight * excess;
        ee += weight * excess * excess;
        es += weight * excess * sealed;
        ss += weight * sealed * sealed;
    }
    if n < 4.0 || ss <= 0.0 {
        return 0.0;
    }
    let as_leak = ee - e1 * e1 / weights;
    let as_wet = ee - es * es / ss;
    // Neither fits where the rise grows: then their difference says less.
    let misfit = (as_leak.min(as_wet) / (n - 1.0)).max(1.0);
    (0.5 * (as_leak - as_wet) / misfit).clamp(-MOST_COURSE, MOST_COURSE)
}
