//! Wide files: a record is a row, a column is a quantity.

mod names;

use super::builder::Builder;
use super::cell::Place as Site;
use super::down::{Down, Grid, Row};
use super::header::{Header, Place};
use super::named_units::contradicted_units;
use super::reason::explain;
use super::record::{Fields, Job, Key};
use crate::rows::FileRows;
use crate::source::{Layout, Origin};
use crate::text::{Block, FillDown, Record, Records, why_no_object};
use crate::texts::NULL;

/// Records taken at a time: with their fields and cells they fit into a core's own cache.
const BLOCK_RECORDS: usize = 256;
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
    /// Why no record of the file can be read.
    fatal: Option<String>,
    /// Why none can be read since another header, until this one comes again.
    lost: Option<String>,
    /// Lines of the header that were just seen again, where it has more.
    n_seen: usize,
    /// The lines before the header stand here again, and tell something else.
    is_told_anew: bool,
    /// It is no longer what the head of the file said.
    is_changed: bool,
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
            lost: None,
            n_seen: 0,
            is_told_anew: false,
            is_changed: false,
        }
    }

    /// Whether records are no longer read as the head of the file said.
    pub(super) const fn differs(&self) -> bool {
        self.is_changed || self.lost.is_some() || self.n_seen > 0 || self.is_told_anew
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
    while records.read(&mut block, BLOCK_RECORDS) {
        let mut n_before = builder.lines.len();
        let mut rows = Vec::with_capacity(block.n_records());
        let mut places = Vec::with_capacity(block.n_records());
        for (at, record) in block.records().enumerate() {
            builder.counts.rows_in += 1;
            let found = sheet.read_key(job, record, &mut key);
            if matches!(found, Err(NoRow::Rejected(_))) && job.source.ignores(record.raw()) {
                builder.counts.rows_in -= 1;
                builder.counts.rows_ignored += 1;
                continue;
            }
            match &found {
                Ok(()) => sheet.is_told_anew = false,
                Err(_) => sheet.is_told_anew |= job.is_told_anew(record.raw()),
            }
            match found {
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
                    if job.source.layout == Layout::Json && !sheet.header.is_object(record) =>
                {
                    let raw = record.get(0).unwrap_or("");
                    builder.reject_row(record.line(), raw, why_no_object(raw));
                }
                Err(NoRow::Rejected(why)) if job.source.layout == Layout::Json => {
                    builder.reject_row(record.line(), &sheet.header.object_of(record), why);
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
        if self.lost.is_none() && !self.header.fits(record) {
            let (found, expected) = (record.n_fields(), self.header.n_fields());
            let mut why = format!("found {found} fields, expected {expected}");
            if record.raw().contains('\r') {
                why.push_str(": carriage returns stand in it, which end no line in a file that has line feeds");
            }
            return Err(self.unread(job, record, why));
        }
        // Before the key: where the key is text alone, a header would pass for a row.
        let n_seen = std::mem::take(&mut self.n_seen);
        if self.header.has_more_below(record) {
            let why = "a value stands behind the last column that has a name: a delimiter inside a cell moves all behind it (`header` names the columns if it is none)";
            return Err(NoRow::Rejected(why.to_owned()));
        }
        if let Some(line) = self.header.repeated_line(record, n_seen) {
            let is_whole = line + 1 == self.header.n_lines();
            if !is_whole {
                self.n_seen = line + 1;
            } else if line == n_seen {
                self.lost = None;
            }
            if self.is_told_anew {
                self.fatal = Some(format!(
                    "at line {} the header comes again, and what stands before it tells something else than at the file's head: cut the file in two there",
                    record.line()
                ));
                self.is_changed = true;
            }
            return Err(NoRow::Rejected("the header again".to_owned()));
        }
        if let Some(why) = &self.lost {
            return Err(self.unread(job, record, why.clone()));
        }
        if job.stamp_key().is_none() {
            if job.source.ignores(record.raw()) {
                return Err(NoRow::Rejected("a line that is not wanted".to_owned()));
            }
            if self.is_header(job.source, record) {
                let why = "a name of the header stands where the key should".to_owned();
                return Err(self.unread(job, record, why));
            }
        }
        job.read_key(record, &self.fields, None, key)
            .map_err(
                |why| match n_seen > 0 && n_seen + 1 == self.header.n_lines() {
                    // The names came again, and something else below them.
                    true => self.headed_anew(job, record, self.header.with_last_line(record)),
                    false => self.unread(job, record, why),
                },
            )?;
        if job.source.table.name == SAMPLES
            && let Some(why) = self.no_sample(job, record)
        {
            return Err(NoRow::Rejected(why.to_owned()));
        }
        Ok(())
    }

    /// Why a record of a list of samples is none: a count or a mean below the list looks like one. Every
    /// cell is empty that a value could come from, or those of the time and of all places.
    fn no_sample(&self, job: &Job<'_>, record: Record<'_>) -> Option<&'static str> {
        let is_empty = |at: usize| record.get(at).is_none_or(str::is_empty);
        let values = job.source.values.iter().zip(&self.fields.values);
        let (mut has_time, mut has_place) = (false, false);
        let (mut is_alone, mut is_nowhere) = (true, true);
        for (column, place) in values {
            let has_none = place.fields().all(is_empty);
            let is_told = place.fields().next().is_some();
            let is_time = column.name == TAKEN_AT;
            let is_place = matches!(column.name.as_str(), RESERVOIR_ID | UNIT_ID);
            has_time |= is_time && is_told;
            has_place |= is_place && is_told;
            is_alone &= has_none;
            // A place that stands for all samples of the source is one.
            is_nowhere &= !(is_time || is_place) || is_told && has_none;
        }
        if has_time && is_alone {
            return Some("nothing stands in it but the sample's key: no time, no place, no result");
        }
        (has_time && has_place && is_nowhere)
            .then_some("neither a time nor a place stands in it: a line below the list, or a sample that tells of nothing")
    }

    /// What becomes of a record that is no row of this header: it may be another one. If it fills the
    /// same columns of the table, the records behind it are read by it.
    fn unread(&mut self, job: &Job<'_>, record: Record<'_>, why: String) -> NoRow {
        let source = job.source;
        // Where the source names the columns itself, what the file calls them is not looked at.
        if source.header.is_some() || !self.is_header(source, record) {
            return NoRow::Rejected(why);
        }
        self.headed_anew(job, record, Header::of(record))
    }

    /// What becomes of the record that ends another header.
    fn headed_anew(&mut self, job: &Job<'_>, record: Record<'_>, header: Header) -> NoRow {
        let next = Self {
            is_changed: true,
            ..Self::of(job, header)
        };
        // Cells are filled from those above by the places that the first header gave.
        let fills_alike = self.header.has_at_same(&next.header, &job.source.fill_down);
        if next.fatal.is_none() && next.places == self.places && fills_alike {
            return NoRow::Header(Box::new(next));
        }
        // The further lines of a header that could not be told are no news.
        if let Some(why) = &self.lost {
            return NoRow::Rejected(why.clone());
        }
        let missing = |fields: &Fields| -> Vec<String> {
            let places = fields.keys.iter().chain(&fields.values);
            let name = |place: &Place| match place {
                Place::Missing(name) => Some(format!("\"{name}\"")),
                _ => None,
            };
            places.filter_map(name).collect()
        };
        let known = missing(&self.fields);
        let mut gone = missing(&next.fields);
        gone.retain(|name| !known.contains(name));
        let mut why = format!("the header changed at line {}", record.line());
        // One line of a header of several names no column whole.
        let is_whole = next.header.n_lines() == self.header.n_lines();
        if is_whole && !gone.is_empty() {
            why.push_str(&format!(" and has no column {}", gone.join(", ")));
        }
        self.lost = Some(why);
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
    builder.notes.extend(contradicted_units(job.source, header));
    // The names of objects stand before the first line.
    let line = header.line.max(1);
    for (column, place) in job.source.values.iter().zip(&fields.values) {
        if let Place::Missing(name) = place {
            let why = format!("the file has no column \"{name}\"");
            builder.notes.push(format!(
                "no column \"{name}\": \"{}\" is not read from this file",
                column.name
            ));
            builder.reject_cell(line, &column.name, &header.raw, why);
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
            builder.reject_cell(line, &column.name, &header.raw, why);
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
            unit: fields.units.get(idx).and_then(Option::as_ref),
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
