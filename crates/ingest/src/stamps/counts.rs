//! Stamps that are one number: seconds and their parts since 1970, days of a spreadsheet.

use drydown_quantity::Stamp;

use super::calendar::is_in_calendar;
use super::format::WrittenStamp;

/// 1899-12-30 in days since 1970-01-01: the day zero of spreadsheet serials.
const SERIAL_DAY_ZERO: f64 = -25_569.0;

/// What is counted since 1970.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum EpochUnit {
    Second,
    Milli,
    Micro,
    Nano,
}

/// Counts since 1970-01-01T00:00 UTC. Below the microsecond nothing is kept.
/// 1990-01-01, microseconds.
const EARLIEST_MICROS: i64 = 631_152_000_000_000;

pub(super) fn read_epoch(text: &str, unit: EpochUnit) -> Option<WrittenStamp> {
    let (micros_per_count, counts_per_micro) = match unit {
        EpochUnit::Second => (1_000_000, 1),
        EpochUnit::Milli => (1_000, 1),
        EpochUnit::Micro => (1, 1),
        EpochUnit::Nano => (1, 1_000),
    };
    let micros = match text.parse::<i64>() {
        Ok(whole) => whole
            .checked_mul(micros_per_count)?
            .div_euclid(counts_per_micro),
        Err(_) => {
            let micros = read_count(text, &['.'])? * micros_per_count as f64;
            to_micros(micros / counts_per_micro as f64)?
        }
    };
    // Counts of another unit lie in the first days of 1970; nobody kept such logs before 1990.
    let is_late = micros >= EARLIEST_MICROS;
    (is_late && is_in_calendar(micros)).then(|| WrittenStamp::Utc(Stamp::from_micros(micros)))
}

pub(super) fn read_serial(text: &str) -> Option<WrittenStamp> {
    let value = read_count(text, &['.', ','])?;
    // Five digits before the mark (1927 to 2173): with a comma between thousands, `46,082` would
    // otherwise read as a day of the year 1900.
    if !(10_000.0..100_000.0).contains(&value) {
        return None;
    }
    // Eight digits of a day tell milliseconds; fewer mean a whole second.
    let n_digits = text
        .rsplit_once(['.', ','])
        .map_or(0, |(_, part)| part.trim().len());
    let per_second = if n_digits >= 8 { 1_000.0 } else { 1.0 };
    let counts = ((value + SERIAL_DAY_ZERO) * 86_400.0 * per_second).round();
    to_micros(counts / per_second * 1e6).map(WrittenStamp::Local)
}

/// Digits and at most one mark. No exponent: a spreadsheet that shows one has dropped the digits
/// behind it, and rows of one hour would fall on one time.
fn read_count(text: &str, marks: &[char]) -> Option<f64> {
    let body = text.strip_prefix('-').unwrap_or(text);
    let (whole, fraction) = body.split_once(marks).unwrap_or((body, "0"));
    let digits = |part: &str| !part.is_empty() && part.bytes().all(|b| b.is_ascii_digit());
    if !digits(whole) || !digits(fraction) {
        return None;
    }
    text.replace(',', ".").parse().ok()
}

fn to_micros(value: f64) -> Option<i64> {
    (value.is_finite() && value.abs() < 9e17).then(|| value.round() as i64)
}
