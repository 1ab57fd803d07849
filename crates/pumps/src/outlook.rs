//! Days to the limit of the pump under watch.

use drydown_quantity::Stamp;
use drydown_runs::Run;
use drydown_runs::history::PumpKind;
use drydown_stats::robust;

use crate::base_path::{BasePath, BasePoint, BaseWays, Question, Wet, base_paths};
use crate::filter::Spread;
use crate::futures::{Draws, Outlook};
use crate::limit::{Days, Load, load_of_runs, vent_shut};
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
    /// By the likeliest way of the speed.
    pub(crate) base: BaseWays,
    joint: Joint,
    /// What turns such a ln speed into ln m³/h, where that is known.
    ln_m3h: Option<f64>,
}

/// Ways of the speed, weighed by what speeds and bases say, and the ways of the base that go with them.
#[derive(Debug, Default)]
struct Joint {
    speed: Vec<Path>,
    bases: Vec<Vec<BasePath>>,
}

/// A course of the speed less likely than this by the speeds is not asked how the bases like it.
const ASKED: f64 = 0.01;
/// Most that the bases say against a course of the speed, log odds: what they hang on is a law of which only
/// a few kinds are looked at.
const MOST_LN_ODDS: f64 = 4.0;

/// Wear opens the clearances that lift the base: bases tell in which manner the speed falls. Every course of it
/// is followed by the bases along its likeliest way.
fn joint(speed: &[Path], likely: &BaseWays, follow: impl Fn(&Path) -> BaseWays) -> Joint {
    let mut courses: Vec<(usize, f64)> = Vec::new();
    for way in speed {
        match courses.iter_mut().find(|(course, _)| *course == way.course) {
            Some((_, weight)) => *weight += way.weight,
            None => courses.push((way.course, way.weight)),
        }
    }
    courses.retain(|(_, weight)| *weight >= ASKED);
    let mut bases: Vec<BaseWays> = vec![likely.clone()];
    // The ways come by weight: the first of all is the one of `likely`.
    for (course, _) in courses.iter().skip(1) {
        bases.extend(speed.iter().find(|way| way.course == *course).map(&follow));
    }
    let best = bases
        .iter()
        .map(|base| base.ln_total)
        .fold(f64::NEG_INFINITY, f64::max);
    let number = |way: &Path| courses.iter().position(|(course, _)| *course == way.course);
    let mut speed: Vec<Path> = speed
        .iter()
        .filter_map(|way| {
            let bases_of = number(way)?;
            let odds = bases.get(bases_of)?.ln_total - best;
            let weight = way.weight * odds.max(-MOST_LN_ODDS).exp();
            let mut way = *way;
            (way.weight, way.bases) = (weight, bases_of);
            Some(way)
        })
        .collect();
    let total: f64 = speed.iter().map(|way| way.weight).sum();
    for way in &mut speed {
        way.weight /= total;
    }
    speed.sort_by(|a, b| b.weight.total_cmp(&a.weight));
    Joint {
        speed,
        bases: bases.into_iter().map(|base| base.ways).collect(),
    }
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
            by_manner: kind.by_manner,
        };
        let since = onset.map(|onset| days_of(own.unwrap_or(onset)));
        // A steady pressure's alert is a speed's where the starts show none.
        let changed = watch.speed.alert || (by_runs && watch.steady_alert());
        paths(speeds.begin, &speeds.points, now, since, changed, &moves)
    });
    let likely = speed.as_ref().and_then(|speed| speed.ways.first());
    let base = base_ways(watch, kind, now, onset, likely);
    let of_speed = speed.as_ref().map_or(&[][..], |speed| &speed.ways);
    let joint = joint(of_speed, &base, |way| {
        base_ways(watch, kind, now, onset, Some(way))
    });
    Some(Ways {
        joint,
        speed,
        by_runs,
        base,
        ln_m3h,
    })
}

