//! What the values of one file column are, whatever its header says.

use std::collections::BTreeMap;

use super::Context;
use super::stamps::{self, StampFound};
use crate::cells::{
    Amount, Censor, DecimalMark, parse_amount, parse_hours, parse_number, parse_yes_no,
};
use drydown_quantity::Unit;

/// Words that loggers write where a value is missing; common practice, no source.
const MISSING: &[&str] = &[
    "---",
    "--",
    "-",
    "----",
    "nan",
    "1.#qnan",
    "-1.#ind",
    "inf",
    "-inf",
    "#ref!",
    "#num!",
    "fault",
    "err",
    "error",
    "fehler",
    "n.b.",
    "over",
    "ovr",
    "n/a",
    "na",
    "null",
    "none",
    "#n/a",
    "nil",
    "***",
    "****",
    "*****",
    "bad",
    "no data",
    "i/o timeout",
    "#value!",
    "#div/0!",
    "k.a.",
    "k. a.",
    "?",
];
/// Numbers that stand for a missing value, where the others are far from them.
const SENTINELS: [f64; 12] = [
    -32768.0, 32767.0, 65535.0, 999_999.0, -999.0, -9999.0, -99999.0, -999.9, -9999.9, -99.9,
    9999.0, 99999.0,
];
/// Different values that are counted.
const MAX_DISTINCT: usize = 600;

/// One file column.
#[derive(Clone, Debug, Default)]
pub(super) struct Facts {
    /// As they stand, a place per row looked at; missing ones are empty.
    pub(super) cells: Vec<String>,
    /// The numbers, a place per row; NaN where there is none.
    pub(super) numbers: Vec<f64>,
    /// Rows with a value.
    pub(super) n_filled: usize,
    /// Values that are plain numbers.
    pub(super) n_numbers: usize,
    /// Values as a laboratory writes amounts (`<20`, `45 kV`, `TNTC`), numbers among them.
    pub(super) n_amounts: usize,
    /// Different values and how often each stands there.
    pub(super) distinct: BTreeMap<String, usize>,
    /// Texts that stood for a missing value.
    pub(super) missing: Vec<String>,
    pub(super) stamp: Option<StampFound>,
    /// The unit that every value states itself (`24.5 inHg`).
    pub(super) unit: Option<Unit>,
}

impl Facts {
    pub(super) fn of(cells: impl Iterator<Item = String>, context: &Context) -> Self {
        let mut facts = Self {
            cells: cells.collect(),
            ..Self::default()
        };
        facts.clear_missing(context.mark);
        facts.unit = unit_in_cells(&facts.cells, context.mark);
        let is_counter = facts.unit.is_none() && are_hours(&facts.cells);
        for cell in &facts.cells {
            let number = match facts.unit {
                Some(_) => stated(cell, context.mark).map(|(value, _)| value),
                None if is_counter => parse_hours(cell),
                None => parse_number(cell, context.mark),
            };
            facts.numbers.push(number.unwrap_or(f64::NAN));
            if cell.is_empty() {
                continue;
            }
            facts.n_filled += 1;
            facts.n_numbers += usize::from(number.is_some());
            facts.n_amounts += usize::from(
                number.is_some()
                    || !matches!(parse_amount(cell, context.mark), Amount::Unreadable(_)),
            );
            if facts.distinct.len() < MAX_DISTINCT || facts.distinct.contains_key(cell) {
                *facts.distinct.entry(cell.clone()).or_default() += 1;
            }
        }
        facts.stamp = stamps::find(&facts, context);
        facts
    }

    /// Empties what stands for a missing value and remembers it.
    fn clear_missing(&mut self, mark: DecimalMark) {
        let filled: Vec<&String> = self.cells.iter().filter(|cell| !cell.is_empty()).collect();
        let mut numbers: Vec<f64> = filled
            .iter()
            .filter_map(|cell| parse_number(cell, mark))
            .collect();
        numbers.sort_by(f64::total_cmp);
        let is_numeric = !numbers.is_empty() && numbers.len() * 2 > filled.len();
        let mut missing: Vec<String> = Vec::new();
        for cell in filled {
            let lower = cell.to_lowercase();
            // A number behind the word says which fault it is.
            let word = lower.trim_end_matches(|c: char| c.is_ascii_digit() || c == ' ');
            let is_word = MISSING.contains(&lower.as_str())
                || matches!(word, "err" | "error" | "fault" | "fehler");
            let is_sentinel = is_numeric
                && parse_number(cell, mark).is_some_and(|value| is_sentinel(value, &numbers));
            // A lone dash or `bad` may be a value of a column of words.
            if ((is_word && (is_numeric || lower.starts_with("---") || lower.starts_with('#')))
                || is_sentinel)
                && !missing.contains(cell)
            {
                missing.push(cell.clone());
            }
        }
        for cell in &mut self.cells {
            if missing.contains(cell) {
                cell.clear();
            }
        }
        self.missing = missing;
    }

