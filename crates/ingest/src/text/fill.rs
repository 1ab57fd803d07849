//! Cells that are left empty where they would repeat what stands above them: a day once for all its
//! rows, a sample once for all its results, a reading until it changes.

use std::collections::HashMap;

use super::tidy;

/// Stands between the texts of a key.
const MARK: char = '\u{1f}';

/// A column to fill.
#[derive(Clone, Debug)]
pub(crate) struct FillColumn {
    pub(crate) field: usize,
    /// What the header says there: the header again is no value.
    pub(crate) names: Vec<String>,
    /// It speaks of what the row's key names: what stands above of another is none of its own.
    pub(crate) is_own: bool,
}

/// The columns to fill, and what stood in them last.
#[derive(Clone, Debug, Default)]
pub(crate) struct FillDown {
    columns: Vec<FillColumn>,
    /// The fields that tell whose row it is.
    key: Vec<usize>,
    /// By column: what all rows go on from.
    shared: Vec<Option<Filled>>,
    /// By key and column.
    own: HashMap<String, Vec<Option<Filled>>>,
    /// The lines of the header, which printouts repeat on every page: no values stand in them.
    header: Vec<Vec<String>>,
    /// Records of another length are left as they are.
    n_fields: usize,
}

/// A cell that others go on from.
#[derive(Clone, Debug)]
struct Filled {
    text: String,
    place: Last,
}

/// Where the last value stands.
#[derive(Clone, Debug)]
pub(super) enum Last {
    /// In the text.
    Span(usize, usize),
    /// Its doubled quotes were undone: in no text that lasts.
    Text(String),
}

impl FillDown {
    /// For records of so many fields; `header` are its lines, whole, `key` the fields that tell whose row
    /// a record is.
    pub(crate) fn new(
        columns: Vec<FillColumn>,
        key: Vec<usize>,
        header: Vec<Vec<String>>,
        n_fields: usize,
    ) -> Self {
        Self {
            shared: vec![None; columns.len()],
            own: HashMap::new(),
            columns,
            key,
            header,
            n_fields,
        }
    }

    /// The same, independent of the text that was read.
    pub(super) fn without_text(mut self, text: &str) -> Self {
        let own = self.own.values_mut().flatten();
        for filled in self.shared.iter_mut().chain(own).flatten() {
            if let Last::Span(start, end) = filled.place {
                let cell = text.get(start..end).unwrap_or("");
                filled.place = Last::Text(cell.to_owned());
            }
        }
        self
    }

    /// What to put into the empty cells of a record, by field; remembers the others.
    ///
    /// `cell` gives the text of a field and where it stands. A record that is empty throughout says
    /// nothing, and repeats nothing; nor does a line of the header that comes again.
    pub(super) fn pass(
        &mut self,
        n_fields: usize,
        cell: &dyn Fn(usize) -> (String, Last),
    ) -> Vec<(usize, Last)> {
        let is_empty = |field: usize| cell(field).0.is_empty();
        if n_fields != self.n_fields || self.columns.is_empty() || (0..n_fields).all(is_empty) {
            return Vec::new();
        }
        let is_line = |line: &Vec<String>| {
            line.len() == n_fields
                && line
                    .iter()
                    .enumerate()
                    .all(|(field, known)| tidy(&cell(field).0) == *known)
        };
        if self.header.iter().any(is_line) {
            return Vec::new();
        }
        let mut out = Vec::new();
        fill(&self.columns, false, &mut self.shared, cell, &mut out);
        if self.columns.iter().any(|column| column.is_own) {
            let key = self.key_of(cell);
            let own = self.own.entry(key);
            let own = own.or_insert_with(|| vec![None; self.columns.len()]);
            fill(&self.columns, true, own, cell, &mut out);
        }
        out
    }

    /// Whose row it is, where some of that may itself stand above.
    fn key_of(&self, cell: &dyn Fn(usize) -> (String, Last)) -> String {
        let mut key = String::new();
        for field in &self.key {
            let (text, _) = cell(*field);
            let above = self.columns.iter().zip(&self.shared);
            let above = above
                .filter(|(column, _)| column.field == *field && !column.is_own)
                .find_map(|(_, filled)| filled.as_ref());
            match above {
                Some(filled) if text.is_empty() => key.push_str(&filled.text),
                _ => key.push_str(&text),
            }
            key.push(MARK);
        }
        key
    }
}

/// Fills the columns of a kind, and remembers what stands in them.
fn fill(
    columns: &[FillColumn],
    is_own: bool,
    last: &mut [Option<Filled>],
    cell: &dyn Fn(usize) -> (String, Last),
    out: &mut Vec<(usize, Last)>,
) {
    for (column, last) in columns.iter().zip(last) {
        if column.is_own != is_own {
            continue;
        }
        let (text, place) = cell(column.field);
        if text.is_empty() {
            out.extend(last.as_ref().map(|last| (column.field, last.place.clone())));
        } else if !column.names.contains(&text) {
            *last = Some(Filled { text, place });
        }
    }
}
