//! How a source writes its stamps: a pattern of `%` fields, or one of four names.
//!
//! Fields: `%Y %y %m %d %j %b %B %H %I %M %S %f %p %z %a %A %%`, and `%F %T %R %D` for
//! `%Y-%m-%d`, `%H:%M:%S`, `%H:%M`, `%m/%d/%y`. A number may have fewer digits than the field
//! (`1/3/2026`), a blank stands for any run of blanks, and `%f` (with or without the dot
//! before it: `%S.%f`, `%S%.f`) is a fraction of a second. Names: `rfc3339`, `epoch_s`,
//! `epoch_ms`, `excel_serial` (days since 1899-12-30, local clock).

use drydown_quantity::{Day, Stamp};

use super::names::parse_month;

const MICROS: i64 = 1_000_000;
/// 1899-12-30 in days since 1970-01-01: the day zero of spreadsheet serials.
const SERIAL_DAY_ZERO: f64 = -25_569.0;
/// Years that a stamp may have; what lies outside is a broken clock or another number.
const YEARS: std::ops::RangeInclusive<i64> = 1900..=2200;

/// What a cell says: a stamp in UTC, or one of a local clock.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum WrittenStamp {
    /// The cell carries its offset (or counts from the epoch).
    Utc(Stamp),
    /// A date without a time.
    Date(Day),
    /// Local date and time: microseconds since 1970-01-01T00:00 of that clock.
    Local(i64),
}

/// Why a format is not one.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub(crate) enum FormatError {
    #[error("found \"%{0}\", which is no field of a time format")]
    UnknownField(char),
    #[error("the format ends in a bare %")]
    Unfinished,
    #[error("the format names no {0}")]
    Lacks(&'static str),
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Item {
    Literal(char),
    Blank,
    Year4,
    Year2,
    Month,
    MonthName,
    Day,
    DayOfYear,
    WeekdayName,
    Hour24,
    Hour12,
    Minute,
    Second,
    Fraction,
    AmPm,
    Offset,
}

#[derive(Clone, Debug, PartialEq, Eq)]
enum Kind {
    Pattern { items: Vec<Item>, has_time: bool },
    Rfc3339,
    EpochSeconds,
    EpochMillis,
    Serial,
}

/// A compiled time format.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct StampFormat {
    kind: Kind,
    text: String,
}

impl StampFormat {
    /// Compiles a format.
    pub(crate) fn parse(text: &str) -> Result<Self, FormatError> {
        let kind = match text {
            "rfc3339" => Kind::Rfc3339,
            "epoch_s" => Kind::EpochSeconds,
            "epoch_ms" => Kind::EpochMillis,
            "excel_serial" => Kind::Serial,
            pattern => parse_pattern(pattern)?,
        };
        Ok(Self {
            kind,
            text: text.to_owned(),
        })
    }

    /// The format as it was written.
    pub(crate) fn as_str(&self) -> &str {
        &self.text
    }

    /// Whether stamps of this format always say where on the UTC axis they lie (or are dates).
    pub(crate) fn carries_offset(&self) -> bool {
        match &self.kind {
            Kind::Pattern { items, has_time } => !has_time || items.contains(&Item::Offset),
            Kind::Serial => false,
            // A stamp without an offset is refused row by row where there is no zone.
            Kind::Rfc3339 | Kind::EpochSeconds | Kind::EpochMillis => true,
        }
    }

    /// Reads one trimmed cell; None where it does not fit.
    pub(crate) fn read(&self, text: &str) -> Option<WrittenStamp> {
        match &self.kind {
            Kind::Pattern { items, has_time } => read_pattern(items, *has_time, text),
            Kind::Rfc3339 => read_rfc3339(text),
            Kind::EpochSeconds => read_epoch(text, 1e6),
            Kind::EpochMillis => read_epoch(text, 1e3),
            Kind::Serial => read_serial(text),
        }
    }
}

impl StampFormat {
    /// Reads a date that a workbook holds as a date, written out as ISO 8601. Whether one without a
    /// time means the day or its midnight hangs on what the column is said to hold.
    pub(crate) fn read_dated(&self, text: &str) -> Option<WrittenStamp> {
        let is_moment = match &self.kind {
            Kind::Pattern { has_time, .. } => *has_time,
            Kind::EpochSeconds | Kind::EpochMillis | Kind::Serial => true,
            Kind::Rfc3339 => false,
        };
        match read_rfc3339(text)? {
            WrittenStamp::Date(day) if is_moment => Some(WrittenStamp::Local(day.start().micros())),
            found => Some(found),
        }
    }

