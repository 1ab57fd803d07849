//! Files read without a store to put them in: what `check` shows.

use std::collections::BTreeMap;

use anyhow::{Context as _, Result};
use drydown_ingest::{
    Counts, FileHashes, FileHead, FileRows, NextPiece, Piece, PieceReader, Reject, SiteContext,
    Source, TextError, WideFile,
};
use drydown_quantity::Stamp;

use super::{FILE_TEXT, Found, PIECE_TEXT, is_large, read_file, tall};

/// What reading a file would give.
#[derive(Default)]
pub(crate) struct Looked {
    pub(crate) counts: Counts,
    /// The first reject entries, and how many there are.
    pub(crate) rejects: Vec<Reject>,
    pub(crate) n_rejects: usize,
    /// How many reject entries there are of each kind.
    pub(crate) kinds: BTreeMap<String, usize>,
    /// Rows that would change a value of an earlier row of the file; of a file that is read in
    /// pieces, of the same piece.
    pub(crate) n_changing: usize,
    /// What is to be said of the whole file.
    pub(crate) notes: Vec<String>,
    /// The first rows: those of a file that is read in pieces from its first piece, of a tall one the
    /// earliest.
    pub(crate) first: Option<FileRows>,
}

impl Looked {
    fn of(rows: FileRows, n_shown: usize) -> Self {
        let mut looked = Self::default();
        looked.add(&rows, n_shown);
        looked.first = Some(rows);
        looked
    }

    fn add(&mut self, rows: &FileRows, n_shown: usize) {
        self.counts = self.counts.plus(rows.counts());
        self.n_rejects += rows.rejects().len();
        let left = n_shown.saturating_sub(self.rejects.len());
        self.rejects
            .extend(rows.rejects().iter().take(left).cloned());
        for reject in rows.rejects() {
            *self.kinds.entry(reject.kind()).or_default() += 1;
        }
        self.n_changing += rows.n_changing_their_own();
        for note in rows.notes() {
            if !self.notes.contains(note) {
                self.notes.push(note.clone());
            }
        }
    }
}

/// Reads one file as an ingest would read it now, and keeps `n_shown` of its reject entries.
///
/// # Errors
/// A file that cannot be opened or read.
pub(crate) fn look_at(
    source: &Source,
    file: &Found,
    loaded_at: Stamp,
    site: &SiteContext,
    n_shown: usize,
) -> Result<Looked> {
    if !is_large(source, file)? {
        let rows = read_file(source, file, &file.content()?, loaded_at, site);
        return Ok(Looked::of(rows, n_shown));
    }
    let hashes = FileHashes::default();
    let head = FileHead {
        name: &file.name,
        hashes: &hashes,
        loaded_at,
    };
    let names = file.with_reader(|reader| Ok(source.names_in(reader, PIECE_TEXT, FILE_TEXT)))?;
    let looked = match names.and_then(|names| names) {
        Ok(names) => file
            .with_reader(|reader| {
                let pieces = source.pieces(reader, PIECE_TEXT, FILE_TEXT);
                let mut pieces = match pieces {
                    Ok(pieces) => pieces.named(names),
                    Err(error) => return Ok(Err(error)),
                };
                let next = Box::new(move || pieces.read());
                if source.is_tall() {
                    return look_at_tall((source, site, head), next, n_shown);
                }
                Ok(look_at_wide((source, site, head), next, n_shown))
            })?
            .and_then(|looked| looked),
        Err(error) => Err(error),
    };
    match looked {
        Ok(Some(looked)) => Ok(looked),
        Ok(None) => Ok(Looked::default()),
        Err(error) => {
            let rows = source.unreadable_file(head, &[], file.size, &error);
            Ok(Looked::of(rows, n_shown))
        }
    }
}

/// As [`look_at`], of a file that is read in pieces.
fn look_at_wide(
    (source, site, head): (&Source, &SiteContext, FileHead<'_>),
    next: NextPiece<'_>,
    n_shown: usize,
) -> std::result::Result<Option<Looked>, TextError> {
    let mut reader = PieceReader::open(source, site, head, next)?;
    let mut looked: Option<Looked> = None;
    while let Some(all) = reader.read(1, &one_by_one)? {
        for rows in all {
            match &mut looked {
                None => looked = Some(Looked::of(rows, n_shown)),
                Some(looked) => looked.add(&rows, n_shown),
            }
        }
    }
    Ok(looked)
}

/// As [`look_at`], of a tall file that is read in pieces.
fn look_at_tall(
    file: (&Source, &SiteContext, FileHead<'_>),
    next: NextPiece<'_>,
    n_shown: usize,
) -> Result<Result<Option<Looked>, TextError>> {
    let scratch = tempfile::tempfile().context("cannot write to the folder for passing files")?;
    let mut looked = Looked::default();
    let read = tall::read(file, next, scratch, &mut |all| {
        for rows in all {
            looked.add(&rows, n_shown);
            if rows.n_rows() > 0 && looked.first.is_none() {
                looked.first = Some(rows);
            }
        }
        Ok(())
    })?;
    Ok(read.map(|()| Some(looked)))
}

fn one_by_one(file: &WideFile<'_>, pieces: &[Piece]) -> Vec<drydown_ingest::PieceRows> {
    pieces.iter().map(|piece| file.read_alone(piece)).collect()
}
