//! One file too large to hold: read, merged and written piece by piece, committed whole.

use std::io::Read as _;
use std::sync::mpsc::sync_channel;

use anyhow::{Context as _, Result};
use drydown_ingest::{
    Counts, FileHashes, FileHead, FileRows, LoadRow, NextPiece, Piece, PieceReader, PieceRows,
    Pieces, SiteContext, Source, TextError, WideFile,
};
use drydown_store::{Store, WriteGuard};
use rayon::prelude::*;

use super::matching::Found;
use super::publish;
use super::sink::Sink;
use super::{FILE_TEXT, FileDone, PIECE_TEXT, tall};
use crate::output::Loading;
use drydown_quantity::Stamp;

/// Pieces decoded before they are asked for.
const PIECES_AHEAD: usize = 2;

/// Where a large file goes.
#[derive(Clone, Copy)]
pub(super) struct Into<'a> {
    pub(super) store: &'a Store,
    pub(super) guard: &'a WriteGuard,
    pub(super) site: &'a SiteContext,
    pub(super) loaded_at: Stamp,
    pub(super) step: &'a Loading,
}

/// What became of a large file, and what the reader of the summary should know.
pub(super) struct Taken {
    pub(super) done: FileDone,
    pub(super) notes: Vec<String>,
}

/// What the ledger knows a large file by; None for the file of an archive that cannot be unpacked.
pub(super) fn hashes(source: &Source, file: &Found) -> Result<Option<FileHashes>> {
    let hashed = file.with_reader(|reader| Ok(source.file_hashes_of(&file.name, reader)))?;
    match hashed {
        Ok(Ok(hashes)) => Ok(Some(hashes)),
        Err(_) => Ok(None),
        Ok(Err(_)) if file.member.is_some() => Ok(None),
        Ok(Err(error)) => {
            Err(error).with_context(|| format!("cannot read {}", file.path.display()))
        }
    }
}

/// Takes one file in one commit.
pub(super) fn take(
    into: &Into<'_>,
    source: &Source,
    file: &Found,
    hashes: &FileHashes,
) -> Result<Taken> {
    let head = FileHead {
        name: &file.name,
        hashes,
        loaded_at: into.loaded_at,
    };
    match take_pieces(into, source, file, head)? {
        Ok(taken) => Ok(taken),
        Err(error) => {
            let rows = unreadable(source, file, head, &error)?;
            let notes = rows.notes().to_vec();
            let sources = std::slice::from_ref(source);
            let done = publish::take(
                vec![rows],
                Some(into.store),
                Some(into.guard),
                sources,
                into.loaded_at,
            )?;
            let done = done
                .into_iter()
                .next()
                .context("a file without an outcome")?;
            Ok(Taken { done, notes })
        }
    }
}

/// A file that does not unpack, as one reject.
pub(super) fn unreadable(
    source: &Source,
    file: &Found,
    head: FileHead<'_>,
    error: &TextError,
) -> Result<FileRows> {
    let first = file.with_reader(|reader| {
        let mut bytes = Vec::new();
        let read = reader.take(64).read_to_end(&mut bytes);
        read.with_context(|| format!("cannot read {}", file.path.display()))?;
        Ok(bytes)
    })?;
    let first = first.unwrap_or_default();
    Ok(source.unreadable_file(head, &first, file.n_bytes(), error))
}

/// The inner error: the bytes do not unpack, and nothing was committed.
fn take_pieces(
    into: &Into<'_>,
    source: &Source,
    file: &Found,
    head: FileHead<'_>,
) -> Result<Result<Taken, TextError>> {
    let mut sink = Sink::new(into.store, into.guard, source)?;
    if let Err(error) = take_into(&mut sink, into, source, file, head)? {
        return Ok(Err(error));
    }
    let notes = std::mem::take(&mut sink.notes);
    let counts = sink.counts_of(source.name(), head.hashes);
    let row = LoadRow::of_file(source.name(), head, source.source_hash(), counts);
    publish::commit_staged(into.store, into.guard, sink.finish(vec![row])?)?;
    Ok(Ok(Taken {
        done: FileDone {
            source: source.name().to_owned(),
            file: file.name.clone(),
            counts,
        },
        notes,
    }))
}

