//! What must hold for any text given to one parser.

use drydown_quantity::Unit;

use crate::cells::{
    Amount, Censor, DecimalMark, parse_amount, parse_cleanliness, parse_hours, parse_number,
    parse_yes_no,
};
use crate::stamps::{Clock, ElapsedUnit, LocalTime, StampFormat, WrittenStamp};
use crate::text::{
    Block, Dialect, Records, TextRule, Widths, decode_text, to_delimited, to_transposed,
};

fn text_of(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).trim().to_owned()
}

/// A number is finite, is not −0, and reads back from its own print.
pub(super) fn number(bytes: &[u8]) {
    let text = text_of(bytes);
    for (mark, decimal) in [(DecimalMark::Point, "."), (DecimalMark::Comma, ",")] {
        let Some(value) = parse_number(&text, mark) else {
            continue;
        };
        assert!(value.is_finite() && value.to_bits() != (-0.0_f64).to_bits());
        assert!(text.bytes().any(|byte| byte.is_ascii_digit()));
        let printed = value.to_string().replace('.', decimal);
        assert_eq!(
            parse_number(&printed, mark).map(f64::to_bits),
            Some(value.to_bits())
        );
        // The sign is the text's own.
        assert!(
            value >= 0.0 || text.starts_with(['-', '−', '–']) || text.ends_with('-'),
            "{value}"
        );
    }
}

/// What is a number alone is that number; nothing stated is not finite.
pub(super) fn amount(bytes: &[u8]) {
    let text = text_of(bytes);
    if text.is_empty() {
        return;
    }
    for mark in [DecimalMark::Point, DecimalMark::Comma] {
        let found = parse_amount(&text, mark);
        if let Some(value) = parse_number(&text, mark) {
            let plain = Amount::Stated {
                censor: Censor::Exact,
                value: Some(value),
                unit: None,
            };
            assert_eq!(found, plain);
        }
        match found {
            Amount::Stated {
                censor,
                value,
                unit,
            } => {
                assert!(value.is_none_or(f64::is_finite));
                // Without a number a cell says only on which side the value lies.
                assert!(value.is_some() || (censor != Censor::Exact && unit.is_none()));
                if let Some(unit) = unit {
                    assert_eq!(Unit::parse(unit.code()), Some(unit));
                }
            }
            Amount::Missing(reason) => assert!(!reason.contains(' ')),
            Amount::Unreadable(why) => assert!(!why.is_empty()),
        }
    }
}

/// Codes lie in the table, fall with size, and read back from their own print.
pub(super) fn iso4406(bytes: &[u8]) {
    let text = text_of(bytes);
    if text.is_empty() {
        return;
    }
    let Ok(found) = parse_cleanliness(&text) else {
        return;
    };
    let known: Vec<i64> = found.codes.iter().flatten().copied().collect();
    assert!(!known.is_empty());
    assert!(known.iter().all(|code| (0..=29).contains(code)));
    assert!(known.is_sorted_by(|larger, smaller| larger >= smaller));
    let printed: Vec<String> = found
        .codes
        .iter()
        .map(|code| code.map_or("-".to_owned(), |code| code.to_string()))
        .collect();
    let again = parse_cleanliness(&printed.join("/")).unwrap();
    assert_eq!(again.codes, found.codes);
}

/// The formats that texts are tried with, beside what the input itself gives as a format.
const FORMATS: [&str; 13] = [
    "%G-W%V-%uT%R",
    "rfc3339",
    "epoch_s",
    "epoch_ms",
    "excel_serial",
    "%m/%d/%Y %H:%M:%S",
    "%d.%m.%Y %H:%M",
    "%Y-%m-%d %H:%M:%S.%f",
    "%m/%d/%y %I:%M:%S %p",
    "%d. %B %Y",
    "%a %d %b %Y %T",
    "%Y%m%d%H%M%S",
    "%Y/%j %R %z",
];

