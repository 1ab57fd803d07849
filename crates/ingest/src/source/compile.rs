//! Checks a `[[source]]` block against its table and compiles it; every problem is reported at once.

use std::collections::{BTreeMap, BTreeSet};

use drydown_quantity::PressureReference;
use drydown_schema::{TableSpec, nearest, table, tables};
use encoding_rs::Encoding;
use regex::Regex;

use super::compiled::{CellKind, Column, OF_FILE_NAME, OF_PREAMBLE, Origin, Source, Tall};
use super::problem::SourceProblem;
use super::spec::{ColumnMap, Layout, SourceSpec, TallSpec};
use crate::cells::DecimalMark;
use crate::reader::check_constant;
use crate::stamps::Clock;

/// The key that takes a whole cleanliness code.
pub(super) const CLEANLINESS: &str = "iso4406";
pub(super) const CLEANLINESS_COLUMNS: [&str; 3] = ["iso4406_4um", "iso4406_6um", "iso4406_14um"];
const CLEANLINESS_NOTE: &str = "iso4406_note";
pub(super) const CHAMBER: &str = "chamber_pressure_kpa";
pub(super) const AMBIENT: &str = "ambient_kpa";
const BASIS: &str = "barometer_basis";

impl SourceSpec {
    /// Checks the block and compiles it.
    ///
    /// # Errors
    /// Every problem found: unknown tables, columns and units (with the nearest known name), units
    /// that measure something else, patterns, formats and time zones that are none, keys without
    /// an origin.
    pub fn compile(&self) -> Result<Source, Vec<SourceProblem>> {
        let Some(table) = table(&self.table).filter(|table| table.is_source()) else {
            return Err(vec![unknown_table(&self.table)]);
        };
        let mut compiler = Compiler {
            spec: self,
            table,
            problems: Vec::new(),
        };
        let source = compiler.source();
        match source {
            Some(source) if compiler.problems.is_empty() => Ok(source),
            _ => Err(compiler.problems),
        }
    }
}

fn unknown_table(name: &str) -> SourceProblem {
    let sources = tables()
        .iter()
        .filter(|table| table.is_source())
        .map(|t| t.name.as_str());
    let known: Vec<&str> = sources.collect();
    SourceProblem::new(
        &["table"],
        format!(
            "found \"{name}\", expected a table that is ingested: {}",
            known.join(", ")
        ),
    )
    .nearest(nearest(name, known))
}

pub(super) struct Compiler<'s> {
    pub(super) spec: &'s SourceSpec,
    pub(super) table: &'static TableSpec,
    pub(super) problems: Vec<SourceProblem>,
}

