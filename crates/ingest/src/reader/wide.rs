//! Wide files: a record is a row, a column is a quantity.

use std::borrow::Cow;

use super::builder::Builder;
use super::cell::CellText;
use super::header::{Header, Place};
use super::record::{Fields, Job, Key, explain, text_of};
use crate::rows::FileRows;
use crate::source::{Layout, Origin};
use crate::text::{Record, Records};
use crate::texts::NULL;

/// What the header of a file says.
#[derive(Clone, Debug)]
pub(super) struct Sheet {
    header: Header,
    fields: Fields,
    slots: Vec<usize>,
    /// Places in the table of the columns that a row speaks for.
    places: Vec<usize>,
    /// Why no record can be read, from the start or since a line.
    pub(super) fatal: Option<String>,
}

impl Sheet {
    /// From the first record.
    pub(super) fn of(job: &Job<'_>, record: &Record<'_>) -> Self {
        let header = Header::of(record);
        let (fields, fatal) = job.fields(&header);
        let slots = active_slots(job, &fields);
        let places = slots
            .iter()
            .filter_map(|slot| job.source.spoken.get(*slot).copied())
            .collect();
        Self {
            header,
            fields,
            slots,
            places,
            fatal,
        }
    }

    pub(super) fn builder(&self, job: &Job<'_>) -> Builder {
        Builder::new(job.source.keys.len(), Layout::Wide, &self.places)
    }

    /// Rows that a text may hold: a record ends a line and has a delimiter for each column but one.
    pub(super) fn most_rows(&self, text: &str) -> usize {
        let n_lines = memchr::memchr_iter(b'\n', text.as_bytes()).count() + 1;
        n_lines.min(text.len() / self.header.n_fields().max(1) + 1)
    }

    pub(super) fn note_missing(&self, job: &Job<'_>, builder: &mut Builder) {
        note_missing(job, &self.header, &self.fields, builder);
    }
}

/// Reads every record of a file.
pub(crate) fn read<'t>(mut job: Job<'_>, mut records: Records<'t>) -> FileRows {
    let mut record = Record::default();
    if !records.read(&mut record) {
        let builder = Builder::new(job.source.keys.len(), Layout::Wide, &[]);
        return job.finish(builder);
    }
    let mut sheet = Sheet::of(&job, &record);
    let mut builder = sheet.builder(&job);
    sheet.note_missing(&job, &mut builder);
    read_records(&mut job, &mut sheet, &mut records, &mut builder);
    job.finish(builder)
}

/// Reads the records that are left.
pub(super) fn read_records<'t>(
    job: &mut Job<'_>,
    sheet: &mut Sheet,
    records: &mut Records<'t>,
    builder: &mut Builder,
) {
    let source = job.source;
    let Sheet {
        header,
        fields,
        slots,
        fatal,
        ..
    } = sheet;
    let mut record = Record::default();
    let mut key = Key::default();
    let mut row = vec![NULL; source.spoken.len()];
    while records.read(&mut record) {
        builder.counts.rows_in += 1;
        if let Some(why) = fatal {
            builder.reject_row(record.line, record.raw, why.clone());
            continue;
        }
        if record.fields.len() != header.n_fields() {
            let why = format!(
                "found {} fields, expected {}",
                record.fields.len(),
                header.n_fields()
            );
            builder.reject_row(record.line, record.raw, why);
            continue;
        }
        // Before the key: where the key is text alone, a header would pass for a row.
        if header.is_repeated(&record) {
            builder.reject_row(record.line, record.raw, "the header again".to_owned());
            continue;
        }
        if let Err(why) = job.read_key(&record, fields, None, &mut key) {
            let why = if header.is_other_header(&record, &source.keys)
                || header.is_other_header(&record, &source.values)
            {
                *fatal = Some(format!("the header changed at line {}", record.line));
                "another header: what follows cannot be told".to_owned()
            } else {
                why
            };
            builder.reject_row(record.line, record.raw, why);
            continue;
        }
        read_cells(job, &record, (fields, &key), builder, &mut row);
        builder.push_key(&key.cells, key.time, record.line, record.raw);
        builder.push_wide(&row, slots);
    }
}

/// Slots that some column of this file fills; a column the file lacks is not spoken for.
fn active_slots(job: &Job<'_>, fields: &Fields) -> Vec<usize> {
    let mut slots: Vec<usize> = job
        .source
        .values
        .iter()
        .zip(&fields.values)
        .filter(|(_, place)| !matches!(place, Place::Missing(_) | Place::Tag | Place::Signal))
        .flat_map(|(column, _)| column.slots.iter().copied())
        .collect();
    slots.sort_unstable();
    slots.dedup();
    slots
}

/// One reject entry, at the header's line, for each column the file lacks or has twice.
pub(super) fn note_missing(job: &Job<'_>, header: &Header, fields: &Fields, builder: &mut Builder) {
    for (column, place) in job.source.values.iter().zip(&fields.values) {
        if let Place::Missing(name) = place {
            let why = format!("the file has no column \"{name}\"");
            builder.notes.push(format!(
                "no column \"{name}\": \"{}\" is not read from this file",
                column.name
            ));
            builder.reject_cell(header.line, &column.name, &header.raw, why);
        }
    }
    for column in job.source.keys.iter().chain(&job.source.values) {
        let Origin::Header(names) = &column.origin else {
            continue;
        };
        if let Some(name) = names.iter().find(|name| header.n_named(name) > 1) {
            let n = header.n_named(name);
            let why = format!("the file has {n} columns \"{name}\": the first of them is read");
            builder
                .notes
                .push(format!("{why} into \"{}\"", column.name));
            builder.reject_cell(header.line, &column.name, &header.raw, why);
        }
    }
}

fn read_cells(
    job: &mut Job<'_>,
    record: &Record<'_>,
    (fields, key): (&Fields, &Key),
    builder: &mut Builder,
    row: &mut [u64],
) {
    row.fill(NULL);
    let place = job.place(key, None);
    let source = job.source;
    for (idx, (column, at)) in source.values.iter().zip(&fields.values).enumerate() {
        if matches!(at, Place::Missing(_)) {
            continue;
        }
        let raw = match at {
            Place::Fields(fields) if fields.len() == 1 => Cow::Borrowed(
                fields
                    .first()
                    .and_then(|at| record.fields.get(*at))
                    .map_or("", AsRef::as_ref),
            ),
            _ => text_of(record, at, column, None),
        };
        let unit = fields
            .units
            .get(idx)
            .copied()
            .flatten()
            .map(|at| record.get(at).unwrap_or(""));
        let cell = CellText { raw: &raw, unit };
        if let Err(why) = job.cells.read_value(idx, column, cell, &place, row) {
            let raw = raw.trim();
            builder.reject_cell(record.line, &column.name, raw, explain(column, raw, &why));
        }
    }
}