    /// Reads a trimmed local stamp whose every number has the full width of its field; None for all
    /// others, which [`Self::read`] may still read. Far quicker, and never another answer.
    pub(crate) fn read_fixed(&self, text: &str) -> Option<WrittenStamp> {
        let Kind::Pattern {
            items,
            has_time: true,
        } = &self.kind
        else {
            return None;
        };
        let mut parts = Parts::default();
        let mut rest = text.as_bytes();
        for item in items {
            match item {
                Item::Literal(c) => {
                    let (first, left) = rest.split_first()?;
                    if u32::from(*c) != u32::from(*first) || !c.is_ascii() {
                        return None;
                    }
                    rest = left;
                }
                Item::Blank => rest = rest.strip_prefix(b" ")?,
                Item::Year4 => {
                    let (high, low) = (take_pair(&mut rest)?, take_pair(&mut rest)?);
                    parts.year = high * 100 + low;
                }
                Item::Month => parts.month = take_pair(&mut rest)?,
                Item::Day => parts.day = take_pair(&mut rest)?,
                Item::Hour24 => parts.hour = take_pair(&mut rest)?,
                Item::Minute => parts.minute = take_pair(&mut rest).filter(|n| *n < 60)?,
                Item::Second => parts.second = take_pair(&mut rest).filter(|n| *n < 60)?,
                _ => return None,
            }
        }
        if !rest.is_empty() {
            return None;
        }
        finish(parts, true)
    }
}

/// Two digits off the front.
fn take_pair(bytes: &mut &[u8]) -> Option<i64> {
    let (pair, rest) = bytes.split_first_chunk::<2>()?;
    let [tens, ones] = pair.map(|byte| byte.wrapping_sub(b'0'));
    if tens > 9 || ones > 9 {
        return None;
    }
    *bytes = rest;
    Some(i64::from(tens) * 10 + i64::from(ones))
}

fn parse_pattern(pattern: &str) -> Result<Kind, FormatError> {
    let mut items = Vec::new();
    push_items(pattern, &mut items)?;
    let has = |item: Item| items.contains(&item);
    if !has(Item::Year4) && !has(Item::Year2) {
        return Err(FormatError::Lacks("year"));
    }
    if !has(Item::DayOfYear) && !has(Item::Day) {
        return Err(FormatError::Lacks("day"));
    }
    if !has(Item::DayOfYear) && !has(Item::Month) && !has(Item::MonthName) {
        return Err(FormatError::Lacks("month"));
    }
    if has(Item::Hour12) && !has(Item::AmPm) {
        return Err(FormatError::Lacks("%p beside %I"));
    }
    let has_time = has(Item::Hour24) || has(Item::Hour12);
    Ok(Kind::Pattern { items, has_time })
}

fn push_items(pattern: &str, items: &mut Vec<Item>) -> Result<(), FormatError> {
    let mut chars = pattern.chars().peekable();
    while let Some(c) = chars.next() {
        if c.is_whitespace() {
            if items.last() != Some(&Item::Blank) {
                items.push(Item::Blank);
            }
            continue;
        }
        if c != '%' {
            items.push(Item::Literal(c));
            continue;
        }
        let mut field = chars.next().ok_or(FormatError::Unfinished)?;
        // `%-d` and `%.f`, as other notations of the same fields have it.
        if matches!(field, '-' | '_' | '0' | '.') {
            field = chars.next().ok_or(FormatError::Unfinished)?;
        }
        match field {
            'Y' => items.push(Item::Year4),
            'y' => items.push(Item::Year2),
            'm' => items.push(Item::Month),
            'b' | 'B' | 'h' => items.push(Item::MonthName),
            'd' | 'e' => items.push(Item::Day),
            'j' => items.push(Item::DayOfYear),
            'a' | 'A' => items.push(Item::WeekdayName),
            'H' | 'k' => items.push(Item::Hour24),
            'I' | 'l' => items.push(Item::Hour12),
            'M' => items.push(Item::Minute),
            'S' => items.push(Item::Second),
            'f' => {
                if items.last() == Some(&Item::Literal('.')) {
                    items.pop();
                }
                items.push(Item::Fraction);
            }
            'p' | 'P' => items.push(Item::AmPm),
            'z' => items.push(Item::Offset),
            'F' => push_items("%Y-%m-%d", items)?,
            'T' => push_items("%H:%M:%S", items)?,
            'R' => push_items("%H:%M", items)?,
            'D' => push_items("%m/%d/%y", items)?,
            '%' => items.push(Item::Literal('%')),
            other => return Err(FormatError::UnknownField(other)),
        }
    }
    Ok(())
}

