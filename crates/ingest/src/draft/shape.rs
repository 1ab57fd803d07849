//! The shape of the text: encoding, sheet, delimiter, header, and the rows that are looked at.

mod turned;

use self::turned::sideways;
use super::DraftError;
use super::bytes::{MAX_TEXT, decode, refuse_known_binary};
use super::fixed::find_fixed;
use super::lines::{is_unit_row, n_more_lines};
use super::mark::n_decimals;
use crate::cells::{DecimalMark, parse_number};
use crate::reader::joined_names;
use crate::text::{
    Block, Dialect, Records, TextRule, Widths, begins_like_json, decode_text, sheet_names,
    to_delimited,
};

/// Fields of a line that may be numbered with four digits.
const MANY: usize = 1000;
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
const DELIMITERS: [u8; 6] = *b",;\t|^~";
/// Lines that are searched for quotes of another kind.
const QUOTE_LINES: usize = 100;

/// What was found of the text as a whole.
#[derive(Debug)]
pub(super) struct Shape {
    pub(super) encoding: &'static str,
    pub(super) sheet: Option<String>,
    pub(super) is_workbook: bool,
    pub(super) delimiter: u8,
    /// How its lines become fields.
    pub(super) dialect: Dialect,
    /// Its records stand side by side: the rows here are its columns.
    pub(super) is_transposed: bool,
    /// Its records are JSON objects.
    pub(super) is_json: bool,
    /// The mark that the sheet's text is written with; None where the text must tell it.
    pub(super) mark: Option<DecimalMark>,
    /// Lines before the header.
    pub(super) skip_lines: u64,
    /// The names as the reader makes them, of all lines of the header.
    pub(super) header: Vec<String>,
    /// The first line of the header, and what stands below it in the others: a row of units, mostly.
    pub(super) names: Vec<String>,
    pub(super) unit_row: Vec<String>,
    /// Lines of the header.
    pub(super) header_lines: usize,
    /// Records before the header, and their text.
    pub(super) preamble: Vec<Vec<String>>,
    pub(super) head_text: String,
    pub(super) rows: Vec<Vec<String>>,
    /// Records looked at that have another number of fields.
    pub(super) n_odd: usize,
    /// The header again, further down, in whatever order.
    pub(super) n_repeated: usize,
    /// The lines end in a delimiter that the header has not: only `header` can give the names.
    pub(super) needs_names: bool,
}

/// A delimiter with the header it shows.
pub(super) struct Guess {
    dialect: Dialect,
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
        return match best_sheet(bytes, &names) {
            Ok(shape) => Ok(shape.or_turned(bytes)),
            Err(error) => sheet_sideways(bytes, &names)?.ok_or(error),
        };
    }
    let (text, encoding) = decode(bytes)?;
    if begins_like_json(&text)
        && let Ok(shape) = json_shape(&text, encoding)
    {
        return Ok(shape);
    }
    let dialects = dialects(&text);
    let guess = best_guess(&text, &dialects).or_else(|| fixed_guess(&text));
    let Some(guess) = guess else {
        let turned = sideways(bytes, &text, (encoding, None), &dialects);
        return turned.ok_or_else(|| no_table(&text));
    };
    Ok(read_shape(&text, encoding, &guess).or_turned(bytes))
}

