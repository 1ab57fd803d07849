//! The shape of the text: encoding, sheet, delimiter, header, and the rows that are looked at.

use encoding_rs::Encoding;

use super::DraftError;
use crate::cells::{DecimalMark, parse_number};
use crate::text::{Block, Records, TextRule, decode_text, sheet_names};

/// Text unpacked at most, bytes.
const MAX_TEXT: usize = 1 << 30;
/// Records among which the header is sought.
const HEAD_RECORDS: usize = 400;
/// Records at the start that are all looked at.
const FIRST_RECORDS: usize = 2000;
/// Further records looked at, in runs from the whole file.
const LATER_RECORDS: usize = 4096;
/// Records of one such run.
const RUN: usize = 256;
/// Fields of one record at most: beyond it is no table.
const MAX_FIELDS: usize = 4096;
const DELIMITERS: [u8; 4] = *b",;\t|";

/// What was found of the text as a whole.
#[derive(Debug)]
pub(super) struct Shape {
    pub(super) encoding: &'static str,
    pub(super) sheet: Option<String>,
    pub(super) is_workbook: bool,
    pub(super) delimiter: u8,
    /// The mark that the sheet's text is written with; None where the text must tell it.
    pub(super) mark: Option<DecimalMark>,
    /// Lines before the header.
    pub(super) skip_lines: u64,
    pub(super) header: Vec<String>,
    /// What stands under the header in a row of units; empty without one.
    pub(super) unit_row: Vec<String>,
    /// Records before the header.
    pub(super) preamble: Vec<Vec<String>>,
    pub(super) rows: Vec<Vec<String>>,
    /// Records looked at that have another number of fields.
    pub(super) n_odd: usize,
    /// The header again, further down, in whatever order.
    pub(super) n_repeated: usize,
    /// The lines end in a delimiter that the header has not: only `header` can give the names.
    pub(super) needs_names: bool,
}

/// A delimiter with the header it shows.
struct Guess {
    delimiter: u8,
    /// Records before the header.
    at: usize,
    n_fields: usize,
    score: f64,
    /// The header has a field less than the lines, which end in a delimiter.
    is_short: bool,
}

/// Reads the bytes as ingest would and finds the table in them.
pub(super) fn find_shape(bytes: &[u8]) -> Result<Shape, DraftError> {
    refuse_known_binary(bytes)?;
    if let Some(names) = sheet_names(bytes)? {
        return best_sheet(bytes, &names);
    }
    let (text, encoding) = decode(bytes)?;
    let Some(guess) = best_guess(&text, &DELIMITERS) else {
        return Err(no_table(&text));
    };
    Ok(read_shape(&text, encoding, &guess))
}

/// The sheet with the largest table.
fn best_sheet(bytes: &[u8], names: &[String]) -> Result<Shape, DraftError> {
    let in_mark = |name: &str, mark: DecimalMark| {
        let rule = TextRule {
            sheet: Some(name),
            mark,
            ..TextRule::of(encoding_rs::UTF_8)
        };
        decode_text(bytes, &rule, MAX_TEXT).map(|decoded| decoded.text)
    };
    let mut best: Option<Shape> = None;
    for name in names {
        let text = in_mark(name, DecimalMark::Point)?;
        let Some(guess) = best_guess(&text, b",") else {
            continue;
        };
        let mut shape = read_shape(&text, "utf-8", &guess);
        let size = |shape: &Shape| shape.rows.len() * shape.header.len();
        if best.as_ref().is_none_or(|other| size(&shape) > size(other)) {
            shape.is_workbook = true;
            shape.sheet = Some(name.clone());
            best = Some(shape);
        }
    }
    if let Some(shape) = &mut best
        && let Some(name) = shape.sheet.clone()
    {
        // Numbers typed as text keep the mark they were typed with, all others are written with ours.
        let text = in_mark(&name, DecimalMark::Comma)?;
        if let Some(guess) = best_guess(&text, b",") {
            let with_comma = read_shape(&text, "utf-8", &guess);
            if n_decimals(&shape.rows, ',') > n_decimals(&with_comma.rows, '.') {
                shape.mark = Some(DecimalMark::Comma);
                shape.rows = with_comma.rows;
            } else {
                shape.mark = Some(DecimalMark::Point);
            }
        }
    }
    best.ok_or_else(|| DraftError::NoTable {
        found: format!(
            "a workbook whose sheets ({}) hold no row of names over rows of as many fields",
            names.join(", ")
        ),
    })
}

