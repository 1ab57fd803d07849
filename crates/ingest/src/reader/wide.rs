//! Wide files: a record is a row, a column is a quantity.

use super::builder::Builder;
use super::cell::Place as Site;
use super::down::{Down, Grid, Row};
use super::header::{Header, Place};
use super::plain::PlainFields;
use super::record::{Fields, Job, Key, explain};
use crate::rows::FileRows;
use crate::source::{Layout, Origin};
use crate::text::{Block, FillDown, Record, Records, why_no_object};
use crate::texts::NULL;

/// Records taken at a time: with their fields and cells they fit into a core's own cache. Few in
/// tests, whose short files are to have blocks behind the first, where texts are known.
const BLOCK_RECORDS: usize = if cfg!(test) { 3 } else { 256 };
/// The table of logs, and the columns of its rows that say whose they are and where.
const READINGS: &str = "readings";
const UNIT_ID: &str = "unit_id";
const RESERVOIR_ID: &str = "reservoir_id";
/// The table whose rows say nothing by their key alone.
const SAMPLES: &str = "samples";
/// Its time.
const TAKEN_AT: &str = "taken_at";

/// What the header of a file says.
#[derive(Clone, Debug)]
pub(super) struct Sheet {
    header: Header,
    fields: Fields,
    /// Places in the table of the columns that a row speaks for.
    places: Vec<usize>,
    /// By slot of the source: which of those columns it fills.
    of_slot: Vec<Option<usize>>,
    /// Why no record can be read, from the start or since a line.
    fatal: Option<String>,
    /// It is no longer what the head of the file said.
    pub(super) is_changed: bool,
}

/// Why a record gives no row.
enum NoRow {
    Rejected(String),
    /// It names the columns anew.
    Header(Box<Sheet>),
}

impl Sheet {
    /// From the first record, which is taken, or as the source says; None where there is none.
    pub(super) fn open(job: &Job<'_>, records: &mut Records<'_>) -> Option<Self> {
        if let Some(names) = &job.source.header {
            let header = Header::named(names, records.line());
            let has_record = records.clone().read(&mut Block::default(), 1);
            return has_record.then(|| Self::of(job, header));
        }
        Header::open(records, job.source.header_lines).map(|header| Self::of(job, header))
    }

