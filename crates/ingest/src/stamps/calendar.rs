//! Days of the civil calendar, within the years that stamps may have.

const MICROS_PER_DAY: i64 = 86_400_000_000;
/// Years that a stamp may have; what lies outside is a broken clock or another number.
const YEARS: std::ops::RangeInclusive<i64> = 1900..=2200;

/// Whether a time lies in the years that dates may have.
pub(super) fn is_in_calendar(micros: i64) -> bool {
    let day = micros.div_euclid(MICROS_PER_DAY);
    (days_from_civil(*YEARS.start(), 1, 1)..days_from_civil(*YEARS.end() + 1, 1, 1)).contains(&day)
}

/// Days since 1970-01-01; None for a date that does not exist.
pub(super) fn to_day(year: i64, month: i64, day: i64) -> Option<i64> {
    if !YEARS.contains(&year) || !(1..=12).contains(&month) || day < 1 {
        return None;
    }
    let leap = year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);
    let length = match month {
        2 => 28 + i64::from(leap),
        4 | 6 | 9 | 11 => 30,
        _ => 31,
    };
    (day <= length).then(|| days_from_civil(year, month, day))
}

pub(super) fn to_day_of_year(year: i64, number: i64) -> Option<i64> {
    let first = to_day(year, 1, 1)?;
    let next = days_from_civil(year + 1, 1, 1);
    (number >= 1 && first + number - 1 < next).then_some(first + number - 1)
}

/// A day of a week as ISO 8601 counts them: Monday is 1, and the first week holds the year's first
/// Thursday, that is, January 4.
pub(super) fn to_day_of_week(year: i64, week: i64, day: i64) -> Option<i64> {
    if !YEARS.contains(&year) || !(1..=7).contains(&day) {
        return None;
    }
    // 1970-01-01 was a Thursday, so that days since then count on from the third day of a week.
    let first_monday = |year: i64| {
        let fourth = days_from_civil(year, 1, 4);
        fourth - (fourth + 3).rem_euclid(7)
    };
    let found = first_monday(year) + (week - 1) * 7 + day - 1;
    let is_in_year = week >= 1 && found < first_monday(year + 1);
    (is_in_year && is_in_calendar(found.checked_mul(MICROS_PER_DAY)?)).then_some(found)
}

/// Days since 1970-01-01 of a proleptic Gregorian date, counted in eras of 400 years from March.
pub(super) fn days_from_civil(year: i64, month: i64, day: i64) -> i64 {
    let shifted = if month <= 2 { year - 1 } else { year };
    let era = shifted.div_euclid(400);
    let year_of_era = shifted.rem_euclid(400);
    let day_of_year = (153 * ((month + 9) % 12) + 2) / 5 + day - 1;
    let day_of_era = year_of_era * 365 + year_of_era / 4 - year_of_era / 100 + day_of_year;
    era * 146_097 + day_of_era - 719_468
}
