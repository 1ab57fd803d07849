//! A tall file larger than memory: its lines are brought into the order of time first, and read then.
//!
//! What becomes of a line hangs on the other lines of its unit and instant, which may stand anywhere:
//! many historians write one tag after the other. So each piece of the file is dealt out ([`TallFile::deal`]):
//! its lines are sorted by their instants, packed and put aside ([`TallSorter`]); then the lines of one
//! stretch of time after the other come back together ([`TallSlices`]) and are read as a file of their own.
//! What else hangs on the order of the file is which pass of a repeated hour a stamp belongs to: it is
//! found on the way ([`Series`]).

use std::collections::BTreeMap;
use std::io::{Read, Result, Seek, SeekFrom, Write};
use std::sync::Arc;

use super::FileHead;
use super::begin::{Begun, NextPiece};
use super::builder::{Builder, content_of};
use super::record::{Job, Key};
use super::series::{AllSeries, Series, ToldLines};
use super::tall::{BLOCK_RECORDS, Found, Lines, TallSheet, read_loose};
use crate::rows::FileRows;
use crate::site::SiteContext;
use crate::source::{Layout, Source};
use crate::stamps::{LocalTime, Told};
use crate::text::{Block, Loose, LooseRecord, Piece, Records, TextError, Traits, pack, unpack};

/// Text packed at a time, bytes. One such parcel of every run is in memory while lines come back.
const PARCEL_TEXT: usize = 32 << 10;
/// Text of which one instant is remembered, bytes: many runs may begin their parcels at one time.
const MARK_TEXT: usize = 4 << 10;

/// A tall file whose header was read.
#[derive(Debug)]
pub struct TallFile<'a>(Begun<'a, TallSheet>);

/// One piece, dealt out.
#[derive(Debug)]
pub struct Dealt {
    /// What is kept out, and counts.
    rows: FileRows,
    /// In the order of time.
    parcels: Vec<Parcel>,
    /// Lines of a repeated hour, in the order of the file.
    aside: Vec<Parcel>,
    series: AllSeries,
    traits: Traits,
    /// The line of another header in it.
    changed_at: Option<u64>,
}

/// Packed lines.
#[derive(Debug)]
struct Parcel {
    first_at: i64,
    /// Instants, and bytes of text from there on.
    marks: Vec<(i64, usize)>,
    bytes: Vec<u8>,
}

impl<'a> TallFile<'a> {
    /// Reads as far as the header; gives the first piece back, which is to be dealt first.
    ///
    /// # Errors
    /// Bytes that do not unpack.
    pub fn open(
        source: &'a Source,
        site: &'a SiteContext,
        file: FileHead<'a>,
        next: &mut NextPiece<'_>,
    ) -> std::result::Result<(Self, Piece), TextError> {
        let (begun, first) = Begun::open(source, site, file, next, TallSheet::open)?;
        Ok((Self(begun), first))
    }

    fn builder(&self) -> Builder {
        Builder::new(self.0.source.keys.len(), Layout::Tall, &[])
    }

    /// Deals out one piece, whatever the others hold.
    ///
    /// # Errors
    /// Lines that do not pack.
    pub fn deal(&self, piece: &Piece) -> Result<Dealt> {
        let Self(begun) = self;
        let mut job = begun.job(piece.traits);
        let mut builder = self.builder();
        let mut dealt = Hand::default();
        let (text, line) = begun.body(piece);
        if let Some(sheet) = &begun.sheet {
            if piece.first_line == 1 {
                sheet.note_missing(&job, &mut builder);
            }
            let dialect = begun.source.dialect(piece.traits);
            let mut records = Records::at_line(text, dialect, line);
            dealt.deal((&mut job, sheet), &mut records, &mut builder);
        }
        dealt.lines.sort_by_key(|line| line.at);
        Ok(Dealt {
            parcels: to_parcels(text, &dealt.lines)?,
            aside: to_parcels(text, &dealt.doubtful)?,
            series: dealt.series,
            traits: piece.traits,
            changed_at: dealt.changed_at,
            rows: job.finish(builder),
        })
    }

    /// Reads the lines of one stretch of time.
    #[must_use]
    pub fn read(&self, slice: &TallSlice) -> FileRows {
        let Self(begun) = self;
        let mut job = begun.job(slice.traits);
        let mut builder = self.builder();
        builder.set_told(Arc::clone(&slice.told));
        begun.lend_memos(&mut job);
        if let Some(sheet) = &begun.sheet {
            let sheet = (sheet, slice.changed_at);
            read_loose(&mut job, sheet, &slice.lines, &mut builder);
        }
        begun.keep_memos(&mut job);
        job.finish(builder)
    }
}

/// The lines of one piece, by what is known of their instants.
#[derive(Default)]
struct Hand {
    lines: Vec<LooseRecord>,
    doubtful: Vec<LooseRecord>,
    series: AllSeries,
    changed_at: Option<u64>,
}

