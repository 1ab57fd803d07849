//! Files whose records stand side by side.

use encoding_rs::Encoding;

use super::{Guess, HEAD_RECORDS, Shape, guess, read_shape};
use crate::cells::DecimalMark;
use crate::draft::assign::best_table;
use crate::draft::mark::decimal_mark;
use crate::draft::read_columns;
use crate::text::{Block, Dialect, Records, TextRule, decode_text, to_transposed};

/// Text of a sheet that is looked at with its records side by side, at most.
const MAX_TURNED: usize = 1 << 22;
/// Rows and columns of such a sheet, at most.
const MAX_SIDE: usize = 400;
/// Columns that must be known of a file that is turned.
const LEAST_KNOWN: usize = 3;

impl Shape {
    /// This, or the same file with its records side by side, if more of it is known then.
    pub(super) fn or_turned(self, bytes: &[u8]) -> Self {
        if self.rows.len() + self.n_odd > MAX_SIDE || self.header.len() > MAX_SIDE {
            return self;
        }
        let Some(turned) = self.turned(bytes) else {
            return self;
        };
        let (n_own, own) = self.known();
        let (n_turned, of_turned) = turned.known();
        if n_turned >= LEAST_KNOWN && n_turned > n_own && of_turned > own {
            turned
        } else {
            self
        }
    }

    /// How many columns of it are placed, and how well.
    fn known(&self) -> (usize, f64) {
        let (columns, context) = read_columns(self, decimal_mark(self).0, None);
        best_table(&columns, &context).map_or((0, 0.0), |found| (found.placed.len(), found.score))
    }

    /// The same file with its records side by side, where it reads as a table then.
    fn turned(&self, bytes: &[u8]) -> Option<Self> {
        let rule = TextRule {
            sheet: self.sheet.as_deref(),
            mark: self.mark.unwrap_or(DecimalMark::Point),
            delimiter: self.delimiter,
            is_transposed: true,
            ..TextRule::of(Encoding::for_label(self.encoding.as_bytes())?)
        };
        let text = decode_text(bytes, &rule, MAX_TURNED).ok()?.text;
        // The line that looked like a header may be a row of names further down.
        let first = first_full(&text, &self.dialect, self.header.len());
        let starts = first.into_iter().chain([self.skip_lines]);
        starts
            .filter(|skip| *skip <= self.skip_lines)
            .find_map(|skip| self.turned_from(&text, skip))
    }

    /// As [`Self::turned`], from this line of the text on.
    fn turned_from(&self, text: &str, skip_lines: u64) -> Option<Self> {
        let text = to_transposed(text, &self.dialect, (skip_lines, 1), 4 * MAX_TURNED).ok()?;
        let guess = guess(&text, &Dialect::from(self.delimiter)).filter(|guess| guess.at == 0)?;
        let shape = read_shape(&text, self.encoding, &guess);
        Some(Self {
            is_transposed: true,
            dialect: self.dialect.clone(),
            skip_lines,
            sheet: self.sheet.clone(),
            is_workbook: self.is_workbook,
            mark: self.mark,
            preamble: self.preamble.clone(),
            head_text: self.head_text.clone(),
            ..shape
        })
    }
}

/// Lines before the first record of this width that is filled for the most part.
fn first_full(text: &str, dialect: &Dialect, width: usize) -> Option<u64> {
    let mut records = Records::new(text, dialect);
    let mut block = Block::default();
    records.read(&mut block, HEAD_RECORDS);
    block
        .records()
        .find(|record| {
            let n_filled = record
                .fields()
                .filter(|field| !field.trim().is_empty())
                .count();
            record.n_fields() == width && n_filled * 10 >= width * 6
        })
        .map(|record| record.line().saturating_sub(1))
}

/// A text without a line of names whose records stand side by side, where it reads as a table then.
pub(super) fn sideways(
    bytes: &[u8],
    text: &str,
    (encoding, sheet): (&'static str, Option<&str>),
    dialects: &[Dialect],
) -> Option<Shape> {
    dialects.iter().find_map(|dialect| {
        let mut records = Records::new(text, dialect);
        let mut block = Block::default();
        records.read(&mut block, MAX_SIDE + 1);
        let n_records = block.n_records();
        let width = block.records().map(|record| record.n_fields()).max()?;
        let skip = first_full(text, dialect, width)?;
        let at = block.records().position(|record| record.line() > skip)?;
        let is_small = n_records <= MAX_SIDE && (3..=MAX_SIDE).contains(&width);
        let guess = Guess {
            dialect: dialect.clone(),
            at,
            n_fields: width,
            score: 0.0,
            is_short: false,
        };
        let shape = is_small.then(|| Shape {
            sheet: sheet.map(str::to_owned),
            is_workbook: sheet.is_some(),
            mark: sheet.map(|_| DecimalMark::Point),
            ..read_shape(text, encoding, &guess)
        })?;
        let turned = shape.turned(bytes)?;
        (turned.known().0 >= LEAST_KNOWN).then_some(turned)
    })
}