    fn of(job: &Job<'_>, header: Header) -> Self {
        let (fields, fatal) = job.fields(&header);
        let slots = active_slots(job, &fields);
        let places = slots
            .iter()
            .filter_map(|slot| job.source.spoken.get(*slot).copied())
            .collect();
        let of_slot = (0..job.source.spoken.len())
            .map(|slot| slots.binary_search(&slot).ok())
            .collect();
        Self {
            header,
            fields,
            places,
            of_slot,
            fatal,
            is_changed: false,
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

    /// What the empty cells of the source's columns are filled by: in a log what a unit reads goes on from
    /// its own rows alone, where it stands and when from any.
    pub(super) fn fill_down(&self, job: &Job<'_>) -> FillDown {
        let source = job.source;
        let places = self.fields.values.iter().zip(&source.values);
        let places = places.filter(|(_, column)| column.name == RESERVOIR_ID);
        let told_for_all: Vec<usize> = places
            .map(|(place, _)| place)
            .chain(&self.fields.keys)
            .flat_map(Place::fields)
            .collect();
        let is_log = source.table.name == READINGS;
        let is_own = |field: usize| is_log && !told_for_all.contains(&field);
        let unit = source.keys.iter().zip(&self.fields.keys);
        let unit = unit.filter(|(column, _)| column.name == UNIT_ID);
        let unit = unit.flat_map(|(_, place)| place.fields()).collect();
        self.header.fill_down(&source.fill_down, unit, &is_own)
    }

    pub(super) fn note_missing(&self, job: &Job<'_>, builder: &mut Builder) {
        note_missing(job, &self.header, &self.fields, builder);
    }
}

/// Reads every record of a file.
pub(crate) fn read<'t>(mut job: Job<'_>, mut records: Records<'t>) -> FileRows {
    let Some(mut sheet) = Sheet::open(&job, &mut records) else {
        let builder = Builder::new(job.source.keys.len(), Layout::Wide, &[]);
        return job.finish(builder);
    };
    let mut builder = sheet.builder(&job);
    sheet.note_missing(&job, &mut builder);
    if !job.source.fill_down.is_empty() {
        records.fill_down(sheet.fill_down(&job));
    }
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
    let mut block = Block::default();
    let mut key = Key::default();
    let mut row = vec![NULL; job.source.spoken.len()];
    let mut plain = Vec::with_capacity(BLOCK_RECORDS);
    while records.read(&mut block, BLOCK_RECORDS) {
        if let Some(at) = sheet.plain_fields(job)
            && job
                .read_plain_keys(&block, &sheet.header, &at, &mut plain)
                .is_some()
        {
            let n_before = builder.lines.len();
            let (rows, places) = job.push_plain_keys(&block, &at, &plain, builder);
            let rows = BlockRows {
                block: &block,
                rows: &rows,
                places: &places,
                n_before,
            };
            read_cells(job, sheet, &rows, builder, &mut row);
            continue;
        }
        let mut n_before = builder.lines.len();
        let mut rows = Vec::with_capacity(block.n_records());
        let mut places = Vec::with_capacity(block.n_records());
        for (at, record) in block.records().enumerate() {
            builder.counts.rows_in += 1;
            match sheet.read_key(job, record, &mut key) {
                Ok(()) => {
                    builder.push_key(&key.cells, key.time, record.line(), record.raw());
                    rows.push(Row {
                        record: at,
                        first_field: record.first_field(),
                    });
                    places.push(job.place(&key, None));
                }
                // Such a line was quoted whole, to pass as one field.
                Err(NoRow::Rejected(_))
                    if job.source.layout == Layout::Json && !sheet.header.fits(record) =>
                {
                    let raw = record.get(0).unwrap_or("");
                    builder.reject_row(record.line(), raw, why_no_object(raw));
                }
                Err(NoRow::Rejected(why)) => builder.reject_row(record.line(), record.raw(), why),
                Err(NoRow::Header(next)) => {
                    let why = "another header: the columns that follow stand as it says";
                    builder.reject_row(record.line(), record.raw(), why);
                    let before = BlockRows {
                        block: &block,
                        rows: &rows,
                        places: &places,
                        n_before,
                    };
                    read_cells(job, sheet, &before, builder, &mut row);
                    rows.clear();
                    places.clear();
                    n_before = builder.lines.len();
                    *sheet = *next;
                }
            }
        }
        let rows = BlockRows {
            block: &block,
            rows: &rows,
            places: &places,
            n_before,
        };
        read_cells(job, sheet, &rows, builder, &mut row);
    }
}

impl Sheet {
    /// Where the keys stand, if a record that has one is a row.
    fn plain_fields<'a>(&self, job: &Job<'a>) -> Option<PlainFields<'a>> {
        let may_be = self.fatal.is_none() && job.source.table.name != SAMPLES;
        may_be.then(|| job.plain_fields(&self.fields)).flatten()
    }

    /// Reads the key of a record.
    fn read_key(
        &mut self,
        job: &mut Job<'_>,
        record: Record<'_>,
        key: &mut Key,
    ) -> Result<(), NoRow> {
        if let Some(why) = &self.fatal {
            return Err(NoRow::Rejected(why.clone()));
        }
        if !self.header.fits(record) {
            let (found, expected) = (record.n_fields(), self.header.n_fields());
            let why = format!("found {found} fields, expected {expected}");
            return Err(self.unread(job, record, why));
        }
        // Before the key: where the key is text alone, a header would pass for a row.
        if self.header.is_repeated(record) {
            return Err(NoRow::Rejected("the header again".to_owned()));
        }
        job.read_key(record, &self.fields, None, key)
            .map_err(|why| self.unread(job, record, why))?;
        if job.source.table.name == SAMPLES && self.has_key_alone(job, record) {
            let why = "nothing stands in it but the sample's key: no time, no place, no result";
            return Err(NoRow::Rejected(why.to_owned()));
        }
        Ok(())
    }

    /// Whether every cell is empty that a value could come from, the time among them: a count below a
    /// list looks so, and would be stored as a sample of nothing.
    fn has_key_alone(&self, job: &Job<'_>, record: Record<'_>) -> bool {
        let is_empty = |at: usize| record.get(at).is_none_or(str::is_empty);
        let values = job.source.values.iter().zip(&self.fields.values);
        let mut has_time = false;
        for (column, place) in values {
            has_time |= column.name == TAKEN_AT && place.fields().next().is_some();
            if !place.fields().all(is_empty) {
                return false;
            }
        }
        has_time
    }

    /// What becomes of a record that is no row of this header: it may be another one. If it fills the
    /// same columns of the table, the records behind it are read by it.
    fn unread(&mut self, job: &Job<'_>, record: Record<'_>, why: String) -> NoRow {
        let source = job.source;
        // Where the source names the columns itself, what the file calls them is not looked at.
        if source.header.is_some()
            || !self.header.is_other_header(record, &source.keys)
                && !self.header.is_other_header(record, &source.values)
        {
            return NoRow::Rejected(why);
        }
        let next = Self {
            is_changed: true,
            ..Self::of(job, Header::of(record))
        };
        // Cells are filled from those above by the places that the first header gave.
        let fills_alike = self.header.has_at_same(&next.header, &source.fill_down);
        if next.fatal.is_none() && next.places == self.places && fills_alike {
            return NoRow::Header(Box::new(next));
        }
        self.fatal = Some(format!("the header changed at line {}", record.line()));
        self.is_changed = true;
        NoRow::Rejected("another header: what follows cannot be told".to_owned())
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
    let n_sheets = job.cells.traits.n_unread_sheets;
    if n_sheets > 0 {
        builder.notes.push(format!(
            "the first sheet is read, and {n_sheets} more of the workbook not: `sheet` names the one to read"
        ));
    }
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

/// The rows of a block that have a key.
struct BlockRows<'b> {
    block: &'b Block<'b>,
    rows: &'b [Row],
    places: &'b [Site<'b>],
    /// Rows before them.
    n_before: usize,
}

fn read_cells(
    job: &mut Job<'_>,
    sheet: &Sheet,
    rows: &BlockRows<'_>,
    builder: &mut Builder,
    row: &mut [u64],
) {
    let source = job.source;
    let fields = &sheet.fields;
    for (idx, (column, at)) in source.values.iter().zip(&fields.values).enumerate() {
        if matches!(at, Place::Missing(_)) {
            continue;
        }
        let down = Down {
            block: rows.block,
            rows: rows.rows,
            places: rows.places,
            at,
            unit: fields.units.get(idx).copied().flatten(),
        };
        let mut grid = Grid {
            columns: builder.wide_columns(),
            of_slot: &sheet.of_slot,
            n_before: rows.n_before,
        };
        for refused in job.cells.read_down(idx, column, &down, &mut grid, row) {
            let record = rows
                .rows
                .get(refused.row)
                .and_then(|row| rows.block.record(row.record));
            let Some(record) = record else { continue };
            let raw = refused.raw.trim();
            let why = explain(column, raw, &refused.why);
            builder.reject_cell(record.line(), &column.name, raw, why);
        }
    }
}