impl Hand {
    fn deal(
        &mut self,
        (job, sheet): (&mut Job<'_>, &TallSheet),
        records: &mut Records<'_>,
        builder: &mut Builder,
    ) {
        let mut lines = Lines::new(job.source, sheet);
        let mut series: BTreeMap<u64, Series> = BTreeMap::new();
        let mut block = Block::default();
        let mut key = Key::default();
        while records.read(&mut block, BLOCK_RECORDS) {
            for record in block.records() {
                match lines.find(job, record, &mut key) {
                    Found::Ignored => builder.counts.rows_ignored += 1,
                    Found::Rejected(why) => {
                        builder.counts.rows_in += 1;
                        builder.reject_row(record.line(), record.raw(), why);
                    }
                    Found::Line(..) => {
                        let line = LooseRecord {
                            at: key.at.map_or(0, |at| at.micros()),
                            line: record.line(),
                            span: record.span(),
                        };
                        let mut is_doubtful = false;
                        if let Some(mut row) = key.time {
                            is_doubtful = matches!(row.time, LocalTime::Twice(..));
                            if is_doubtful {
                                row.content = content_of(record.raw());
                            }
                            series.entry(row.series).or_default().push(row, line.line);
                        }
                        if is_doubtful {
                            self.doubtful.push(line);
                        } else {
                            self.lines.push(line);
                        }
                    }
                }
            }
        }
        self.changed_at = lines.changed_at;
        let tags = lines.tag_texts();
        for (id, rows) in series {
            let unit = job
                .unit_of(id & !u64::from(u32::MAX))
                .unwrap_or("")
                .to_owned();
            let tag = tags.get(&(id & u64::from(u32::MAX))).copied().unwrap_or("");
            self.series.insert((unit, tag.to_owned()), rows);
        }
    }
}

fn to_parcels(text: &str, records: &[LooseRecord]) -> Result<Vec<Parcel>> {
    let mut parcels = Vec::new();
    let mut start = 0;
    while let Some(first) = records.get(start) {
        let (mut end, mut n_text) = (start, 0);
        let mut marks: Vec<(i64, usize)> = Vec::new();
        while let Some(record) = records.get(end).filter(|_| n_text < PARCEL_TEXT) {
            let length = record.span.1 - record.span.0;
            match marks.last_mut().filter(|(_, n_text)| *n_text < MARK_TEXT) {
                Some((_, n_text)) => *n_text += length,
                None => marks.push((record.at, length)),
            }
            n_text += length;
            end += 1;
        }
        parcels.push(Parcel {
            first_at: first.at,
            marks,
            bytes: pack(text, records.get(start..end).unwrap_or(&[]))?,
        });
        start = end;
    }
    Ok(parcels)
}

/// A parcel that was put aside.
#[derive(Clone, Copy, Debug)]
struct Laid {
    first_at: i64,
    place: u64,
    n_bytes: usize,
}

/// Puts the lines of a tall file aside as they are dealt, in the order of its pieces.
#[derive(Debug)]
pub struct TallSorter<S> {
    scratch: S,
    n_bytes: u64,
    /// Each in the order of time.
    runs: Vec<Vec<Laid>>,
    marks: Vec<(i64, usize)>,
    aside: Vec<Laid>,
    series: AllSeries,
    traits: Traits,
    changed_at: Option<u64>,
}

impl<S: Read + Write + Seek> TallSorter<S> {
    /// `scratch` is empty, and of no use to anybody else afterwards.
    pub fn new(scratch: S) -> Self {
        Self {
            scratch,
            n_bytes: 0,
            runs: Vec::new(),
            marks: Vec::new(),
            aside: Vec::new(),
            series: AllSeries::new(),
            traits: Traits::default(),
            changed_at: None,
        }
    }

    /// Takes the next piece, and gives what of it needs no other line: rejects, counts and notes.
    ///
    /// # Errors
    /// What the scratch fails with.
    pub fn take(&mut self, dealt: Dealt) -> Result<FileRows> {
        self.lay_run(&dealt.parcels)?;
        let aside = self.lay(&dealt.aside)?;
        self.aside.extend(aside);
        // What stands below another header tells nothing of its neighbours either.
        if self.changed_at.is_none() {
            for (name, rows) in dealt.series {
                self.series.entry(name).or_default().append(rows);
            }
        }
        self.changed_at = self.changed_at.or(dealt.changed_at);
        let was_malformed = self.traits.malformed;
        self.traits = dealt.traits;
        self.traits.malformed |= was_malformed;
        Ok(dealt.rows)
    }

    fn lay_run(&mut self, parcels: &[Parcel]) -> Result<()> {
        let run = self.lay(parcels)?;
        self.runs.push(run);
        self.marks
            .extend(parcels.iter().flat_map(|parcel| &parcel.marks));
        Ok(())
    }

    fn lay(&mut self, parcels: &[Parcel]) -> Result<Vec<Laid>> {
        let mut laid = Vec::with_capacity(parcels.len());
        for parcel in parcels {
            self.scratch.write_all(&parcel.bytes)?;
            laid.push(Laid {
                first_at: parcel.first_at,
                place: self.n_bytes,
                n_bytes: parcel.bytes.len(),
            });
            self.n_bytes += parcel.bytes.len() as u64;
        }
        Ok(laid)
    }

