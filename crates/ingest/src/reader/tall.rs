//! Tall files: a record is one cell; its tag says which.

use std::collections::{BTreeMap, HashMap};
use std::rc::Rc;

use super::builder::Builder;
use super::cell::{CellText, Place as Site};
use super::header::{Header, Place};
use super::reason::explain;
use super::record::{Fields, Job, Key, text_of};
use super::wide::note_missing;
use crate::rows::FileRows;
use crate::source::{CellKind, Column, Layout, Origin, Source, Tall};
use crate::stamps::LocalTime;
use crate::text::{Block, FillDown, Loose, Record, Records};
use crate::texts::{NULL, to_real};

/// What a tag stands for.
#[derive(Clone, Debug)]
enum Tag {
    Ignored,
    /// Neither mapped nor ignored: why.
    Unknown(String),
    Mapped {
        column: usize,
        parts: Rc<BTreeMap<String, String>>,
        id: u64,
    },
}

/// The fields every tall line needs.
#[derive(Clone, Copy, Debug)]
pub(super) struct TallFields {
    tag: usize,
    value: usize,
    quality: Option<usize>,
}

/// What the header of a tall file says.
#[derive(Clone, Debug)]
pub(super) struct TallSheet {
    header: Header,
    fields: Fields,
    /// The error says why no record can be read.
    tall: Result<TallFields, String>,
}

impl TallSheet {
    /// From the first record, which is taken, or as the source says; None where there is none.
    pub(super) fn open(job: &Job<'_>, records: &mut Records<'_>) -> Option<Self> {
        let source = job.source;
        let tall = source.tall.as_ref()?;
        let header = match &source.header {
            Some(names) => Header::named(names, records.line()),
            None => Header::open(records, source.header_lines)?,
        };
        let (fields, fatal) = job.fields(&header);
        let tall = match (tall_fields(tall, &header), fatal) {
            (_, Some(why)) => Err(why),
            (found, None) => found,
        };
        Some(Self {
            header,
            fields,
            tall,
        })
    }

    /// What the empty cells of the source's columns are filled by: the value and its quality go on from
    /// lines of the same tag alone.
    fn fill_down(&self, job: &Job<'_>) -> FillDown {
        let of_tag = |field: usize| {
            let tall = self.tall.as_ref();
            tall.is_ok_and(|tall| field == tall.value || Some(field) == tall.quality)
        };
        let tag = self.tall.as_ref().ok().map(|tall| tall.tag);
        let keys = job.source.keys.iter().zip(&self.fields.keys);
        // What else tells one thing from another: all of the key but the time.
        let others = keys
            .filter(|(column, _)| !matches!(column.kind, CellKind::Stamp(_)))
            .flat_map(|(_, place)| place.fields());
        let key = tag.into_iter().chain(others).collect();
        self.header.fill_down(&job.source.fill_down, key, &of_tag)
    }

    pub(super) fn note_missing(&self, job: &Job<'_>, builder: &mut Builder) {
        note_missing(job, &self.header, &self.fields, builder);
    }
}

/// Barometers on lines of their own, by the line's key.
type Barometers = HashMap<Vec<u64>, f64>;

/// Records taken at a time.
pub(super) const BLOCK_RECORDS: usize = 256;

/// Reads every record.
pub(crate) fn read<'t>(mut job: Job<'_>, mut records: Records<'t>) -> FileRows {
    let source = job.source;
    let mut builder = Builder::new(source.keys.len(), Layout::Tall, &[]);
    let Some(sheet) = TallSheet::open(&job, &mut records) else {
        return job.finish(builder);
    };
    if !source.fill_down.is_empty() {
        records.fill_down(sheet.fill_down(&job));
    }
    sheet.note_missing(&job, &mut builder);
    let mut lines = Lines::new(source, &sheet);
    let mut ahead = records.clone();
    lines.find_barometers(&mut job, &mut |block| ahead.read(block, BLOCK_RECORDS));
    lines.read(&mut job, &mut builder, &mut |block| {
        records.read(block, BLOCK_RECORDS)
    });
    job.finish(builder)
}

