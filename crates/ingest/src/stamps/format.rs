//! How a source writes its stamps: a pattern of `%` fields, or one of six names.
//!
//! Fields: `%Y %y %m %d %j %G %V %u %b %B %H %I %M %S %f %p %z %Z %a %A %%`, and `%F %T %R %D` for
//! `%Y-%m-%d`, `%H:%M:%S`, `%H:%M`, `%m/%d/%y`. A number may have fewer digits than the field
//! (`1/3/2026`), a blank stands for any run of blanks, and `%f` (with or without the dot
//! before it: `%S.%f`, `%S%.f`) is a fraction of a second. Names: `rfc3339`, `epoch_s`,
//! `epoch_ms`, `epoch_us`, `epoch_ns`, `excel_serial` (days since 1899-12-30, local clock).

use drydown_quantity::{Day, Stamp};

use super::counts::{EpochUnit, read_epoch, read_serial};
use super::elapsed::ElapsedUnit;
use super::fields::{Parts, finish, read_pattern, read_rfc3339};

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
pub(super) enum Item {
    Literal(char),
    Blank,
    Year4,
    Year2,
    Month,
    MonthName,
    Day,
    DayOfYear,
    WeekdayName,
    /// Year, number of the week and of its day, as ISO 8601 counts weeks.
    WeekYear,
    Week,
    WeekDay,
    Hour24,
    Hour12,
    Minute,
    Second,
    Fraction,
    AmPm,
    Offset,
    ZoneName,
}

#[derive(Clone, Debug, PartialEq, Eq)]
enum Kind {
    Pattern { items: Vec<Item>, has_time: bool },
    Rfc3339,
    Epoch(EpochUnit),
    Serial,
}

/// A compiled time format.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct StampFormat {
    kind: Kind,
    text: String,
    /// The time passed since the stamp stands behind it, in this unit.
    elapsed: Option<ElapsedUnit>,
}

impl StampFormat {
    /// Compiles a format.
    pub(crate) fn parse(text: &str) -> Result<Self, FormatError> {
        let kind = match text {
            "rfc3339" => Kind::Rfc3339,
            "epoch_s" => Kind::Epoch(EpochUnit::Second),
            "epoch_ms" => Kind::Epoch(EpochUnit::Milli),
            "epoch_us" => Kind::Epoch(EpochUnit::Micro),
            "epoch_ns" => Kind::Epoch(EpochUnit::Nano),
            "excel_serial" => Kind::Serial,
            pattern => parse_pattern(pattern)?,
        };
        Ok(Self {
            kind,
            text: text.to_owned(),
            elapsed: None,
        })
    }

    /// With a time passed behind the stamp, in one of [`ElapsedUnit`]; None for another unit.
    pub(crate) fn with_elapsed(self, unit: &str) -> Option<Self> {
        Some(Self {
            elapsed: Some(ElapsedUnit::parse(unit)?),
            ..self
        })
    }

    /// The unit of the time passed since the stamp, where it counts.
    pub(crate) const fn elapsed(&self) -> Option<ElapsedUnit> {
        self.elapsed
    }

    /// Whether it counts the days of a spreadsheet.
    pub(crate) const fn is_serial(&self) -> bool {
        matches!(self.kind, Kind::Serial)
    }

    /// The format as it was written.
    pub(crate) fn as_str(&self) -> &str {
        &self.text
    }

    /// Whether stamps of this format always say where on the UTC axis they lie (or are dates).
    pub(crate) fn carries_offset(&self) -> bool {
        match &self.kind {
            Kind::Pattern { items, has_time } => {
                !has_time || items.contains(&Item::Offset) || items.contains(&Item::ZoneName)
            }
            Kind::Serial => false,
            // A stamp without an offset is refused row by row where there is no zone.
            Kind::Rfc3339 | Kind::Epoch(_) => true,
        }
    }

