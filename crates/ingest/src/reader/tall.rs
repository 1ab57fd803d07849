//! Tall files: a record is one cell; its tag says which.

use std::collections::{BTreeMap, HashMap};
use std::rc::Rc;

use super::builder::Builder;
use super::cell::{CellText, Place as Site};
use super::header::{Header, Place};
use super::record::{Fields, Job, Key, explain, text_of};
use super::wide::note_missing;
use crate::rows::FileRows;
use crate::source::{CellKind, Column, Layout, Origin, Source, Tall};
use crate::stamps::LocalTime;
use crate::text::{Block, Record, Records};
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
struct TallFields {
    tag: usize,
    value: usize,
    quality: Option<usize>,
}

/// Barometers on lines of their own, by the line's key.
type Barometers = HashMap<Vec<u64>, f64>;

/// Records taken at a time.
const BLOCK_RECORDS: usize = 256;

/// Reads every record.
pub(crate) fn read<'t>(mut job: Job<'_>, mut records: Records<'t>) -> FileRows {
    let source = job.source;
    let mut block = Block::default();
    let mut builder = Builder::new(source.keys.len(), Layout::Tall, &[]);
    let header = match &source.header {
        Some(names) => Some(Header::named(names, records.line())),
        None => Header::open(&mut records, source.header_lines),
    };
    let (Some(tall), Some(header)) = (source.tall.as_ref(), header) else {
        return job.finish(builder);
    };
    if !source.fill_down.is_empty() {
        records.fill_down(header.fill_down(&source.fill_down));
    }
    let (fields, fatal) = job.fields(&header);
    note_missing(&job, &header, &fields, &mut builder);
    let found = tall_fields(tall, &header);
    let (tall_fields, fatal) = match (found, fatal) {
        (Ok(found), None) => (Some(found), String::new()),
        (_, Some(why)) | (Err(why), None) => (None, why),
    };
    let mut lines = Lines {
        tags: Tags::new(source, tall),
        barometers: Barometers::new(),
    };
    if let Some(tall_fields) = tall_fields {
        lines.find_barometers(&mut job, records.clone(), &header, (&fields, tall_fields));
    }
    while records.read(&mut block, BLOCK_RECORDS) {
        for record in block.records() {
            match tall_fields {
                None => {
                    builder.counts.rows_in += 1;
                    builder.reject_row(record.line(), record.raw(), fatal.clone());
                }
                Some(tall_fields) => {
                    let place = (&fields, tall_fields);
                    lines.read_line(&mut job, record, &header, place, &mut builder);
                }
            }
        }
    }
    job.finish(builder)
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
    tall: &'a Tall,
    by_signal: BTreeMap<&'a str, usize>,
    known: HashMap<String, Tag>,
}

impl<'a> Tags<'a> {
    fn new(source: &'a Source, tall: &'a Tall) -> Self {
        let mut by_signal = BTreeMap::new();
        for (idx, column) in source.values.iter().enumerate() {
            if let Origin::Signal(names) = &column.origin {
                by_signal.extend(names.iter().map(|name| (name.as_str(), idx)));
            }
        }
        Self {
            tall,
            by_signal,
            known: HashMap::new(),
        }
    }

    fn get(&mut self, text: &str) -> Tag {
        if let Some(tag) = self.known.get(text) {
            return tag.clone();
        }
        let tag = self.look(text);
        self.known.insert(text.to_owned(), tag.clone());
        tag
    }

