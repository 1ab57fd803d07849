//! Times in UTC, to the microsecond, and the calendar the contract needs of them.
//!
//! Proleptic Gregorian calendar; leap seconds do not exist here (POSIX time).

use std::fmt;
use std::str::FromStr;

use jiff::Timestamp;
use jiff::civil;

const MICROS_PER_SECOND: i64 = 1_000_000;
const MICROS_PER_DAY: i64 = 86_400 * MICROS_PER_SECOND;
const MICROS_PER_HOUR: f64 = 3_600e6;

/// A time stamp: microseconds since 1970-01-01T00:00Z.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Stamp(i64);

/// A text that is not a time stamp or a date.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("found \"{found}\", expected {expected}")]
pub struct StampError {
    /// What was found.
    pub found: String,
    /// What was expected.
    pub expected: &'static str,
}

impl Stamp {
    /// From microseconds since the epoch.
    #[must_use]
    pub const fn from_micros(micros: i64) -> Self {
        Self(micros)
    }

    /// From whole seconds since the epoch.
    #[must_use]
    pub const fn from_seconds(seconds: i64) -> Self {
        Self(seconds.saturating_mul(MICROS_PER_SECOND))
    }

    /// Microseconds since the epoch.
    #[must_use]
    pub const fn micros(self) -> i64 {
        self.0
    }

    /// Seconds from `earlier` to this stamp.
    #[must_use]
    pub fn seconds_after(self, earlier: Self) -> f64 {
        (self.0 - earlier.0) as f64 / 1e6
    }

    /// Hours from `earlier` to this stamp.
    #[must_use]
    pub fn hours_after(self, earlier: Self) -> f64 {
        (self.0 - earlier.0) as f64 / MICROS_PER_HOUR
    }

    /// Days of 24 h from `earlier` to this stamp.
    #[must_use]
    pub fn days_after(self, earlier: Self) -> f64 {
        self.hours_after(earlier) / 24.0
    }

    /// This stamp moved by hours (negative: back).
    #[must_use]
    pub fn plus_hours(self, hours: f64) -> Self {
        Self(
            self.0
                .saturating_add((hours * MICROS_PER_HOUR).round() as i64),
        )
    }

    /// This stamp moved by days of 24 h.
    #[must_use]
    pub fn plus_days(self, days: f64) -> Self {
        self.plus_hours(days * 24.0)
    }

    /// The UTC day this stamp lies in.
    #[must_use]
    pub const fn day(self) -> Day {
        Day(self.0.div_euclid(MICROS_PER_DAY) as i32)
    }

    /// The UTC quarter this stamp lies in.
    #[must_use]
    pub fn quarter(self) -> Quarter {
        let (year, month, _) = self.day().civil();
        Quarter {
            year,
            number: (month - 1) / 3 + 1,
        }
    }

    /// The UTC month as `YYYY-MM`, the partition word of `readings`.
    #[must_use]
    pub fn month(self) -> String {
        let (year, month, _) = self.day().civil();
        format!("{year:04}-{month:02}")
    }

    /// Start of this stamp's UTC month.
    #[must_use]
    pub fn month_start(self) -> Self {
        let (year, month, _) = self.day().civil();
        Day::from_civil(year, month, 1).start()
    }

    /// `2026-01-03T11:45:00Z`; fractions of a second only where there are any.
    #[must_use]
    pub fn rfc3339(self) -> String {
        Timestamp::from_microsecond(self.0)
            .map_or_else(|_| format!("{}us", self.0), |t| t.to_string())
    }

    /// `20260103T114500Z`, the form inside a `run_id`.
    #[must_use]
    pub fn compact(self) -> String {
        let (year, month, day) = self.day().civil();
        let second = self.0.rem_euclid(MICROS_PER_DAY) / MICROS_PER_SECOND;
        format!(
            "{year:04}{month:02}{day:02}T{:02}{:02}{:02}Z",
            second / 3600,
            second / 60 % 60,
            second % 60
        )
    }

    /// `2026-01-03 11:45`, for people (UTC).
    #[must_use]
    pub fn minute(self) -> String {
        let second = self.0.rem_euclid(MICROS_PER_DAY) / MICROS_PER_SECOND;
        format!(
            "{} {:02}:{:02}",
            self.day(),
            second / 3600,
            second / 60 % 60
        )
    }
}

impl fmt::Display for Stamp {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.rfc3339())
    }
}

impl FromStr for Stamp {
    type Err = StampError;

    /// Reads RFC 3339, or a date, which means its 00:00 UTC.
    fn from_str(text: &str) -> Result<Self, StampError> {
        if let Ok(day) = text.parse::<Day>() {
            return Ok(day.start());
        }
        text.parse::<Timestamp>()
            .map(|t| Self(t.as_microsecond()))
            .map_err(|_| StampError {
                found: text.to_owned(),
                expected: "a date (2026-10-01) or an RFC 3339 time (2026-10-01T06:30:00Z)",
            })
    }
}

/// A calendar day: days since 1970-01-01.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Day(i32);

