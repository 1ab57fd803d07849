//! Which format the stamps of a column have.

mod choose;

use self::choose::{choose, first_field, half_a_day};
use super::facts::Facts;
use super::{Column, Context};
use crate::stamps::{StampFormat, WrittenStamp};

/// Values tried against every format.
const TRIED: usize = 200;

/// How dates are written; a `d` first or an `m` first where both read the same digits.
const DATES: &[&str] = &[
    "%Y-%m-%d",
    "%Y/%m/%d",
    "%Y.%m.%d",
    "%Y%m%d",
    "%d.%m.%Y",
    "%d.%m.%y",
    "%m/%d/%Y",
    "%d/%m/%Y",
    "%m/%d/%y",
    "%d/%m/%y",
    "%d-%m-%Y",
    "%m-%d-%Y",
    "%d-%m-%y",
    "%m-%d-%y",
    "%y/%m/%d",
    "%y-%m-%d",
    "%y.%m.%d",
    "%d-%b-%Y",
    "%d-%b-%y",
    "%d %b %Y",
    "%d. %b %Y",
    "%b %d, %Y",
    "%b %d %Y",
    "%d/%b/%Y",
    "%d.%b.%Y",
    "%a %d %b %Y",
    "%a, %d %b %Y",
    "%a %b %d %Y",
    "%a, %b %d, %Y",
    "%a %d. %b %Y",
    "%A, %d. %b %Y",
    "%a %d.%m.%Y",
    "%a, %d.%m.%Y",
    "%a %d/%m/%Y",
    "%a, %d/%m/%Y",
    "%a %m/%d/%Y",
    "%a, %m/%d/%Y",
    "%a %Y-%m-%d",
    "%a, %Y-%m-%d",
    "%a %d %b %y",
    "%d de %b de %Y",
    "%d de %b del %Y",
    "%d de %b %Y",
    "%a %d de %b de %Y",
    "%a, %d de %b de %Y",
    "%d %b, %Y",
    "%d. %b. %Y",
    "%Y %b %d",
    "%Y-%b-%d",
    "%Y-%j",
    "%Y%j",
    "%y%j",
    "%Y/%j",
    "%Y.%j",
    "%Y %j",
    "%y-%j",
    "%y/%j",
    "%y %j",
    "%j/%Y",
    "%j-%Y",
    "%G-W%V-%u",
];
/// How times of the day are written.
const TIMES: &[&str] = &[
    "%H:%M:%S",
    "%H:%M",
    "%H:%M:%S.%f",
    "%H:%M:%S,%f",
    "%H:%M:%S:%f",
    "%I:%M:%S %p",
    "%I:%M %p",
    "%I:%M:%S.%f %p",
    "%H.%M.%S",
    "%H%M%S",
    "%H.%M",
];
/// Times that stand behind a date and a blank alone.
const RARE_TIMES: &[&str] = &["%Hh%M", "%Hh%Mm%Ss", "%H:%M Uhr", "%H:%M:%S Uhr"];
/// What may stand between date and time.
const BETWEEN: &[&str] = &[" ", "T", ", ", "  ", "-", "_"];
/// The year behind the time, as programs of the C library print it.
const C_TIMES: &[&str] = &[
    "%a %b %d %T %Y",
    "%a %b %d %T %Z %Y",
    "%b %d %T %Y",
    "%d/%b/%Y:%H:%M:%S %z",
    "%d/%b/%Y:%H:%M:%S",
];

/// Digits only: what also reads as a number.
const COMPACT: &[&str] = &[
    "%Y%m%d%H%M%S",
    "%Y%m%d%H%M",
    "%Y%m%d",
    "%d%m%Y",
    "%d.%m.%y",
    "%Y%j%H%M%S",
    "%Y%j%H%M",
];
/// Those whose year has two digits.
const SHORT: &[&str] = &["%y%m%d%H%M%S", "%y%m%d%H%M", "%y%j%H%M%S", "%y%j%H%M"];

