//! Whether a record among the rows is another header: of other columns, other units, another language.

use std::collections::BTreeSet;

use super::Sheet;
use crate::cells::{Amount, parse_amount};
use crate::reader::header::Place;
use crate::source::{CellKind, Source};
use crate::text::Record;

impl Sheet {
    /// Whether a record names columns: at least two of the source's, or one where a key should stand, or
    /// words alone, also where numbers should.
    pub(super) fn is_header(&self, source: &Source, record: Record<'_>) -> bool {
        let columns = source.keys.iter().chain(&source.values);
        let keys = self.fields.keys.iter().flat_map(Place::fields);
        self.header.is_other_header(record, columns)
            || self.header.names_itself(record, keys)
            || self.header.fits(record) && are_names(record) && self.has_no_number(source, record)
    }

    /// Whether no column of numbers has one, an empty cell or what a laboratory writes for a number.
    fn has_no_number(&self, source: &Source, record: Record<'_>) -> bool {
        let is_number = |kind: &CellKind| {
            matches!(
                kind,
                CellKind::Number(_)
                    | CellKind::Limited(_)
                    | CellKind::Pressure(..)
                    | CellKind::Barometer(_)
            )
        };
        let columns = source.values.iter().zip(&self.fields.values);
        let mut at = columns
            .filter(|(column, _)| is_number(&column.kind))
            .flat_map(|(_, place)| place.fields())
            .peekable();
        at.peek().is_some()
            && at.all(|at| {
                let cell = record.get(at).unwrap_or("");
                !source.nulls.contains(cell)
                    && matches!(parse_amount(cell, source.mark), Amount::Unreadable(_))
            })
    }
}

/// Whether a record is one of words alone, each another: names in other words, or another language.
fn are_names(record: Record<'_>) -> bool {
    let is_name = |cell: &str| {
        cell.chars().any(char::is_alphabetic) && !cell.bytes().any(|byte| byte.is_ascii_digit())
    };
    let cells: Vec<&str> = record.fields().map(str::trim).collect();
    let distinct: BTreeSet<&str> = cells.iter().copied().collect();
    cells.len() >= 3 && distinct.len() == cells.len() && cells.iter().all(|cell| is_name(cell))
}