impl Day {
    /// From days since 1970-01-01.
    #[must_use]
    pub const fn from_number(days: i32) -> Self {
        Self(days)
    }

    /// From year, month (1..12) and day of the month; a day that does not exist becomes the epoch day.
    #[must_use]
    pub fn from_civil(year: i16, month: i8, day: i8) -> Self {
        let epoch = civil::date(1970, 1, 1);
        civil::Date::new(year, month, day)
            .ok()
            .and_then(|date| date.since((jiff::Unit::Day, epoch)).ok())
            .map_or(Self(0), |span| Self(span.get_days()))
    }

    /// Days since 1970-01-01.
    #[must_use]
    pub const fn number(self) -> i32 {
        self.0
    }

    /// Its 00:00 UTC.
    #[must_use]
    pub const fn start(self) -> Stamp {
        Stamp(self.0 as i64 * MICROS_PER_DAY)
    }

    /// Year, month (1..12), day of the month.
    #[must_use]
    pub fn civil(self) -> (i16, i8, i8) {
        let span = jiff::Span::new().days(self.0);
        let date = civil::date(1970, 1, 1)
            .checked_add(span)
            .unwrap_or(civil::date(1970, 1, 1));
        (date.year(), date.month(), date.day())
    }

    /// Day of the year, 1..366.
    #[must_use]
    pub fn day_of_year(self) -> i32 {
        let (year, _, _) = self.civil();
        self.0 - Self::from_civil(year, 1, 1).0 + 1
    }
}

impl fmt::Display for Day {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (year, month, day) = self.civil();
        f.pad(&format!("{year:04}-{month:02}-{day:02}"))
    }
}

impl FromStr for Day {
    type Err = StampError;

    fn from_str(text: &str) -> Result<Self, StampError> {
        let wrong = || StampError {
            found: text.to_owned(),
            expected: "a date such as 2026-10-01",
        };
        if text.len() != 10 {
            return Err(wrong());
        }
        let date: civil::Date = text.parse().map_err(|_| wrong())?;
        Ok(Self::from_civil(date.year(), date.month(), date.day()))
    }
}

/// A calendar quarter in UTC, written `2026Q3`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Quarter {
    /// Year.
    pub year: i16,
    /// 1..4.
    pub number: i8,
}

impl Quarter {
    /// First instant of the quarter.
    #[must_use]
    pub fn start(self) -> Stamp {
        Day::from_civil(self.year, self.number * 3 - 2, 1).start()
    }

    /// First instant after the quarter: the `as_of` of its report.
    #[must_use]
    pub fn end(self) -> Stamp {
        self.next().start()
    }

    /// The quarter that follows.
    #[must_use]
    pub const fn next(self) -> Self {
        if self.number == 4 {
            Self {
                year: self.year + 1,
                number: 1,
            }
        } else {
            Self {
                year: self.year,
                number: self.number + 1,
            }
        }
    }
}

impl fmt::Display for Quarter {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&format!("{}Q{}", self.year, self.number))
    }
}

impl FromStr for Quarter {
    type Err = StampError;

    fn from_str(text: &str) -> Result<Self, StampError> {
        let wrong = || StampError {
            found: text.to_owned(),
            expected: "a quarter such as 2026Q3",
        };
        let (year, number) = text.split_once('Q').ok_or_else(wrong)?;
        let year: i16 = year.parse().map_err(|_| wrong())?;
        let number: i8 = number.parse().map_err(|_| wrong())?;
        if !(1..=4).contains(&number) || !(1900..=9000).contains(&year) {
            return Err(wrong());
        }
        Ok(Self { year, number })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stamp_reads_and_prints_the_contract_forms() {
        let stamp: Stamp = "2026-01-03T11:45:00Z".parse().unwrap();
        assert_eq!(stamp.compact(), "20260103T114500Z");
        assert_eq!(stamp.rfc3339(), "2026-01-03T11:45:00Z");
        assert_eq!(stamp.month(), "2026-01");
        assert_eq!(stamp.quarter().to_string(), "2026Q1");
        assert_eq!(
            "2026-10-01".parse::<Stamp>().unwrap().rfc3339(),
            "2026-10-01T00:00:00Z"
        );
        assert!("2026-13-01".parse::<Stamp>().is_err());
    }

    #[test]
    fn a_quarter_ends_where_the_next_begins() {
        let quarter: Quarter = "2026Q4".parse().unwrap();
        assert_eq!(quarter.end().rfc3339(), "2027-01-01T00:00:00Z");
        assert_eq!(quarter.start().rfc3339(), "2026-10-01T00:00:00Z");
        assert!("2026Q5".parse::<Quarter>().is_err());
    }

    #[test]
    fn days_before_the_epoch_keep_their_order() {
        let day: Day = "1969-12-31".parse().unwrap();
        assert_eq!(day.number(), -1);
        assert_eq!(Stamp::from_micros(-1).day(), day);
        assert_eq!(day.civil(), (1969, 12, 31));
    }
}