/// The parts read so far.
#[derive(Default)]
struct Parts {
    year: i64,
    month: i64,
    day: i64,
    day_of_year: Option<i64>,
    hour: i64,
    minute: i64,
    second: i64,
    micros: i64,
    afternoon: Option<bool>,
    offset_s: Option<i64>,
}

fn read_pattern(items: &[Item], has_time: bool, text: &str) -> Option<WrittenStamp> {
    let mut rest = text.trim();
    let mut parts = Parts::default();
    for item in items {
        rest = read_item(*item, rest, &mut parts)?;
    }
    if !rest.trim().is_empty() {
        return None;
    }
    finish(parts, has_time)
}

/// One item off the front of `rest`; what is left.
fn read_item<'t>(item: Item, rest: &'t str, parts: &mut Parts) -> Option<&'t str> {
    let mut left = rest;
    match item {
        Item::Literal(c) => left = rest.strip_prefix(c)?,
        Item::Blank => left = rest.trim_start(),
        Item::Year4 => {
            parts.year = take_number(&mut left, 4).filter(|_| rest.len() >= left.len() + 4)?
        }
        Item::Year2 => {
            let short = take_number(&mut left, 2)?;
            // POSIX: 69..99 are the last century.
            parts.year = if short >= 69 {
                1900 + short
            } else {
                2000 + short
            };
        }
        Item::Month => parts.month = take_number(&mut left, 2)?,
        Item::MonthName => {
            let word = take_word(&mut left);
            left = left.strip_prefix('.').unwrap_or(left);
            parts.month = i64::from(parse_month(word)?);
        }
        Item::Day => parts.day = take_number(&mut left, 2)?,
        Item::DayOfYear => parts.day_of_year = Some(take_number(&mut left, 3)?),
        Item::WeekdayName => {
            if take_word(&mut left).is_empty() {
                return None;
            }
            left = left.strip_prefix('.').unwrap_or(left);
        }
        Item::Hour24 => parts.hour = take_number(&mut left, 2)?,
        Item::Hour12 => {
            parts.hour = take_number(&mut left, 2).filter(|hour| (1..=12).contains(hour))? % 12;
        }
        Item::Minute => parts.minute = take_number(&mut left, 2).filter(|n| *n < 60)?,
        // A leap second reads as the second before it.
        Item::Second => parts.second = take_number(&mut left, 2).filter(|n| *n <= 60)?.min(59),
        Item::Fraction => left = read_fraction(rest, parts),
        Item::AmPm => {
            let folded: String = take_letters_and_dots(&mut left)
                .replace('.', "")
                .to_lowercase();
            parts.afternoon = match folded.as_str() {
                "am" | "a" => Some(false),
                "pm" | "p" => Some(true),
                _ => return None,
            };
        }
        Item::Offset => parts.offset_s = Some(take_offset(&mut left)?),
    }
    Some(left)
}

fn finish(parts: Parts, has_time: bool) -> Option<WrittenStamp> {
    let day = match parts.day_of_year {
        Some(number) => to_day_of_year(parts.year, number)?,
        None => to_day(parts.year, parts.month, parts.day)?,
    };
    if !has_time {
        return Some(WrittenStamp::Date(Day::from_number(
            i32::try_from(day).ok()?,
        )));
    }
    let hour = parts.hour
        + if parts.afternoon == Some(true) && parts.hour < 12 {
            12
        } else {
            0
        };
    // Midnight written as the end of the day is the only use of hour 24 (ISO 8601).
    let is_midnight = hour == 24 && parts.minute == 0 && parts.second == 0 && parts.micros == 0;
    if hour > 23 && !is_midnight {
        return None;
    }
    let seconds = day * 86_400 + hour * 3_600 + parts.minute * 60 + parts.second;
    let micros = seconds * MICROS + parts.micros;
    Some(match parts.offset_s {
        Some(offset) => WrittenStamp::Utc(Stamp::from_micros(micros - offset * MICROS)),
        None => WrittenStamp::Local(micros),
    })
}

