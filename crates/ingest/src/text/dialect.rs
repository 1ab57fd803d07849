//! What tells the fields of a record apart.

use std::sync::Arc;

/// Widths of the columns in characters, the last of which takes the rest of the line.
pub(crate) type Widths = Arc<[usize]>;

/// How the lines of a text become fields.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Dialect {
    /// An ASCII byte that is neither the quote nor a line end.
    pub(crate) delimiter: u8,
    /// What fields may be quoted with; None: a quote is text.
    pub(crate) quote: Option<u8>,
    /// Columns that begin at the same place in every line: then nothing delimits and nothing quotes.
    pub(crate) widths: Option<Widths>,
    /// Columns of fixed width stand without a blank between them.
    pub(crate) packed: bool,
}

impl From<u8> for Dialect {
    fn from(delimiter: u8) -> Self {
        Self {
            delimiter,
            quote: Some(b'"'),
            widths: None,
            packed: false,
        }
    }
}

impl From<&Self> for Dialect {
    fn from(dialect: &Self) -> Self {
        dialect.clone()
    }
}
