//! A local clock: from what it showed to UTC, or the two candidates where it showed it twice.

use drydown_quantity::Stamp;
use jiff::Timestamp;
use jiff::civil::DateTime;
use jiff::tz::{AmbiguousOffset, Offset, TimeZone};

/// What a local time means.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum LocalTime {
    /// One instant.
    Known(Stamp),
    /// The clock was set back over it: first and second pass.
    Twice(Stamp, Stamp),
    /// The clock was set forward over it.
    Never,
}

/// A source's time zone.
#[derive(Clone, Debug)]
pub(crate) struct Clock {
    zone: TimeZone,
}

impl Clock {
    /// The zone of an IANA name, from the tables compiled in; None for an unknown name.
    pub(crate) fn parse(name: &str) -> Option<Self> {
        if name.eq_ignore_ascii_case("utc") {
            return Some(Self {
                zone: TimeZone::UTC,
            });
        }
        TimeZone::get(name).ok().map(|zone| Self { zone })
    }

    /// What `local_micros` (microseconds since 1970-01-01T00:00 on this clock) means.
    pub(crate) fn to_utc(&self, local_micros: i64) -> LocalTime {
        let Some(shown) = to_datetime(local_micros) else {
            return LocalTime::Never;
        };
        let at = |offset: Offset| {
            Stamp::from_micros(local_micros - i64::from(offset.seconds()) * 1_000_000)
        };
        match self.zone.to_ambiguous_timestamp(shown).offset() {
            AmbiguousOffset::Unambiguous { offset } => LocalTime::Known(at(offset)),
            AmbiguousOffset::Fold { before, after } => LocalTime::Twice(at(before), at(after)),
            AmbiguousOffset::Gap { .. } => LocalTime::Never,
        }
    }
}

/// A stretch of time over which a clock keeps one offset.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Steady {
    from_micros: i64,
    to_micros: i64,
    offset_micros: i64,
}

impl Steady {
    /// The instant of a local time; None outside the stretch.
    pub(crate) fn to_utc(self, local_micros: i64) -> Option<Stamp> {
        let at = local_micros.checked_sub(self.offset_micros)?;
        (self.from_micros..self.to_micros)
            .contains(&at)
            .then(|| Stamp::from_micros(at))
    }
}

impl Clock {
    /// The stretch around a local time that keeps a day away from every change of the clock, so
    /// that nothing in it happened twice or never; None near a change.
    pub(crate) fn steady_around(&self, local_micros: i64) -> Option<Steady> {
        let LocalTime::Known(at) = self.to_utc(local_micros) else {
            return None;
        };
        let here = Timestamp::from_microsecond(at.micros()).ok()?;
        let last = self.zone.preceding(here).next();
        let next = self.zone.following(here).next();
        let steady = Steady {
            from_micros: last.map_or(i64::MIN, |change| {
                change
                    .timestamp()
                    .as_microsecond()
                    .saturating_add(MICROS_PER_DAY)
            }),
            to_micros: next.map_or(i64::MAX, |change| {
                change
                    .timestamp()
                    .as_microsecond()
                    .saturating_sub(MICROS_PER_DAY)
            }),
            offset_micros: local_micros - at.micros(),
        };
        steady.to_utc(local_micros).map(|_| steady)
    }
}

const MICROS_PER_DAY: i64 = 86_400_000_000;

fn to_datetime(local_micros: i64) -> Option<DateTime> {
    let as_if_utc = Timestamp::from_microsecond(local_micros).ok()?;
    Some(Offset::UTC.to_datetime(as_if_utc))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shown(zone: &str, local: &str) -> String {
        let local: Stamp = format!("{local}Z").parse().unwrap();
        match Clock::parse(zone).unwrap().to_utc(local.micros()) {
            LocalTime::Known(at) => at.to_string(),
            LocalTime::Twice(first, second) => format!("{first} or {second}"),
            LocalTime::Never => "never".to_owned(),
        }
    }

    #[test]
    fn a_steady_stretch_agrees_with_the_clock() {
        let hour = 3_600_000_000;
        let start: Stamp = "2025-12-20T00:30:00Z".parse().unwrap();
        for zone in ["America/Chicago", "Europe/Berlin", "Asia/Kolkata", "UTC"] {
            let clock = Clock::parse(zone).unwrap();
            let mut steady: Option<Steady> = None;
            let mut n_steady = 0;
            for n in 0..400 * 24 {
                let local = start.micros() + n * hour;
                if steady.and_then(|steady| steady.to_utc(local)).is_none() {
                    steady = clock.steady_around(local);
                }
                if let Some(at) = steady.and_then(|steady| steady.to_utc(local)) {
                    assert_eq!(clock.to_utc(local), LocalTime::Known(at), "{zone} {local}");
                    n_steady += 1;
                }
            }
            assert!(n_steady > 390 * 24, "{zone}: {n_steady}");
        }
    }

    #[test]
    fn the_year_of_a_clock() {
        // US Energy Policy Act of 2005 and EU Directive 2000/84/EC: the days clocks change.
        let cases = [
            (
                "America/Chicago",
                "2026-01-03T05:45:00",
                "2026-01-03T11:45:00Z",
            ),
            (
                "America/Chicago",
                "2026-07-03T05:45:00",
                "2026-07-03T10:45:00Z",
            ),
            ("America/Chicago", "2026-03-08T02:30:00", "never"),
            (
                "America/Chicago",
                "2026-11-01T01:30:00",
                "2026-11-01T06:30:00Z or 2026-11-01T07:30:00Z",
            ),
            (
                "Europe/Berlin",
                "2026-10-25T02:00:00",
                "2026-10-25T00:00:00Z or 2026-10-25T01:00:00Z",
            ),
            (
                "Europe/Berlin",
                "2026-03-29T03:00:00",
                "2026-03-29T01:00:00Z",
            ),
            ("UTC", "2026-03-29T02:30:00", "2026-03-29T02:30:00Z"),
        ];
        for (zone, local, expected) in cases {
            assert_eq!(shown(zone, local), expected, "{zone} {local}");
        }
        assert!(Clock::parse("America/Chikago").is_none());
    }
}
