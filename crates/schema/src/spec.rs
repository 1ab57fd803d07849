//! What a table and its columns are.

use std::fmt;

use crate::nearest::nearest;

/// How a table comes about, and with it how the store treats it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TableKind {
    /// Filled by `ingest` from sources; a source of the configuration may name it.
    Ingested,
    /// Filled by `analyse`; holds the rows of exactly one analysis, the last.
    Derived,
    /// Written beside the data (rejects, loads, analyses, mails); rows are only ever added.
    Journal,
}

impl TableKind {
    /// The word the contract uses.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Ingested => "ingested",
            Self::Derived => "derived",
            Self::Journal => "journal",
        }
    }
}

impl fmt::Display for TableKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.as_str())
    }
}

/// What a column holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ColumnKind {
    /// A string: identifiers, words, sentences.
    Text,
    /// A 64-bit integer: counts, ranks, lines, codes.
    Int,
    /// A double, never NaN or infinite.
    Real,
    /// Yes or no.
    Bool,
    /// An instant, microseconds UTC.
    Stamp,
    /// A calendar day.
    Date,
}

impl ColumnKind {
    /// A word for people.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Text => "string",
            Self::Int => "integer",
            Self::Real => "number",
            Self::Bool => "yes/no",
            Self::Stamp => "timestamp",
            Self::Date => "date",
        }
    }
}

impl fmt::Display for ColumnKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.as_str())
    }
}

/// A closed range of numbers, each end optional.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Bounds {
    pub minimum: Option<f64>,
    pub maximum: Option<f64>,
}

impl Bounds {
    /// Whether a value lies within, ends included. NaN and infinities never do.
    #[must_use]
    pub fn admit(&self, value: f64) -> bool {
        value.is_finite()
            && self.minimum.is_none_or(|minimum| minimum <= value)
            && self.maximum.is_none_or(|maximum| value <= maximum)
    }

    /// Whether both ends are open.
    #[must_use]
    pub const fn is_open(&self) -> bool {
        self.minimum.is_none() && self.maximum.is_none()
    }
}

impl fmt::Display for Bounds {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match (self.minimum, self.maximum) {
            (Some(minimum), Some(maximum)) => write!(f, "{minimum}…{maximum}"),
            (Some(minimum), None) => write!(f, "≥ {minimum}"),
            (None, Some(maximum)) => write!(f, "≤ {maximum}"),
            (None, None) => f.write_str("any"),
        }
    }
}

/// One column of a table.
#[derive(Clone, Debug, PartialEq)]
pub struct ColumnSpec {
    pub name: String,
    pub kind: ColumnKind,
    /// UCUM code of the quantity; None where the column is no quantity or takes any unit.
    pub ucum: Option<String>,
    /// A number whose unit the fleet or the laboratory chooses.
    pub any_unit: bool,
    /// A pressure relative to the barometer. All other pressures are absolute or differences.
    pub is_gauge: bool,
    /// Lowest value stored.
    pub minimum: Option<f64>,
    /// Highest value stored.
    pub maximum: Option<f64>,
    /// What ingest accepts, where that is wider than what is stored (the excess is stored as the bound).
    pub accepts: Bounds,
    /// A bound that depends on another column, in words; ingest applies it.
    pub relative_bound: Option<String>,
    /// The words allowed; empty where any text is.
    pub words: Vec<String>,
    /// A regular expression the text must match.
    pub pattern: Option<String>,
    /// Never null: a column of the key.
    pub required: bool,
    pub description: String,
}

impl ColumnSpec {
    /// The static bounds a cell must keep to be ingested; outside, it becomes a null and a reject entry.
    ///
    /// Bounds that depend on other columns (`relative_bound`) come on top.
    #[must_use]
    pub fn bounds(&self) -> Bounds {
        Bounds {
            minimum: self.accepts.minimum.or(self.minimum),
            maximum: self.accepts.maximum.or(self.maximum),
        }
    }

    /// The bounds of what is stored.
    #[must_use]
    pub const fn stored_bounds(&self) -> Bounds {
        Bounds {
            minimum: self.minimum,
            maximum: self.maximum,
        }
    }

    /// An accepted value as it is stored: moved to the stored bounds (activity 1.03 becomes 1).
    #[must_use]
    pub fn to_stored(&self, value: f64) -> f64 {
        let raised = self.minimum.map_or(value, |minimum| value.max(minimum));
        self.maximum.map_or(raised, |maximum| raised.min(maximum))
    }

    /// Whether a word may stand here.
    #[must_use]
    pub fn admits_word(&self, word: &str) -> bool {
        self.words.is_empty() || self.words.iter().any(|known| known == word)
    }
}

/// One table of the contract.
#[derive(Clone, Debug, PartialEq)]
pub struct TableSpec {
    pub name: String,
    /// The table in a few words.
    pub title: String,
    pub description: String,
    pub kind: TableKind,
    /// Columns that name a row: never null, unique together.
    pub key: Vec<String>,
    /// In the order they are stored.
    pub columns: Vec<ColumnSpec>,
    /// The column the table is partitioned by.
    pub partition: Option<String>,
    /// Columns rows are sorted by.
    pub sort: Vec<String>,
}

impl TableSpec {
    /// The column of a name.
    #[must_use]
    pub fn column(&self, name: &str) -> Option<&ColumnSpec> {
        self.columns.iter().find(|column| column.name == name)
    }

    /// Whether the column belongs to the key.
    #[must_use]
    pub fn is_key(&self, name: &str) -> bool {
        self.key.iter().any(|key| key == name)
    }

    /// Whether a source of the configuration may fill this table.
    #[must_use]
    pub fn is_source(&self) -> bool {
        self.kind == TableKind::Ingested
    }

    /// The columns a source may map: all but the provenance and the partition, which ingest fills.
    pub fn source_columns(&self) -> impl Iterator<Item = &ColumnSpec> {
        self.columns.iter().filter(|column| {
            !matches!(column.name.as_str(), "file_hash" | "line" | "reports")
                && self.partition.as_deref() != Some(column.name.as_str())
        })
    }

    /// The column whose name is nearest to a misspelt one.
    #[must_use]
    pub fn nearest_column(&self, name: &str) -> Option<&str> {
        nearest(name, self.columns.iter().map(|column| column.name.as_str()))
    }
}
