//! What wide and tall files share: the key of a record, and the place it belongs to.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::hash::{DefaultHasher, Hash, Hasher};

use drydown_quantity::{PressureReference, Stamp};

use super::FileHead;
use super::builder::{Builder, Finish};
use super::cell::{CellReader, Place, Standard};
use super::header::{Header, Part, Place as FieldPlace};
use super::midnights::{AllMidnights, Midnights, RESTARTED};
use super::reason::explain;
use super::stamp::NEVER;
use crate::rows::{Chamber, FileRows};
use crate::site::{SiteContext, UnitSite, Validity, standard_barometer};
use crate::source::{CellKind, Column, Source, UnitRule};
use crate::stamps::{FoldRow, LocalTime};
use crate::text::{Record, Traits};
use crate::texts::{NULL, from_whole};

/// One file being read.
#[derive(Debug)]
pub(crate) struct Job<'a> {
    pub(crate) source: &'a Source,
    pub(crate) cells: CellReader<'a>,
    site: &'a SiteContext,
    file: FileHead<'a>,
    /// Named parts of the file's name; None where the pattern does not fit.
    pub(super) captured: Option<BTreeMap<String, String>>,
    /// The pattern of the preamble that the lines before the header do not fit.
    pub(super) unfit: Option<String>,
    /// Which column of the key is the unit, and which the stamp.
    unit_key: Option<usize>,
    stamp_key: Option<usize>,
    /// By the unit's text cell.
    known_units: Vec<Option<&'a UnitSite>>,
    /// A pressure of the source needs the local barometer.
    needs_barometer: bool,
    /// By the unit's text cell: its last station, how long that holds, and its barometer.
    stations: Vec<Option<(Validity, Standard)>>,
    midnights: AllMidnights,
}

/// Where the columns of the source stand in this file.
#[derive(Clone, Debug)]
pub(crate) struct Fields {
    pub(crate) keys: Vec<FieldPlace>,
    pub(crate) values: Vec<FieldPlace>,
    /// Where the unit stands, for columns whose unit another column states, or a part of the file's name
    /// or of the lines before the header.
    pub(crate) units: Vec<Option<Part>>,
}

/// The key of one record.
#[derive(Debug, Default)]
pub(crate) struct Key {
    pub(crate) cells: Vec<u64>,
    pub(crate) time: Option<FoldRow>,
    pub(crate) at: Option<Stamp>,
}

impl<'a> Job<'a> {
    pub(crate) fn new(
        source: &'a Source,
        file: FileHead<'a>,
        site: &'a SiteContext,
        traits: Traits,
    ) -> Self {
        let captured = name_parts(source, file.name);
        let place = |wanted: &dyn Fn(&Column) -> bool| source.keys.iter().position(wanted);
        Self {
            source,
            cells: CellReader::new(source, Some(file.loaded_at), traits),
            site,
            file,
            captured,
            unfit: None,
            unit_key: place(&|column| column.name == "unit_id"),
            stamp_key: place(&|column| matches!(column.kind, CellKind::Stamp(_))),
            known_units: Vec::new(),
            needs_barometer: source
                .values
                .iter()
                .any(|column| matches!(column.kind, CellKind::Pressure(..))),
            stations: Vec::new(),
            midnights: AllMidnights::default(),
        }
    }

    /// Where the columns stand, and why no record of the file can be read, if none can.
    pub(crate) fn fields(&self, header: &Header) -> (Fields, Option<String>) {
        let places = |columns: &[Column]| -> Vec<FieldPlace> {
            columns
                .iter()
                .map(|column| header.place(column, self.captured.as_ref()))
                .collect()
        };
        let fields = Fields {
            keys: places(&self.source.keys),
            values: places(&self.source.values),
            units: self
                .source
                .values
                .iter()
                .map(|column| self.unit_part(column, header))
                .collect(),
        };
        let fatal = if self.captured.is_none() {
            Some("the file's name does not fit the source's file_name".to_owned())
        } else if let Some(pattern) = &self.unfit {
            Some(format!(
                "the lines before the header do not fit the preamble '{pattern}'"
            ))
        } else {
            fields
                .keys
                .iter()
                .zip(&self.source.keys)
                .find_map(|(place, column)| match place {
                    FieldPlace::Missing(name) => Some(format!(
                        "the file has no column \"{name}\" to fill \"{}\"",
                        column.name
                    )),
                    _ => None,
                })
        };
        (fields, fatal)
    }

    fn unit_part(&self, column: &Column, header: &Header) -> Option<Part> {
        let UnitRule::Column(name) = column.unit_rule()? else {
            return None;
        };
        header.part(name, self.captured.as_ref())
    }