/// Whether all of a file unpacks and is no longer than allowed; nothing is read.
pub(super) fn unpacks(source: &Source, file: &Found) -> Result<Result<(), TextError>> {
    let read = file.with_reader(|reader| {
        let all = source
            .pieces(reader, PIECE_TEXT, FILE_TEXT)
            .and_then(|mut pieces| {
                while pieces.read()?.is_some() {}
                Ok(())
            });
        Ok(all)
    })?;
    Ok(read.and_then(|read| read))
}

/// Reads a file into what is staged; the inner error: the bytes do not unpack, and what was staged of it
/// must not be committed.
pub(super) fn take_into(
    sink: &mut Sink<'_>,
    into: &Into<'_>,
    source: &Source,
    file: &Found,
    head: FileHead<'_>,
) -> Result<Result<(), TextError>> {
    let names = file.with_reader(|reader| Ok(source.names_in(reader, PIECE_TEXT, FILE_TEXT)))?;
    let names = match names {
        Ok(Ok(names)) => names,
        Ok(Err(error)) | Err(error) => return Ok(Err(error)),
    };
    let taken = file.with_reader(|reader| {
        let pieces = source.pieces(into.step.watched(reader), PIECE_TEXT, FILE_TEXT);
        match pieces {
            Ok(pieces) => read_into(sink, into, (source, head), pieces.named(names)),
            Err(error) => Ok(Err(error)),
        }
    })?;
    Ok(taken.and_then(|taken| taken))
}

fn read_into(
    sink: &mut Sink<'_>,
    into: &Into<'_>,
    (source, head): (&Source, FileHead<'_>),
    pieces: Pieces<'_>,
) -> Result<Result<(), TextError>> {
    std::thread::scope(|scope| {
        let next = read_ahead(scope, pieces);
        let mut take = |rows: Vec<FileRows>| -> Result<()> {
            let counts = rows.iter().map(FileRows::counts);
            let sum = counts.fold(Counts::default(), Counts::plus);
            sink.take(rows)?;
            into.step.rows_done(sum.rows_in, sum.rows_rejected);
            Ok(())
        };
        if source.is_tall() {
            // Beside the store's data, where there is room for it; gone when it is closed, however that is.
            let scratch = tempfile::tempfile_in(into.store.path());
            let scratch = scratch.context("cannot write to the store")?;
            return tall::read((source, into.site, head), next, scratch, &mut take);
        }
        let mut reader = match PieceReader::open(source, into.site, head, next) {
            Ok(reader) => reader,
            Err(error) => return Ok(Err(error)),
        };
        loop {
            match reader.read(rayon::current_num_threads(), &read_all) {
                Ok(Some(rows)) => take(rows)?,
                Ok(None) => return Ok(Ok(())),
                Err(error) => return Ok(Err(error)),
            }
        }
    })
}

/// Unpacks and decodes on a thread of its own, a few pieces ahead of those that are read.
fn read_ahead<'scope, 'r: 'scope>(
    scope: &'scope std::thread::Scope<'scope, '_>,
    mut pieces: Pieces<'r>,
) -> NextPiece<'scope> {
    let (sender, receiver) = sync_channel(PIECES_AHEAD);
    scope.spawn(move || {
        loop {
            let piece = pieces.read();
            let is_end = !matches!(piece, Ok(Some(_)));
            if sender.send(piece).is_err() || is_end {
                return;
            }
        }
    });
    Box::new(move || receiver.recv().unwrap_or(Ok(None)))
}

fn read_all(file: &WideFile<'_>, pieces: &[Piece]) -> Vec<PieceRows> {
    pieces
        .par_iter()
        .map(|piece| file.read_alone(piece))
        .collect()
}
