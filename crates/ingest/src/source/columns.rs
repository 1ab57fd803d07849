//! One column of a `[[source]]` block: where it comes from, what it holds, in which unit.

use std::collections::BTreeMap;

use drydown_quantity::pressure::hinted_reference;
use drydown_quantity::{PressureReference, Unit, all_units};
use drydown_schema::{ColumnKind, ColumnSpec, nearest};

use super::compile::{AMBIENT, CHAMBER, CLEANLINESS, CLEANLINESS_COLUMNS, Compiler, names_part};
use super::compiled::{CellKind, Column, Origin, UnitRule};
use super::problem::SourceProblem;
use super::spec::{ColumnMap, Layout, OneOrMany, PressureWord, UnitOf};
use crate::cells::{DecimalMark, parse_number};
use crate::stamps::{ElapsedUnit, StampFormat};

/// What an oil may weigh; from memory: light naphthenic oils stand near 800, phosphate esters near 1150,
/// and a density in g/mL or kg/L is far outside.
const DENSITIES_KGM3: std::ops::RangeInclusive<f64> = 700.0..=1300.0;

/// What a spelling of a unit says of the reference (`psia`), where the other is meant: an absolute pressure
/// is none against the atmosphere. Which way the latter counts, its sign may tell.
pub(crate) fn contradicted(meant: PressureReference, unit: &str) -> Option<PressureReference> {
    use PressureReference::Absolute;
    hinted_reference(unit).filter(|stated| (*stated == Absolute) != (meant == Absolute))
}

