//! What a witness shows, and how it was seen.

use drydown_quantity::Stamp;
use drydown_runs::Run;

use crate::base_path::BasePoint;
use crate::covariates::Covariates;
use crate::filter::{Expected, Filter};

/// Days since the epoch.
pub(crate) fn days_of(at: Stamp) -> f64 {
    at.seconds_after(Stamp::from_micros(0)) / 86_400.0
}

/// One raw observation.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Observation {
    pub(crate) at: Stamp,
    pub(crate) raw: f64,
    pub(crate) x: Covariates,
    pub(crate) se: f64,
    /// What its yardstick adds that neighbouring days share (weather), standard deviation.
    pub(crate) shared_sd: f64,
    /// The yardstick's zero where it is assumed, not measured, and how well zeros of two places
    /// agree (standard deviation).
    pub(crate) datum: Option<(f64, f64)>,
}

/// One observation as it was seen.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Seen {
    pub(crate) at: Stamp,
    /// Without what its covariates add.
    pub(crate) y: f64,
    /// What they add.
    pub(crate) added: f64,
    pub(crate) se: f64,
    pub(crate) expected: Expected,
    /// Level the filter held before this observation.
    pub(crate) level: f64,
    /// Standardised innovation, positive where worse.
    pub(crate) z: f64,
}

/// What was known of a level before its first observation.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Start {
    pub(crate) day: f64,
    pub(crate) level: f64,
    pub(crate) level_sd: f64,
}

impl Start {
    pub(crate) fn of(filter: &Filter, day: f64) -> Self {
        let (level, level_sd) = filter.level();
        Self {
            day,
            level,
            level_sd,
        }
    }
}

/// A run's speed against what was predicted of it, about the level after the last reset.
#[derive(Clone, Copy, Debug)]
pub(crate) struct View {
    pub(crate) indicator: f64,
    pub(crate) expected: f64,
    pub(crate) sd: f64,
}

/// Standard error of a base behind an assumed barometer, the weather apart.
pub(crate) fn no_weather(se: f64, weather_sd: f64) -> f64 {
    (se * se - weather_sd * weather_sd).max(0.01).sqrt()
}

/// What the weather adds to the pressures of a run behind an assumed barometer, kPa, by how far the base of the
/// run's own start lay off its level: both are read against the same barometer. As much of it as its standard
/// error leaves, and no more than weather does; 0 where the start is of another run.
pub(crate) fn weather_kpa(start: &BasePoint, run: &Run, weather_sd: f64) -> f64 {
    /// Most that weather does, standard deviations.
    const MOST: f64 = 2.5;
    if start.at < run.started_at || start.at > run.ended_at {
        return 0.0;
    }
    let weather = weather_sd * weather_sd;
    let of_weather = weather / (weather + start.se * start.se + start.level_sd * start.level_sd);
    let most = MOST * weather_sd;
    (of_weather * (start.kpa - start.level)).clamp(-most, most)
}
