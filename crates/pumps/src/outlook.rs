//! Days to the limit of the pump under watch.

use drydown_quantity::Stamp;
use drydown_runs::Run;
use drydown_runs::history::PumpKind;

use crate::base_path::{BasePath, BaseWays, Question, Wet, base_paths};
use crate::filter::Spread;
use crate::futures::{Draws, Outlook};
use crate::limit::{Days, load_of_runs};
use crate::monitor::days_of;
use crate::path::{Begin, Moves, Path, Point, SpeedWays, paths, points_of};
use crate::prior::KindPrior;
use crate::steady_speed::steady_speed;
use crate::watch::Watch;
use crate::{DaysStatus, PumpsConfig};

/// The ways in which a pump may have come to where it is.
#[derive(Debug)]
pub(crate) struct Ways {
    /// None where neither starts nor runs show a speed.
    pub(crate) speed: Option<SpeedWays>,
    /// Whether the runs show the speed, and no start.
    pub(crate) by_runs: bool,
    pub(crate) base: BaseWays,
    /// What turns such a ln speed into ln m³/h, where that is known.
    ln_m3h: Option<f64>,
}

/// Log odds at which a change of the speeds that runs show is one.
const SLOWED_LN_ODDS: f64 = 3.0;

impl Ways {
    /// Whether the pump holds more than its load explains, as far as runs show its speed.
    pub(crate) fn slowed(&self) -> bool {
        let Some(speed) = self.speed.as_ref().filter(|_| self.by_runs) else {
            return true;
        };
        let [unchanged, ramp, step] = speed.ln_evidence;
        let changed = ramp
            .into_iter()
            .chain(step)
            .fold(f64::NEG_INFINITY, f64::max);
        unchanged.is_none_or(|unchanged| changed - unchanged > SLOWED_LN_ODDS)
    }
}

/// The ways in which the pump under watch may have come to where it is at its last run; None before a
/// first run.
pub(crate) fn ways(
    watch: &Watch<'_>,
    past: &[&Run],
    onset: Option<Stamp>,
    config: &PumpsConfig,
) -> Option<Ways> {
    let at = watch.last_run?;
    let kind = watch.kind_prior(at)?;
    let now = days_of(at);
    let speeds = speeds(watch, kind, past, config);
    let by_runs = speeds.as_ref().is_some_and(|speeds| speeds.by_runs);
    let ln_m3h = speeds.as_ref().and_then(|speeds| speeds.ln_m3h);
    let speed = speeds.map(|speeds| {
        let own = watch.speed.onset.filter(|_| watch.speed.alert);
        let moves = Moves {
            sound: speeds.sound,
            fall: kind.failing_drift,
        };
        let since = onset.map(|onset| days_of(own.unwrap_or(onset)));
        // A steady pressure's alert is a speed's where the starts show none.
        let changed = watch.speed.alert || (by_runs && watch.steady_alert());
        paths(speeds.begin, &speeds.points, now, since, changed, &moves)
    });
    let likely = speed.as_ref().map_or(&[][..], |speed| &speed.ways);
    let base = base_ways(watch, kind, now, onset, likely);
    Some(Ways {
        speed,
        by_runs,
        base,
        ln_m3h,
    })
}

/// What the pump's future hangs on; None where no load is known, or no speed in m³/h and no base that
/// rose.
pub(crate) fn outlook(
    watch: &Watch<'_>,
    ways: &Ways,
    past: &[&Run],
    config: &PumpsConfig,
) -> Option<Outlook> {
    let at = watch.last_run?;
    let kind = watch.kind_prior(at)?;
    let (speed, ln_m3h) = match &ways.speed {
        Some(speed) => (speed.ways.clone(), ways.ln_m3h?),
        // The base is what goes to the limit; the speed that carries the load is the kind's.
        None if watch.base.alert => {
            let drift = (kind.path_spread.drift_mean, kind.path_spread.drift_sd);
            let unseen = Path::unseen(ln_sound(watch, kind)?, drift, days_of(at));
            (vec![unseen], 0.0)
        }
        None => return None,
    };
    Some(Outlook {
        ln_m3h,
        speed,
        base: ways.base.ways.clone(),
        load: load_of_runs(past, config)?,
        diffusion_sd: kind.path_spread.diffusion_sd,
    })
}

/// ln speeds as starts show them, or the runs where starts show none.
struct Speeds {
    begin: Begin,
    points: Vec<Point>,
    sound: Spread,
    /// What turns such an ln speed into ln m³/h.
    ln_m3h: Option<f64>,
    by_runs: bool,
}

fn speeds(
    watch: &Watch<'_>,
    kind: &KindPrior,
    past: &[&Run],
    config: &PumpsConfig,
) -> Option<Speeds> {
    let spread = watch.speed.spread();
    let sound = Spread {
        drift_mean: spread.drift_mean,
        drift_sd: spread.drift_sd,
        ..kind.path_spread
    };
    if watch.speed.is_judged() {
        let (begin, points) = points_of(&watch.speed);
        let level = watch.speed.filter().level().0;
        return Some(Speeds {
            begin,
            points,
            sound,
            ln_m3h: watch.ln_m3h(level).map(|m3h| m3h - level),
            by_runs: false,
        });
    }
    let ln_sound = ln_sound(watch, kind)?;
    let spreads = (watch.steady.spread(), sound);
    let since = watch.renewed_pump_at;
    let bases = (watch.base_points.as_slice(), kind.base.level_mean);
    let seen = steady_speed(past, since, bases, ln_sound, spreads, config)?;
    Some(Speeds {
        begin: seen.begin,
        points: seen.points,
        sound: seen.spread,
        ln_m3h: Some(0.0),
        by_runs: true,
    })
}

/// ln m³/h of a sound pump of the kind and rating, and its standard deviation.
fn ln_sound(watch: &Watch<'_>, kind: &KindPrior) -> Option<(f64, f64)> {
    let level = watch.ln_rated_m3h()? + kind.speed.level_mean;
    Some((level, kind.speed.level_sd))
}

fn base_ways(
    watch: &Watch<'_>,
    kind: &KindPrior,
    now: f64,
    onset: Option<Stamp>,
    speed: &[Path],
) -> BaseWays {
    let of_kind = (kind.base.level_mean, kind.base.level_sd);
    if watch.base.seen.is_empty() && watch.base_points.is_empty() {
        return BaseWays {
            ways: vec![BasePath::unseen(of_kind, kind.ln_leak_back.0, now)],
            ln_evidence: [[None; 3]; 2],
        };
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
        wet: match watch.kind() {
            Some(PumpKind::Dry) => None,
            Some(PumpKind::LiquidRing) => Some(Wet::Seal),
            _ => Some(Wet::Oil),
        },
    };
    base_paths(&ask, |day| lost_by(speed, day))
}

/// ln speed lost on a day against the sound pump, on the likeliest way.
fn lost_by(speed: &[Path], day: f64) -> f64 {
    let Some((path, onset)) = speed.first().and_then(|path| Some((path, path.onset?))) else {
        return 0.0;
    };
    if day < onset {
        return 0.0;
    }
    (path.sound - path.level.0 - path.lost_since(day)).max(0.0)
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