/// Reads records that were taken out of their file.
pub(super) fn read_loose(
    job: &mut Job<'_>,
    (sheet, changed_at): (&TallSheet, Option<u64>),
    loose: &Loose,
    builder: &mut Builder,
) {
    let cut = Records::new(&loose.text, job.source.dialect(job.cells.traits));
    let mut lines = Lines::new(job.source, sheet);
    lines.changed_at = changed_at;
    let mut ahead = loose.records.chunks(BLOCK_RECORDS);
    lines.find_barometers(job, &mut |block| {
        let next = ahead.next();
        next.map(|records| cut.read_loose(records, block)).is_some()
    });
    let mut next = loose.records.chunks(BLOCK_RECORDS);
    lines.read(job, builder, &mut |block| {
        let next = next.next();
        next.map(|records| cut.read_loose(records, block)).is_some()
    });
}

fn tall_fields(tall: &Tall, header: &Header) -> Result<TallFields, String> {
    let find = |name: &str| {
        header
            .find(name)
            .ok_or_else(|| format!("the file has no column \"{name}\""))
    };
    let quality = match &tall.quality {
        Some((name, _)) => Some(find(name)?),
        None => None,
    };
    Ok(TallFields {
        tag: find(&tall.tag)?,
        value: find(&tall.value)?,
        quality,
    })
}

/// What is known of a file's tags.
struct Tags<'a> {
    tall: Option<&'a Tall>,
    by_signal: BTreeMap<&'a str, usize>,
    known: HashMap<String, Tag>,
}

impl<'a> Tags<'a> {
    fn new(source: &'a Source) -> Self {
        let mut by_signal = BTreeMap::new();
        for (idx, column) in source.values.iter().enumerate() {
            if let Origin::Signal(names) = &column.origin {
                by_signal.extend(names.iter().map(|name| (name.as_str(), idx)));
            }
        }
        Self {
            tall: source.tall.as_ref(),
            by_signal,
            known: HashMap::new(),
        }
    }

    fn get(&mut self, text: &str) -> &Tag {
        if !self.known.contains_key(text) {
            let tag = self.look(text);
            self.known.insert(text.to_owned(), tag);
        }
        self.known.get(text).unwrap_or(&Tag::Ignored)
    }

    fn look(&self, text: &str) -> Tag {
        let ignore = self.tall.map_or(&[][..], |tall| &tall.ignore);
        if ignore.iter().any(|pattern| pattern.is_match(text)) {
            return Tag::Ignored;
        }
        let mut parts = BTreeMap::new();
        let signal = match self.tall.and_then(|tall| tall.pattern.as_ref()) {
            None => text,
            Some(pattern) => {
                let Some(found) = pattern.captures(text) else {
                    return Tag::Unknown(format!("the tag \"{text}\" does not fit the pattern"));
                };
                for name in pattern.capture_names().flatten() {
                    if let Some(part) = found.name(name) {
                        parts.insert(name.to_owned(), part.as_str().to_owned());
                    }
                }
                found.name("signal").map_or("", |part| part.as_str())
            }
        };
        match self.by_signal.get(signal.trim()) {
            Some(column) => Tag::Mapped {
                column: *column,
                parts: Rc::new(parts),
                id: 1 + self.known.len() as u64,
            },
            None => Tag::Unknown(format!(
                "the signal \"{signal}\" is neither mapped nor ignored"
            )),
        }
    }
}

/// The records of a tall file, as the header says to read them.
pub(super) struct Lines<'a> {
    source: &'a Source,
    sheet: &'a TallSheet,
    tags: Tags<'a>,
    barometers: Barometers,
    /// The line of another header: what stands below it cannot be told.
    pub(super) changed_at: Option<u64>,
}

/// What a record is before its value is looked at.
pub(super) enum Found {
    Ignored,
    Rejected(String),
    /// A cell of this column of the source; its key was read.
    Line(usize, Rc<BTreeMap<String, String>>, TallFields),
}

/// Room for one line, used again and again.
#[derive(Default)]
struct Room {
    key: Key,
    row: Vec<u64>,
    slots: Vec<usize>,
}

impl<'a> Lines<'a> {
    pub(super) fn new(source: &'a Source, sheet: &'a TallSheet) -> Self {
        Self {
            source,
            sheet,
            tags: Tags::new(source),
            barometers: Barometers::new(),
            changed_at: None,
        }
    }

