//! Checks a `[[source]]` block against its table and compiles it; every problem is reported at once.

use std::collections::{BTreeMap, BTreeSet};

use drydown_quantity::{PressureReference, Unit, all_units};
use drydown_schema::{ColumnKind, ColumnSpec, TableSpec, nearest, table, tables};
use encoding_rs::Encoding;
use regex::Regex;

use super::compiled::{CellKind, Column, Origin, Source, Tall, UnitRule};
use super::problem::SourceProblem;
use super::spec::{ColumnMap, Layout, PressureWord, SourceSpec, TallSpec, UnitOf};
use crate::cells::DecimalMark;
use crate::reader::check_constant;
use crate::stamps::{Clock, StampFormat};

/// The key that takes a whole cleanliness code.
const CLEANLINESS: &str = "iso4406";
const CLEANLINESS_COLUMNS: [&str; 3] = ["iso4406_4um", "iso4406_6um", "iso4406_14um"];
const CLEANLINESS_NOTE: &str = "iso4406_note";
const CHAMBER: &str = "chamber_pressure_kpa";
const AMBIENT: &str = "ambient_kpa";
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

struct Compiler<'s> {
    spec: &'s SourceSpec,
    table: &'static TableSpec,
    problems: Vec<SourceProblem>,
}

impl Compiler<'_> {
    fn problem(&mut self, key: &[&str], what: impl Into<String>) {
        self.problems.push(SourceProblem::new(key, what));
    }

    fn source(&mut self) -> Option<Source> {
        let spec = self.spec;
        if spec.name.trim().is_empty() {
            self.problem(&["name"], "found an empty name");
        }
        let encoding = self.encoding();
        let delimiter = self.delimiter();
        let mark = self.decimal();
        let clock = self.clock();
        let file_name = self.pattern(&["file_name"], spec.file_name.as_deref());
        let tall = self.tall();
        let mut columns = self.columns();
        self.add_captures(
            &mut columns,
            file_name.as_ref(),
            Origin::FileName,
            "file_name",
        );
        let pattern = tall.as_ref().and_then(|tall| tall.pattern.as_ref());
        self.add_captures(&mut columns, pattern, Origin::Tag, "pattern");
        self.check_clock(&columns, clock.as_ref());
        let spoken = self.give_slots(&mut columns);
        let (keys, values) = self.split_keys(columns);
        let source = Source {
            name: spec.name.clone(),
            table: self.table,
            files: spec.files.clone(),
            layout: spec.layout,
            encoding: encoding?,
            delimiter: delimiter?,
            mark: mark?,
            skip_lines: spec.skip_lines,
            sheet: spec.sheet.clone(),
            nulls: spec
                .null
                .iter()
                .map(|text| text.trim().to_owned())
                .collect(),
            clock,
            file_name,
            keys,
            values,
            spoken,
            tall,
            hash: spec.source_hash(),
        };
        self.check_constants(&source);
        Some(source)
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

    fn pattern(&mut self, key: &[&str], text: Option<&str>) -> Option<Regex> {
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
            (Layout::Wide, Some(_)) => {
                self.problem(
                    &["tall"],
                    "found [source.tall] in a source whose layout is \"wide\"",
                );
                return None;
            }
            (Layout::Wide, None) => return None,
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

    fn columns(&mut self) -> Vec<Column> {
        let mut columns = Vec::new();
        let mut signals: BTreeMap<String, String> = BTreeMap::new();
        for (name, map) in &self.spec.columns {
            let Some(column) = self.column(name, map) else {
                continue;
            };
            if let Origin::Signal(names) = &column.origin {
                for signal in names {
                    if let Some(other) = signals.insert(signal.clone(), name.clone()) {
                        let what = format!("signal \"{signal}\" already fills \"{other}\"");
                        self.problem(&["columns", name, "signal"], what);
                    }
                }
            }
            columns.push(column);
        }
        columns
    }

    fn column(&mut self, name: &str, map: &ColumnMap) -> Option<Column> {
        let spec = self.column_spec(name)?;
        let origin = self.origin(name, map)?;
        let kind = self.kind(name, spec, map);
        if map.format.is_some() && !matches!(kind, Some(CellKind::Stamp(_) | CellKind::Date(_))) {
            self.problem(
                &["columns", name, "format"],
                "only times and dates have a format",
            );
        }
        let map = map.map.clone().unwrap_or_default();
        Some(Column {
            name: name.to_owned(),
            spec,
            origin,
            kind: kind?,
            map,
            slots: Vec::new(),
        })
    }

    fn column_spec(&mut self, name: &str) -> Option<&'static ColumnSpec> {
        if name == CLEANLINESS
            && let Some(first) = self.table.column(CLEANLINESS_COLUMNS[0])
        {
            return Some(first);
        }
        let found = self
            .table
            .source_columns()
            .find(|column| column.name == name);
        if found.is_none() {
            let table = &self.table.name;
            let near = nearest(name, self.table.source_columns().map(|c| c.name.as_str()));
            let problem = SourceProblem::new(
                &["columns", name],
                format!("table \"{table}\" has no such column that a source may fill"),
            );
            self.problems.push(problem.nearest(near));
        }
        found
    }

    fn origin(&mut self, name: &str, map: &ColumnMap) -> Option<Origin> {
        let stated: Vec<&str> = [
            ("from", map.from.is_some()),
            ("value", map.value.is_some()),
            ("signal", map.signal.is_some()),
        ]
        .into_iter()
        .filter_map(|(word, is_some)| is_some.then_some(word))
        .collect();
        let captured = |pattern: Option<&str>| pattern.is_some_and(|text| names_part(text, name));
        match stated[..] {
            ["from"] => map
                .from
                .as_ref()
                .map(|from| Origin::Header(from.to_names())),
            ["value"] => map
                .value
                .as_ref()
                .map(|value| Origin::Constant(value.to_text())),
            ["signal"] if self.spec.layout == Layout::Tall => map
                .signal
                .as_ref()
                .map(|signal| Origin::Signal(signal.to_names())),
            ["signal"] => {
                self.problem(
                    &["columns", name, "signal"],
                    "only tall sources have signals",
                );
                None
            }
            [] if captured(self.spec.file_name.as_deref()) => Some(Origin::FileName),
            [] if captured(
                self.spec
                    .tall
                    .as_ref()
                    .and_then(|tall| tall.pattern.as_deref()),
            ) =>
            {
                Some(Origin::Tag)
            }
            [] => {
                self.problem(&["columns", name], "expected one of from, value, signal");
                None
            }
            _ => {
                let what = format!(
                    "found {} together, expected one of them",
                    stated.join(" and ")
                );
                self.problem(&["columns", name], what);
                None
            }
        }
    }

    fn kind(&mut self, name: &str, spec: &ColumnSpec, map: &ColumnMap) -> Option<CellKind> {
        if name == CLEANLINESS {
            return Some(CellKind::Cleanliness);
        }
        match spec.kind {
            ColumnKind::Text if spec.words.is_empty() => Some(CellKind::Text),
            ColumnKind::Text => Some(CellKind::Word),
            ColumnKind::Bool => Some(CellKind::YesNo),
            ColumnKind::Int => Some(CellKind::Whole),
            ColumnKind::Stamp => self.format(name, map, "rfc3339").map(CellKind::Stamp),
            ColumnKind::Date => self.format(name, map, "%Y-%m-%d").map(CellKind::Date),
            ColumnKind::Real => self.number(name, spec, map),
        }
    }

    fn format(&mut self, name: &str, map: &ColumnMap, default: &str) -> Option<StampFormat> {
        match StampFormat::parse(map.format.as_deref().unwrap_or(default)) {
            Ok(format) => Some(format),
            Err(error) => {
                self.problem(&["columns", name, "format"], error.to_string());
                None
            }
        }
    }

    fn number(&mut self, name: &str, spec: &ColumnSpec, map: &ColumnMap) -> Option<CellKind> {
        let unit = self.unit(name, spec, map)?;
        let reference = map.reference.map(|word| match word {
            PressureWord::Absolute => PressureReference::Absolute,
            PressureWord::Gauge => PressureReference::Gauge,
            PressureWord::Vacuum => PressureReference::Vacuum,
            PressureWord::PercentVacuum => PressureReference::PercentVacuum,
        });
        let is_pressure = name == CHAMBER || spec.is_gauge;
        match reference {
            Some(_) if !is_pressure && name != AMBIENT => {
                self.problem(
                    &["columns", name, "reference"],
                    "only pressures have a reference",
                );
                None
            }
            Some(PressureReference::Absolute) | None if name == AMBIENT => {
                Some(CellKind::Barometer(unit))
            }
            Some(_) if name == AMBIENT => {
                self.problem(&["columns", name, "reference"], "a barometer is absolute");
                None
            }
            None if name == CHAMBER => {
                let problem = SourceProblem::new(
                    &["columns", name],
                    "expected a reference: absolute, gauge, vacuum or percent_vacuum",
                );
                self.problems.push(problem.hint(
                    "with the pump stopped and the chamber vented, a gauge shows about 0 and an \
                     absolute sensor about the barometer",
                ));
                None
            }
            // A column that is gauge by contract needs no barometer for a gauge reading.
            Some(PressureReference::Gauge) | None if spec.is_gauge => Some(CellKind::Number(unit)),
            Some(reference) => Some(CellKind::Pressure(unit, reference)),
            None if self.censor_of(name).is_some() => Some(CellKind::Limited(unit)),
            None => Some(CellKind::Number(unit)),
        }
    }

    fn unit(&mut self, name: &str, spec: &ColumnSpec, map: &ColumnMap) -> Option<UnitRule> {
        let text = match &map.unit {
            None => return Some(UnitRule::Own),
            Some(UnitOf::Column(_)) if spec.any_unit => return Some(UnitRule::Own),
            Some(UnitOf::Column(column)) => return Some(UnitRule::Column(column.from.clone())),
            Some(UnitOf::Fixed(text)) => text,
        };
        let key = ["columns", name, "unit"];
        let Some(unit) = Unit::parse(text) else {
            let known = all_units()
                .iter()
                .flat_map(|row| std::iter::once(row.code).chain(row.aliases.iter().copied()));
            let problem =
                SourceProblem::new(&key, format!("found \"{text}\", which is no known unit"))
                    .nearest(nearest(text, known));
            self.problems.push(if problem.hint.is_some() {
                problem
            } else {
                problem.hint("`drydown schema units` lists them")
            });
            return None;
        };
        let Some(own) = spec.ucum.as_deref().and_then(Unit::parse) else {
            if !spec.any_unit {
                self.problem(&key, "the column has no unit");
                return None;
            }
            return Some(UnitRule::Own);
        };
        let percent_vacuum = map.reference == Some(PressureWord::PercentVacuum);
        let wanted = if percent_vacuum {
            Unit::parse("%")
        } else {
            Some(own)
        };
        if !wanted.is_some_and(|wanted| unit.converts_to(wanted)) {
            let expected = if percent_vacuum {
                "a share such as %"
            } else {
                own.code()
            };
            let what = format!("found \"{text}\", expected a unit that can become {expected}");
            self.problem(&key, what);
            return None;
        }
        Some(UnitRule::Fixed(unit))
    }

    /// The column that says on which side of a limit the value lies.
    fn censor_of(&self, name: &str) -> Option<&'static str> {
        match (self.table.name.as_str(), name) {
            ("samples", "water_ppm") => Some("water_censor"),
            ("results", "value") => Some("censor"),
            _ => None,
        }
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
            if in_tall && name == "signal" {
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
fn names_part(pattern: &str, name: &str) -> bool {
    Regex::new(pattern).is_ok_and(|regex| regex.capture_names().flatten().any(|part| part == name))
}
