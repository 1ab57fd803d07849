//! Tall log files: a line per tag and time stamp.

use super::columns::Column;
use super::text::{civil_from_seconds, push_civil, push_digits, push_fixed};
use super::wide::shown;
use crate::catalogue::Dialect;
use crate::row::Row;

/// Header of a tall file.
pub(crate) const fn header(dialect: Dialect) -> &'static str {
    match dialect {
        Dialect::TallEpoch => "point;ms;val;st",
        _ => "Tag,Time,Value,Quality",
    }
}

/// Words of a good and of a bad value.
const fn quality(dialect: Dialect, is_good: Good) -> &'static str {
    match (dialect, is_good) {
        (Dialect::TallEpoch, Good::Yes) => "192",
        (Dialect::TallEpoch, Good::No) => "0",
        (_, Good::Yes) => "Good",
        (_, Good::No) => "Bad",
    }
}

/// Whether the historian trusts a value.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Good {
    Yes,
    No,
}

/// Append one line with its end; false where the row has no such value.
pub(crate) fn push_line(
    text: &mut Vec<u8>,
    dialect: Dialect,
    (unit, column): (&str, &Column),
    row: &Row,
    good: Good,
) -> bool {
    let Some(value) = shown(column, row) else {
        return false;
    };
    push_tag(text, dialect, (unit, column.name), row.at);
    push_fixed(text, value, column.decimals, b'.');
    text.push(delimiter(dialect));
    text.extend_from_slice(quality(dialect, good).as_bytes());
    text.push(b'\n');
    true
}

/// Append a line of a tag that nobody wants.
pub(crate) fn push_spare(text: &mut Vec<u8>, dialect: Dialect, unit: &str, at: i64) {
    push_tag(text, dialect, (unit, "SPARE1"), at);
    text.push(b'0');
    text.push(delimiter(dialect));
    text.extend_from_slice(quality(dialect, Good::Yes).as_bytes());
    text.push(b'\n');
}

fn push_tag(text: &mut Vec<u8>, dialect: Dialect, (unit, name): (&str, &str), at: i64) {
    text.extend_from_slice(unit.as_bytes());
    text.push(b'.');
    text.extend_from_slice(name.as_bytes());
    text.push(delimiter(dialect));
    if matches!(dialect, Dialect::TallEpoch) {
        push_digits(text, (at * 1000) as u64, 1);
    } else {
        push_civil(text, civil_from_seconds(at), "Y-m-dTH:M:SZ");
    }
    text.push(delimiter(dialect));
}

pub(crate) const fn delimiter(dialect: Dialect) -> u8 {
    match dialect {
        Dialect::TallEpoch => b';',
        _ => b',',
    }
}
