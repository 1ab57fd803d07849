//! What runs hold beyond what their load can explain.
//!
//! Vapour from the oil lifts a steady pressure by no more than what was removed fills at the pump: a rate over its
//! speed, `ṁ·R·T/S`, as if no condenser took any of it; the air of the oil by what it holds. Above that, with the
//! vent as good as shut, a rise is the pump's, whatever its starts show: water in what seals it holds the warm pump
//! up and leaves the cold one as it was.

use drydown_quantity::Stamp;
use drydown_runs::Run;
use drydown_stats::robust;

use crate::PumpsConfig;
use crate::limit::{load_of_run, vent_logged_shut};
use crate::watch::Watch;

/// Runs looked at, and how many of them must lie beyond their load: one may have had a vent that was touched
/// between two readings.
const RUNS: usize = 5;
const LEAST: usize = 4;
/// Runs before a change that show what the pump held.
const BEFORE: usize = 15;
/// A load counts this many times: the last hour may give off more than the mean of its run, and the pump carries
/// away less near its base (common practice).
const LOAD_COUNTS: f64 = 2.0;
/// A rise beyond the load is the pump's from so many kPa and this share of what the sound pump held (common
/// practice): a gauge's zero and the next oil make less.
const LEAST_KPA: f64 = 1.0;
const LEAST_SHARE: f64 = 0.5;

/// How a run's vent stood, for what its pressure says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Vents {
    /// Only runs whose vent is logged as good as shut count.
    LoggedShut,
    /// Runs count whatever is known of their vent.
    Any,
}

/// Whether the last runs since an onset hold more, against the sound pump, than their load can explain.
pub(crate) fn beyond_load(
    watch: &Watch<'_>,
    past: &[&Run],
    onset: Stamp,
    vents: Vents,
    config: &PumpsConfig,
) -> bool {
    let Some((level, m3h)) = watch.steady.level_before(onset).zip(shown_m3h(watch)) else {
        return false;
    };
    let held = watch
        .steady
        .seen
        .iter()
        .rev()
        .filter(|seen| seen.at < onset);
    let held: Vec<f64> = held.take(BEFORE).map(|seen| seen.y + seen.added).collect();
    let Some(held) = robust::median(&held) else {
        return false;
    };
    let last: Vec<bool> = past
        .iter()
        .rev()
        .take_while(|run| run.ended_at >= onset)
        .filter_map(|run| {
            let seen = watch.steady.seen.iter().rev();
            let seen = seen.take_while(|seen| seen.at >= run.ended_at).last()?;
            let load = load_of_run(run, config)?;
            // What slopes of few runs take away is no rise: the pressure itself must have risen.
            let sound = (level + seen.added).max(held).exp();
            let rise = run.steady_kpa? - sound - LOAD_COUNTS * load / m3h;
            let shut = vents == Vents::Any || vent_logged_shut(run);
            Some(shut && rise >= LEAST_KPA.max(LEAST_SHARE * sound))
        })
        .take(RUNS)
        .collect();
    last.iter().filter(|beyond| **beyond).count() >= LEAST
}

/// Volume flow of the pump as its starts show it, else by its rating, m³/h.
fn shown_m3h(watch: &Watch<'_>) -> Option<f64> {
    let judged = watch.speed.is_judged();
    let level = judged.then(|| watch.speed.filter().level().0);
    let shown = level.and_then(|level| watch.ln_m3h(level));
    shown.or_else(|| watch.ln_rated_m3h()).map(f64::exp)
}
