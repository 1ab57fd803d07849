//! A source whose every word has been checked: what the readers work from.

use std::collections::{BTreeMap, BTreeSet};

use drydown_quantity::{PressureReference, Unit};
use drydown_schema::{ColumnSpec, TableSpec};
use encoding_rs::Encoding;
use regex::Regex;

use super::spec::Layout;
use crate::cells::DecimalMark;
use crate::stamps::{Clock, StampFormat};
use crate::text::{Dialect, TextRule, Traits, lines_before};

/// A checked source, ready to read files.
#[derive(Clone, Debug)]
pub struct Source {
    pub(crate) name: String,
    pub(crate) table: &'static TableSpec,
    pub(crate) files: Vec<String>,
    pub(crate) layout: Layout,
    pub(crate) encoding: &'static Encoding,
    pub(crate) dialect: Dialect,
    pub(crate) mark: DecimalMark,
    pub(crate) skip_lines: u64,
    pub(crate) skip_until: Option<Regex>,
    pub(crate) sheet: Option<String>,
    /// Names of the columns, where the files have none.
    pub(crate) header: Option<Vec<String>>,
    /// Lines of the header, otherwise.
    pub(crate) header_lines: usize,
    /// Columns whose empty cells say what stands above.
    pub(crate) fill_down: Vec<String>,
    pub(crate) nulls: BTreeSet<String>,
    /// Those of them that are numbers.
    pub(crate) null_numbers: Vec<f64>,
    /// Density of the oil, kg/m³, for water stated by volume.
    pub(crate) density_kgm3: Option<f64>,
    pub(crate) clock: Option<Clock>,
    pub(crate) file_name: Option<Regex>,
    /// What the lines before the header hold, in named parts.
    pub(crate) preamble: Vec<Regex>,
    /// Records that are not wanted where they cannot be read.
    pub(crate) ignore_lines: Vec<Regex>,
    /// The day of the stamps stands in the file's name, or before the header, alone.
    pub(crate) dates_apart: bool,
    /// Columns of the key, in the key's order.
    pub(crate) keys: Vec<Column>,
    /// All others; pressures that need a barometer last.
    pub(crate) values: Vec<Column>,
    /// Places in the table of the columns this source speaks for.
    pub(crate) spoken: Vec<usize>,
    pub(crate) tall: Option<Tall>,
    pub(crate) hash: String,
}

/// One column of the description.
#[derive(Clone, Debug)]
pub(crate) struct Column {
    /// The key in the configuration: a column of the table, or `iso4406`.
    pub(crate) name: String,
    pub(crate) spec: &'static ColumnSpec,
    pub(crate) origin: Origin,
    pub(crate) kind: CellKind,
    pub(crate) map: BTreeMap<String, String>,
    /// Places in `Source::spoken` that this column fills; the first is its own.
    pub(crate) slots: Vec<usize>,
}

/// What stands before a part of the file's name among the columns of a `from`.
pub(crate) const OF_FILE_NAME: &str = "file_name:";

/// As [`OF_FILE_NAME`], before a part of the lines above the header.
pub(crate) const OF_PREAMBLE: &str = "preamble:";

/// Where the text of a cell comes from.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Origin {
    /// Columns of the file, joined by a blank.
    Header(Vec<String>),
    /// The same for all rows.
    Constant(String),
    /// A named part of the file's name.
    FileName,
    /// A named part of the lines before the header.
    Preamble,
    /// A named part of the tag.
    Tag,
    /// The value of these signals.
    Signal(Vec<String>),
}

/// How the text of a cell is read.
#[derive(Clone, Debug)]
pub(crate) enum CellKind {
    Text,
    Word,
    Stamp(StampFormat),
    Date(StampFormat),
    YesNo,
    Whole,
    Number(UnitRule),
    /// A number that may be a limit; slots: value, censor word, and for `results` the reason and the
    /// unit, where the source maps it.
    Limited(UnitRule),
    /// A pressure that needs the barometer; slots: value, and for the chamber barometer and basis.
    Pressure(UnitRule, PressureReference),
    /// The barometer; slots: value, basis.
    Barometer(UnitRule),
    /// Slots: the three codes, and the note.
    Cleanliness,
}

impl Column {
    /// Where the unit of its numbers comes from; None where it holds none.
    pub(crate) const fn unit_rule(&self) -> Option<&UnitRule> {
        match &self.kind {
            CellKind::Number(rule)
            | CellKind::Limited(rule)
            | CellKind::Pressure(rule, _)
            | CellKind::Barometer(rule) => Some(rule),
            _ => None,
        }
    }

