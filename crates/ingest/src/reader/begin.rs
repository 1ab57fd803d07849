//! A file that is read in pieces, once what stands before its records was read.

use std::sync::{Mutex, MutexGuard, PoisonError};

use super::FileHead;
use super::memo::Memos;
use super::record::Job;
use crate::site::SiteContext;
use crate::source::{Layout, Source};
use crate::text::{Piece, Records, TextError, Traits};

/// Gives the pieces of a file in their order; None after the last.
pub type NextPiece<'r> = Box<dyn FnMut() -> Result<Option<Piece>, TextError> + Send + 'r>;

/// A file whose header was read into a sheet.
#[derive(Debug)]
pub(super) struct Begun<'a, S> {
    pub(super) source: &'a Source,
    pub(super) file: FileHead<'a>,
    site: &'a SiteContext,
    /// None for a file without any record.
    pub(super) sheet: Option<S>,
    /// Bytes and line of the first piece after the header.
    body: (usize, u64),
    /// What stands before the header.
    preamble: String,
    /// What readers of earlier pieces learnt, for those of later ones.
    memos: Mutex<Vec<Memos>>,
}

impl<'a, S> Begun<'a, S> {
    /// Reads as far as the header; gives the first piece back, grown to hold it.
    ///
    /// # Errors
    /// Bytes that do not unpack.
    pub(super) fn open(
        source: &'a Source,
        site: &'a SiteContext,
        file: FileHead<'a>,
        next: &mut NextPiece<'_>,
        header: fn(&Job<'_>, &mut Records<'_>) -> Option<S>,
    ) -> Result<(Self, Piece), TextError> {
        let mut first = next()?.unwrap_or_default();
        loop {
            if let Some(begun) = Self::of_first(source, site, file, &first, header) {
                return Ok((begun, first));
            }
            match next()? {
                Some(more) => first = first.joined(&more),
                None => first.is_last = true,
            }
        }
    }

    /// None where the piece is too short to hold the header.
    fn of_first(
        source: &'a Source,
        site: &'a SiteContext,
        file: FileHead<'a>,
        first: &Piece,
        header: fn(&Job<'_>, &mut Records<'_>) -> Option<S>,
    ) -> Option<Self> {
        // The names of objects stand before the first line.
        let line = u64::from(source.layout != Layout::Json);
        let mut records = Records::at_line(&first.text, source.piece_dialect(first.traits), line);
        records.skip_lines(source.n_skipped_of(&first.text, first.is_last)?);
        let preamble = first.text.get(..records.position()).unwrap_or("");
        let mut begun = Self {
            source,
            file,
            site,
            sheet: None,
            body: (0, 0),
            preamble: preamble.to_owned(),
            memos: Mutex::default(),
        };
        begun.sheet = header(&begun.job(first.traits), &mut records);
        if begun.sheet.is_none() && !first.is_last {
            return None;
        }
        begun.body = (records.position(), records.line());
        Some(begun)
    }

    pub(super) fn job(&self, traits: Traits) -> Job<'a> {
        let mut job = Job::new(self.source, self.file, self.site, traits);
        job.read_preamble(&self.preamble);
        job
    }

    /// The records of a piece, and the line they begin at.
    pub(super) fn body<'t>(&self, piece: &'t Piece) -> (&'t str, u64) {
        if piece.first_line == 1 {
            let (bytes, line) = self.body;
            (piece.text.get(bytes..).unwrap_or(""), line)
        } else {
            (&piece.text, piece.first_line)
        }
    }

    /// Lends what an earlier reader learnt.
    pub(super) fn lend_memos(&self, job: &mut Job<'_>) {
        if let Some(memos) = self.memos().pop() {
            job.cells.set_memos(memos);
        }
    }

    /// Keeps what a reader learnt for later ones.
    pub(super) fn keep_memos(&self, job: &mut Job<'_>) {
        self.memos().push(job.cells.take_memos());
    }

    fn memos(&self) -> MutexGuard<'_, Vec<Memos>> {
        self.memos.lock().unwrap_or_else(PoisonError::into_inner)
    }
}
