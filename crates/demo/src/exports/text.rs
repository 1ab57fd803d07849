//! Writing numbers and times as text, and counting what was written.

use std::io::Write as _;

use flate2::{Compression, GzBuilder};
use jiff::Timestamp;
use jiff::tz::TimeZone;

/// What an ingest must count in a file.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Counts {
    pub(crate) rows_in: usize,
    pub(crate) duplicate: usize,
    pub(crate) superseded: usize,
    pub(crate) rejected: usize,
    pub(crate) ignored: usize,
    pub(crate) cell_rejects: usize,
}

/// Append a number with fixed decimals and the given decimal mark.
pub(crate) fn push_fixed(text: &mut Vec<u8>, value: f64, decimals: usize, mark: u8) {
    let scale = 10_i64.pow(decimals as u32);
    let scaled = (value * scale as f64).round() as i64;
    if scaled < 0 {
        text.push(b'-');
    }
    let scaled = scaled.unsigned_abs();
    push_digits(text, scaled / scale as u64, 1);
    if decimals > 0 {
        text.push(mark);
        push_digits(text, scaled % scale as u64, decimals);
    }
}

/// Append a whole number with at least so many digits.
pub(crate) fn push_digits(text: &mut Vec<u8>, value: u64, width: usize) {
    let mut digits = [b'0'; 20];
    let mut left = value;
    let mut start = digits.len();
    while (left > 0 || digits.len() - start < width) && start > 0 {
        start -= 1;
        digits[start] = b'0' + (left % 10) as u8;
        left /= 10;
    }
    text.extend_from_slice(&digits[start..]);
}

/// A number as a file shows it: rounded to its decimals.
pub(crate) fn rounded(value: f64, decimals: usize) -> f64 {
    let scale = 10_f64.powi(decimals as i32);
    (value * scale).round() / scale
}

/// A time zone that remembers the last offset it gave, for runs of close stamps.
#[derive(Clone, Debug)]
pub(crate) struct Clock {
    zone: TimeZone,
    valid: (i64, i64),
    offset_s: i64,
}

/// Civil date and time in a zone.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Civil {
    pub(crate) year: i64,
    pub(crate) month: u8,
    pub(crate) day: u8,
    pub(crate) hour: u8,
    pub(crate) minute: u8,
    pub(crate) second: u8,
}

impl Clock {
    pub(crate) fn new(zone: &str) -> Self {
        let zone = TimeZone::get(zone).unwrap_or(TimeZone::UTC);
        Self {
            zone,
            valid: (0, 0),
            offset_s: 0,
        }
    }

    /// Civil time at seconds since the epoch.
    pub(crate) fn civil(&mut self, at: i64) -> Civil {
        // Offsets change on quarter hours at most, so one look-up serves a quarter hour.
        if at < self.valid.0 || at >= self.valid.1 {
            let from = at - at.rem_euclid(900);
            self.valid = (from, from + 900);
            self.offset_s = Timestamp::from_second(from)
                .map_or(0, |stamp| i64::from(self.zone.to_offset(stamp).seconds()));
        }
        civil_from_seconds(at + self.offset_s)
    }
}

/// Civil time of seconds since the epoch, proleptic Gregorian (days-to-civil of the usual
/// 400-year-era arithmetic).
pub(crate) fn civil_from_seconds(local: i64) -> Civil {
    let days = local.div_euclid(86_400) + 719_468;
    let second = local.rem_euclid(86_400);
    let era = days.div_euclid(146_097);
    let day_of_era = days.rem_euclid(146_097);
    let year_of_era =
        (day_of_era - day_of_era / 1460 + day_of_era / 36_524 - day_of_era / 146_096) / 365;
    let day_of_year = day_of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    let shifted = (5 * day_of_year + 2) / 153;
    let month = if shifted < 10 {
        shifted + 3
    } else {
        shifted - 9
    };
    Civil {
        year: year_of_era + era * 400 + i64::from(month <= 2),
        month: month as u8,
        day: (day_of_year - (153 * shifted + 2) / 5 + 1) as u8,
        hour: (second / 3600) as u8,
        minute: (second / 60 % 60) as u8,
        second: (second % 60) as u8,
    }
}

/// Append the fields of a civil time by a pattern of letters (Y m d H M S), others as they are.
pub(crate) fn push_civil(text: &mut Vec<u8>, civil: Civil, pattern: &str) {
    for letter in pattern.bytes() {
        match letter {
            b'Y' => push_digits(text, civil.year as u64, 4),
            b'm' => push_digits(text, u64::from(civil.month), 2),
            b'd' => push_digits(text, u64::from(civil.day), 2),
            b'H' => push_digits(text, u64::from(civil.hour), 2),
            b'M' => push_digits(text, u64::from(civil.minute), 2),
            b'S' => push_digits(text, u64::from(civil.second), 2),
            other => text.push(other),
        }
    }
}

/// A civil time as a string.
pub(crate) fn civil_text(clock: &mut Clock, at: i64, pattern: &str) -> String {
    let mut text = Vec::new();
    push_civil(&mut text, clock.civil(at), pattern);
    String::from_utf8_lossy(&text).into_owned()
}

/// The text in gzip, without a time stamp, so that the same text gives the same bytes.
pub(crate) fn gzip(text: &[u8]) -> Vec<u8> {
    let mut encoder = GzBuilder::new().write(Vec::new(), Compression::fast());
    // Writing to memory does not fail; an empty result would be seen by every reader.
    if encoder.write_all(text).is_err() {
        return Vec::new();
    }
    encoder.finish().unwrap_or_default()
}

/// Windows-1252 of a text whose letters all lie in Latin-1; others become '?'.
pub(crate) fn latin(text: &str) -> Vec<u8> {
    text.chars()
        .map(|letter| u8::try_from(u32::from(letter)).unwrap_or(b'?'))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fixed(value: f64, decimals: usize) -> String {
        let mut text = Vec::new();
        push_fixed(&mut text, value, decimals, b'.');
        String::from_utf8(text).unwrap()
    }

    #[test]
    fn numbers_keep_their_sign_and_zeros() {
        assert_eq!(fixed(-0.04, 1), "0.0");
        assert_eq!(fixed(-0.06, 1), "-0.1");
        assert_eq!(fixed(12.0, 0), "12");
        assert_eq!(fixed(3.05, 3), "3.050");
    }

    #[test]
    fn civil_times_agree_with_the_calendar_library() {
        for at in [
            0,
            951_782_399,
            951_782_400,
            1_762_063_200,
            1_790_812_799,
            2_000_000_000,
        ] {
            for zone in ["America/Chicago", "Europe/Berlin", "UTC"] {
                let stamp = Timestamp::from_second(at).unwrap();
                let wanted = TimeZone::get(zone).unwrap().to_datetime(stamp);
                let found = civil_text(&mut Clock::new(zone), at, "Y-m-dTH:M:S");
                assert_eq!(found, wanted.to_string());
            }
        }
    }
}
