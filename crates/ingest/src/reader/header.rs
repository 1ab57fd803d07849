//! Where the columns of a source stand in one file.

use std::collections::BTreeMap;

use drydown_quantity::Unit;

use crate::source::{Column, OF_FILE_NAME, OF_PREAMBLE, Origin};
use crate::text::{Block, FillColumn, FillDown, NO_NAMES, Record, Records, object_of, tidy};

/// Where one column's text is found in this file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Place {
    /// These fields, joined by a blank.
    Fields(Vec<usize>),
    /// These fields and parts of the file's name, joined by a blank.
    Joined(Vec<Part>),
    /// The same text in every row.
    Fixed(String),
    /// The file lacks this column.
    Missing(String),
    /// The tag of a tall file tells.
    Tag,
    /// The value of a tall file.
    Signal,
}

/// One part of a joined text, or where a unit stands.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Part {
    Field(usize),
    Text(String),
}

impl Part {
    /// The text in a record.
    pub(crate) fn text_in<'r>(&'r self, record: Record<'r>) -> &'r str {
        match self {
            Self::Field(at) => record.get(*at).unwrap_or(""),
            Self::Text(text) => text,
        }
    }
}

impl Place {
    /// The fields of a record that the text is taken from.
    pub(crate) fn fields(&self) -> impl Iterator<Item = usize> {
        let (fields, parts): (&[usize], &[Part]) = match self {
            Self::Fields(fields) => (fields, &[]),
            Self::Joined(parts) => (&[], parts),
            _ => (&[], &[]),
        };
        let of_part = |part: &Part| match part {
            Part::Field(at) => Some(*at),
            Part::Text(_) => None,
        };
        fields
            .iter()
            .copied()
            .chain(parts.iter().filter_map(of_part))
    }

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

/// The names of a file's columns: its first record, or what the source says.
#[derive(Clone, Debug)]
pub(crate) struct Header {
    pub(crate) line: u64,
    pub(crate) raw: String,
    fields: Vec<String>,
    /// The cells of each line of it, where it has several.
    lines: Vec<Vec<String>>,
}

impl Header {
    pub(crate) fn of(record: Record<'_>) -> Self {
        let fields = record.fields().map(tidy).collect();
        Self {
            line: record.line(),
            raw: record.raw().to_owned(),
            fields,
            lines: Vec::new(),
        }
    }

    /// From the first records of a file, whose cells one below the other make a name; None where there
    /// are fewer than `n_lines`, or their lengths differ.
    ///
    /// A cell of the first line that is empty belongs to the one before it (`Oil` over two columns) where
    /// something stands below it. What only rules the header off (`-----`) is no part of a name.
    pub(crate) fn open(records: &mut Records<'_>, n_lines: usize) -> Option<Self> {
        let mut block = Block::default();
        records.read(&mut block, n_lines);
        let first = block.record(0)?;
        let mut header = Self::of(first);
        if n_lines == 1 {
            return Some(header);
        }
        if block.n_records() < n_lines {
            return None;
        }
        header.lines = block
            .records()
            .map(|record| record.fields().map(tidy).collect())
            .collect();
        let raws: Vec<&str> = block.records().map(|record| record.raw()).collect();
        header.raw = raws.join("\n");
        header.fields = joined_names(&header.lines);
        Some(header)
    }

    /// Of the names that the source gives to a file without a header; its records begin on `line`.
    pub(crate) fn named(names: &[String], line: u64) -> Self {
        Self {
            line,
            raw: String::new(),
            fields: names.iter().map(|name| tidy(name)).collect(),
            lines: Vec::new(),
        }
    }

    /// Whether a record has a field for each name and no more. An empty one behind the last is one too
    /// many: a delimiter inside a cell moves all cells behind it, and the last is often empty.
    pub(crate) fn fits(&self, record: Record<'_>) -> bool {
        record.n_fields() == self.fields.len()
    }

    /// Whether a record holds at least two names of this header, wherever they stand.
    pub(crate) fn has_names(&self, record: Record<'_>) -> bool {
        let is_name = |field: &&str| {
            let field = tidy(field);
            !field.is_empty() && self.fields.contains(&field)
        };
        record.fields().filter(is_name).count() >= 2
    }

    /// Whether a record has something behind the last column that has a name, where the names end in
    /// empty ones.
    pub(crate) fn has_more_below(&self, record: Record<'_>) -> bool {
        if !self.fields.last().is_some_and(String::is_empty) {
            return false;
        }
        let n_named = self.fields.iter().rposition(|name| !name.is_empty());
        let from = n_named.map_or(0, |at| at + 1);
        record
            .fields()
            .skip(from)
            .any(|cell| !cell.trim().is_empty())
    }

