//! Days to the limit of the pump under watch.

use drydown_quantity::Stamp;
use drydown_runs::Run;

use crate::filter::{Filter, Spread};
use crate::leak_back::{PRIOR, Worn, WornBase, base_of_worn, fit_leak_back, rose_beyond_wear};
use crate::limit::{Days, Motion, Standing, days_by_base, days_by_speed, load_of_runs};
use crate::monitor::{Monitor, days_of};
use crate::prior::KindPrior;
use crate::watch::Watch;
use crate::{DaysStatus, PumpsConfig};

/// Where the pump stands now; None where no speed in m³/h is known.
pub(crate) fn standing(watch: &Watch<'_>, onset: Option<Stamp>) -> Option<Standing> {
    // Where slow logs show no speed there is no forecast: a base on its way up by wear gains pace, one
    // by a leak does not, and the base alone does not tell the two apart well enough.
    if watch.speed.seen.is_empty() {
        return None;
    }
    let at = watch.last_run?;
    let failing = |m: &Monitor, spread| {
        let path = onset.and_then(|onset| m.path_since(onset, spread));
        path.map(|path| moved_to(&path, at))
    };
    let kind = watch.kind_prior(at)?;
    let speed = failing(&watch.speed, falling(kind)).filter(|_| watch.speed.alert);
    let base = failing(&watch.base, rising(watch, kind)).filter(|_| watch.base.alert);
    let sound = moved_to(watch.speed.filter(), at);
    let path = speed.as_ref().unwrap_or(&sound);
    let (level, level_sd) = path.level();
    let (base_kpa, base_sd_kpa) = if watch.base.seen.is_empty() {
        // Never seen: what pumps of this kind hold.
        (kind.base.level_mean, kind.base.level_sd)
    } else {
        base.unwrap_or(moved_to(watch.base.filter(), at)).level()
    };
    let worn = onset.filter(|_| watch.speed.alert);
    let leak_back = worn.map_or(PRIOR, |onset| leak_back(watch, onset));
    let loss = Worn {
        now: at,
        loss: (sound.level().0 - level).max(0.0),
        loss_per_day: -path.drift().0,
    };
    let worn = worn.and_then(|onset| worn_base(watch, onset, leak_back, &loss));
    let base = worn.unwrap_or(WornBase {
        kpa: base_kpa,
        sd_kpa: base_sd_kpa,
        with_gamma: 0.0,
    });
    Some(Standing {
        ln_speed: watch.ln_m3h(level)?,
        ln_speed_sd: level_sd,
        base_kpa: base.kpa.max(0.0),
        base_sd_kpa: base.sd_kpa,
        base_with_gamma: base.with_gamma,
        leak_back,
    })
}

/// How ln speed of a failing pump of a kind moves.
fn falling(kind: &KindPrior) -> Spread {
    let (fall, fall_sd) = kind.failing_drift;
    Spread {
        drift_mean: -fall,
        drift_sd: fall_sd,
        ..kind.path_spread
    }
}

/// How the base of a failing pump of a kind moves.
fn rising(watch: &Watch<'_>, kind: &KindPrior) -> Spread {
    let (rise, rise_sd) = kind.failing_base_drift;
    Spread {
        drift_mean: rise,
        drift_sd: rise_sd,
        ..watch.base.spread()
    }
}

fn worn_base(
    watch: &Watch<'_>,
    onset: Stamp,
    leak_back: (f64, f64),
    worn: &Worn,
) -> Option<WornBase> {
    let since = watch.renewed_at.map_or(onset, |at| at.max(onset));
    let spread = watch.base.spread();
    let noise = (spread.noise_sd, spread.shared_sd);
    base_of_worn(&watch.base_points, (onset, since), leak_back, worn, noise)
}

fn leak_back(watch: &Watch<'_>, onset: Stamp) -> (f64, f64) {
    let losses: Vec<(Stamp, f64)> = watch
        .speed
        .seen
        .iter()
        .filter(|seen| seen.at >= onset)
        .map(|seen| (seen.at, seen.expected.mean - seen.y))
        .collect();
    let spread = watch.base.spread();
    let noise = (spread.noise_sd, spread.shared_sd);
    fit_leak_back(&watch.base_points, &losses, onset, noise)
}

/// Whether the base is on its own way to the limit, and not only with the speed's.
fn base_rises_alone(watch: &Watch<'_>, onset: Stamp) -> bool {
    let base = watch.base.shift_since(onset);
    let speed = watch.speed.alert.then(|| watch.speed.shift_since(onset));
    rose_beyond_wear(speed.flatten(), base, watch.base.filter().level().0)
}

/// A path at a later time, with no more seen of it: the pump goes on between its starts.
fn moved_to(path: &Filter, at: Stamp) -> Filter {
    let mut path = *path;
    path.advance(days_of(at));
    path
}

/// Days from the end of the last run until the pump no longer holds its limit.
pub(crate) fn days_to_limit(
    watch: &Watch<'_>,
    past: &[&Run],
    onset: Option<Stamp>,
    config: &PumpsConfig,
) -> Days {
    let unjudged = Days::none(DaysStatus::Unjudged);
    let Some(at) = watch.last_run else {
        return unjudged;
    };
    let Some((standing, load)) = standing(watch, onset).zip(load_of_runs(past, config)) else {
        return unjudged;
    };
    let Some(kind) = watch.kind_prior(at) else {
        return unjudged;
    };
    let path = onset
        .filter(|_| watch.speed.alert)
        .and_then(|onset| watch.speed.path_since(onset, falling(kind)));
    let path = moved_to(path.as_ref().unwrap_or(watch.speed.filter()), at);
    let (drift, drift_sd) = path.drift();
    let motion = Motion {
        drift: (-drift, drift_sd),
        level_drift: path.level_drift_covariance(),
        diffusion_sd: kind.path_spread.diffusion_sd,
    };
    let by_speed = days_by_speed(&standing, &load, &motion, config);
    let rising = onset
        .filter(|onset| watch.base.alert && base_rises_alone(watch, *onset))
        .and_then(|onset| watch.base.path_since(onset, rising(watch, kind)));
    let days = match rising {
        Some(path) => {
            let path = moved_to(&path, at);
            let motion = Motion {
                drift: path.drift(),
                level_drift: path.level_drift_covariance(),
                diffusion_sd: watch.base.spread().diffusion_sd,
            };
            by_speed.sooner(days_by_base(&standing, &load, &motion, config))
        }
        None => by_speed,
    };
    // A pump in control whose drift cannot be told from none is not on its way to the limit.
    let drifts = -drift > 1.28 * drift_sd;
    if days.status == DaysStatus::Beyond && onset.is_none() && !drifts {
        return Days::none(DaysStatus::NotDegrading);
    }
    days
}