    fn look(&self, text: &str) -> Tag {
        if self
            .tall
            .ignore
            .iter()
            .any(|pattern| pattern.is_match(text))
        {
            return Tag::Ignored;
        }
        let mut parts = BTreeMap::new();
        let signal = match &self.tall.pattern {
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

struct Lines<'a> {
    tags: Tags<'a>,
    barometers: Barometers,
}

impl Lines<'_> {
    /// Collects the barometer of each key, so that a pressure finds it wherever its line stands.
    fn find_barometers(
        &mut self,
        job: &mut Job<'_>,
        mut records: Records<'_>,
        header: &Header,
        (fields, tall): (&Fields, TallFields),
    ) {
        let source = job.source;
        let is = |wanted: fn(&CellKind) -> bool| {
            source
                .values
                .iter()
                .any(|column| matches!(column.origin, Origin::Signal(_)) && wanted(&column.kind))
        };
        if !is(|kind| matches!(kind, CellKind::Barometer(_)))
            || !is(|kind| matches!(kind, CellKind::Pressure(..)))
        {
            return;
        }
        let mut block = Block::default();
        while records.read(&mut block, BLOCK_RECORDS) {
            for record in block.records() {
                if header.fits(record) {
                    self.find_barometer(job, record, (fields, tall));
                }
            }
        }
    }

    /// Keeps the barometer that a record gives, if it gives one.
    fn find_barometer(
        &mut self,
        job: &mut Job<'_>,
        record: Record<'_>,
        (fields, tall): (&Fields, TallFields),
    ) {
        let source = job.source;
        let Tag::Mapped { column, parts, id } = self.tags.get(record.get(tall.tag).unwrap_or(""))
        else {
            return;
        };
        let Some(column) = source.values.get(column) else {
            return;
        };
        let mut key = Key::default();
        if !matches!(column.kind, CellKind::Barometer(_))
            || job
                .read_key(record, fields, Some((&parts, id)), &mut key)
                .is_err()
            || is_doubtful(&key)
            || !is_good(source, tall, record)
        {
            return;
        }
        let mut row = vec![NULL; source.spoken.len()];
        let cell = CellText {
            raw: record.get(tall.value).unwrap_or(""),
            unit: unit_text(fields, source, column, record),
        };
        if job
            .cells
            .read(column, cell, &Site::default(), &mut row)
            .is_ok()
            && let Some(kpa) = column
                .slots
                .first()
                .and_then(|slot| to_real(*row.get(*slot)?))
        {
            self.barometers.insert(key.cells.clone(), kpa);
        }
    }

    fn read_line(
        &mut self,
        job: &mut Job<'_>,
        record: Record<'_>,
        header: &Header,
        (fields, tall): (&Fields, TallFields),
        builder: &mut Builder,
    ) {
        let source = job.source;
        if !header.fits(record) {
            builder.counts.rows_in += 1;
            let why = format!(
                "found {} fields, expected {}",
                record.n_fields(),
                header.n_fields()
            );
            builder.reject_row(record.line(), record.raw(), why);
            return;
        }
        let (column, parts, id) = match self.tags.get(record.get(tall.tag).unwrap_or("")) {
            Tag::Ignored => {
                builder.counts.rows_ignored += 1;
                return;
            }
            Tag::Unknown(why) => {
                builder.counts.rows_in += 1;
                let why = if header.is_repeated(record) {
                    "the header again".to_owned()
                } else {
                    why
                };
                builder.reject_row(record.line(), record.raw(), why);
                return;
            }
            Tag::Mapped { column, parts, id } => (column, parts, id),
        };
        builder.counts.rows_in += 1;
        let mut key = Key::default();
        if let Err(why) = job.read_key(record, fields, Some((&parts, id)), &mut key) {
            builder.reject_row(record.line(), record.raw(), why);
            return;
        }
        let measured = self
            .barometers
            .get(&key.cells)
            .filter(|_| !is_doubtful(&key))
            .copied();
        let site = job.place(&key, measured);
        let mut row = vec![NULL; source.spoken.len()];
        let mut slots: Vec<usize> = Vec::new();
        for (idx, (attribute, place)) in source.values.iter().zip(&fields.values).enumerate() {
            if matches!(place, Place::Missing(_) | Place::Signal) {
                continue;
            }
            slots.extend(&attribute.slots);
            let raw = text_of(record, place, attribute, Some(&parts));
            let cell = CellText {
                raw: &raw,
                unit: unit_text(fields, source, attribute, record),
            };
            if let Err(why) = job.cells.read_value(idx, attribute, cell, &site, &mut row) {
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
                unit: unit_text(fields, source, column, record),
            };
            let read = if is_good(source, tall, record) {
                job.cells.read_value(idx, column, cell, &site, &mut row)
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

fn unit_text<'r>(
    fields: &Fields,
    source: &Source,
    column: &Column,
    record: Record<'r>,
) -> Option<&'r str> {
    let idx = source
        .values
        .iter()
        .position(|known| known.name == column.name)?;
    let at = fields.units.get(idx).copied().flatten()?;
    Some(record.get(at).unwrap_or(""))
}