fn read_rfc3339(text: &str) -> Option<WrittenStamp> {
    let mut rest = text;
    let mut parts = Parts::default();
    for item in [
        Item::Year4,
        Item::Literal('-'),
        Item::Month,
        Item::Literal('-'),
        Item::Day,
    ] {
        rest = read_item(item, rest, &mut parts)?;
    }
    if rest.is_empty() {
        return finish(parts, false);
    }
    rest = rest.strip_prefix(['T', 't', ' '])?;
    for item in [Item::Hour24, Item::Literal(':'), Item::Minute] {
        rest = read_item(item, rest, &mut parts)?;
    }
    if let Some(seconds) = rest.strip_prefix(':') {
        rest = read_item(Item::Second, seconds, &mut parts)?;
        rest = read_fraction(rest, &mut parts);
    }
    rest = rest.trim_start();
    if !rest.is_empty() {
        parts.offset_s = Some(take_offset(&mut rest)?);
    }
    if !rest.is_empty() {
        return None;
    }
    finish(parts, true)
}

fn read_epoch(text: &str, micros_per_count: f64) -> Option<WrittenStamp> {
    let scale = micros_per_count as i64;
    let micros = match text.parse::<i64>() {
        Ok(whole) => whole.checked_mul(scale)?,
        Err(_) => to_micros(read_count(text, &['.'])? * micros_per_count)?,
    };
    is_in_calendar(micros).then(|| WrittenStamp::Utc(Stamp::from_micros(micros)))
}

fn read_serial(text: &str) -> Option<WrittenStamp> {
    let value = read_count(text, &['.', ','])?;
    // Five digits before the mark (1927 to 2173): with a comma between thousands, `46,082` would
    // otherwise read as a day of the year 1900.
    if !(10_000.0..100_000.0).contains(&value) {
        return None;
    }
    // Serials carry about nine digits of a day: what they mean is a whole second.
    let seconds = ((value + SERIAL_DAY_ZERO) * 86_400.0).round();
    to_micros(seconds * 1e6).map(WrittenStamp::Local)
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

/// Whether a time lies in the years that dates may have.
fn is_in_calendar(micros: i64) -> bool {
    let day = micros.div_euclid(86_400 * MICROS);
    (days_from_civil(*YEARS.start(), 1, 1)..days_from_civil(*YEARS.end() + 1, 1, 1)).contains(&day)
}

fn to_micros(value: f64) -> Option<i64> {
    (value.is_finite() && value.abs() < 9e17).then(|| value.round() as i64)
}

/// Up to `width` digits off the front; None where there is none.
fn take_number(text: &mut &str, width: usize) -> Option<i64> {
    let mut value = 0_i64;
    let mut used = 0;
    for byte in text.bytes().take(width).take_while(u8::is_ascii_digit) {
        value = value * 10 + i64::from(byte - b'0');
        used += 1;
    }
    if used == 0 {
        return None;
    }
    *text = text.get(used..)?;
    Some(value)
}

fn take_word<'t>(text: &mut &'t str) -> &'t str {
    let end = text
        .find(|c: char| !c.is_alphabetic())
        .unwrap_or(text.len());
    let (word, rest) = text.split_at(end);
    *text = rest;
    word
}

fn take_letters_and_dots<'t>(text: &mut &'t str) -> &'t str {
    let end = text
        .find(|c: char| !c.is_alphabetic() && c != '.')
        .unwrap_or(text.len());
    let (word, rest) = text.split_at(end);
    *text = rest;
    word
}

/// `.123` or `,123`; nothing read where there is no fraction.
fn read_fraction<'t>(text: &'t str, parts: &mut Parts) -> &'t str {
    let body = text.strip_prefix(['.', ',']).unwrap_or(text);
    let n_digits = body.bytes().take_while(u8::is_ascii_digit).count();
    if n_digits == 0 {
        return text;
    }
    let (digits, rest) = body.split_at(n_digits);
    let mut micros = 0;
    for idx in 0..6 {
        let digit = digits
            .as_bytes()
            .get(idx)
            .map_or(0, |b| i64::from(b - b'0'));
        micros = micros * 10 + digit;
    }
    parts.micros = micros;
    rest
}

