//! Where the columns of a source stand in one file.

use crate::source::{Column, Origin};
use crate::text::Record;

/// Where one column's text is found in this file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Place {
    /// These fields, joined by a blank.
    Fields(Vec<usize>),
    /// The same text in every row.
    Fixed(String),
    /// The file lacks this column.
    Missing(String),
    /// The tag of a tall file tells.
    Tag,
    /// The value of a tall file.
    Signal,
}

impl Place {
    /// The one field that holds the text, if it is one field.
    pub(crate) fn single(&self) -> Option<usize> {
        match self {
            Self::Fields(fields) => match fields[..] {
                [only] => Some(only),
                _ => None,
            },
            _ => None,
        }
    }
}

/// The first record of a file.
#[derive(Clone, Debug)]
pub(crate) struct Header {
    pub(crate) line: u64,
    pub(crate) raw: String,
    fields: Vec<String>,
}

impl Header {
    pub(crate) fn of(record: Record<'_>) -> Self {
        let fields = record.fields().map(tidy).collect();
        Self {
            line: record.line(),
            raw: record.raw().to_owned(),
            fields,
        }
    }

    pub(crate) const fn n_fields(&self) -> usize {
        self.fields.len()
    }

    /// The field of a name: as written, else with case and blanks ignored if only one fits.
    pub(crate) fn find(&self, name: &str) -> Option<usize> {
        let wanted = tidy(name);
        if let Some(at) = self.fields.iter().position(|field| *field == wanted) {
            return Some(at);
        }
        let folded = wanted.to_lowercase();
        let mut hits = self
            .fields
            .iter()
            .enumerate()
            .filter(|(_, field)| field.to_lowercase() == folded);
        match (hits.next(), hits.next()) {
            (Some((at, _)), None) => Some(at),
            _ => None,
        }
    }

    /// How many columns have the name as written.
    pub(crate) fn n_named(&self, name: &str) -> usize {
        let wanted = tidy(name);
        self.fields.iter().filter(|field| **field == wanted).count()
    }

    /// Whether a record is this header again.
    pub(crate) fn is_repeated(&self, record: Record<'_>) -> bool {
        // Most records differ in the first letter; looking at it spares taking the fields apart.
        let first = |text: &str| text.trim_start().chars().next();
        record.n_fields() == self.fields.len()
            && record.field(0).map(first) == self.fields.first().map(|field| first(field))
            && record
                .fields()
                .zip(&self.fields)
                .all(|(field, known)| tidy(field) == *known)
    }

    /// Whether a record names columns of the source, but not as this header does.
    pub(crate) fn is_other_header(&self, record: Record<'_>, columns: &[Column]) -> bool {
        let named = |field: &str| {
            columns.iter().any(|column| match &column.origin {
                Origin::Header(names) => names.iter().any(|name| tidy(name) == field),
                _ => false,
            })
        };
        record.fields().filter(|field| named(&tidy(field))).count() >= 2
            && !self.is_repeated(record)
    }

    /// Where a column stands; `captured` is the named part of the file's name.
    pub(crate) fn place(&self, column: &Column, captured: Option<&str>) -> Place {
        match &column.origin {
            Origin::Header(names) => {
                let mut fields = Vec::with_capacity(names.len());
                for name in names {
                    match self.find(name) {
                        Some(at) => fields.push(at),
                        None => return Place::Missing(name.clone()),
                    }
                }
                Place::Fields(fields)
            }
            Origin::Constant(text) => Place::Fixed(text.clone()),
            Origin::FileName => match captured {
                Some(text) => Place::Fixed(text.to_owned()),
                None => Place::Missing("file_name".to_owned()),
            },
            Origin::Tag => Place::Tag,
            Origin::Signal(_) => Place::Signal,
        }
    }
}

/// A header's name without outer blanks and with single inner ones.
fn tidy(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}