/// The format of a column's stamps.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct StampFound {
    pub(super) format: String,
    /// No time zone is needed: the stamps say where they lie, or are dates.
    pub(super) carries_offset: bool,
    pub(super) is_date_only: bool,
    /// Why this one, where another reads the stamps as well.
    pub(super) open: Option<String>,
    /// Which one it is is hardly more than a guess.
    pub(super) is_guess: bool,
    /// Only the range of the numbers speaks for stamps, not their writing.
    pub(super) is_number: bool,
    /// Values that the format does not read.
    pub(super) n_unread: usize,
}

/// The format of the column; None for a column that holds no stamps.
pub(super) fn find(facts: &Facts, context: &Context) -> Option<StampFound> {
    let filled: Vec<&str> = facts
        .cells
        .iter()
        .map(String::as_str)
        .filter(|cell| !cell.is_empty())
        .collect();
    if filled.is_empty() {
        return None;
    }
    if facts.is_numeric() {
        // Seconds and milliseconds from 2033 on, whose digits read as a year and a day of it, are those.
        let late = |from: f64| facts.quantile(0.01).is_some_and(|low| low >= from);
        let by_digits = |formats: &[&str]| {
            let formats: Vec<String> = formats.iter().map(|format| (*format).to_owned()).collect();
            written(&filled, &formats, context)
        };
        let late_millis = late(2e12).then(|| by_digits(&["%Y%j%H%M%S"])).flatten();
        let late_seconds = || (late(2e9) && !late(1e10)).then(|| by_digits(&["%y%m%d%H%M"]));
        return late_millis
            .or_else(|| late_seconds().flatten())
            .or_else(|| number_stamp(facts))
            .or_else(|| by_digits(COMPACT))
            // Shorter ones are counters as well, but that they rise.
            .or_else(|| facts.is_rising().then(|| by_digits(SHORT)).flatten());
    }
    // A name, not a stamp: saves trying hundreds of formats on columns of words.
    let with_digits = filled
        .iter()
        .filter(|cell| cell.bytes().filter(u8::is_ascii_digit).count() >= 3)
        .count();
    if with_digits * 10 < filled.len() * 9 {
        return None;
    }
    if let Some(found) = as_rfc3339(&filled) {
        return Some(found);
    }
    written(&filled, &formats(&filled), context)
}

impl StampFound {
    /// Whether the day stands before the month, where digits alone tell them apart and do.
    pub(super) fn is_day_first(&self) -> Option<bool> {
        let is_open = self.open.is_some() || self.format.contains("%b");
        match first_field(&self.format) {
            'd' if !is_open => Some(true),
            'm' if !is_open => Some(false),
            _ => None,
        }
    }
}

/// The format of one stamp that stands outside the table.
pub(super) fn find_one(text: &str, context: &Context) -> Option<StampFound> {
    if text.bytes().filter(u8::is_ascii_digit).count() < 3 {
        return None;
    }
    as_rfc3339(&[text]).or_else(|| written(&[text], &formats(&[text]), context))
}

/// As [`find`], for a date and a time that stand in two columns.
pub(super) fn find_pair(date: &Facts, time: &Facts, context: &Context) -> Option<StampFound> {
    let is_date = date.stamp.as_ref().is_some_and(|found| found.is_date_only);
    if !is_date || !is_time_of_day(time) {
        return None;
    }
    let joined: Vec<String> = date
        .cells
        .iter()
        .zip(&time.cells)
        .filter(|(date, time)| !date.is_empty() && !time.is_empty())
        .map(|(date, time)| format!("{date} {time}"))
        .collect();
    let joined: Vec<&str> = joined.iter().map(String::as_str).collect();
    written(&joined, &formats(&joined), context).filter(|found| !found.is_date_only)
}