/// What the pump's future hangs on, as its starts show it or, `by_work`, its runs; None where no load is known, or no speed in m³/h and no
/// pressure that rose.
pub(crate) fn outlook(
    watch: &Watch<'_>,
    ways: &Ways,
    past: &[&Run],
    by_work: bool,
    config: &PumpsConfig,
) -> Option<Outlook> {
    let at = watch.last_run?;
    let kind = watch.kind_prior(at)?;
    let load = load_of_runs(past, config)?;
    let diffusion_sd = kind.path_spread.diffusion_sd;
    // What the runs hold of a pump that only they show to be ill, its starts do not.
    let worked = by_work.then(|| steady_ways(watch, kind, past, days_of(at)));
    let worked = worked.flatten();
    if ways.speed.is_some() && worked.is_none() {
        return Some(Outlook {
            ln_m3h: ways.ln_m3h?,
            speed: ways.joint.speed.clone(),
            bases: ways.joint.bases.clone(),
            load,
            diffusion_sd,
        });
    }
    // The pressure is what goes to the limit; the speed that carries the load is the kind's.
    let (base, load) = if let Some(base) = worked {
        let kpa_m3h = 0.0;
        (base, Load { kpa_m3h, ..load })
    } else if watch.base.alert {
        (ways.base.ways.clone(), load)
    } else {
        // A pressure at work holds its load already.
        let kpa_m3h = 0.0;
        let held = Load { kpa_m3h, ..load };
        let unseen = watch.base_points.is_empty();
        let ways = unseen.then(|| steady_ways(watch, kind, past, days_of(at)));
        (ways.flatten()?, held)
    };
    let drift = (kind.path_spread.drift_mean, kind.path_spread.drift_sd);
    Some(Outlook {
        ln_m3h: 0.0,
        speed: vec![Path::unseen(ln_sound(watch, kind)?, drift, days_of(at))],
        bases: vec![base],
        load,
        diffusion_sd,
    })
}

/// Runs whose pressure at work shows where a pump goes that no start tells of.
const STEADY_RUNS: usize = 8;
/// How well one run's pressure at work is that of the pump, as a share (common practice).
const STEADY_SHARE: f64 = 0.1;

/// The ways of the pressure at work of a pump that no start shows to be ill, by its alert: with the vent as good as
/// shut, or none logged, it is no less than what the pump would hold. None else.
fn steady_ways(
    watch: &Watch<'_>,
    kind: &KindPrior,
    past: &[&Run],
    now: f64,
) -> Option<Vec<BasePath>> {
    let onset = watch.steady.onset.filter(|_| watch.steady.alert)?;
    let since = watch.renewed_at;
    let runs: Vec<(Stamp, f64)> = past
        .iter()
        .filter(|run| since.is_none_or(|at| run.ended_at >= at))
        .filter(|run| run.hours >= 1.0 && !run.has_flag("pressure_stuck"))
        .filter_map(|run| Some((run.ended_at, run.steady_kpa.filter(|kpa| *kpa > 0.0)?)))
        .collect();
    let opened = past
        .iter()
        .rev()
        .take(STEADY_RUNS)
        .any(|run| !vent_shut(run));
    if opened {
        return None;
    }
    let sound: Vec<f64> = runs
        .iter()
        .filter(|run| run.0 <= onset)
        .map(|run| run.1)
        .collect();
    let level = robust::median(&sound)?;
    let level_sd = STEADY_SHARE * level;
    let points: Vec<BasePoint> = runs
        .iter()
        .map(|(at, kpa)| BasePoint {
            at: *at,
            kpa: *kpa,
            se: STEADY_SHARE * kpa,
            level,
            level_sd,
            sealed_kpa: None,
            by_air: None,
        })
        .collect();
    let ask = Question {
        points: &points,
        spread: watch.base.spread(),
        of_kind: (level, level_sd),
        leak_back: kind.leak_back,
        speed_seen: false,
        slips: false,
        growth: kind.failing_base_drift,
        now,
        onset: Some(days_of(onset)),
        base_onset: Some(days_of(onset)),
        renewed: None,
        place_sd: 0.0,
        wet: None,
    };
    Some(base_paths(&ask, |_| 0.0).ways)
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
    speed: Option<&Path>,
) -> BaseWays {
    let of_kind = (kind.base.level_mean, kind.base.level_sd);
    if watch.base.seen.is_empty() && watch.base_points.is_empty() {
        return BaseWays {
            ways: vec![BasePath::unseen(of_kind, kind.leak_back.ln_gamma.0, now)],
            ln_evidence: [[None; 3]; 2],
            ln_total: 0.0,
        };
    }
    let ask = Question {
        points: &watch.base_points,
        spread: Spread {
            diffusion_sd: kind.base_path_spread.diffusion_sd,
            ..watch.base.spread()
        },
        of_kind,
        leak_back: kind.leak_back,
        speed_seen: watch.speed.is_judged(),
        slips: watch.kind() == Some(PumpKind::Dry),
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

/// ln speed lost on a day against the sound pump, on a way of the speed.
fn lost_by(speed: Option<&Path>, day: f64) -> f64 {
    let Some((path, onset)) = speed.and_then(|path| Some((path, path.onset?))) else {
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
