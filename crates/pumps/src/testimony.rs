//! What a unit's witnesses say of a change since its onset.

use drydown_physics::saturation;
use drydown_quantity::Stamp;
use drydown_runs::Run;
use drydown_runs::history::PumpKind;

use crate::back::BACK_LN_ODDS;
use crate::cause::Testimony;
use crate::monitor::Monitor;
use crate::outlook::Ways;
use crate::rest::GaugeOff;
use crate::shift::Shift;
use crate::steady_rise::Steady;
use crate::watch::Watch;

/// What a gauge's zero may be off between two calibrations, kPa (common practice).
const GAUGE_KPA: f64 = 0.3;

/// Shift of a witness since an onset.
fn moved(monitor: &Monitor, onset: Stamp) -> Option<Shift> {
    let seen = || monitor.shift_since(onset);
    // A witness in control has learnt what came since: the level before the onset counts.
    let held = monitor.alert.then(seen).flatten();
    held.or_else(|| monitor.shift_from(onset)).or_else(seen)
}

/// Whether any witness that raised the alert still stands on the worse side of its level, and they do not
/// tell together that it is back: speed and base of one start are two witnesses.
pub(crate) fn stands(watch: &Watch<'_>, onset: Stamp) -> bool {
    let worse = |monitor: &Monitor| {
        let shift = monitor.onset.and_then(|own| monitor.shift_since(own));
        let shift = shift.or_else(|| moved(monitor, onset));
        shift.is_none_or(|shift| shift.recent * monitor.worse() > monitor.stands_from())
    };
    let alerts: Vec<&Monitor> = [&watch.speed, &watch.base, &watch.steady]
        .into_iter()
        .filter(|monitor| monitor.alert)
        .collect();
    let back = alerts.iter().map(|monitor| monitor.back_ln_odds());
    let all_back = alerts
        .iter()
        .all(|monitor| monitor.on_the_way_back().is_some());
    let together = all_back && back.sum::<f64>() >= BACK_LN_ODDS;
    alerts.is_empty() || (!together && alerts.iter().any(|monitor| worse(monitor)))
}

/// The gauge's error at rest, where it makes what looks like a change of the pump: base and steady pressure
/// rose by no more, and the speed stands.
pub(crate) fn gauge_off(watch: &Watch<'_>, onset: Stamp) -> Option<GaugeOff> {
    let off = watch.rests.off_since(onset)?;
    let rise = if watch.base.alert {
        moved(&watch.base, onset).map(|rise| (rise.recent, rise.se))
    } else {
        let shift = moved(&watch.steady, onset).zip(watch.steady.level_there(onset));
        shift.map(|(shift, ln_kpa)| {
            let (kpa, by) = (ln_kpa.exp(), shift.recent.exp());
            (kpa * (by - 1.0), kpa * by * shift.se)
        })
    };
    rise.filter(|_| !watch.speed.alert)
        .is_some_and(|rise| off.explains(rise))
        .then_some(off)
}

/// What the witnesses of a unit say at the end of a run of the change since an onset, and whether the runs
/// alone show it, beside sound starts.
pub(crate) fn testimony(
    watch: &Watch<'_>,
    ways: &Ways,
    run: &Run,
    (onset, by_work): (Stamp, bool),
) -> Testimony {
    let later = watch.base_points.iter().filter(|p| p.at >= onset);
    let sealed: Vec<f64> = later.filter_map(|p| p.sealed_kpa).collect();
    let sealed = drydown_stats::robust::mean(&sealed).or_else(|| watch.saturation_kpa());
    let running = run.vacuum_pump_degc.map(saturation::pressure_kpa);
    let warmer = running
        .zip(sealed)
        .map(|(running, sealed)| running / sealed.max(0.5))
        .filter(|ratio| ratio.is_finite());
    let base_rise = watch
        .base
        .is_judged()
        .then(|| moved(&watch.base, onset))
        .flatten();
    // Runs show a speed only beside a base that starts show: else what lifts the base makes it as well.
    let by_runs = ways.by_runs && base_rise.is_some();
    let shown = ways.speed.as_ref().filter(|_| by_runs || !ways.by_runs);
    let lost = shown.map(|speed| {
        let of_way = speed.ways.iter().map(|way| {
            let lost = way.onset.map_or(0.0, |_| way.sound - way.level.0);
            way.weight * lost.max(0.0)
        });
        of_way.sum()
    });
    let base_se = |se: f64| se.hypot(GAUGE_KPA).hypot(watch.place_sd_kpa());
    Testimony {
        kind: watch.kind(),
        speed: shown.map_or([None; 3], |speed| speed.ln_evidence),
        base: ways.base.ln_evidence,
        lost,
        speed_alert: watch.speed.alert,
        speed_back: moved(&watch.speed, onset).is_some_and(|shift| shift.recent >= 0.0)
            && watch.speed.on_the_way_back().is_some(),
        by_runs,
        steady: Steady {
            shift: Some(&watch.steady)
                .filter(|monitor| monitor.is_judged() && !by_runs)
                .and_then(|monitor| moved(monitor, onset)),
            sound_kpa: watch.steady.level_there(onset).map(f64::exp),
            sound_base_kpa: watch.base.level_before(onset),
            base_rise: base_rise.map(|rise| (rise.recent, base_se(rise.se))),
            lost,
            ln_step_odds: Some(&watch.steady)
                .filter(|_| !watch.starts_alert())
                .and_then(Monitor::ln_step_odds),
            warmer: warmer.unwrap_or(1.0).clamp(0.5, 6.0),
            at_work: by_work,
        },
        seal_unlogged: watch.kind() == Some(PumpKind::LiquidRing) && sealed.is_none(),
        recoveries: watch.base.recoveries,
        gauge_off: watch.rests.hint_since(onset),
    }
}