/// Records in JSON, whose names make the header.
fn json_shape(text: &str, encoding: &'static str) -> Result<Shape, DraftError> {
    let table = to_delimited(text, (b',', DecimalMark::Point), MAX_TEXT)?;
    let Some(guess) = guess(&table, &Dialect::from(b',')).filter(|guess| guess.at == 0) else {
        return Err(no_table(text));
    };
    Ok(Shape {
        is_json: true,
        mark: Some(DecimalMark::Point),
        head_text: String::new(),
        ..read_shape(&table, encoding, &guess)
    })
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
        let Some(guess) = best_guess(&text, &[Dialect::from(b',')]) else {
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
        if let Some(guess) = best_guess(&text, &[Dialect::from(b',')]) {
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

/// The first sheet whose records stand side by side.
fn sheet_sideways(bytes: &[u8], names: &[String]) -> Result<Option<Shape>, DraftError> {
    for name in names {
        let rule = TextRule {
            sheet: Some(name),
            ..TextRule::of(encoding_rs::UTF_8)
        };
        let text = decode_text(bytes, &rule, MAX_TEXT)?.text;
        let dialects = [Dialect::from(b',')];
        if let Some(shape) = sideways(bytes, &text, ("utf-8", Some(name)), &dialects) {
            return Ok(Some(shape));
        }
    }
    Ok(None)
}

fn no_table(text: &str) -> DraftError {
    let n_lines = text.lines().filter(|line| !line.trim().is_empty()).count();
    DraftError::NoTable {
        found: match n_lines {
            0 => "an empty file".to_owned(),
            _ => format!(
                "{n_lines} lines of text, but no line of names whose number of fields the lines \
                 below share, at any of , ; tab | ^ ~, and no columns of fixed width; where the file has \
                 rows and no names, `header` gives them"
            ),
        },
    }
}

/// The delimiters, and single quotes where fields of the first lines begin and end with them.
fn dialects(text: &str) -> Vec<Dialect> {
    let mut out = Vec::new();
    for delimiter in DELIMITERS {
        let plain = Dialect::from(delimiter);
        let between = format!("'{}'", char::from(delimiter));
        let mut lines = text.lines().take(QUOTE_LINES);
        if lines.any(|line| line.contains(&between)) {
            out.push(Dialect {
                quote: Some(b'\''),
                ..plain.clone()
            });
        }
        out.push(plain);
    }
    out
}

/// The dialect and header that the most records agree with; the first of equal ones.
fn best_guess(text: &str, dialects: &[Dialect]) -> Option<Guess> {
    dialects
        .iter()
        .rev()
        .filter_map(|dialect| guess(text, dialect))
        .max_by(|a, b| a.score.total_cmp(&b.score))
}

/// Columns of fixed width, where nothing delimits.
fn fixed_guess(text: &str) -> Option<Guess> {
    let table = find_fixed(text, is_header)?;
    let dialect = Dialect {
        widths: Some(Widths::from(table.widths)),
        quote: None,
        ..Dialect::from(b',')
    };
    guess(text, &dialect)
}

fn guess(text: &str, dialect: &Dialect) -> Option<Guess> {
    let mut records = Records::new(text, dialect);
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
        Some(at) => (below_labels(&block, at), false),
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
        dialect: dialect.clone(),
        at,
        n_fields,
        score,
        is_short,
    })
}

/// The header below lines of a label and its value, of as many fields as the table has: the last line
/// that begins with a name, where rows that do not follow.
fn below_labels(block: &Block, first: usize) -> usize {
    let begins_with_name = |at: usize| {
        let record = block.record(at);
        record.is_some_and(|record| {
            record.n_fields() == 2 && record.get(0).is_some_and(|field| is_name(field, 2))
        })
    };
    let n_names = (first..block.n_records())
        .take_while(|at| begins_with_name(*at))
        .count();
    let last = (first + n_names).saturating_sub(1);
    let rows_follow = block.n_records() >= last + 4;
    let is_names = |at: usize| {
        block
            .record(at)
            .is_some_and(|record| is_header(&record.fields().collect::<Vec<_>>()))
    };
    // A value stands among the labels, not in a second line of the header.
    let has_value = (first..last).any(|at| !is_names(at));
    if has_value && rows_follow && is_names(last) {
        last
    } else {
        first
    }
}

/// Names, not values: most fields are filled, hold a letter or `%` and are no number or time.
fn is_header(fields: &[&str]) -> bool {
    let filled: Vec<&str> = fields
        .iter()
        .map(|field| field.trim())
        .filter(|field| !field.is_empty())
        .collect();
    // Where there are thousands of columns, their numbers have as many digits.
    let most = if fields.len() >= MANY { 3 } else { 2 };
    let names = filled.iter().filter(|field| is_name(field, most)).count();
    filled.len() * 10 >= fields.len() * 6 && filled.len() >= 2 && names * 10 >= filled.len() * 8
}

fn is_name(field: &str, most: usize) -> bool {
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
        && n_digits <= n_letters + most
        && field.chars().count() <= 120
}

fn read_shape(text: &str, encoding: &'static str, guess: &Guess) -> Shape {
    let mut records = Records::new(text, &guess.dialect);
    let mut block = Block::default();
    let mut shape = Shape {
        encoding,
        sheet: None,
        is_workbook: false,
        mark: None,
        delimiter: guess.dialect.delimiter,
        dialect: guess.dialect.clone(),
        is_transposed: false,
        is_json: false,
        skip_lines: 0,
        header: Vec::new(),
        names: Vec::new(),
        unit_row: Vec::new(),
        header_lines: 1,
        head_text: String::new(),
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
            } else if let Some(order) = &order {
                let at = |place: &usize| fields.get(*place).cloned().unwrap_or_default();
                shape.rows.push(order.iter().map(at).collect());
            } else {
                shape.rows.push(fields);
            }
        }
        n_read += block.n_records();
    }
    let mut head = Records::new(text, &guess.dialect);
    head.skip_lines(shape.skip_lines);
    text.get(..head.position())
        .unwrap_or("")
        .clone_into(&mut shape.head_text);
    shape.settle_header();
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

impl Shape {
    /// Takes the lines of the header beyond its first from the rows.
    fn settle_header(&mut self) {
        self.names.clone_from(&self.header);
        let n_more = if self.needs_names {
            0
        } else {
            n_more_lines(&self.header, &self.rows)
        };
        if n_more == 0 {
            return;
        }
        let mut lines = vec![self.header.clone()];
        lines.extend(self.rows.drain(..n_more));
        self.header_lines = lines.len();
        self.header = joined_names(&lines);
        let units = lines.iter().skip(1).position(|line| is_unit_row(line));
        if let Some(at) = units {
            self.unit_row = lines.remove(at + 1);
        }
        self.names = joined_names(&lines);
    }
}