/// A stamp lies in the calendar, on a clock that knows what to do with it.
///
/// The input is a text, or a format, a tab and a text.
pub(super) fn stamp(bytes: &[u8]) {
    let text = String::from_utf8_lossy(bytes);
    let (own, text) = text.split_once('\t').unwrap_or(("", &text));
    let formats = FORMATS.iter().copied().chain([own]);
    for format in formats.filter_map(|format| StampFormat::parse(format).ok()) {
        let Some(found) = format.read(text.trim()) else {
            continue;
        };
        match found {
            WrittenStamp::Utc(at) => {
                // An offset may carry the last day of the calendar into the next year.
                let day = at.day();
                assert!((1899..=2201).contains(&day.civil().0), "{at}");
                let again = StampFormat::parse("rfc3339").unwrap().read(&at.rfc3339());
                if (1900..=2200).contains(&day.civil().0) {
                    assert_eq!(again, Some(found), "{at}");
                }
            }
            WrittenStamp::Date(day) => assert!((1900..=2200).contains(&day.civil().0)),
            WrittenStamp::Local(micros) => check_local(micros),
        }
        assert!(format.carries_offset() || !matches!(found, WrittenStamp::Utc(_)));
    }
}

fn check_local(micros: i64) {
    for zone in [
        "America/Chicago",
        "Europe/Berlin",
        "UTC",
        "Australia/Lord_Howe",
    ] {
        let day = 86_400_000_000;
        match Clock::parse(zone).unwrap().to_utc(micros) {
            LocalTime::Known(at) => assert!((at.micros() - micros).abs() <= day),
            LocalTime::Twice(first, second) => {
                assert!(first < second && second.micros() - first.micros() <= 2 * 3_600_000_000);
            }
            LocalTime::Never => {}
        }
    }
}

/// A time passed is some years at most, and the sign of its text.
pub(super) fn elapsed(bytes: &[u8]) {
    let text = text_of(bytes);
    for unit in ElapsedUnit::all()
        .split(", ")
        .filter_map(ElapsedUnit::parse)
    {
        for mark in [DecimalMark::Point, DecimalMark::Comma] {
            if let Some(micros) = unit.read(&text, mark) {
                assert!(micros.abs() <= 4_000 * 86_400_000_000, "{micros}");
                assert!(text.bytes().any(|byte| byte.is_ascii_digit()));
                assert!(micros >= 0 || text.contains(['-', '−', '–']), "{micros}");
            }
        }
    }
}

/// A turned text has a line for each column, and every cell stands where its mirror image stood.
pub(super) fn transposed(bytes: &[u8]) {
    let text = String::from_utf8_lossy(bytes);
    let cells = |text: &str, dialect: &Dialect| -> Vec<(u64, Vec<String>)> {
        let mut records = Records::new(text, dialect);
        let mut block = Block::default();
        let mut out = Vec::new();
        while records.read(&mut block, 5) {
            for record in block.records() {
                let one_line = |cell: &str| cell.trim().replace(['\n', '\r'], " ");
                out.push((record.line(), record.fields().map(one_line).collect()));
            }
        }
        out
    };
    for delimiter in [b',', b';'] {
        let dialect = Dialect::from(delimiter);
        let Ok(turned) = to_transposed(&text, &dialect, (0, 1), 1 << 20) else {
            continue;
        };
        let (rows, columns) = (cells(&text, &dialect), cells(&turned, &dialect));
        let widest = rows.iter().map(|(_, row)| row.len()).max().unwrap_or(0);
        assert_eq!(turned.lines().count(), widest);
        for (line, column) in columns {
            let at = usize::try_from(line).unwrap() - 1;
            assert_eq!(column.len(), rows.len());
            for (cell, (_, row)) in column.iter().zip(&rows) {
                assert_eq!(cell.trim(), row.get(at).map_or("", |cell| cell.trim()));
            }
        }
    }
}