    /// The parts that it is joined from, or that state its unit, of those with this prefix.
    pub(super) fn parts<'c>(&'c self, prefix: &str) -> impl Iterator<Item = &'c str> {
        let names = match &self.origin {
            Origin::Header(names) => names.as_slice(),
            _ => &[],
        };
        let unit = match self.unit_rule() {
            Some(UnitRule::Column(name)) => Some(name),
            _ => None,
        };
        names
            .iter()
            .chain(unit)
            .filter_map(move |name| name.strip_prefix(prefix))
    }

    /// Whether the names it is mapped from are spellings of one name, of which a file has one. Texts and
    /// stamps are joined of several cells; numbers and the words of closed lists never are.
    pub(crate) fn is_one_of(&self) -> bool {
        let joins = matches!(
            self.kind,
            CellKind::Text | CellKind::Stamp(_) | CellKind::Date(_) | CellKind::Cleanliness
        );
        match &self.origin {
            Origin::Header(names) => {
                let stands = |name: &String| {
                    !name.starts_with(OF_FILE_NAME) && !name.starts_with(OF_PREAMBLE)
                };
                !joins && names.len() > 1 && names.iter().all(stands)
            }
            _ => false,
        }
    }
}

/// Where the unit of a number comes from.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum UnitRule {
    /// The table's own unit.
    Own,
    Fixed(Unit),
    /// A column of the file states it row by row.
    Column(String),
}

/// The extra keys of a tall source.
#[derive(Clone, Debug)]
pub(crate) struct Tall {
    pub(crate) tag: String,
    pub(crate) value: String,
    pub(crate) quality: Option<(String, BTreeSet<String>)>,
    pub(crate) pattern: Option<Regex>,
    pub(crate) ignore: Vec<Regex>,
}

impl Source {
    /// The source's name in the configuration.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    /// The table it fills.
    #[must_use]
    pub const fn table(&self) -> &'static TableSpec {
        self.table
    }

    /// Its file patterns.
    #[must_use]
    pub fn files(&self) -> &[String] {
        &self.files
    }

    /// BLAKE3 of its description.
    #[must_use]
    pub fn source_hash(&self) -> &str {
        &self.hash
    }

    /// How the bytes of its files become text.
    pub(crate) fn text_rule(&self) -> TextRule<'_> {
        TextRule {
            encoding: self.encoding,
            delimiter: self.dialect.delimiter,
            mark: self.mark,
            sheet: self.sheet.as_deref(),
            is_transposed: self.layout == Layout::Transposed,
        }
    }

    /// Lines of a text that stand before its header. Where no line is the one that is looked for, those
    /// that are passed over in any case.
    pub(crate) fn n_skipped(&self, text: &str) -> u64 {
        self.n_skipped_of(text, true).unwrap_or(self.skip_lines)
    }

    /// As [`Self::n_skipped`], of the head of a text (the whole of it, if `is_whole`); None where what
    /// follows may tell.
    pub(crate) fn n_skipped_of(&self, text: &str, is_whole: bool) -> Option<u64> {
        lines_before(text, (self.skip_lines, self.skip_until.as_ref()), is_whole)
    }

    /// How a text of this origin becomes records: a sheet is written with the delimiter alone.
    pub(crate) fn dialect(&self, traits: Traits) -> Dialect {
        if traits.is_workbook {
            Dialect::from(self.dialect.delimiter)
        } else {
            self.dialect.clone()
        }
    }

    /// Whether a record that cannot be read is one of those that are not wanted; a record of a table
    /// whose key is text alone can always be read, and is asked for before.
    pub(crate) fn ignores(&self, record: &str) -> bool {
        self.ignore_lines.iter().any(|line| line.is_match(record))
    }

    /// Whether the stamps of its key count from a start that a file tells once.
    pub(crate) fn counts_on(&self) -> bool {
        self.keys.iter().any(|column| {
            let is_counted =
                matches!(&column.kind, CellKind::Stamp(format) if format.elapsed().is_some());
            let is_once =
                |name: &String| name.starts_with(OF_FILE_NAME) || name.starts_with(OF_PREAMBLE);
            match &column.origin {
                Origin::Header(names) => {
                    let (_, start) = names.split_last().unzip();
                    is_counted && start.is_some_and(|start: &[String]| start.iter().all(is_once))
                }
                _ => false,
            }
        })
    }

    /// What its pressures in the chamber are measured against; None where it has none.
    pub(crate) fn chamber_reference(&self) -> Option<PressureReference> {
        self.values.iter().find_map(|column| match column.kind {
            CellKind::Pressure(_, reference) if column.name == "chamber_pressure_kpa" => {
                Some(reference)
            }
            _ => None,
        })
    }

    /// Whether numbers may carry a laboratory's notation.
    pub(crate) fn is_laboratory(&self) -> bool {
        matches!(self.table.name.as_str(), "samples" | "results")
    }
}