impl Compiler<'_> {
    pub(super) fn problem(&mut self, key: &[&str], what: impl Into<String>) {
        self.problems.push(SourceProblem::new(key, what));
    }

    fn source(&mut self) -> Option<Source> {
        let spec = self.spec;
        if spec.name.trim().is_empty() {
            self.problem(&["name"], "found an empty name");
        }
        let encoding = self.encoding();
        let dialect = self
            .delimiter()
            .and_then(|delimiter| self.dialect(delimiter));
        let mark = self.decimal();
        let clock = self.clock();
        let file_name = self.pattern(&["file_name"], spec.file_name.as_deref());
        let preamble = self.preamble();
        let tall = self.tall();
        let mut columns = self.columns();
        self.add_captures(
            &mut columns,
            file_name.as_ref(),
            Origin::FileName,
            "file_name",
        );
        for pattern in &preamble {
            self.add_captures(&mut columns, Some(pattern), Origin::Preamble, "preamble");
        }
        let pattern = tall.as_ref().and_then(|tall| tall.pattern.as_ref());
        self.add_captures(&mut columns, pattern, Origin::Tag, "pattern");
        self.check_clock(&columns, clock.as_ref());
        let mut dates_apart = self.check_parts(&columns, OF_FILE_NAME, file_name.iter());
        dates_apart |= self.check_parts(&columns, OF_PREAMBLE, preamble.iter());
        let spoken = self.give_slots(&mut columns);
        let (keys, values) = self.split_keys(columns);
        let source = Source {
            name: spec.name.clone(),
            table: self.table,
            files: spec.files.clone(),
            layout: spec.layout,
            encoding: encoding?,
            dialect: dialect?,
            mark: mark?,
            skip_lines: spec.skip_lines,
            skip_until: self.pattern(&["skip_until"], spec.skip_until.as_deref()),
            sheet: spec.sheet.clone(),
            header: self.header(),
            header_lines: self.header_lines(),
            fill_down: self.fill_down(),
            nulls: spec
                .null
                .iter()
                .map(|text| text.trim().to_owned())
                .collect(),
            null_numbers: self.null_numbers(mark?),
            density_kgm3: self.density(),
            clock,
            file_name,
            preamble,
            ignore_lines: spec
                .ignore_lines
                .iter()
                .filter_map(|text| self.pattern(&["ignore_lines"], Some(text)))
                .collect(),
            dates_apart,
            keys,
            values,
            spoken,
            tall,
            hash: spec.source_hash(),
        };
        self.check_constants(&source);
        Some(source)
    }

    fn header(&mut self) -> Option<Vec<String>> {
        let names = self.spec.header.clone()?;
        if names.iter().all(|name| name.trim().is_empty()) {
            self.problem(&["header"], "found no name of a column");
        }
        Some(names)
    }

    /// Whether the parts that columns are joined from, those with this prefix, are parts of its patterns;
    /// and whether the day of the key's stamp is among them.
    fn check_parts<'p>(
        &mut self,
        columns: &[Column],
        prefix: &str,
        patterns: impl Iterator<Item = &'p Regex> + Clone,
    ) -> bool {
        let mut dates_apart = false;
        for column in columns {
            for part in column.parts(prefix) {
                let has_part = patterns
                    .clone()
                    .any(|regex| regex.capture_names().flatten().any(|n| n == part));
                if !has_part {
                    let key = prefix.trim_end_matches(':');
                    let what = format!(
                        "found \"{prefix}{part}\", and no part of {key} is called \"{part}\""
                    );
                    self.problem(&["columns", &column.name, "from"], what);
                }
                dates_apart |= self.table.is_key(&column.name)
                    && matches!(&column.kind, CellKind::Stamp(format) if format.elapsed().is_none());
            }
        }
        dates_apart
    }

    fn encoding(&mut self) -> Option<&'static Encoding> {
        let label = &self.spec.encoding;
        let found = Encoding::for_label(label.as_bytes());
        if found.is_none() {
            self.problem(
                &["encoding"],
                format!("found \"{label}\", expected a WHATWG label such as \"utf-8\" or \"windows-1252\""),
            );
        }
        found
    }

    fn delimiter(&mut self) -> Option<u8> {
        match self.spec.delimiter.as_bytes() {
            [byte] if byte.is_ascii() && !matches!(byte, b'"' | b'\n' | b'\r') => Some(*byte),
            _ => {
                let found = self.spec.delimiter.clone();
                self.problem(
                    &["delimiter"],
                    format!("found {found:?}, expected one ASCII character"),
                );
                None
            }
        }
    }

    fn decimal(&mut self) -> Option<DecimalMark> {
        match self.spec.decimal.as_str() {
            "." => Some(DecimalMark::Point),
            "," => Some(DecimalMark::Comma),
            other => {
                let what = format!("found \"{other}\", expected \".\" or \",\"");
                self.problem(&["decimal"], what);
                None
            }
        }
    }

    fn clock(&mut self) -> Option<Clock> {
        let name = self.spec.timezone.as_deref()?;
        let clock = Clock::parse(name);
        if clock.is_none() {
            let zones: Vec<String> = jiff::tz::db()
                .available()
                .map(|zone| zone.to_string())
                .collect();
            let near = nearest(name, zones.iter().map(String::as_str)).map(str::to_owned);
            self.problems.push(
                SourceProblem::new(
                    &["timezone"],
                    format!("found \"{name}\", expected an IANA time zone"),
                )
                .nearest(near.as_deref()),
            );
        }
        clock
    }

    pub(super) fn pattern(&mut self, key: &[&str], text: Option<&str>) -> Option<Regex> {
        let text = text?;
        match Regex::new(text) {
            Ok(regex) => Some(regex),
            Err(error) => {
                let last = error.to_string();
                let why = last.lines().last().unwrap_or("").trim().to_owned();
                self.problem(key, format!("found '{text}', which is no pattern: {why}"));
                None
            }
        }
    }

    fn tall(&mut self) -> Option<Tall> {
        let spec: &TallSpec = match (self.spec.layout, self.spec.tall.as_ref()) {
            (Layout::Tall, Some(tall)) => tall,
            (Layout::Tall, None) => {
                self.problem(
                    &["tall"],
                    "a tall source needs [source.tall] with tag and value",
                );
                return None;
            }
            (_, Some(_)) => {
                self.problem(
                    &["tall"],
                    "found [source.tall] in a source whose layout is not \"tall\"",
                );
                return None;
            }
            (_, None) => return None,
        };
        let pattern = self.pattern(&["tall", "pattern"], spec.pattern.as_deref());
        if let Some(regex) = &pattern
            && !regex.capture_names().flatten().any(|name| name == "signal")
        {
            self.problem(
                &["tall", "pattern"],
                "expected a part named signal: (?<signal>…)",
            );
        }
        let ignore = spec
            .ignore
            .iter()
            .filter_map(|text| self.pattern(&["tall", "ignore"], Some(text)))
            .collect();
        let quality = spec.quality.as_ref().map(|quality| {
            (
                quality.from.clone(),
                quality
                    .good
                    .iter()
                    .map(|word| word.trim().to_owned())
                    .collect(),
            )
        });
        Some(Tall {
            tag: spec.tag.clone(),
            value: spec.value.clone(),
            quality,
            pattern,
            ignore,
        })
    }

    /// Named parts of a pattern that no column of the block describes.
    fn add_captures(
        &mut self,
        columns: &mut Vec<Column>,
        pattern: Option<&Regex>,
        origin: Origin,
        key: &str,
    ) {
        let Some(pattern) = pattern else { return };
        let in_tall = origin == Origin::Tag;
        let names: Vec<String> = pattern
            .capture_names()
            .flatten()
            .map(str::to_owned)
            .collect();
        for name in names {
            let is_joined = columns
                .iter()
                .any(|column| column.parts(&format!("{key}:")).any(|part| part == name));
            if (in_tall && name == "signal") || (!in_tall && is_joined) {
                continue;
            }
            let described = columns.iter().find(|column| column.name == name);
            if let Some(described) = described {
                if described.origin != origin {
                    let what = format!("\"{name}\" is filled by {key} and by another origin");
                    self.problem(&["columns", &name], what);
                }
                continue;
            }
            let Some(spec) = self.column_spec(&name) else {
                continue;
            };
            let Some(kind) = self.kind(&name, spec, &ColumnMap::default()) else {
                continue;
            };
            let origin = origin.clone();
            let map = BTreeMap::new();
            columns.push(Column {
                name,
                spec,
                origin,
                kind,
                map,
                slots: Vec::new(),
            });
        }
    }

    /// Formats without an offset need a time zone.
    fn check_clock(&mut self, columns: &[Column], clock: Option<&Clock>) {
        if clock.is_some() || self.spec.timezone.is_some() {
            return;
        }
        for column in columns {
            if let CellKind::Stamp(format) = &column.kind
                && !format.carries_offset()
            {
                let what = format!(
                    "the stamps of \"{}\" ({}) carry no offset: expected the time zone of their clock",
                    column.name,
                    format.as_str()
                );
                self.problem(&["timezone"], what);
            }
        }
    }

    /// Gives each column its places among the columns the source speaks for; returns the latter.
    fn give_slots(&self, columns: &mut [Column]) -> Vec<usize> {
        let mut spoken: Vec<usize> = Vec::new();
        let place = |name: &str| {
            self.table
                .columns
                .iter()
                .position(|column| column.name == name)
        };
        let mut slot = |name: &str| {
            let place = place(name)?;
            let at = spoken.iter().position(|known| *known == place);
            Some(at.unwrap_or_else(|| {
                spoken.push(place);
                spoken.len() - 1
            }))
        };
        let named: BTreeSet<String> = columns.iter().map(|column| column.name.clone()).collect();
        let has_absolute_chamber = columns.iter().any(|column| {
            column.name == CHAMBER
                && matches!(
                    column.kind,
                    CellKind::Pressure(_, PressureReference::Absolute)
                )
        });
        for column in columns.iter_mut() {
            if self.table.is_key(&column.name) {
                continue;
            }
            let mut names: Vec<&str> = match column.kind {
                CellKind::Cleanliness => CLEANLINESS_COLUMNS.to_vec(),
                _ => vec![column.name.as_str()],
            };
            match column.kind {
                CellKind::Cleanliness if !named.contains(CLEANLINESS_NOTE) => {
                    names.push(CLEANLINESS_NOTE);
                }
                CellKind::Limited(_) => {
                    names.extend(self.censor_of(&column.name));
                    if self.table.name == "results" {
                        names.push("missing_reason");
                        // A cell that states its unit itself is held against the row's.
                        names.extend(named.contains("unit").then_some("unit"));
                    }
                }
                CellKind::Pressure(_, reference)
                    if column.name == CHAMBER && reference != PressureReference::Absolute =>
                {
                    names.extend([AMBIENT, BASIS]);
                }
                // No barometer is in the pressures of an absolute sensor.
                CellKind::Barometer(_) if !has_absolute_chamber => names.push(BASIS),
                _ => {}
            }
            column.slots = names.into_iter().filter_map(&mut slot).collect();
        }
        spoken
    }

    fn split_keys(&mut self, columns: Vec<Column>) -> (Vec<Column>, Vec<Column>) {
        let (unordered, mut values): (Vec<_>, Vec<_>) = columns
            .into_iter()
            .partition(|column| self.table.is_key(&column.name));
        let mut keys = Vec::new();
        for name in &self.table.key {
            match unordered.iter().find(|column| column.name == *name) {
                Some(column) => keys.push(column.clone()),
                // It stands in the block, and what is wrong with it has been told.
                None if self.spec.columns.contains_key(name) => {}
                None => self.problems.push(
                    SourceProblem::new(
                        &["columns"],
                        format!(
                            "nothing fills \"{name}\", a column of the key of \"{}\"",
                            self.table.name
                        ),
                    )
                    .hint("map a column, give a value, or name a part of file_name after it"),
                ),
            }
        }
        // The barometer must be known before a pressure that needs it; a stated qualifier
        // before the number that may bring its own.
        values.sort_by_key(|column| match column.kind {
            CellKind::Pressure(..) => 2,
            CellKind::Limited(_) => 1,
            _ => 0,
        });
        (keys, values)
    }

    fn check_constants(&mut self, source: &Source) {
        let constants: Vec<(String, Result<(), String>)> = source
            .keys
            .iter()
            .chain(&source.values)
            .filter(|column| matches!(column.origin, Origin::Constant(_)))
            .map(|column| (column.name.clone(), check_constant(source, column)))
            .collect();
        for (name, checked) in constants {
            if let Err(why) = checked {
                self.problem(&["columns", &name, "value"], why);
            }
        }
    }
}

/// Whether a pattern names a part after this column.
pub(super) fn names_part(pattern: &str, name: &str) -> bool {
    Regex::new(pattern).is_ok_and(|regex| regex.capture_names().flatten().any(|part| part == name))
}