    /// The name of a field and the unit that it states: what stands in brackets at its end, or the last line
    /// of a header of several.
    pub(crate) fn stated_unit(&self, field: usize, wanted: Unit) -> Option<(&str, Unit)> {
        let name = self.fields.get(field)?;
        let bracketed = [('(', ')'), ('[', ']')]
            .into_iter()
            .find_map(|(open, close)| {
                let inside = name.strip_suffix(close)?;
                Some(inside.rsplit_once(open)?.1)
            });
        let below = self.lines.last().and_then(|line| line.get(field));
        let texts = bracketed.into_iter().chain(below.map(String::as_str));
        let mut units = texts.filter_map(|text| Unit::parse_for(text, Some(wanted)));
        Some((name, units.next()?))
    }

    /// Whether a line of a text of objects is one: the others are written as a field too few or too many.
    pub(crate) fn is_object(&self, record: Record<'_>) -> bool {
        self.fits(record) && self.fields != [NO_NAMES]
    }

    /// A record as an object of its names: what a file of objects held, as far as its cells tell.
    pub(crate) fn object_of(&self, record: Record<'_>) -> String {
        object_of(self.fields.iter().map(String::as_str).zip(record.fields()))
    }

    pub(crate) const fn n_fields(&self) -> usize {
        self.fields.len()
    }

    /// The field of a name: as written, else with case and blanks ignored if only one fits. `Temp#2`
    /// is the second column of the name `Temp`. A cell merged over lines of the header counts once.
    pub(crate) fn find(&self, name: &str) -> Option<usize> {
        let found = self.find_one(name).or_else(|| self.find_merged(name));
        found.or_else(|| {
            let (name, number) = name.rsplit_once('#')?;
            let nth: usize = number.trim().parse().ok()?;
            let wanted = tidy(name);
            self.fields
                .iter()
                .enumerate()
                .filter(|(_, field)| **field == wanted)
                .map(|(at, _)| at)
                .nth(nth.checked_sub(1)?)
        })
    }

    /// The only field of a name whose lines say the same below each other, as merged cells do.
    fn find_merged(&self, name: &str) -> Option<usize> {
        let mut lines = self.lines.clone();
        for (above, line) in self.lines.iter().zip(lines.iter_mut().skip(1)) {
            for (upper, cell) in above.iter().zip(line) {
                if upper == cell {
                    cell.clear();
                }
            }
        }
        let wanted = tidy(name);
        let names = joined_names(&lines);
        let mut hits = names
            .iter()
            .enumerate()
            .filter(|(_, name)| **name == wanted);
        match (hits.next(), hits.next()) {
            (Some((at, _)), None) => Some(at),
            _ => None,
        }
    }

    fn find_one(&self, name: &str) -> Option<usize> {
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

    /// Which of its lines a record is again, if it is one; rather the line `begun` than another.
    pub(crate) fn repeated_line(&self, record: Record<'_>, begun: usize) -> Option<usize> {
        let is_line = |line: &Vec<String>| {
            record.n_fields() == line.len()
                && record
                    .fields()
                    .zip(line)
                    .all(|(field, cell)| tidy(field) == *cell)
        };
        if !self.lines.is_empty() {
            return match self.lines.get(begun).is_some_and(is_line) {
                true => Some(begun),
                false => self.lines.iter().position(is_line),
            };
        }
        // Most records differ in the first letter; looking at it spares taking the fields apart.
        let seen = |text: &str| text.bytes().next().filter(u8::is_ascii_graphic);
        let firsts = (record.field(0), self.fields.first());
        if let (Some(found), Some(known)) = firsts
            && let (Some(found), Some(known)) = (seen(found), seen(known))
            && found != known
        {
            return None;
        }
        is_line(&self.fields).then_some(0)
    }

    /// Whether a record is this header again, or a line of it.
    pub(crate) fn is_repeated(&self, record: Record<'_>) -> bool {
        self.repeated_line(record, 0).is_some()
    }

    /// How many lines of the file it takes.
    pub(crate) fn n_lines(&self) -> usize {
        self.lines.len().max(1)
    }

    /// The header whose last line is this record, and whose others are as they were.
    pub(crate) fn with_last_line(&self, record: Record<'_>) -> Self {
        let mut header = Self::of(record);
        header.lines.clone_from(&self.lines);
        if let Some(last) = header.lines.last_mut() {
            *last = record.fields().map(tidy).collect();
        }
        header.fields = joined_names(&header.lines);
        header
    }

    /// Whether one of these fields of a record holds its own name: then the record is no data.
    pub(crate) fn names_itself(
        &self,
        record: Record<'_>,
        mut fields: impl Iterator<Item = usize>,
    ) -> bool {
        fields.any(|at| {
            let is_text = |name: &String| !name.is_empty() && record.get(at) == Some(name);
            match self.lines.is_empty() {
                true => self.fields.get(at).is_some_and(is_text),
                false => self
                    .lines
                    .iter()
                    .filter_map(|line| line.get(at))
                    .any(|cell| !is_rule(cell) && is_text(cell)),
            }
        })
    }

    /// Whether a record names columns of the source, but not as this header does.
    pub(crate) fn is_other_header<'c>(
        &self,
        record: Record<'_>,
        columns: impl Iterator<Item = &'c Column>,
    ) -> bool {
        let names: Vec<String> = columns
            .filter_map(|column| match &column.origin {
                Origin::Header(names) => Some(names.iter().map(|name| tidy(name))),
                _ => None,
            })
            .flatten()
            .collect();
        // Names of several lines stand in none of them whole.
        let is_cell = |field: &str| {
            self.lines
                .iter()
                .flatten()
                .any(|cell| cell == field && !is_rule(cell))
        };
        let is_name = |field: &&str| {
            let field = tidy(field);
            names.contains(&field) || is_cell(&field)
        };
        record.fields().filter(is_name).count() >= 2 && !self.is_repeated(record)
    }