impl Compiler<'_> {
    pub(super) fn columns(&mut self) -> Vec<Column> {
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
        // Where the kind is none, its own mistake has been told.
        if map.format.is_some()
            && kind.is_some()
            && !matches!(kind, Some(CellKind::Stamp(_) | CellKind::Date(_)))
        {
            self.problem(
                &["columns", name, "format"],
                "only times and dates have a format",
            );
        }
        if map.elapsed.is_some()
            && !matches!(kind, Some(CellKind::Stamp(_)))
            && spec.kind != ColumnKind::Stamp
        {
            self.problem(
                &["columns", name, "elapsed"],
                "only times count from a time",
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

    pub(super) fn column_spec(&mut self, name: &str) -> Option<&'static ColumnSpec> {
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
            [] if self.spec.preamble.iter().any(|text| captured(Some(text))) => {
                Some(Origin::Preamble)
            }
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

    pub(super) fn kind(
        &mut self,
        name: &str,
        spec: &ColumnSpec,
        map: &ColumnMap,
    ) -> Option<CellKind> {
        if name == CLEANLINESS {
            return Some(CellKind::Cleanliness);
        }
        match spec.kind {
            ColumnKind::Text if spec.words.is_empty() => Some(CellKind::Text),
            ColumnKind::Text => Some(CellKind::Word),
            ColumnKind::Bool => Some(CellKind::YesNo),
            ColumnKind::Int => Some(CellKind::Whole),
            ColumnKind::Stamp => self.stamp(name, map).map(CellKind::Stamp),
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

    /// The format of a stamp; with `elapsed`, of the stamp from which the time passed counts.
    fn stamp(&mut self, name: &str, map: &ColumnMap) -> Option<StampFormat> {
        let format = self.format(name, map, "rfc3339")?;
        let Some(unit) = &map.elapsed else {
            return Some(format);
        };
        if !matches!(&map.from, Some(OneOrMany::Many(names)) if names.len() > 1) {
            self.problem(
                &["columns", name, "elapsed"],
                "the time passed is the last of `from`, behind what tells the stamp it counts from",
            );
        }
        match format.with_elapsed(unit) {
            Some(format) => Some(format),
            None => {
                let what = format!("found \"{unit}\", expected one of {}", ElapsedUnit::all());
                self.problem(&["columns", name, "elapsed"], what);
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
        let meant = reference.or_else(|| spec.is_gauge.then_some(PressureReference::Gauge));
        if let (Some(UnitOf::Fixed(text)), Some(meant)) = (&map.unit, meant.filter(|_| is_pressure))
            && let Some(stated) = contradicted(meant, text)
        {
            let what = format!(
                "found \"{}\", and the unit \"{text}\" says {}",
                meant.as_str(),
                stated.as_str()
            );
            self.problem(&["columns", name, "reference"], what);
            return None;
        }
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

    /// The words for no value that are numbers: they stand for it however a cell writes them.
    pub(super) fn null_numbers(&self, mark: DecimalMark) -> Vec<f64> {
        let words = self.spec.null.iter();
        words
            .filter_map(|word| parse_number(word.trim(), mark))
            .collect()
    }

    pub(super) fn density(&mut self) -> Option<f64> {
        let density = self.spec.density_kgm3?;
        if DENSITIES_KGM3.contains(&density) {
            return Some(density);
        }
        let what = format!(
            "found {density}, expected the density of an oil in kg/m³, {} to {}",
            DENSITIES_KGM3.start(),
            DENSITIES_KGM3.end()
        );
        self.problem(&["density_kgm3"], what);
        None
    }

    fn unit(&mut self, name: &str, spec: &ColumnSpec, map: &ColumnMap) -> Option<UnitRule> {
        let text = match &map.unit {
            None => return Some(UnitRule::Own),
            Some(UnitOf::Column(_)) if spec.any_unit => return Some(UnitRule::Own),
            Some(UnitOf::Column(column)) => return Some(UnitRule::Column(column.from.clone())),
            Some(UnitOf::Fixed(text)) => text,
        };
        let key = ["columns", name, "unit"];
        let measures = spec.ucum.as_deref().and_then(Unit::parse);
        let Some(unit) = Unit::parse_for(text, measures) else {
            let problem =
                SourceProblem::new(&key, format!("found \"{text}\", which is no known unit"));
            self.problems.push(match nearest_unit(text) {
                Some(name) => problem.nearest(Some(name)),
                None => problem.hint(listed_units(measures)),
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
        let by_volume = unit.needs_density(own);
        if by_volume && self.spec.density_kgm3.is_some() {
            return Some(UnitRule::Fixed(unit));
        }
        if by_volume {
            let what = format!(
                "found \"{text}\", the content of a volume: it becomes {own} by the density of the oil, and the source has no density_kgm3"
            );
            let problem = SourceProblem::new(&key, what);
            self.problems.push(problem.hint(
                "write density_kgm3 = … beside `name`, in kg/m³, as in oils.density_15c_kgm3",
            ));
            return None;
        }
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
    pub(super) fn censor_of(&self, name: &str) -> Option<&'static str> {
        match (self.table.name.as_str(), name) {
            ("samples", "water_ppm") => Some("water_censor"),
            ("results", "value") => Some("censor"),
            _ => None,
        }
    }
}

/// The spelling that an unknown unit may be a slip of; None where it could be a unit of another size:
/// `mTorr` is no slip of `Torr`, nor `gpn` surely one of `gpm` and not of `gph`.
fn nearest_unit(text: &str) -> Option<&'static str> {
    /// In shorter words a letter makes another unit.
    const SURE: usize = 7;
    let known = || {
        all_units()
            .iter()
            .flat_map(|row| std::iter::once(row.code).chain(row.aliases.iter().copied()))
            .filter(|name| name.chars().all(char::is_alphabetic) && name.len() >= SURE)
    };
    let first = |text: &str| text.chars().next().map(|c| c.to_ascii_lowercase());
    nearest(text.trim(), known()).filter(|name| first(name) == first(text.trim()))
}

/// Where the units are listed, and those of what is measured.
fn listed_units(measures: Option<Unit>) -> String {
    let all = "`drydown schema units` lists them with their spellings";
    let Some(wanted) = measures else {
        return all.to_owned();
    };
    let codes: Vec<&str> = all_units()
        .iter()
        .filter(|row| Unit::parse(row.code).is_some_and(|unit| unit.converts_to(wanted)))
        .map(|row| row.code)
        .collect();
    format!("known are {}; {all}", codes.join(", "))
}
