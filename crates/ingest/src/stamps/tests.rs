//! Formats and what they read.

use drydown_quantity::{Day, Stamp};

use super::calendar::days_from_civil;
use super::format::{FormatError, StampFormat, WrittenStamp};

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
fn halves_of_the_day_letters_of_the_clock_and_small_counts() {
    let cases = [
        (
            "%d/%m/%Y %I:%M %p",
            "14/03/2026 01:05 p. m.",
            "2026-03-14T13:05:00 local",
        ),
        (
            "%d/%m/%Y %I:%M %p",
            "14/03/2026 12:05 a. m.",
            "2026-03-14T00:05:00 local",
        ),
        ("%d/%m/%Y %I:%M %p", "14/03/2026 1:05 x. m.", "unreadable"),
        (
            "%F %T %Z",
            "2026-11-01 01:30:00 CDT",
            "2026-11-01T06:30:00Z",
        ),
        (
            "%F %T %Z",
            "2026-11-01 01:30:00 CST",
            "2026-11-01T07:30:00Z",
        ),
        (
            "%F %T %Z",
            "2026-06-01 12:00:00 MESZ",
            "2026-06-01T10:00:00Z",
        ),
        ("%F %T %Z", "2026-06-01 12:00:00 IST", "unreadable"),
        ("epoch_us", "1773493500250000", "2026-03-14T13:05:00.25Z"),
        ("epoch_ns", "1773493500250000999", "2026-03-14T13:05:00.25Z"),
        ("epoch_ns", "1773493500", "unreadable"),
        ("epoch_us", "1.7E+15", "unreadable"),
        ("%d %B %Y", "3 desember 2026", "2026-12-03"),
        ("%d %b %Y", "3 mei 2026", "2026-05-03"),
        ("%d %b %Y", "3 kwietnia 2026", "2026-04-03"),
        ("%d %b %Y", "3 LISTOPADA 2026", "unreadable"),
        ("%d. %B %Y", "3. července 2026", "2026-07-03"),
        ("%d %b %Y", "3 июн. 2026", "2026-06-03"),
        ("%d %b %Y", "3 şub 2026", "2026-02-03"),
        (
            "%F %T %z",
            "2026-03-14 10:00:00 UTC+1",
            "2026-03-14T09:00:00Z",
        ),
        (
            "%F %T %z",
            "2026-03-14 10:00:00 GMT-05:30",
            "2026-03-14T15:30:00Z",
        ),
        (
            "%F %T %z",
            "2026-03-14 10:00:00 UTC",
            "2026-03-14T10:00:00Z",
        ),
        (
            "rfc3339",
            "2026-03-14T10:00:00+01:00[Europe/Berlin]",
            "2026-03-14T09:00:00Z",
        ),
        (
            "rfc3339",
            "2026-03-14T10:00:00[Europe/Berlin]",
            "unreadable",
        ),
    ];
    for (format, text, expected) in cases {
        assert_eq!(shown(format, text), expected, "{format} {text}");
    }
}

/// Weeks of ISO 8601; the cases at the turn of the year are those of its section on week dates, as
/// examples of 2004 to 2010 from memory.
#[test]
fn dates_by_the_week() {
    let cases = [
        ("%G-W%V-%u", "2026-W11-6", "2026-03-14"),
        (
            "%G-W%V-%uT%T",
            "2026-W11-6T10:00:00",
            "2026-03-14T10:00:00 local",
        ),
        ("%GW%V%u", "2026W116", "2026-03-14"),
        ("%G-W%V-%u", "2004-W53-6", "2005-01-01"),
        ("%G-W%V-%u", "2005-W52-7", "2006-01-01"),
        ("%G-W%V-%u", "2009-W01-1", "2008-12-29"),
        ("%G-W%V-%u", "2009-W53-7", "2010-01-03"),
        ("%G-W%V-%u", "2026-W53-7", "2027-01-03"),
        ("%G-W%V-%u", "2025-W53-1", "unreadable"),
        ("%G-W%V-%u", "2026-W00-1", "unreadable"),
        ("%G-W%V-%u", "2026-W11-0", "unreadable"),
        ("%G-W%V-%u", "2026-W11-8", "unreadable"),
    ];
    for (format, text, expected) in cases {
        assert_eq!(shown(format, text), expected, "{format} {text}");
    }
    for format in ["%G-W%V", "%Y-W%V-%u", "%G-%u"] {
        assert!(StampFormat::parse(format).is_err(), "{format}");
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