fn no_table(text: &str) -> DraftError {
    let n_lines = text.lines().filter(|line| !line.trim().is_empty()).count();
    DraftError::NoTable {
        found: match n_lines {
            0 => "an empty file".to_owned(),
            _ => format!(
                "{n_lines} lines of text, but no line of names whose number of fields the lines \
                 below share, at any of , ; tab |"
            ),
        },
    }
}

/// Formats that are not text and tell it by their first bytes.
fn refuse_known_binary(bytes: &[u8]) -> Result<(), DraftError> {
    const KNOWN: &[(&[u8], &str)] = &[
        (b"\x7fELF", "a program (ELF)"),
        (b"MZ\x90", "a program"),
        (b"%PDF", "a PDF document: export the table as CSV"),
        (
            b"\xd0\xcf\x11\xe0",
            "an older workbook: save it as .xlsx or CSV",
        ),
        (b"PAR1", "a Parquet file"),
        (b"SQLite format 3", "a database file"),
        (b"\x89PNG", "an image"),
        (b"\xff\xd8\xff", "an image"),
        (b"7z\xbc\xaf", "a 7z archive: unpack it"),
        (b"Rar!", "a RAR archive: unpack it"),
    ];
    match KNOWN.iter().find(|(mark, _)| bytes.starts_with(mark)) {
        Some((_, what)) => Err(DraftError::NotText {
            found: (*what).to_owned(),
        }),
        None => Ok(()),
    }
}

/// The text, and the encoding that reads all of it.
fn decode(bytes: &[u8]) -> Result<(String, &'static str), DraftError> {
    let in_encoding =
        |encoding: &'static Encoding| decode_text(bytes, &TextRule::of(encoding), MAX_TEXT);
    let utf8 = in_encoding(encoding_rs::UTF_8)?;
    let marked = if bytes.starts_with(b"\xff\xfe") {
        Some("utf-16le")
    } else if bytes.starts_with(b"\xfe\xff") {
        Some("utf-16be")
    } else {
        None
    };
    if let Some(label) = marked {
        return checked(utf8.text, label);
    }
    // Every other byte of plain letters in UTF-16 is zero.
    let zeros = |odd: usize| {
        let bytes = utf8.text.as_bytes();
        let bytes = bytes.get(..bytes.len().min(4096)).unwrap_or(bytes);
        bytes
            .iter()
            .skip(odd)
            .step_by(2)
            .filter(|byte| **byte == 0)
            .count()
            * 5
            > bytes.len() * 2
    };
    if !utf8.traits.malformed || utf8.text.contains('\0') {
        for (odd, encoding, label) in [
            (1, encoding_rs::UTF_16LE, "utf-16le"),
            (0, encoding_rs::UTF_16BE, "utf-16be"),
        ] {
            if zeros(odd) {
                return checked(in_encoding(encoding)?.text, label);
            }
        }
    }
    if utf8.traits.malformed {
        // Every byte means something in it.
        return checked(in_encoding(encoding_rs::WINDOWS_1252)?.text, "windows-1252");
    }
    checked(utf8.text, "utf-8")
}

/// Refuses what is no text: letters and line ends have few control characters among them.
fn checked(text: String, label: &'static str) -> Result<(String, &'static str), DraftError> {
    let (mut n_chars, mut n_odd) = (0_usize, 0_usize);
    for c in text.chars().take(1 << 16) {
        n_chars += 1;
        let is_odd = c.is_control() && !matches!(c, '\t' | '\n' | '\r' | '\u{c}' | '\u{85}');
        n_odd += usize::from(is_odd || c == '\u{fffd}');
    }
    if n_odd * 500 > n_chars {
        return Err(DraftError::NotText {
            found: format!("{n_odd} control characters among the first {n_chars} characters"),
        });
    }
    Ok((text, label))
}

/// The delimiter and header that the most records agree with.
fn best_guess(text: &str, delimiters: &[u8]) -> Option<Guess> {
    delimiters
        .iter()
        .filter_map(|delimiter| guess(text, *delimiter))
        .max_by(|a, b| a.score.total_cmp(&b.score))
}