/// A line of names, then a line for each line; as many fields as names where it is a record.
pub(super) fn json(bytes: &[u8]) {
    let text = String::from_utf8_lossy(bytes);
    let Ok(table) = to_delimited(&text, (b',', DecimalMark::Point), 1 << 20) else {
        return;
    };
    if !text.trim().starts_with('[') {
        assert_eq!(table.lines().count(), 1 + text.lines().count());
    }
    let mut records = Records::new(&table, b',');
    let mut block = Block::default();
    let mut n_names = None;
    while records.read(&mut block, 3) {
        for record in block.records() {
            let n = *n_names.get_or_insert(record.n_fields());
            assert!(record.n_fields() == n || record.n_fields() <= 2, "{table}");
            assert!(!record.raw().contains('\n'));
        }
    }
}

/// Every character that is not blank belongs to exactly one record; lines ascend.
pub(super) fn records(bytes: &[u8]) {
    let text = String::from_utf8_lossy(bytes);
    let solid = |text: &str| text.chars().filter(|c| !c.is_whitespace()).count();
    let fixed = |packed| Dialect {
        widths: Some(Widths::from([3, 1, 4])),
        packed,
        ..Dialect::from(b',')
    };
    let single = Dialect {
        quote: Some(b'\''),
        ..Dialect::from(b',')
    };
    let delimited = [b',', b';', b'\t', b'|'].map(Dialect::from);
    for dialect in delimited
        .into_iter()
        .chain([single, fixed(true), fixed(false)])
    {
        let delimiter = dialect.delimiter;
        let mut records = Records::new(&text, &dialect);
        let mut block = Block::default();
        let (mut last_line, mut covered) = (0, 0);
        while records.read(&mut block, 3) {
            for record in block.records() {
                assert!(record.line() > last_line);
                last_line = record.line() + record.raw().matches('\n').count() as u64;
                covered += solid(record.raw());
                let fields: Vec<&str> = record.fields().collect();
                assert!(!fields.is_empty());
                let longest: usize = fields.iter().map(|field| field.len()).sum();
                assert!(longest <= record.raw().len());
                if dialect.widths.is_some() {
                    assert!(matches!(fields.len(), 1 | 3));
                    assert_eq!(fields.concat(), record.raw());
                } else if !record.raw().contains(['"', '\'']) {
                    let plain: Vec<&str> = record.raw().split(char::from(delimiter)).collect();
                    assert_eq!(fields, plain);
                }
            }
        }
        assert_eq!(covered, solid(&text));
        assert!(last_line <= text.matches('\n').count() as u64 + 1);
    }
}

/// Bytes become text or an error that says why; what is plain stays as it is.
pub(super) fn decode(bytes: &[u8]) {
    const LIMIT: usize = 1 << 16;
    for label in ["utf-8", "windows-1252", "utf-16le", "shift_jis"] {
        let encoding = encoding_rs::Encoding::for_label(label.as_bytes()).unwrap();
        match decode_text(bytes, &TextRule::of(encoding), LIMIT) {
            Ok(found) => {
                // A byte becomes three at most, U+FFFD among them.
                assert!(found.text.len() <= 3 * LIMIT);
                if bytes.is_ascii() && label != "utf-16le" && bytes.contains(&b'\n') {
                    let packed =
                        bytes.starts_with(b"PK\x03\x04") || bytes.starts_with(b"PK\x05\x06");
                    if !packed && label != "shift_jis" {
                        let ended = bytes.iter().rposition(|byte| *byte != 0x1a);
                        let kept = bytes.get(..ended.map_or(0, |at| at + 1));
                        assert_eq!(Some(found.text.as_bytes()), kept);
                    }
                }
            }
            Err(error) => assert!(!error.to_string().is_empty()),
        }
    }
}

/// Hours are finite and of the text's digits; what is yes is not no in other letters.
pub(super) fn words(bytes: &[u8]) {
    let text = text_of(bytes);
    if let Some(hours) = parse_hours(&text) {
        assert!(hours.is_finite());
        assert!(text.bytes().any(|byte| byte.is_ascii_digit()));
    }
    let found = parse_yes_no(&text);
    if text.is_ascii() {
        assert_eq!(parse_yes_no(&text.to_uppercase()), found);
        assert_eq!(parse_yes_no(&text.to_lowercase()), found);
    }
}
