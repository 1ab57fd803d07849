//! What a unit's witnesses say of a change since its onset.

use drydown_physics::saturation;
use drydown_quantity::Stamp;
use drydown_runs::Run;

use crate::base_filter::What;
use crate::base_path::BasePath;
use crate::cause::Testimony;
use crate::monitor::Monitor;
use crate::outlook::Ways;
use crate::watch::Watch;

/// What the witnesses of a unit say at the end of a run of the change since an onset.
pub(crate) fn testimony(watch: &Watch<'_>, ways: &Ways, run: &Run, onset: Stamp) -> Testimony {
    let steady = |monitor: &Monitor| {
        let seen = || monitor.shift_since(onset);
        // A witness in control has learnt what came since: the level before the onset counts.
        let held = monitor.alert.then(seen).flatten();
        held.or_else(|| monitor.shift_from(onset)).or_else(seen)
    };
    let later = watch.base_points.iter().filter(|p| p.at >= onset);
    let sealed: Vec<f64> = later.filter_map(|p| p.sealed_kpa).collect();
    let sealed = drydown_stats::robust::mean(&sealed).or_else(|| watch.saturation_kpa());
    let running = run.vacuum_pump_degc.map(saturation::pressure_kpa);
    let warmer = running
        .zip(sealed)
        .map(|(running, sealed)| running / sealed.max(0.5))
        .filter(|ratio| ratio.is_finite());
    let speed = ways.speed.as_ref();
    let lost = speed.map(|speed| {
        let of_way = speed.ways.iter().map(|way| {
            let lost = way.onset.map_or(0.0, |_| way.sound - way.level.0);
            way.weight * lost.max(0.0)
        });
        of_way.sum()
    });
    let others = |way: &&BasePath| way.beside.is_some_and(|what| what != What::Clearance);
    let extra = ways.base.ways.iter().filter(others);
    let (weight, kpa) = extra.fold((0.0, 0.0), |(weight, kpa), way| {
        (weight + way.weight, kpa + way.weight * way.mean[1])
    });
    Testimony {
        kind: watch.kind(),
        speed: speed.map_or([None; 3], |speed| speed.ln_evidence),
        base: ways.base.ln_evidence,
        lost,
        extra_kpa: if weight > 0.0 { kpa / weight } else { 0.0 },
        steady: Some(&watch.steady)
            .filter(|monitor| monitor.is_judged() && !ways.by_runs)
            .and_then(steady),
        steady_kpa: watch.steady.level_before(onset).map(f64::exp),
        warmer: warmer.unwrap_or(1.0).clamp(0.5, 6.0),
        recoveries: watch.base.recoveries,
    }
}