    /// What the empty cells of some columns are filled by; names that the file lacks are left out.
    /// `is_own` says of a field whether it speaks of what the fields of `key` name.
    pub(crate) fn fill_down(
        &self,
        names: &[String],
        key: Vec<usize>,
        is_own: &dyn Fn(usize) -> bool,
    ) -> FillDown {
        let columns = names
            .iter()
            .filter_map(|name| self.find(name))
            .map(|field| {
                let own = self.fields.get(field).cloned();
                let lines = self.lines.iter();
                let lines = lines.filter_map(|line| line.get(field).cloned());
                FillColumn {
                    field,
                    names: own.into_iter().chain(lines).collect(),
                    is_own: is_own(field),
                }
            })
            .collect();
        let lines = match self.lines.is_empty() {
            true => vec![self.fields.clone()],
            false => self.lines.clone(),
        };
        FillDown::new(columns, key, lines, self.fields.len())
    }

    /// Whether another header has some columns at the same places.
    pub(crate) fn has_at_same(&self, other: &Self, names: &[String]) -> bool {
        names.iter().all(|name| self.find(name) == other.find(name))
    }

    /// Where the text of one name stands: a part of the file's name or of the lines before the header, or
    /// a field; None where there is neither.
    pub(crate) fn part(
        &self,
        name: &str,
        captured: Option<&BTreeMap<String, String>>,
    ) -> Option<Part> {
        let part = |name: &str| captured.and_then(|parts| parts.get(name)).cloned();
        let told = match name.strip_prefix(OF_FILE_NAME) {
            Some(name) => part(name),
            None if name.starts_with(OF_PREAMBLE) => part(name),
            None => None,
        };
        told.map(Part::Text)
            .or_else(|| self.find(name).map(Part::Field))
    }

    /// Where a column stands; `captured` are the named parts of the file's name.
    pub(crate) fn place(
        &self,
        column: &Column,
        captured: Option<&BTreeMap<String, String>>,
    ) -> Place {
        let part = |name: &str| captured.and_then(|parts| parts.get(name));
        match &column.origin {
            Origin::Header(names) if column.is_one_of() => {
                let first = names.iter().find_map(|name| self.find(name));
                let missing = || Place::Missing(names.join("\" or \""));
                first.map_or_else(missing, |at| Place::Fields(vec![at]))
            }
            Origin::Header(names) => {
                let mut joined = Vec::with_capacity(names.len());
                for name in names {
                    match self.part(name, captured) {
                        Some(part) => joined.push(part),
                        None => return Place::Missing(name.clone()),
                    }
                }
                let fields: Option<Vec<usize>> = joined
                    .iter()
                    .map(|part| match part {
                        Part::Field(at) => Some(*at),
                        Part::Text(_) => None,
                    })
                    .collect();
                fields.map_or(Place::Joined(joined), Place::Fields)
            }
            Origin::Constant(text) => Place::Fixed(text.clone()),
            Origin::FileName => match part(&column.name) {
                Some(text) => Place::Fixed(text.clone()),
                None => Place::Missing("file_name".to_owned()),
            },
            Origin::Preamble => match part(&format!("{OF_PREAMBLE}{}", column.name)) {
                Some(text) => Place::Fixed(text.clone()),
                None => Place::Missing("preamble".to_owned()),
            },
            Origin::Tag => Place::Tag,
            Origin::Signal(_) => Place::Signal,
        }
    }
}

/// The names that the lines of a header make, their cells one below the other.
pub(crate) fn joined_names(lines: &[Vec<String>]) -> Vec<String> {
    let n_fields = lines.iter().map(Vec::len).max().unwrap_or(0);
    let mut above = String::new();
    (0..n_fields)
        .map(|at| {
            let cell = |line: &Vec<String>| line.get(at).cloned().unwrap_or_default();
            let mut cells: Vec<String> = lines.iter().map(cell).collect();
            let is_below = cells.iter().skip(1).any(|cell| !is_rule(cell));
            if let Some(first) = cells.first_mut() {
                if !first.is_empty() {
                    above.clone_from(first);
                } else if is_below {
                    first.clone_from(&above);
                }
            }
            cells.retain(|cell| !is_rule(cell));
            cells.join(" ")
        })
        .collect()
}

/// Whether a cell of a header says nothing: empty, or a line drawn below the names.
fn is_rule(cell: &str) -> bool {
    cell.chars()
        .all(|c| matches!(c, '-' | '=' | '_' | '+' | ' '))
}