    /// After the last piece: the lines in the order of time, about `aim` bytes of text in a slice.
    ///
    /// # Errors
    /// What the scratch fails with.
    pub fn finish(mut self, aim: usize) -> Result<TallSlices<S>> {
        let told = ToldLines::of(&std::mem::take(&mut self.series));
        let mut loose = Loose::default();
        for laid in std::mem::take(&mut self.aside) {
            let lines = load(&mut self.scratch, laid)?;
            // `load` has moved on; what is written next goes to the end.
            self.scratch.seek(SeekFrom::End(0))?;
            for mut record in lines.records {
                if let Told::At(at) = told.of_line(record.line) {
                    record.at = at.micros();
                }
                loose.push(&lines.text, record);
            }
            if loose.text.len() >= aim {
                self.lay_settled(&mut loose)?;
            }
        }
        self.lay_settled(&mut loose)?;
        Ok(TallSlices {
            ends: slice_ends(self.marks, aim).into_iter(),
            cursors: self.runs.into_iter().map(Cursor::new).collect(),
            scratch: self.scratch,
            told: Arc::new(told),
            traits: self.traits,
            changed_at: self.changed_at,
            is_ended: false,
        })
    }

    /// Puts lines whose pass is known to the others.
    fn lay_settled(&mut self, loose: &mut Loose) -> Result<()> {
        loose.sort();
        let parcels = to_parcels(&loose.text, &loose.records)?;
        *loose = Loose::default();
        self.lay_run(&parcels)
    }
}

/// Instants before which the slices end, so that each holds about `aim` bytes.
fn slice_ends(mut all: Vec<(i64, usize)>, aim: usize) -> Vec<i64> {
    all.sort_unstable();
    let mut ends = Vec::new();
    let (mut n_text, mut last) = (0, all.first().map(|(at, _)| *at));
    for (at, n_more) in all {
        if n_text >= aim && Some(at) > last {
            ends.push(at);
            n_text = 0;
            last = Some(at);
        }
        n_text += n_more;
    }
    ends
}

fn load<S: Read + Seek>(scratch: &mut S, laid: Laid) -> Result<Loose> {
    scratch.seek(SeekFrom::Start(laid.place))?;
    let mut bytes = vec![0; laid.n_bytes];
    scratch.read_exact(&mut bytes)?;
    unpack(&bytes)
}

/// How far a run was taken.
#[derive(Debug)]
struct Cursor {
    left: std::vec::IntoIter<Laid>,
    /// The parcel that was begun, and the record of it that comes next.
    begun: Option<(Loose, usize)>,
}

impl Cursor {
    fn new(run: Vec<Laid>) -> Self {
        Self {
            left: run.into_iter(),
            begun: None,
        }
    }

    /// Takes the lines before an instant; all that are left where there is none.
    fn take<S: Read + Seek>(
        &mut self,
        end: Option<i64>,
        scratch: &mut S,
        out: &mut Loose,
    ) -> Result<()> {
        let is_before = |at: i64| end.is_none_or(|end| at < end);
        loop {
            let (parcel, from) = match self.begun.take() {
                Some(begun) => begun,
                None => match self.left.as_slice().first() {
                    Some(next) if is_before(next.first_at) => {
                        let parcel = load(scratch, *next)?;
                        self.left.next();
                        (parcel, 0)
                    }
                    _ => return Ok(()),
                },
            };
            let rest = parcel.records.get(from..).unwrap_or(&[]);
            let n_taken = rest.partition_point(|record| is_before(record.at));
            for record in rest.iter().take(n_taken) {
                out.push(&parcel.text, *record);
            }
            if n_taken < rest.len() {
                self.begun = Some((parcel, from + n_taken));
                return Ok(());
            }
        }
    }
}

/// The lines of a tall file in the order of time.
#[derive(Debug)]
pub struct TallSlices<S> {
    scratch: S,
    cursors: Vec<Cursor>,
    ends: std::vec::IntoIter<i64>,
    told: Arc<ToldLines>,
    traits: Traits,
    changed_at: Option<u64>,
    is_ended: bool,
}

/// All lines of a stretch of time.
#[derive(Debug)]
pub struct TallSlice {
    lines: Loose,
    told: Arc<ToldLines>,
    traits: Traits,
    changed_at: Option<u64>,
}

impl<S: Read + Seek> TallSlices<S> {
    /// The next stretch of time; None after the last.
    ///
    /// # Errors
    /// What the scratch fails with.
    pub fn read(&mut self) -> Result<Option<TallSlice>> {
        if self.is_ended {
            return Ok(None);
        }
        let end = self.ends.next();
        self.is_ended = end.is_none();
        let mut lines = Loose::default();
        for cursor in &mut self.cursors {
            cursor.take(end, &mut self.scratch, &mut lines)?;
        }
        lines.sort();
        Ok(Some(TallSlice {
            lines,
            told: Arc::clone(&self.told),
            traits: self.traits,
            changed_at: self.changed_at,
        }))
    }
}
