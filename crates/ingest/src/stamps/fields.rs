//! The fields of a written stamp, read off its front one by one.

use drydown_quantity::{Day, Stamp};

use super::calendar::{to_day, to_day_of_week, to_day_of_year};
use super::format::{Item, WrittenStamp};
use super::names::{parse_month, zone_offset_s};

const MICROS: i64 = 1_000_000;

/// The parts read so far.
#[derive(Default)]
pub(super) struct Parts {
    pub(super) year: i64,
    pub(super) month: i64,
    pub(super) day: i64,
    pub(super) day_of_year: Option<i64>,
    /// Number of the week, whose year then is `year`, and of the day in it.
    pub(super) week: Option<i64>,
    pub(super) week_day: i64,
    pub(super) hour: i64,
    pub(super) minute: i64,
    pub(super) second: i64,
    pub(super) micros: i64,
    pub(super) afternoon: Option<bool>,
    pub(super) offset_s: Option<i64>,
}

pub(super) fn read_pattern(items: &[Item], has_time: bool, text: &str) -> Option<WrittenStamp> {
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
        Item::WeekYear => {
            parts.year = take_number(&mut left, 4).filter(|_| rest.len() >= left.len() + 4)?
        }
        Item::Week => parts.week = Some(take_number(&mut left, 2)?),
        Item::WeekDay => parts.week_day = take_number(&mut left, 1)?,
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
        // A leap second has no instant of its own: stored as another it would lie over that one.
        Item::Second => parts.second = take_number(&mut left, 2).filter(|n| *n < 60)?,
        Item::Fraction => left = read_fraction(rest, parts),
        Item::AmPm => {
            let mut folded: String = take_letters_and_dots(&mut left)
                .replace('.', "")
                .to_lowercase();
            // `p. m.`, as Spanish has it.
            if matches!(folded.as_str(), "a" | "p")
                && let Some(more) = left.trim_start().strip_prefix(['m', 'M'])
            {
                left = more.strip_prefix('.').unwrap_or(more);
                folded.push('m');
            }
            parts.afternoon = match folded.as_str() {
                "am" | "a" => Some(false),
                "pm" | "p" => Some(true),
                _ => return None,
            };
        }
        Item::ZoneName => parts.offset_s = Some(zone_offset_s(take_word(&mut left))?),
        Item::Offset => parts.offset_s = Some(take_offset(&mut left)?),
    }
    Some(left)
}

pub(super) fn finish(parts: Parts, has_time: bool) -> Option<WrittenStamp> {
    let day = match (parts.day_of_year, parts.week) {
        (_, Some(week)) => to_day_of_week(parts.year, week, parts.week_day)?,
        (Some(number), None) => to_day_of_year(parts.year, number)?,
        (None, None) => to_day(parts.year, parts.month, parts.day)?,
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

pub(super) fn read_rfc3339(text: &str) -> Option<WrittenStamp> {
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
    // RFC 9557: the zone's name behind the offset, which tells the instant by itself.
    if let Some((head, name)) = rest.split_once('[')
        && !head.is_empty()
        && name.ends_with(']')
    {
        rest = head;
    }
    if !rest.is_empty() {
        parts.offset_s = Some(take_offset(&mut rest)?);
    }
    if !rest.is_empty() {
        return None;
    }
    finish(parts, true)
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

/// `Z`, `+01:00`, `-0530`, `+01`, `UTC`, `GMT+1`; seconds east of UTC.
fn take_offset(text: &mut &str) -> Option<i64> {
    if let Some(rest) = text.strip_prefix(['Z', 'z']) {
        *text = rest;
        return Some(0);
    }
    for word in ["UTC", "GMT"] {
        if let Some(rest) = text.strip_prefix(word) {
            *text = rest;
            if !rest.starts_with(['+', '-', '−']) {
                return Some(0);
            }
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