    /// The tag of a [`FoldRow::series`](crate::stamps::FoldRow) by its lower half.
    pub(super) fn tag_texts(&self) -> HashMap<u64, &str> {
        let known = self.tags.known.iter();
        known
            .filter_map(|(text, tag)| match tag {
                Tag::Mapped { id, .. } => Some((*id, text.as_str())),
                Tag::Ignored | Tag::Unknown(_) => None,
            })
            .collect()
    }

    /// Looks at everything but the value.
    pub(super) fn find(&mut self, job: &mut Job<'_>, record: Record<'_>, key: &mut Key) -> Found {
        match self.look(job, record, key) {
            Found::Rejected(_) if job.source.ignores(record.raw()) => Found::Ignored,
            found => found,
        }
    }

    fn look(&mut self, job: &mut Job<'_>, record: Record<'_>, key: &mut Key) -> Found {
        let (header, fields) = (&self.sheet.header, &self.sheet.fields);
        let tall = match &self.sheet.tall {
            Ok(tall) => *tall,
            Err(why) => return Found::Rejected(why.clone()),
        };
        if !header.fits(record) {
            return Found::Rejected(format!(
                "found {} fields, expected {}",
                record.n_fields(),
                header.n_fields()
            ));
        }
        match self.tags.get(record.get(tall.tag).unwrap_or("")) {
            Tag::Ignored => Found::Ignored,
            Tag::Unknown(_) if header.is_repeated(record) => {
                Found::Rejected("the header again".to_owned())
            }
            Tag::Unknown(why) => {
                let is_first = self.changed_at.is_none_or(|at| record.line() < at);
                if is_first && self.source.header.is_none() && header.has_names(record) {
                    self.changed_at = Some(record.line());
                }
                Found::Rejected(why.clone())
            }
            Tag::Mapped { column, parts, id } => {
                match job.read_key(record, fields, Some((parts, *id)), key) {
                    Ok(()) => match self.changed_at.filter(|at| record.line() > *at) {
                        Some(at) => Found::Rejected(format!("the header changed at line {at}")),
                        None => Found::Line(*column, Rc::clone(parts), tall),
                    },
                    Err(why) => Found::Rejected(why),
                }
            }
        }
    }

    /// Collects the barometer of each key, so that a pressure finds it wherever its line stands.
    fn find_barometers<'t>(
        &mut self,
        job: &mut Job<'_>,
        next: &mut dyn FnMut(&mut Block<'t>) -> bool,
    ) {
        let source = self.source;
        let is = |wanted: fn(&CellKind) -> bool| {
            source
                .values
                .iter()
                .any(|column| matches!(column.origin, Origin::Signal(_)) && wanted(&column.kind))
        };
        if self.sheet.tall.is_err()
            || !is(|kind| matches!(kind, CellKind::Barometer(_)))
            || !is(|kind| matches!(kind, CellKind::Pressure(..)))
        {
            return;
        }
        let mut block = Block::default();
        let mut key = Key::default();
        while next(&mut block) {
            for record in block.records() {
                self.find_barometer(job, record, &mut key);
            }
        }
    }

    /// Keeps the barometer that a record gives, if it gives one.
    fn find_barometer(&mut self, job: &mut Job<'_>, record: Record<'_>, key: &mut Key) {
        let source = self.source;
        let (Ok(tall), true) = (&self.sheet.tall, self.sheet.header.fits(record)) else {
            return;
        };
        let tall = *tall;
        let tag = self.tags.get(record.get(tall.tag).unwrap_or(""));
        let Tag::Mapped { column: idx, .. } = tag else {
            // It may be another header, which ends what can be told.
            self.find(job, record, key);
            return;
        };
        let idx = *idx;
        let is_barometer = |column: &&Column| matches!(column.kind, CellKind::Barometer(_));
        let Some(column) = source.values.get(idx).filter(is_barometer) else {
            return;
        };
        if !matches!(self.find(job, record, key), Found::Line(..))
            || is_doubtful(key)
            || !is_good(source, tall, record)
        {
            return;
        }
        let mut row = vec![NULL; source.spoken.len()];
        let cell = CellText {
            raw: record.get(tall.value).unwrap_or(""),
            unit: unit_text(&self.sheet.fields, idx, record),
        };
        let read = job.cells.read(column, cell, &Site::default(), &mut row);
        if read.is_ok()
            && let Some(kpa) = column
                .slots
                .first()
                .and_then(|slot| to_real(*row.get(*slot)?))
        {
            self.barometers.insert(key.cells.clone(), kpa);
        }
    }