    /// The numbers that are, in their order.
    pub(super) fn known_numbers(&self) -> impl Iterator<Item = f64> + '_ {
        self.numbers.iter().copied().filter(|value| !value.is_nan())
    }

    /// Nearly every value is a number.
    pub(super) fn is_numeric(&self) -> bool {
        self.n_numbers > 0 && self.n_numbers * 20 >= self.n_filled * 19
    }

    /// Some value has numbers between strokes.
    pub(super) fn has_strokes(&self) -> bool {
        self.cells.iter().any(|cell| cell.contains('/'))
    }

    /// Only yes and no, in whatever words, and not counts that happen to be 0 and 1.
    pub(super) fn is_yes_no(&self) -> bool {
        self.n_filled > 0
            && self.distinct.len() <= 6
            && self
                .distinct
                .keys()
                .all(|word| parse_yes_no(word).is_some() && !matches!(word.as_str(), "x" | "X"))
    }

    /// Nothing but the digits 0 and 1, both of them.
    pub(super) fn is_flag(&self) -> bool {
        self.is_yes_no() && self.distinct.len() >= 2
    }

    /// Whole numbers only.
    pub(super) fn is_whole(&self) -> bool {
        self.is_numeric()
            && self
                .known_numbers()
                .all(|value| value.fract().abs() < f64::EPSILON)
    }

    /// One text in every row.
    pub(super) fn is_constant(&self) -> bool {
        self.distinct.len() == 1 && self.n_filled >= 2 && self.n_filled == self.cells.len()
    }

    /// The value at a share of the sorted numbers.
    pub(super) fn quantile(&self, share: f64) -> Option<f64> {
        let mut sorted: Vec<f64> = self.known_numbers().collect();
        sorted.sort_by(f64::total_cmp);
        let at = (share * sorted.len().saturating_sub(1) as f64).round() as usize;
        sorted.get(at).copied()
    }

    /// No number is lower than the one before, but for one step in fifty.
    pub(super) fn is_rising(&self) -> bool {
        let known: Vec<f64> = self.known_numbers().collect();
        let falls = known
            .windows(2)
            .filter(|pair| matches!(pair, [a, b] if b < a))
            .count();
        known.len() >= 3 && falls * 50 <= known.len()
    }
}

/// The number and the unit of a cell that states both.
fn stated(cell: &str, mark: DecimalMark) -> Option<(f64, Unit)> {
    match parse_amount(cell, mark) {
        Amount::Stated {
            censor: Censor::Exact,
            value: Some(value),
            unit: Some(unit),
        } => Some((value, unit)),
        _ => None,
    }
}

/// The unit that nearly all values state themselves; None where they state none, or several.
fn unit_in_cells(cells: &[String], mark: DecimalMark) -> Option<Unit> {
    let filled: Vec<&String> = cells.iter().filter(|cell| !cell.is_empty()).collect();
    let first = filled
        .iter()
        .find_map(|cell| stated(cell, mark))
        .map(|(_, unit)| unit)?;
    let n = filled
        .iter()
        .filter(|cell| stated(cell, mark).is_some_and(|(_, unit)| unit.code() == first.code()))
        .count();
    (n * 20 >= filled.len() * 19).then_some(first)
}

/// Whether all values are hours of a counter (`1234:30`), and some more than a day has.
fn are_hours(cells: &[String]) -> bool {
    let mut most = 0.0_f64;
    for cell in cells.iter().filter(|cell| !cell.is_empty()) {
        match parse_hours(cell) {
            Some(hours) => most = most.max(hours),
            None => return false,
        }
    }
    most >= 24.0
}

fn is_sentinel(value: f64, sorted: &[f64]) -> bool {
    if !SENTINELS.iter().any(|known| (known - value).abs() < 1e-9) {
        return false;
    }
    let others: Vec<f64> = sorted
        .iter()
        .copied()
        .filter(|other| (other - value).abs() > 1e-9)
        .collect();
    let (Some(low), Some(high)) = (others.first(), others.last()) else {
        return false;
    };
    let span = (high - low).max(1.0);
    // Far from all others, or below zero where no other is.
    (value < 0.0 && *low > value / 4.0) || value - high > 4.0 * span
}