    /// Reads the key of a record; the error says why the record is kept out.
    ///
    /// `tag_parts` are the named parts of a tall line's tag, `series` tells its tag from others.
    pub(crate) fn read_key(
        &mut self,
        record: Record<'_>,
        fields: &Fields,
        tag: Option<(&BTreeMap<String, String>, u64)>,
        key: &mut Key,
    ) -> Result<(), String> {
        key.cells.clear();
        key.time = None;
        key.at = None;
        let source = self.source;
        let mut stamp = None;
        for (idx, (column, place)) in source.keys.iter().zip(&fields.keys).enumerate() {
            let raw = untrimmed(record, place, column, tag.map(|(parts, _)| parts));
            let explain = |why: String| explain(column, raw.trim(), &why);
            let cell = match &column.kind {
                CellKind::Stamp(format) => {
                    let found = self
                        .cells
                        .read_key_stamp(column, format, &raw)
                        .map_err(explain)?;
                    stamp = found;
                    found.map(|_| NULL)
                }
                _ => self.cells.read_key(idx, column, &raw).map_err(explain)?,
            };
            let Some(cell) = cell else {
                return Err(format!("\"{}\" is empty", column.name));
            };
            key.cells.push(cell);
        }
        if let (Some(mut found), Some(stamp_key)) = (stamp, self.stamp_key) {
            let unit = self
                .unit_key
                .and_then(|unit| key.cells.get(unit))
                .copied()
                .unwrap_or(0);
            let series = (unit << 32) | tag.map_or(0, |(_, id)| id);
            if source.dates_apart || is_filled(record, fields.keys.get(stamp_key)) {
                self.midnights
                    .count(series, &mut found, source.clock.as_ref());
            } else if !source.fill_down.is_empty() {
                self.midnights.begin(series, found.local_micros);
            }
            if source.counts_on() && !self.midnights.goes_on(series, found.local_micros) {
                return Err(RESTARTED.to_owned());
            }
            let at = match found.time {
                LocalTime::Known(at) | LocalTime::Twice(at, _) => at,
                LocalTime::Never => return Err(NEVER.to_owned()),
            };
            self.cells.check_ahead(at)?;
            if let Some(cell) = key.cells.get_mut(stamp_key) {
                *cell = from_whole(at.micros());
            }
            key.at = Some(at);
            let rest = self.rest_of(key);
            key.time = source.clock.as_ref().map(|_| FoldRow {
                series,
                local_micros: found.local_micros,
                time: found.time,
                content: 0,
                rest,
                n_same: 1,
            });
        }
        Ok(())
    }

    /// [`FoldRow::rest`] of a key; by texts, which are the same in every piece of a file.
    fn rest_of(&self, key: &Key) -> u64 {
        if key.cells.len() <= 2 {
            return 0;
        }
        let mut hasher = DefaultHasher::new();
        for (idx, (cell, column)) in key.cells.iter().zip(&self.source.keys).enumerate() {
            if Some(idx) == self.unit_key || Some(idx) == self.stamp_key {
                continue;
            }
            match column.kind {
                CellKind::Text | CellKind::Word => self.cells.pool.get(*cell).hash(&mut hasher),
                _ => cell.hash(&mut hasher),
            }
        }
        hasher.finish()
    }

    /// Where and when the record belongs, for cells that depend on it.
    pub(crate) fn place(&mut self, key: &Key, measured_kpa: Option<f64>) -> Place<'a> {
        let cell = self.unit_key.and_then(|unit| key.cells.get(unit)).copied();
        let unit = cell.and_then(|cell| {
            let place = usize::try_from(cell).ok()?;
            while self.known_units.len() <= place {
                let text = self.cells.pool.get(self.known_units.len() as u64)?;
                self.known_units.push(self.site.unit(text));
            }
            self.known_units.get(place).copied().flatten()
        });
        Place {
            unit,
            standard: self.standard(cell.unwrap_or(NULL), unit, key.at),
            measured_kpa,
        }
    }

    /// The barometer that the registers give for a unit at a time.
    fn standard(
        &mut self,
        cell: u64,
        unit: Option<&UnitSite>,
        at: Option<Stamp>,
    ) -> Option<Standard> {
        if !self.needs_barometer {
            return None;
        }
        let at = at?;
        let place = usize::try_from(cell).unwrap_or(usize::MAX);
        if let Some(Some((validity, standard))) = self.stations.get(place)
            && validity.holds(at)
        {
            return Some(*standard);
        }
        let (altitude_m, validity) =
            unit.map_or((None, Validity::ALWAYS), |unit| unit.altitude_m(at));
        let barometer = standard_barometer(altitude_m);
        let standard = Standard {
            barometer,
            basis: self.cells.pool.cell(barometer.basis),
        };
        // Cells of texts are small numbers; a row without a unit has none.
        if place < self.cells.pool.texts().len() {
            if self.stations.len() <= place {
                self.stations.resize(place + 1, None);
            }
            if let Some(slot) = self.stations.get_mut(place) {
                *slot = Some((validity, standard));
            }
        }
        Some(standard)
    }

    /// Which column of the key is the stamp.
    pub(crate) const fn stamp_key(&self) -> Option<usize> {
        self.stamp_key
    }

    /// Goes on from what the pieces before have come through, by unit; of a wide file.
    pub(super) fn set_midnights(&mut self, before: &BTreeMap<String, Midnights>) {
        for (unit, midnights) in before {
            let series = self.series_of(unit);
            self.midnights.0.insert(series, *midnights);
        }
    }

    /// What the stamps have come through, by unit; of a wide file.
    pub(super) fn midnights(&self) -> BTreeMap<String, Midnights> {
        let of_unit = |(series, midnights): (&u64, &Midnights)| {
            Some((self.unit_of(*series)?.to_owned(), *midnights))
        };
        self.midnights.0.iter().filter_map(of_unit).collect()
    }

    /// What the stamps of a unit share in [`FoldRow::series`], in a wide file.
    pub(crate) fn series_of(&mut self, unit: &str) -> u64 {
        match self.unit_key {
            Some(_) => self.cells.pool.cell(unit) << 32,
            None => 0,
        }
    }

    /// The unit of a series; the empty text where the source has none.
    pub(crate) fn unit_of(&self, series: u64) -> Option<&str> {
        match self.unit_key {
            Some(_) => self.cells.pool.get(series >> 32),
            None => Some(""),
        }
    }

    /// The finished rows.
    pub(crate) fn finish(self, mut builder: Builder) -> FileRows {
        let source = self.source;
        let maps_barometer = source
            .values
            .iter()
            .any(|column| matches!(column.kind, CellKind::Barometer(_)));
        let chamber = match source.chamber_reference() {
            None => Chamber::Silent,
            Some(PressureReference::Absolute) => Chamber::Absolute,
            Some(_) => Chamber::Relative {
                derives: source.tall.is_some() || !maps_barometer,
            },
        };
        if self.cells.n_estimates > 0 {
            let shown = self
                .cells
                .estimates
                .iter()
                .map(|text| format!("\"{text}\""));
            builder.notes.push(format!(
                "{} values are the laboratory's own estimates ({}) and stand as plain values",
                self.cells.n_estimates,
                shown.collect::<Vec<String>>().join(", ")
            ));
        }
        if let Some(units) = self.unit_key.and_then(|unit| builder.keys.get(unit)) {
            let notes = self.site.nearly_known(&self.cells.pool, units);
            builder.notes.extend(notes);
        }
        builder.finish(Finish {
            source,
            file: self.file,
            pool: self.cells.pool,
            stamp_key: self.stamp_key,
            chamber,
        })
    }
}