    fn read<'t>(
        &mut self,
        job: &mut Job<'_>,
        builder: &mut Builder,
        next: &mut dyn FnMut(&mut Block<'t>) -> bool,
    ) {
        let mut block = Block::default();
        let mut room = Room::default();
        while next(&mut block) {
            for record in block.records() {
                self.read_line(job, record, &mut room, builder);
            }
        }
    }

    fn read_line(
        &mut self,
        job: &mut Job<'_>,
        record: Record<'_>,
        room: &mut Room,
        builder: &mut Builder,
    ) {
        let source = self.source;
        let (column, parts, tall) = match self.find(job, record, &mut room.key) {
            Found::Ignored => {
                builder.counts.rows_ignored += 1;
                return;
            }
            Found::Rejected(why) => {
                builder.counts.rows_in += 1;
                builder.reject_row(record.line(), record.raw(), why);
                return;
            }
            Found::Line(column, parts, tall) => (column, parts, tall),
        };
        builder.counts.rows_in += 1;
        let fields = &self.sheet.fields;
        let Room { key, row, slots } = room;
        let measured = self
            .barometers
            .get(&key.cells)
            .filter(|_| !is_doubtful(key))
            .copied();
        let site = job.place(key, measured);
        row.clear();
        row.resize(source.spoken.len(), NULL);
        slots.clear();
        for (idx, (attribute, place)) in source.values.iter().zip(&fields.values).enumerate() {
            if matches!(place, Place::Missing(_) | Place::Signal) {
                continue;
            }
            slots.extend(&attribute.slots);
            let raw = text_of(record, place, attribute, Some(&parts));
            let cell = CellText {
                raw: &raw,
                unit: unit_text(fields, idx, record),
            };
            if let Err(why) = job.cells.read_value(idx, attribute, cell, &site, row) {
                builder.reject_cell(
                    record.line(),
                    &attribute.name,
                    &raw,
                    explain(attribute, &raw, &why),
                );
            }
        }
        let idx = column;
        if let Some(column) = source.values.get(idx) {
            slots.extend(spoken_slots(column, measured.is_some()));
            let raw = record.get(tall.value).unwrap_or("");
            let cell = CellText {
                raw,
                unit: unit_text(fields, idx, record),
            };
            let read = if is_good(source, tall, record) {
                job.cells.read_value(idx, column, cell, &site, row)
            } else {
                let quality = tall.quality.and_then(|at| record.get(at)).unwrap_or("");
                Err(format!("the quality is \"{quality}\""))
            };
            if let Err(why) = read {
                builder.reject_cell(record.line(), &column.name, raw, why);
            }
        }
        builder.push_key(&key.cells, key.time, record.line(), record.raw());
        builder.push_tall(
            slots
                .iter()
                .filter_map(|slot| Some((*source.spoken.get(*slot)?, *row.get(*slot)?))),
        );
    }
}

/// Whether the clock showed the line's hour twice: its key is not settled before the file's end, so
/// that a barometer cannot be found by it. The merge brings the two together, by settled keys.
fn is_doubtful(key: &Key) -> bool {
    key.time
        .is_some_and(|row| matches!(row.time, LocalTime::Twice(..)))
}

/// The slots a line speaks for: a pressure leaves a measured barometer to the barometer's own line.
fn spoken_slots(column: &Column, measured: bool) -> &[usize] {
    match column.kind {
        CellKind::Pressure(..) if measured => column.slots.get(..1).unwrap_or(&[]),
        _ => &column.slots,
    }
}

fn is_good(source: &Source, tall: TallFields, record: Record<'_>) -> bool {
    let quality = source.tall.as_ref().and_then(|tall| tall.quality.as_ref());
    match (quality, tall.quality) {
        (Some((_, good)), Some(at)) => good.contains(record.get(at).unwrap_or("")),
        _ => true,
    }
}

fn unit_text<'r>(fields: &'r Fields, idx: usize, record: Record<'r>) -> Option<&'r str> {
    let part = fields.units.get(idx)?.as_ref()?;
    Some(part.text_in(record))
}
