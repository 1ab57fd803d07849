//! The time passed since a stamp, as recorders count it.

use crate::cells::{DecimalMark, parse_number};

/// What the time passed is counted in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum ElapsedUnit {
    Millisecond,
    Second,
    Minute,
    Hour,
    Day,
    /// `h:min:s`, `h:min`, with a fraction of the second or without.
    HoursAndMinutes,
    /// `min:s`.
    MinutesAndSeconds,
}
use ElapsedUnit::{Day, Hour, HoursAndMinutes, Millisecond, Minute, MinutesAndSeconds, Second};

const NAMES: [(&str, ElapsedUnit); 7] = [
    ("ms", Millisecond),
    ("s", Second),
    ("min", Minute),
    ("h", Hour),
    ("d", Day),
    ("h:min:s", HoursAndMinutes),
    ("min:s", MinutesAndSeconds),
];

/// Longer is no recording: ten years, in seconds.
const MAX_S: f64 = 10.0 * 366.0 * 86_400.0;

impl ElapsedUnit {
    /// As the configuration writes it.
    pub(crate) fn as_str(self) -> &'static str {
        let found = NAMES.iter().find(|(_, unit)| *unit == self);
        found.map_or("", |(name, _)| name)
    }

    /// All of them, as the configuration writes them.
    pub(crate) fn all() -> String {
        NAMES.map(|(name, _)| name).join(", ")
    }

    pub(crate) fn parse(name: &str) -> Option<Self> {
        let found = NAMES.iter().find(|(known, _)| *known == name);
        found.map(|(_, unit)| *unit)
    }

    /// Microseconds of a trimmed text; None where it is no time passed.
    pub(crate) fn read(self, text: &str, mark: DecimalMark) -> Option<i64> {
        let seconds = match self {
            Millisecond => parse_number(text, mark)? / 1e3,
            Second => parse_number(text, mark)?,
            Minute => parse_number(text, mark)? * 60.0,
            Hour => parse_number(text, mark)? * 3_600.0,
            Day => parse_number(text, mark)? * 86_400.0,
            HoursAndMinutes => sexagesimal(text, mark, 3_600.0)?,
            MinutesAndSeconds => sexagesimal(text, mark, 60.0)?,
        };
        (seconds.abs() <= MAX_S).then(|| (seconds * 1e6).round() as i64)
    }
}

/// Parts behind each other, each a sixtieth of the one before; the first counts `first_s` seconds.
fn sexagesimal(text: &str, mark: DecimalMark, first_s: f64) -> Option<f64> {
    let (sign, body) = match text.strip_prefix('-') {
        Some(body) => (-1.0, body),
        None => (1.0, text),
    };
    let parts: Vec<&str> = body.split(':').collect();
    let most = if first_s > 60.0 { 3 } else { 2 };
    if !(2..=most).contains(&parts.len()) {
        return None;
    }
    let mut weight = first_s;
    let mut sum = 0.0;
    for (at, part) in parts.iter().enumerate() {
        let is_last = at + 1 == parts.len();
        let digits = |text: &str| !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
        // Whatever the decimal mark, a clock's fraction stands behind either.
        let whole = part.split(['.', ',']).next().unwrap_or(part);
        let value = if is_last && weight <= 1.0 {
            parse_number(part, mark).or_else(|| part.replace(',', ".").parse().ok())?
        } else {
            digits(part).then(|| part.parse::<f64>().ok()).flatten()?
        };
        if !digits(whole) || (at > 0 && !(whole.len() == 2 && value < 60.0)) {
            return None;
        }
        sum += value * weight;
        weight /= 60.0;
    }
    Some(sign * sum)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_passed() {
        const POINT: DecimalMark = DecimalMark::Point;
        let cases: &[(&str, &str, Option<f64>)] = &[
            ("s", "0", Some(0.0)),
            ("s", "60.5", Some(60.5)),
            ("s", "-30", Some(-30.0)),
            ("s", "1,200", Some(1200.0)),
            ("s", "1:00", None),
            ("s", "", None),
            ("s", "9e9", None),
            ("ms", "1500", Some(1.5)),
            ("min", "1.5", Some(90.0)),
            ("h", "0.25", Some(900.0)),
            ("d", "0.5", Some(43_200.0)),
            ("h:min:s", "0:01:30", Some(90.0)),
            ("h:min:s", "100:00:00.25", Some(360_000.25)),
            ("h:min:s", "0:00:01,5", Some(1.5)),
            ("h:min:s", "1:30", Some(5_400.0)),
            ("h:min:s", "-0:01:00", Some(-60.0)),
            ("h:min:s", "0:60:00", None),
            ("h:min:s", "90", None),
            ("h:min:s", "1:2:3:4", None),
            ("min:s", "90:15", Some(5_415.0)),
            ("min:s", "1:30:00", None),
        ];
        for (unit, text, seconds) in cases {
            let found = ElapsedUnit::parse(unit).unwrap().read(text, POINT);
            let expected = seconds.map(|seconds| (seconds * 1e6) as i64);
            assert_eq!(found, expected, "{unit} {text}");
        }
        assert_eq!(ElapsedUnit::parse("furlong"), None);
    }
}