/// Whether a text is joined from a cell that says what stands above it: its day was told further up.
fn is_filled(record: Record<'_>, place: Option<&FieldPlace>) -> bool {
    match place {
        Some(FieldPlace::Fields(fields)) if fields.len() > 1 => {
            fields.iter().any(|field| record.is_filled(*field))
        }
        Some(FieldPlace::Joined(parts)) => parts
            .iter()
            .any(|part| matches!(part, Part::Field(at) if record.is_filled(*at))),
        _ => false,
    }
}

/// The named parts that the source takes from a file's name; None where the name does not fit.
pub(super) fn name_parts(source: &Source, file: &str) -> Option<BTreeMap<String, String>> {
    let Some(pattern) = &source.file_name else {
        return Some(BTreeMap::new());
    };
    let base = file.rsplit(['/', '\\']).next().unwrap_or(file);
    // A pattern that names a folder or an archive (`U-1.zip/`) is of the whole path.
    let of_path = || {
        let whole = pattern.as_str().contains('/').then_some(file);
        whole.and_then(|file| pattern.captures(file))
    };
    let parts = pattern.captures(base).or_else(of_path)?;
    Some(
        pattern
            .capture_names()
            .flatten()
            .filter_map(|name| Some((name.to_owned(), parts.name(name)?.as_str().to_owned())))
            .collect(),
    )
}

/// The text of a column in a record.
pub(crate) fn text_of<'r>(
    record: Record<'r>,
    place: &'r FieldPlace,
    column: &Column,
    tag_parts: Option<&'r BTreeMap<String, String>>,
) -> Cow<'r, str> {
    match place {
        FieldPlace::Fields(fields) => match fields[..] {
            [only] => Cow::Borrowed(record.get(only).unwrap_or("")),
            _ => {
                let parts: Vec<&str> = fields
                    .iter()
                    .map(|at| record.get(*at).unwrap_or(""))
                    .collect();
                Cow::Owned(parts.join(" ").trim().to_owned())
            }
        },
        FieldPlace::Joined(parts) => {
            let parts: Vec<&str> = parts.iter().map(|part| part.text_in(record)).collect();
            Cow::Owned(parts.join(" ").trim().to_owned())
        }
        FieldPlace::Fixed(text) => Cow::Borrowed(text),
        FieldPlace::Tag => Cow::Borrowed(
            tag_parts
                .and_then(|parts| parts.get(&column.name))
                .map_or("", String::as_str),
        ),
        FieldPlace::Missing(_) | FieldPlace::Signal => Cow::Borrowed(""),
    }
}

/// As [`text_of`], with what blanks stand around the text of a single field: what looks it up by its
/// bytes need not trim it.
pub(crate) fn untrimmed<'r>(
    record: Record<'r>,
    place: &'r FieldPlace,
    column: &Column,
    tag_parts: Option<&'r BTreeMap<String, String>>,
) -> Cow<'r, str> {
    match place.single() {
        Some(field) => Cow::Borrowed(record.field(field).unwrap_or("")),
        None => text_of(record, place, column, tag_parts),
    }
}
