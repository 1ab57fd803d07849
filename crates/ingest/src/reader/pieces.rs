//! A wide file read piece by piece: every piece gives rows that can be merged by themselves.
//!
//! What one piece must know of those before it is little and carried along: that the header
//! changed, and each unit's last row, which tells the passes of an hour that the clock showed twice;
//! where empty cells say what stands above them, what that is, and where the day is told elsewhere,
//! the midnights that each unit has passed.

use std::collections::{BTreeMap, VecDeque};

use super::FileHead;
use super::begin::{Begun, NextPiece};
use super::midnights::Midnights;
use super::wide::{Sheet, read_records};
use crate::rows::FileRows;
use crate::site::SiteContext;
use crate::source::Source;
use crate::stamps::{FoldRow, LocalTime, Seen, Settled};
use crate::text::{FillDown, Piece, Records, TextError};

/// A joined piece does not grow beyond this many bytes, whatever a repeated hour holds.
const MAX_JOINED: usize = 256 << 20;

/// Reads several pieces, on as many threads as the caller likes: the results in their order.
pub type ReadAll<'f> = &'f dyn Fn(&WideFile<'_>, &[Piece]) -> Vec<PieceRows>;

/// Pieces, and what they give where they hang on no other.
type Waiting = VecDeque<(Piece, Option<PieceRows>)>;

/// A wide file on its way through memory.
pub struct PieceReader<'a, 'r> {
    file: WideFile<'a>,
    next: NextPiece<'r>,
    /// The first piece, until it is read.
    first: Option<Piece>,
    before: Before,
}

impl std::fmt::Debug for PieceReader<'_, '_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("PieceReader")
            .field("file", &self.file)
            .finish_non_exhaustive()
    }
}

impl<'a, 'r> PieceReader<'a, 'r> {
    /// Reads as far as the header. `next` gives the pieces: [`Pieces::read`], here or ahead of here.
    ///
    /// # Errors
    /// Bytes that do not unpack.
    pub fn open(
        source: &'a Source,
        site: &'a SiteContext,
        file: FileHead<'a>,
        mut next: NextPiece<'r>,
    ) -> Result<Self, TextError> {
        let (begun, first) = Begun::open(source, site, file, &mut next, Sheet::open)?;
        Ok(Self {
            file: WideFile(begun),
            next,
            first: Some(first),
            before: Before::default(),
        })
    }

    /// The rows of the next pieces, about `n_pieces` of them; None after the last.
    ///
    /// # Errors
    /// Bytes that do not unpack.
    pub fn read(
        &mut self,
        n_pieces: usize,
        read_all: ReadAll<'_>,
    ) -> Result<Option<Vec<FileRows>>, TextError> {
        let mut group: Vec<Piece> = self.first.take().into_iter().collect();
        while group.len() < n_pieces {
            match (self.next)()? {
                Some(piece) => group.push(piece),
                None => break,
            }
        }
        if group.is_empty() {
            return Ok(None);
        }
        let mut left: Waiting = if self.file.0.source.hangs_on_order() {
            group.into_iter().map(|piece| (piece, None)).collect()
        } else {
            let read = read_all(&self.file, &group).into_iter().map(Some);
            group.into_iter().zip(read).collect()
        };
        let mut out = Vec::with_capacity(left.len());
        while let Some((piece, rows)) = left.pop_front() {
            let rows = match rows.filter(|rows| !rows.hangs_on(&self.before)) {
                Some(rows) => rows,
                None => self.read_with_neighbours(piece, &mut left)?,
            };
            self.before.go_on(rows.after);
            out.push(rows.rows);
        }
        Ok(Some(out))
    }

    /// Reads a piece that hangs on those around it, joined with as many as it takes.
    fn read_with_neighbours(
        &mut self,
        mut piece: Piece,
        left: &mut Waiting,
    ) -> Result<PieceRows, TextError> {
        let mut rows = self.file.read(&piece, &self.before);
        while rows.is_open && !piece.is_last && piece.n_bytes() < MAX_JOINED {
            let next = match left.pop_front() {
                Some((next, _)) => Some(next),
                None => (self.next)()?,
            };
            let Some(next) = next else { break };
            piece = piece.joined(&next);
            rows = self.file.read(&piece, &self.before);
        }
        Ok(rows)
    }
}

/// A wide file whose header was read.
#[derive(Debug)]
pub struct WideFile<'a>(Begun<'a, Sheet>);

