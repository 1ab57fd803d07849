//! Whether dates begin with the day or the month, where their own digits leave it open: what else tells.

use std::sync::LazyLock;

use drydown_quantity::Day;
use regex::Regex;

use super::locate::{day_in_name, start_in_name, zones_of};
use super::shape::Shape;
use crate::stamps::{StampFormat, WrittenStamp};

/// Rows that are looked at.
const ROWS: usize = 200;
/// A file is named by a day that lies at most so far from its rows, days.
const NEAR: i32 = 2;
/// The clocks of the country that writes the month first; common practice, no source.
const MONTH_FIRST: &[&str] = &[
    "America/New_York",
    "America/Chicago",
    "America/Denver",
    "America/Los_Angeles",
    "America/Phoenix",
    "America/Detroit",
    "America/Anchorage",
    "Pacific/Honolulu",
];

/// What tells, and how surely.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Order {
    pub(super) is_day_first: bool,
    pub(super) why: String,
    /// Dates tell it, not habits.
    pub(super) is_sure: bool,
}

/// Two numbers and a year behind them.
static DATES: LazyLock<Option<Regex>> = LazyLock::new(|| {
    Regex::new(r"(?:^|[^\d./-])(\d{1,2})[./-](\d{1,2})[./-](\d{4}|\d{2})(?:\D|$)").ok()
});

fn dates(text: &str) -> impl Iterator<Item = (i8, i8, i16)> {
    DATES
        .iter()
        .flat_map(|dates| dates.captures_iter(text))
        .filter_map(|found| {
            let number = |at: usize| found.get(at)?.as_str().parse::<i16>().ok();
            let year = number(3)?;
            let year = if year < 100 { 2000 + year } else { year };
            Some((
                i8::try_from(number(1)?).ok()?,
                i8::try_from(number(2)?).ok()?,
                year,
            ))
        })
}

/// The texts of a file that may hold dates: what stands above its header, and its first rows.
fn texts(shape: &Shape) -> impl Iterator<Item = &str> {
    let cells = shape.rows.iter().take(ROWS).flatten().map(String::as_str);
    std::iter::once(shape.head_text.as_str()).chain(cells)
}

/// What the digits of a file's dates tell; None where they tell nothing, or both.
pub(super) fn by_digits(shape: &Shape) -> Option<bool> {
    by_digits_of(texts(shape))
}

fn by_digits_of<'t>(texts: impl Iterator<Item = &'t str>) -> Option<bool> {
    let (mut day_first, mut month_first) = (false, false);
    for (first, second, _) in texts.flat_map(dates) {
        day_first |= first > 12 && second <= 12;
        month_first |= second > 12 && first <= 12;
    }
    (day_first != month_first).then_some(day_first)
}

/// What a file's name, the lines above its header and its clock tell; the surest first.
pub(super) fn of_file(path: &str, shape: &Shape) -> Option<Order> {
    let above = by_digits_of(std::iter::once(shape.head_text.as_str())).map(|is_day_first| Order {
        is_day_first,
        why: "because a date above the header can only be read so".to_owned(),
        is_sure: true,
    });
    above
        .or_else(|| by_name(path, shape))
        .or_else(|| by_zone(shape))
}

/// As other files of the archive tell it.
pub(super) fn of_others(is_day_first: bool) -> Order {
    Order {
        is_day_first,
        why: "because dates in other files of the archive can only be read so".to_owned(),
        is_sure: true,
    }
}

/// The day in the file's name is a day of its rows, read one way and not the other.
fn by_name(path: &str, shape: &Shape) -> Option<Order> {
    let named = start_in_name(path, false).or_else(|| day_in_name(path, false))?;
    let day = match StampFormat::parse(named.format).ok()?.read(&named.day)? {
        WrittenStamp::Date(day) => day,
        WrittenStamp::Local(micros) => {
            Day::from_number(i32::try_from(micros.div_euclid(86_400_000_000)).ok()?)
        }
        WrittenStamp::Utc(at) => at.day(),
    };
    let is_near = |year: i16, month: i8, of_month: i8| {
        format!("{year:04}-{month:02}-{of_month:02}")
            .parse::<Day>()
            .is_ok_and(|other| (other.number() - day.number()).abs() <= NEAR)
    };
    let (mut day_first, mut month_first) = (false, false);
    for (first, second, year) in texts(shape).flat_map(dates) {
        day_first |= is_near(year, second, first);
        month_first |= is_near(year, first, second);
    }
    (day_first != month_first).then(|| Order {
        is_day_first: day_first,
        why: format!("because the file's name says {}", named.day),
        is_sure: true,
    })
}

/// How dates are written where the clock stands.
fn by_zone(shape: &Shape) -> Option<Order> {
    let zones = zones_of(shape);
    let zone = zones.first().filter(|zone| zone.contains('/'))?;
    let is_day_first = !MONTH_FIRST.contains(&zone.as_str());
    // Both orders are common in Canada, and a clock of the sea says nothing.
    let is_open = [
        "America/Toronto",
        "America/Vancouver",
        "America/Winnipeg",
        "America/Halifax",
    ]
    .contains(&zone.as_str())
        || zone.starts_with("Etc/");
    (!is_open).then(|| Order {
        is_day_first,
        why: format!("because its clock is that of {zone}"),
        is_sure: false,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn digits_that_tell() {
        let cases = [
            ("03/04/2026", None),
            ("23/04/2026 10:00", Some(true)),
            ("Started 4/23/26", Some(false)),
            ("23.04.2026 and 4/23/2026", None),
            ("2026-04-23", None),
            ("1.2.3.4567", None),
        ];
        for (text, expected) in cases {
            assert_eq!(by_digits_of(std::iter::once(text)), expected, "{text}");
        }
    }
}
