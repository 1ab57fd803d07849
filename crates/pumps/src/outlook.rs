//! Days to the limit of the pump under watch.

use drydown_quantity::Stamp;
use drydown_runs::Run;

use crate::base_path::{BasePath, Question, base_paths};
use crate::filter::Spread;
use crate::futures::{Draws, Outlook};
use crate::limit::{Days, load_of_runs};
use crate::monitor::days_of;
use crate::path::{Moves, Path, paths};
use crate::prior::KindPrior;
use crate::watch::Watch;
use crate::{DaysStatus, PumpsConfig};

/// What the pump's future hangs on; None where no speed in m³/h or no load is known.
pub(crate) fn outlook(
    watch: &Watch<'_>,
    past: &[&Run],
    onset: Option<Stamp>,
    config: &PumpsConfig,
) -> Option<Outlook> {
    // Where slow logs show no speed there is no forecast: a base on its way up by wear gains pace, one
    // by a leak does not, and the base alone does not tell the two apart well enough.
    if watch.speed.seen.is_empty() {
        return None;
    }
    let at = watch.last_run?;
    let kind = watch.kind_prior(at)?;
    let load = load_of_runs(past, config)?;
    let now = days_of(at);
    let speed = speed_ways(watch, kind, now, onset);
    let base = base_ways(watch, kind, now, onset, &speed);
    let level = speed.first()?.level.0;
    Some(Outlook {
        ln_m3h: watch.ln_m3h(level)? - level,
        speed,
        base,
        load,
        diffusion_sd: kind.path_spread.diffusion_sd,
    })
}

fn speed_ways(watch: &Watch<'_>, kind: &KindPrior, now: f64, onset: Option<Stamp>) -> Vec<Path> {
    let spread = watch.speed.spread();
    let moves = Moves {
        sound: Spread {
            drift_mean: spread.drift_mean,
            drift_sd: spread.drift_sd,
            ..kind.path_spread
        },
        fall: kind.failing_drift,
    };
    let changed = watch.speed.alert;
    let own = watch.speed.onset.filter(|_| changed);
    let onset = onset.map(|onset| days_of(own.unwrap_or(onset)));
    paths(&watch.speed, now, onset, changed, &moves)
}

fn base_ways(
    watch: &Watch<'_>,
    kind: &KindPrior,
    now: f64,
    onset: Option<Stamp>,
    speed: &[Path],
) -> Vec<BasePath> {
    let of_kind = (kind.base.level_mean, kind.base.level_sd);
    if watch.base.seen.is_empty() && watch.base_points.is_empty() {
        return vec![BasePath::unseen(of_kind, kind.ln_leak_back.0, now)];
    }
    let ask = Question {
        points: &watch.base_points,
        spread: Spread {
            diffusion_sd: kind.base_path_spread.diffusion_sd,
            ..watch.base.spread()
        },
        of_kind,
        ln_gamma: kind.ln_leak_back,
        growth: kind.failing_base_drift,
        now,
        onset: onset.map(days_of),
        base_onset: watch.base_since.map(days_of),
        renewed: watch.renewed_at.map(days_of),
        place_sd: watch.place_sd_kpa(),
    };
    base_paths(&ask, |day| lost_by(watch, speed, day))
}

/// ln speed lost on a day against the sound pump, on the likeliest way.
fn lost_by(watch: &Watch<'_>, speed: &[Path], day: f64) -> f64 {
    let Some((path, onset)) = speed.first().and_then(|path| Some((path, path.onset?))) else {
        return 0.0;
    };
    if day < onset {
        return 0.0;
    }
    let sound = watch
        .speed
        .seen
        .iter()
        .rev()
        .find(|seen| days_of(seen.at) < onset);
    let sound = sound.map_or(watch.speed.start().level, |seen| seen.level);
    (sound - path.level.0 - path.lost_since(day)).max(0.0)
}

/// Days from the end of the last run until the pump no longer holds its limit.
pub(crate) fn days_to_limit(
    outlook: Option<&Outlook>,
    onset: Option<Stamp>,
    draws: &Draws,
    config: &PumpsConfig,
) -> Days {
    let Some(outlook) = outlook else {
        return Days::none(DaysStatus::Unjudged);
    };
    let passing = outlook.passing(config.limit_kpa, config.horizon_days, draws);
    if passing.by_horizon < 0.1 {
        // A pump in control whose drift cannot be told from none is not on its way to the limit.
        let drifts = outlook
            .speed
            .iter()
            .all(|way| -way.drift.0 > 1.28 * way.drift.1);
        let status = if onset.is_none() && !drifts {
            DaysStatus::NotDegrading
        } else {
            DaysStatus::Beyond
        };
        return Days::none(status);
    }
    Days {
        p10: passing.quantile(0.1),
        p50: passing.quantile(0.5),
        p90: passing.quantile(0.9),
        status: DaysStatus::Within,
        passed: passing.at_once >= 0.5,
    }
}