/// What a piece must know of those before it.
#[derive(Clone, Debug, Default)]
struct Before {
    /// What the columns mean now, where a later header changed it.
    sheet: Option<Sheet>,
    /// Units and their last rows.
    last: BTreeMap<String, FoldRow>,
    /// What rows of a repeated hour became, by unit, microseconds and the rest of the key.
    settled: BTreeMap<(String, i64, u64), Settled>,
    /// What empty cells say.
    filled: Option<FillDown>,
    /// What the stamps of units without a day of their own have come through.
    midnights: BTreeMap<String, Midnights>,
}

impl Before {
    /// What stands after one more piece: a unit that is not in it keeps its last row.
    fn go_on(&mut self, after: Self) {
        self.sheet = after.sheet;
        self.last.extend(after.last);
        self.settled.extend(after.settled);
        self.filled = after.filled;
        self.midnights.extend(after.midnights);
    }
}

/// What one piece gives.
#[derive(Debug)]
pub struct PieceRows {
    /// Rows, rejects and counts of the piece alone.
    rows: FileRows,
    /// For the piece that follows.
    after: Before,
    is_doubtful: bool,
    /// What comes after the piece may change what was read: then it must be read again, joined with
    /// the next.
    is_open: bool,
}

impl PieceRows {
    /// Whether what came before the piece may change what was read: then it must be read again,
    /// with it.
    const fn hangs_on(&self, before: &Before) -> bool {
        self.is_doubtful || before.sheet.is_some()
    }
}

impl WideFile<'_> {
    /// Reads one piece as if it hung on no other.
    #[must_use]
    pub fn read_alone(&self, piece: &Piece) -> PieceRows {
        self.read(piece, &Before::default())
    }

    /// Reads one piece; `before` comes from the piece before it.
    fn read(&self, piece: &Piece, before: &Before) -> PieceRows {
        let Self(begun) = self;
        let mut job = begun.job(piece.traits);
        let Some(mut sheet) = begun.sheet.clone() else {
            return PieceRows {
                rows: begun.source.no_rows(begun.file),
                after: Before::default(),
                is_doubtful: false,
                is_open: false,
            };
        };
        let is_first = piece.first_line == 1;
        let (text, line) = begun.body(piece);
        let mut records = Records::at_line(text, begun.source.piece_dialect(piece.traits), line);
        if let Some(changed) = &before.sheet {
            sheet = changed.clone();
        }
        begun.lend_memos(&mut job);
        let mut builder = sheet.builder(&job);
        builder.reserve(sheet.most_rows(&piece.text));
        if is_first {
            sheet.note_missing(&job, &mut builder);
        }
        let known: Vec<FoldRow> = before
            .last
            .iter()
            .map(|(unit, row)| FoldRow {
                series: job.series_of(unit),
                ..*row
            })
            .collect();
        let seen: Seen = before
            .settled
            .iter()
            .map(|((unit, micros, rest), settled)| {
                ((job.series_of(unit), *micros, *rest), *settled)
            })
            .collect();
        builder.set_before(known, seen);
        job.set_midnights(&before.midnights);
        if !begun.source.fill_down.is_empty() {
            let of_head = || sheet.fill_down(&job);
            records.fill_down(before.filled.clone().unwrap_or_else(of_head));
        }
        read_records(&mut job, &mut sheet, &mut records, &mut builder);
        begun.keep_memos(&mut job);
        let last: BTreeMap<String, FoldRow> = builder
            .last_rows()
            .into_iter()
            .filter_map(|row| Some((job.unit_of(row.series)?.to_owned(), row)))
            .collect();
        let is_doubtful = builder.is_doubtful();
        let settled = builder
            .settled(job.stamp_key())
            .iter()
            .filter_map(|((series, micros, rest), settled)| {
                let unit = job.unit_of(*series)?.to_owned();
                Some(((unit, *micros, *rest), settled.in_piece_before()))
            })
            .collect();
        PieceRows {
            after: Before {
                sheet: sheet.differs().then_some(sheet),
                last: last.clone(),
                settled,
                filled: records.filled_down(),
                midnights: job.midnights(),
            },
            is_doubtful,
            is_open: is_doubtful
                && last
                    .values()
                    .any(|row| matches!(row.time, LocalTime::Twice(..))),
            rows: job.finish(builder),
        }
    }
}

#[cfg(test)]
mod tests;