/// `Z`, `+01:00`, `-0530`, `+01`; seconds east of UTC.
fn take_offset(text: &mut &str) -> Option<i64> {
    if let Some(rest) = text.strip_prefix(['Z', 'z']) {
        *text = rest;
        return Some(0);
    }
    for word in ["UTC", "GMT"] {
        if let Some(rest) = text.strip_prefix(word) {
            *text = rest;
            return Some(0);
        }
    }
    let sign = match text.chars().next()? {
        '+' => 1,
        '-' | '−' => -1,
        _ => return None,
    };
    *text = text.get(text.chars().next()?.len_utf8()..)?;
    let hours = take_number(text, 2)?;
    *text = text.strip_prefix(':').unwrap_or(text);
    let minutes = take_number(text, 2).unwrap_or(0);
    (hours <= 18 && minutes < 60).then_some(sign * (hours * 3_600 + minutes * 60))
}

/// Days since 1970-01-01; None for a date that does not exist.
fn to_day(year: i64, month: i64, day: i64) -> Option<i64> {
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

fn to_day_of_year(year: i64, number: i64) -> Option<i64> {
    let first = to_day(year, 1, 1)?;
    let next = days_from_civil(year + 1, 1, 1);
    (number >= 1 && first + number - 1 < next).then_some(first + number - 1)
}

/// Days since 1970-01-01 of a proleptic Gregorian date, counted in eras of 400 years from March.
fn days_from_civil(year: i64, month: i64, day: i64) -> i64 {
    let shifted = if month <= 2 { year - 1 } else { year };
    let era = shifted.div_euclid(400);
    let year_of_era = shifted.rem_euclid(400);
    let day_of_year = (153 * ((month + 9) % 12) + 2) / 5 + day - 1;
    let day_of_era = year_of_era * 365 + year_of_era / 4 - year_of_era / 100 + day_of_year;
    era * 146_097 + day_of_era - 719_468
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shown(format: &str, text: &str) -> String {
        match StampFormat::parse(format).unwrap().read(text) {
            Some(WrittenStamp::Utc(at)) => format!("{at}"),
            Some(WrittenStamp::Date(day)) => format!("{day}"),
            Some(WrittenStamp::Local(micros)) => {
                let at = Stamp::from_micros(micros).to_string();
                format!("{} local", at.trim_end_matches('Z'))
            }
            None => "unreadable".to_owned(),
        }
    }

    #[test]
    fn formats_and_what_they_read() {
        let cases = [
            (
                "%m/%d/%Y %H:%M:%S",
                "01/03/2026 11:45:00",
                "2026-01-03T11:45:00 local",
            ),
            (
                "%m/%d/%Y %H:%M:%S",
                "1/3/2026 5:00:00",
                "2026-01-03T05:00:00 local",
            ),
            (
                "%d.%m.%Y %H:%M",
                "31.12.2025 24:00",
                "2026-01-01T00:00:00 local",
            ),
            ("%d.%m.%Y %H:%M", "31.12.2025 24:01", "unreadable"),
            (
                "%m/%d/%y %I:%M %p",
                "1/3/26 12:05 AM",
                "2026-01-03T00:05:00 local",
            ),
            (
                "%m/%d/%y %I:%M:%S %p",
                "1/3/26 1:05:09 p.m.",
                "2026-01-03T13:05:09 local",
            ),
            ("%d-%b-%y", "3-Jan-99", "1999-01-03"),
            ("%d. %B %Y", "3. März 2026", "2026-03-03"),
            ("%F %T", "2026-02-29 00:00:00", "unreadable"),
            ("%F %T", "2024-02-29 00:00:00", "2024-02-29T00:00:00 local"),
            (
                "%Y-%m-%d %H:%M:%S.%f",
                "2026-01-03 11:45:00.125",
                "2026-01-03T11:45:00.125 local",
            ),
            (
                "%Y-%m-%d %H:%M:%S.%f",
                "2026-01-03 11:45:00",
                "2026-01-03T11:45:00 local",
            ),
            (
                "%Y-%m-%dT%H:%M:%S%z",
                "2026-01-03T11:45:00+05:30",
                "2026-01-03T06:15:00Z",
            ),
            ("%Y/%j %H:%M", "2026/365 01:00", "2026-12-31T01:00:00 local"),
            ("%Y/%j %H:%M", "2026/366 01:00", "unreadable"),
            ("%a %d %b %Y", "Sat 3 Jan 2026", "2026-01-03"),
            ("%m/%d/%Y", "13/01/2026", "unreadable"),
            ("%m/%d/%Y", "01/03/26", "unreadable"),
            ("%F", "2026-01-03 junk", "unreadable"),
            ("rfc3339", "2026-01-03T11:45:00Z", "2026-01-03T11:45:00Z"),
            (
                "rfc3339",
                "2026-01-03 11:45:00.5-06:00",
                "2026-01-03T17:45:00.5Z",
            ),
            ("rfc3339", "2026-01-03T11:45", "2026-01-03T11:45:00 local"),
            ("rfc3339", "2026-01-03", "2026-01-03"),
            ("rfc3339", "", "unreadable"),
            ("epoch_s", "1767440700", "2026-01-03T11:45:00Z"),
            ("epoch_s", "1767440700.25", "2026-01-03T11:45:00.25Z"),
            ("epoch_ms", "1767440700250", "2026-01-03T11:45:00.25Z"),
            ("epoch_s", "later", "unreadable"),
            ("epoch_s", "1.76744E+09", "unreadable"),
            ("epoch_s", "-99999999999999", "unreadable"),
            ("epoch_s", "1767440700000", "unreadable"),
            ("excel_serial", "46,025", "unreadable"),
            ("excel_serial", "4.6025E+04", "unreadable"),
            (
                "excel_serial",
                "46025,489583333",
                "2026-01-03T11:45:00 local",
            ),
            // Spreadsheet serial of 2008-01-01: 39448, as spreadsheet manuals give it (from memory).
            ("excel_serial", "39448", "2008-01-01T00:00:00 local"),
            (
                "excel_serial",
                "46025.489583333",
                "2026-01-03T11:45:00 local",
            ),
        ];
        for (format, text, expected) in cases {
            assert_eq!(shown(format, text), expected, "{format} on {text}");
        }
    }

    #[test]
    fn formats_that_are_none() {
        for (format, expected) in [
            ("%m/%d %H:%M", FormatError::Lacks("year")),
            ("%Y", FormatError::Lacks("day")),
            ("%Y-%d", FormatError::Lacks("month")),
            ("%F %I:%M", FormatError::Lacks("%p beside %I")),
            ("%F %Q", FormatError::UnknownField('Q')),
            ("%F %", FormatError::Unfinished),
        ] {
            assert_eq!(StampFormat::parse(format), Err(expected), "{format}");
        }
    }

    proptest::proptest! {
        /// The calendar agrees with that of the `quantity` crate, which goes through jiff.
        #[test]
        fn days_agree_with_another_calendar(number in -25_000_i32..84_000) {
            let (year, month, day) = Day::from_number(number).civil();
            let found = days_from_civil(year.into(), month.into(), day.into());
            proptest::prop_assert_eq!(found, i64::from(number));
        }

        #[test]
        fn no_text_panics(text in "\\PC{0,20}") {
            for format in ["rfc3339", "epoch_s", "excel_serial", "%d %b %Y %I:%M %p %z", "%F %T.%f"] {
                let _ = StampFormat::parse(format).unwrap().read(&text);
            }
        }
    }

    proptest::proptest! {
        /// The quick way never gives another answer than the usual one.
        #[test]
        fn fixed_widths_read_as_any(
            text in "(0[0-9]|1[0-9]|[0-9])/[0-3][0-9]/(19|20|21)[0-9]{2} [ ]?[0-2]?[0-9]:[0-6][0-9](:[0-6][0-9])?",
        ) {
            for pattern in ["%m/%d/%Y %H:%M:%S", "%m/%d/%Y %H:%M", "%d/%m/%Y %T"] {
                let format = StampFormat::parse(pattern).unwrap();
                if let Some(quick) = format.read_fixed(&text) {
                    proptest::prop_assert_eq!(Some(quick), format.read(&text));
                }
            }
        }
    }

    #[test]
    fn a_stamp_of_full_width_takes_the_quick_way() {
        let format = StampFormat::parse("%m/%d/%Y %H:%M:%S").unwrap();
        assert!(format.read_fixed("03/08/2026 01:59:55").is_some());
        assert!(format.read_fixed("3/8/2026 1:59:55").is_none());
    }
}
