//! Cells that are left empty where they would repeat what stands above them: a day once for all its
//! rows, a sample once for all its results.

use super::tidy;

/// The columns to fill, and what stood in them last.
#[derive(Clone, Debug, Default)]
pub(crate) struct FillDown {
    columns: Vec<Filled>,
    /// The lines of the header, which printouts repeat on every page: no values stand in them.
    header: Vec<Vec<String>>,
    /// Records of another length are left as they are.
    n_fields: usize,
}

#[derive(Clone, Debug)]
struct Filled {
    field: usize,
    /// What the header says there: the header again is no value.
    names: Vec<String>,
    last: Option<Last>,
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
    /// For records of so many fields; each column is a field with what the lines of the header say there,
    /// `header` are these lines, whole.
    pub(crate) fn new(
        columns: Vec<(usize, Vec<String>)>,
        header: Vec<Vec<String>>,
        n_fields: usize,
    ) -> Self {
        let columns = columns
            .into_iter()
            .map(|(field, names)| Filled {
                field,
                names,
                last: None,
            })
            .collect();
        Self {
            columns,
            header,
            n_fields,
        }
    }

    /// The same, independent of the text that was read.
    pub(super) fn without_text(mut self, text: &str) -> Self {
        for column in &mut self.columns {
            if let Some(Last::Span(start, end)) = column.last {
                let cell = text.get(start..end).unwrap_or("");
                column.last = Some(Last::Text(cell.to_owned()));
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
        for column in &mut self.columns {
            let (text, place) = cell(column.field);
            if text.is_empty() {
                out.extend(column.last.clone().map(|last| (column.field, last)));
            } else if !column.names.contains(&text) {
                column.last = Some(place);
            }
        }
        out
    }
}
