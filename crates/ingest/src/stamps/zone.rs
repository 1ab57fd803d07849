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