/// The format of a day that stands elsewhere, a blank and the times of a column; None where the column
/// holds no times.
pub(super) fn find_times(
    (day, format): (&str, &str),
    times: &Facts,
    context: &Context,
) -> Option<StampFound> {
    if !is_time_of_day(times) {
        return None;
    }
    let joined: Vec<String> = times
        .cells
        .iter()
        .filter(|time| !time.is_empty())
        .map(|time| format!("{day} {time}"))
        .collect();
    let joined: Vec<&str> = joined.iter().map(String::as_str).collect();
    let formats: Vec<String> = TIMES
        .iter()
        .map(|time| format!("{format} {time}"))
        .collect();
    written(&joined, &formats, context)
}

/// Whether some column tells when each row was, in whatever format.
pub(super) fn tell_moments(columns: &[Column]) -> bool {
    columns.iter().any(|column| {
        let facts = &column.facts;
        let is_moment = facts
            .stamp
            .as_ref()
            .is_some_and(|found| !found.is_number && !found.is_date_only);
        let n_times = facts.cells.iter().filter(|cell| holds_time(cell)).count();
        let differ = facts.distinct.len() * 2 > facts.n_filled.min(1000);
        let is_counted = column.head.has("time") && facts.is_rising();
        facts.n_filled >= 3
            && differ
            && (is_moment || n_times * 10 >= facts.n_filled * 8 || is_counted)
    })
}

/// Digits, a colon or an `h`, and digits again.
fn holds_time(cell: &str) -> bool {
    cell.as_bytes().windows(3).any(|part| {
        matches!(part, [before, b':' | b'h', after] if before.is_ascii_digit() && after.is_ascii_digit())
    })
}

/// Nearly every value is a time of the day.
pub(super) fn is_time_of_day(facts: &Facts) -> bool {
    let readers: Vec<StampFormat> = TIMES
        .iter()
        .filter_map(|time| StampFormat::parse(&format!("%Y-%m-%d {time}")).ok())
        .collect();
    let filled: Vec<&String> = facts
        .cells
        .iter()
        .filter(|cell| !cell.is_empty())
        .take(TRIED)
        .collect();
    let reads = |cell: &str| {
        let whole = format!("2020-01-01 {cell}");
        cell.contains([':', '.']) && readers.iter().any(|reader| reader.read(&whole).is_some())
    };
    let n_read = filled.iter().filter(|cell| reads(cell)).count();
    // A decimal such as 12.30 is no time.
    let n_colons = filled
        .iter()
        .filter(|cell| cell.contains(':') || cell.matches('.').count() == 2)
        .count();
    !filled.is_empty() && n_read * 20 >= filled.len() * 19 && n_colons == filled.len()
}

/// Seconds since 1970 or parts of them, or days of a spreadsheet.
fn number_stamp(facts: &Facts) -> Option<StampFound> {
    let (low, high) = (facts.quantile(0.01)?, facts.quantile(0.99)?);
    let within = |from: f64, to: f64| low >= from && high <= to;
    // From 2000 to 2050.
    let format = if within(946_684_800e9, 2_524_608_000e9) && facts.is_whole() {
        "epoch_ns"
    } else if within(946_684_800e6, 2_524_608_000e6) && facts.is_whole() {
        "epoch_us"
    } else if within(946_684_800_000.0, 2_524_608_000_000.0) && facts.is_whole() {
        "epoch_ms"
    } else if within(946_684_800.0, 2_524_608_000.0) {
        "epoch_s"
    } else if within(36_526.0, 54_789.0) && (facts.is_rising() || !facts.is_whole()) {
        "excel_serial"
    } else {
        return None;
    };
    Some(StampFound {
        format: format.to_owned(),
        carries_offset: format != "excel_serial",
        is_date_only: false,
        open: None,
        is_guess: false,
        is_number: format == "excel_serial" && !facts.is_rising(),
        n_unread: 0,
    })
}

fn as_rfc3339(filled: &[&str]) -> Option<StampFound> {
    let reader = StampFormat::parse("rfc3339").ok()?;
    let n_utc = filled
        .iter()
        .filter(|cell| matches!(reader.read(cell), Some(WrittenStamp::Utc(_))))
        .count();
    (n_utc * 50 >= filled.len() * 49 && n_utc > 0).then(|| StampFound {
        format: "rfc3339".to_owned(),
        carries_offset: true,
        is_date_only: false,
        open: None,
        is_guess: false,
        is_number: false,
        n_unread: filled.len() - n_utc,
    })
}