fn guess(text: &str, delimiter: u8) -> Option<Guess> {
    let mut records = Records::new(text, delimiter);
    let mut block = Block::default();
    records.read(&mut block, HEAD_RECORDS);
    let widths: Vec<usize> = block.records().map(|record| record.n_fields()).collect();
    let count = |width: usize| widths.iter().filter(|other| **other == width).count();
    let n_fields = widths
        .iter()
        .copied()
        .filter(|width| (2..=MAX_FIELDS).contains(width))
        .max_by_key(|width| (count(*width), *width))?;
    let header_of = |width: usize| {
        block.records().position(|record| {
            record.n_fields() == width && is_header(&record.fields().collect::<Vec<_>>())
        })
    };
    let ends_empty = || {
        block
            .records()
            .filter(|record| record.n_fields() == n_fields)
            .all(|record| record.get(n_fields - 1) == Some(""))
    };
    let (at, is_short) = match header_of(n_fields) {
        Some(at) => (at, false),
        None if n_fields > 2 && ends_empty() => (header_of(n_fields - 1)?, true),
        None => return None,
    };
    let below = widths.get(at..).unwrap_or(&[]);
    let agree = below.iter().filter(|width| **width == n_fields).count();
    let share = agree as f64 / below.len().max(1) as f64;
    // A wide table that all lines agree with; two fields may be chance.
    let score =
        share * (1.0 - 1.0 / (n_fields as f64 + 0.5)) * (agree as f64 / widths.len() as f64).sqrt();
    Some(Guess {
        delimiter,
        at,
        n_fields,
        score,
        is_short,
    })
}

/// Names, not values: most fields are filled, hold a letter or `%` and are no number or time.
fn is_header(fields: &[&str]) -> bool {
    let filled: Vec<&str> = fields
        .iter()
        .map(|field| field.trim())
        .filter(|field| !field.is_empty())
        .collect();
    let names = filled.iter().filter(|field| is_name(field)).count();
    filled.len() * 10 >= fields.len() * 6 && filled.len() >= 2 && names * 10 >= filled.len() * 8
}

fn is_name(field: &str) -> bool {
    let is_number = [DecimalMark::Point, DecimalMark::Comma]
        .into_iter()
        .any(|mark| parse_number(field, mark).is_some());
    let n_digits = field.chars().filter(char::is_ascii_digit).count();
    let n_letters = field
        .chars()
        .filter(|c| c.is_alphabetic() || *c == '%')
        .count();
    !is_number
        && n_letters > 0
        && n_digits <= 5
        && n_digits <= n_letters + 2
        && field.chars().count() <= 120
}

fn read_shape(text: &str, encoding: &'static str, guess: &Guess) -> Shape {
    let mut records = Records::new(text, guess.delimiter);
    let mut block = Block::default();
    let mut shape = Shape {
        encoding,
        sheet: None,
        is_workbook: false,
        mark: None,
        delimiter: guess.delimiter,
        skip_lines: 0,
        header: Vec::new(),
        unit_row: Vec::new(),
        preamble: Vec::new(),
        rows: Vec::new(),
        n_odd: 0,
        n_repeated: 0,
        needs_names: guess.is_short,
    };
    let mut order: Option<Vec<usize>> = None;
    // As many runs as make up the later records, spread evenly.
    let n_lines = memchr::memchr_iter(b'\n', text.as_bytes()).count();
    let stride = (n_lines / LATER_RECORDS).max(1);
    let (mut n_read, mut n_runs) = (0_usize, 0_usize);
    while records.read(&mut block, RUN) {
        let keep = n_read < FIRST_RECORDS || n_runs.is_multiple_of(stride);
        n_runs += 1;
        for (idx, record) in block.records().enumerate() {
            let at = n_read + idx;
            // A header further down may order the columns anew, in a stretch that is passed over too.
            let begins_like_header = || {
                record
                    .get(0)
                    .is_some_and(|first| shape.header.iter().any(|name| name == first))
            };
            if at > guess.at && !keep && !begins_like_header() {
                continue;
            }
            let fields: Vec<String> = record
                .fields()
                .map(|field| field.trim().to_owned())
                .collect();
            if at < guess.at {
                shape.preamble.push(fields);
            } else if at == guess.at {
                shape.skip_lines = record.line().saturating_sub(1);
                shape.header = fields;
                if guess.is_short {
                    shape.header.push(String::new());
                }
            } else if fields.len() != guess.n_fields {
                shape.n_odd += 1;
            } else if let Some(found) = order_of(&fields, &shape.header) {
                shape.n_repeated += 1;
                order = Some(found);
            } else if at == guess.at + 1 && is_unit_row(&fields) {
                shape.unit_row = fields;
            } else if let Some(order) = &order {
                let at = |place: &usize| fields.get(*place).cloned().unwrap_or_default();
                shape.rows.push(order.iter().map(at).collect());
            } else {
                shape.rows.push(fields);
            }
        }
        n_read += block.n_records();
    }
    shape
}