    /// Reads one trimmed cell; None where it does not fit.
    pub(crate) fn read(&self, text: &str) -> Option<WrittenStamp> {
        match &self.kind {
            Kind::Pattern { items, has_time } => read_pattern(items, *has_time, text),
            Kind::Rfc3339 => read_rfc3339(text),
            Kind::Epoch(unit) => read_epoch(text, *unit),
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
            Kind::Epoch(_) | Kind::Serial => true,
            Kind::Rfc3339 => false,
        };
        match read_rfc3339(text)? {
            WrittenStamp::Date(day) if is_moment => Some(WrittenStamp::Local(day.start().micros())),
            found => Some(found),
        }
    }

    /// Reads a date where the pattern has a local time behind it: spreadsheets write the stamp of midnight
    /// so. Microseconds of the clock.
    pub(crate) fn read_midnight(&self, text: &str) -> Option<i64> {
        let (Kind::Pattern { items, .. }, None) = (&self.kind, self.elapsed) else {
            return None;
        };
        let is_hour = |item: &Item| matches!(item, Item::Hour24 | Item::Hour12);
        let (date, time) = items.split_at_checked(items.iter().position(is_hour)?)?;
        let is_of_time = |item: &Item| {
            matches!(
                item,
                Item::Literal(_)
                    | Item::Blank
                    | Item::Hour24
                    | Item::Hour12
                    | Item::Minute
                    | Item::Second
                    | Item::Fraction
                    | Item::AmPm
            )
        };
        let n_between = date
            .iter()
            .rev()
            .take_while(|item| matches!(item, Item::Literal(_) | Item::Blank))
            .count();
        let date = date.get(..date.len() - n_between)?;
        if n_between == 0 || !time.iter().all(is_of_time) {
            return None;
        }
        match read_pattern(date, true, text)? {
            WrittenStamp::Local(micros) => Some(micros),
            _ => None,
        }
    }

    /// Reads a date of a pattern without a time that has one behind it (`05/01/2026 14:30`), as some cells
    /// of a column of dates do. Microseconds of the clock.
    pub(crate) fn read_timed(&self, text: &str) -> Option<i64> {
        let (
            Kind::Pattern {
                has_time: false, ..
            },
            None,
        ) = (&self.kind, self.elapsed)
        else {
            return None;
        };
        let (date, time) = text.rsplit_once([' ', 'T'])?;
        let WrittenStamp::Date(day) = self.read(date.trim_end())? else {
            return None;
        };
        let mut seconds = 0;
        let mut n_parts = 0;
        for (part, most) in time.split(':').zip([24, 60, 60]) {
            let is_number =
                (1..=2).contains(&part.len()) && part.bytes().all(|b| b.is_ascii_digit());
            let value = part
                .parse::<i64>()
                .ok()
                .filter(|value| is_number && *value < most)?;
            seconds = seconds * 60 + value;
            n_parts += 1;
        }
        let unit = match (n_parts, time.split(':').count()) {
            (2, 2) => 60_000_000,
            (3, 3) => 1_000_000,
            _ => return None,
        };
        Some(day.start().micros() + seconds * unit)
    }

    /// Reads a trimmed local stamp whose every number has the full width of its field; None for all
    /// others, which [`Self::read`] may still read. Far quicker, and never another answer.
    pub(crate) fn read_fixed(&self, text: &str) -> Option<WrittenStamp> {
        let (
            Kind::Pattern {
                items,
                has_time: true,
            },
            None,
        ) = (&self.kind, self.elapsed)
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
    let has_time = has(Item::Hour24) || has(Item::Hour12);
    if has(Item::WeekYear) || has(Item::Week) {
        for (item, name) in [
            (Item::WeekYear, "%G beside %V"),
            (Item::Week, "%V beside %G"),
            (Item::WeekDay, "%u beside %V"),
        ] {
            if !has(item) {
                return Err(FormatError::Lacks(name));
            }
        }
        if has(Item::Hour12) && !has(Item::AmPm) {
            return Err(FormatError::Lacks("%p beside %I"));
        }
        return Ok(Kind::Pattern { items, has_time });
    }
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
            'G' => items.push(Item::WeekYear),
            'V' => items.push(Item::Week),
            'u' => items.push(Item::WeekDay),
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
            'Z' => items.push(Item::ZoneName),
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