/// The formats that the values may have: those with names where they hold words.
fn formats(filled: &[&str]) -> Vec<String> {
    let has_words = filled.iter().any(|cell| {
        let is_word = |word: &str| word.chars().count() >= 2;
        cell.split(|c: char| !c.is_alphabetic()).any(is_word)
    });
    let dates: Vec<&str> = DATES
        .iter()
        .copied()
        .filter(|date| has_words || !["%a", "%A", "%b"].iter().any(|name| date.contains(name)))
        .collect();
    let mut out: Vec<String> = dates.iter().map(|date| (*date).to_owned()).collect();
    for date in &dates {
        for time in TIMES {
            for between in BETWEEN {
                out.push(format!("{date}{between}{time}"));
                out.push(format!("{date}{between}{time} %z"));
                out.push(format!("{date}{between}{time}%z"));
            }
        }
    }
    for date in &dates {
        for time in TIMES {
            out.push(format!("{date} {time} %Z"));
        }
        out.extend(RARE_TIMES.iter().map(|time| format!("{date} {time}")));
    }
    out.extend(C_TIMES.iter().map(|format| (*format).to_owned()));
    // Time before date, as some historians have it.
    for date in DATES.iter().take(10) {
        for time in TIMES.iter().take(5) {
            out.push(format!("{time} {date}"));
        }
    }
    out
}

/// The format that reads the values; where two of different order do, the likelier one and why.
fn written(filled: &[&str], formats: &[String], context: &Context) -> Option<StampFound> {
    let step = (filled.len() / TRIED).max(1);
    let tried: Vec<&str> = filled
        .iter()
        .copied()
        .step_by(step)
        .take(TRIED + 1)
        .collect();
    // A sheet's own dates are read whatever the format says.
    let typed: Vec<&str> = tried
        .iter()
        .copied()
        .filter(|cell| !(context.is_workbook && is_sheet_date(cell)))
        .collect();
    let tried = if typed.is_empty() { tried } else { typed };
    // A header or a sum among the rows of a short file does not speak against the others.
    let most_unread = (tried.len() / 50).max(usize::from(tried.len() >= 8));
    let mut fitting: Vec<(StampFormat, Vec<WrittenStamp>)> = Vec::new();
    for text in formats {
        let Ok(format) = StampFormat::parse(text) else {
            continue;
        };
        // The first value that does not fit ends most formats.
        let mut n_unread = 0;
        let mut read = Vec::new();
        for cell in &tried {
            match format.read(cell) {
                Some(stamp) => read.push(stamp),
                None => n_unread += 1,
            }
            if n_unread > most_unread {
                break;
            }
        }
        if n_unread <= most_unread && !read.is_empty() {
            fitting.push((format, read));
        }
    }
    let most = fitting.iter().map(|(_, read)| read.len()).max()?;
    fitting.retain(|(_, read)| read.len() == most);
    let (chosen, open, is_guess) = choose(&fitting, filled, context)?;
    let (open, is_guess) = match half_a_day(chosen, &tried) {
        Some(why) => (Some(why), true),
        None => (open, is_guess),
    };
    let n_unread = filled
        .iter()
        .filter(|cell| chosen.read(cell).is_none() && !(context.is_workbook && is_sheet_date(cell)))
        .count();
    Some(StampFound {
        format: chosen.as_str().to_owned(),
        carries_offset: chosen.carries_offset(),
        is_date_only: !chosen.as_str().contains("%H") && !chosen.as_str().contains("%I"),
        open,
        is_guess,
        is_number: false,
        n_unread,
    })
}

/// As this crate writes the dates of a sheet.
fn is_sheet_date(cell: &str) -> bool {
    StampFormat::parse("%Y-%m-%d %H:%M:%S").is_ok_and(|format| format.read(cell).is_some())
        || StampFormat::parse("%Y-%m-%d").is_ok_and(|format| format.read(cell).is_some())
}