/// Where each name of the header stands in a record of the same names; None for other records, and
/// where a name stands twice.
fn order_of(fields: &[String], header: &[String]) -> Option<Vec<usize>> {
    let place = |name: &String| {
        let mut found = fields
            .iter()
            .enumerate()
            .filter(|(_, field)| *field == name);
        match (found.next(), found.next()) {
            (Some((at, _)), None) => Some(at),
            _ => None,
        }
    };
    if fields == header {
        return Some((0..header.len()).collect());
    }
    header.iter().map(place).collect()
}

/// A row under the header that holds units: most of what it holds is one.
fn is_unit_row(fields: &[String]) -> bool {
    let stripped = |field: &str| {
        field
            .trim_matches(['(', ')', '[', ']', '-', ' '])
            .to_owned()
    };
    let filled: Vec<String> = fields
        .iter()
        .map(|field| stripped(field))
        .filter(|field| !field.is_empty())
        .collect();
    let units = filled
        .iter()
        .filter(|field| {
            parse_number(field, DecimalMark::Point).is_none()
                && super::head::unit_of(field).is_some()
        })
        .count();
    units >= 2 && units * 10 >= filled.len() * 6
}

/// The decimal mark, and whether the cells leave it open.
pub(super) fn decimal_mark(shape: &Shape) -> (DecimalMark, bool) {
    if let Some(mark) = shape.mark {
        return (mark, false);
    }
    let (mut point, mut comma, mut open_point, mut open_comma) =
        (0_usize, 0_usize, 0_usize, 0_usize);
    for cell in shape.rows.iter().flatten() {
        let body = cell.trim_start_matches(['-', '+']);
        if body.is_empty()
            || !body
                .bytes()
                .all(|b| b.is_ascii_digit() || b == b'.' || b == b',')
        {
            continue;
        }
        match (body.matches('.').count(), body.matches(',').count()) {
            // Three digits behind the only mark may be thousands.
            (1, 0) if is_group(body, '.') => open_point += 1,
            (0, 1) if is_group(body, ',') => open_comma += 1,
            (1, 0) => point += 1,
            (0, 1) => comma += 1,
            (dots, commas) if dots > 0 && commas > 0 => {
                if body.rfind(',') > body.rfind('.') {
                    comma += 1;
                } else {
                    point += 1;
                }
            }
            _ => {}
        }
    }
    if point + comma > 0 {
        let mark = if comma > point {
            DecimalMark::Comma
        } else {
            DecimalMark::Point
        };
        return (mark, point.min(comma) * 20 > point.max(comma));
    }
    if open_comma > open_point && shape.delimiter != b',' {
        return (DecimalMark::Comma, true);
    }
    (DecimalMark::Point, open_point > 0)
}

/// Cells that are digits around one such mark.
fn n_decimals(rows: &[Vec<String>], mark: char) -> usize {
    let is_decimal = |cell: &&String| {
        cell.trim_start_matches('-')
            .split_once(mark)
            .is_some_and(|(whole, rest)| {
                let digits =
                    |text: &str| !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
                digits(whole) && digits(rest)
            })
    };
    rows.iter().flatten().filter(is_decimal).count()
}

fn is_group(body: &str, mark: char) -> bool {
    body.split_once(mark).is_some_and(|(whole, rest)| {
        rest.len() == 3 && (1..=3).contains(&whole.len()) && !whole.starts_with('0')
    })
}
