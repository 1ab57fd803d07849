//! One tall file too large to hold: its lines go to a scratch file in the order of time, and come back
//! a stretch of time after the other.

use std::fs::File;
use std::io::Result as IoResult;
use std::sync::mpsc::sync_channel;

use anyhow::{Context as _, Result};
use drydown_ingest::{
    Dealt, FileHead, FileRows, NextPiece, SiteContext, Source, TallFile, TallSlice, TallSorter,
    TextError,
};
use rayon::prelude::*;

/// Text of one stretch of time, bytes: with two threads, about 300 MB are in use at a time.
const SLICE_TEXT: usize = 4 << 20;
/// Stretches gathered before they are asked for.
const SLICES_AHEAD: usize = 1;

/// Gives the rows of a tall file in parts to `take`: what is kept out as the file goes by, then the
/// rows in the order of time, no key in two parts. The inner error: the bytes do not unpack.
pub(super) fn read(
    (source, site, head): (&Source, &SiteContext, FileHead<'_>),
    mut next: NextPiece<'_>,
    scratch: File,
    take: &mut dyn FnMut(Vec<FileRows>) -> Result<()>,
) -> Result<Result<(), TextError>> {
    let n_threads = rayon::current_num_threads();
    let (file, first) = match TallFile::open(source, site, head, &mut next) {
        Ok(opened) => opened,
        Err(error) => return Ok(Err(error)),
    };
    let mut sorter = TallSorter::new(scratch);
    let mut group = vec![first];
    while !group.is_empty() {
        while group.len() < n_threads {
            match next() {
                Ok(Some(piece)) => group.push(piece),
                Ok(None) => break,
                Err(error) => return Ok(Err(error)),
            }
        }
        let dealt: Vec<IoResult<Dealt>> = group.par_iter().map(|piece| file.deal(piece)).collect();
        group.clear();
        let mut kept_out = Vec::with_capacity(dealt.len());
        for piece in dealt {
            let rows = piece.and_then(|piece| sorter.take(piece));
            kept_out.push(rows.context(SCRATCH)?);
        }
        take(kept_out)?;
        group.extend(match next() {
            Ok(piece) => piece,
            Err(error) => return Ok(Err(error)),
        });
    }
    let mut slices = sorter.finish(SLICE_TEXT).context(SCRATCH)?;
    std::thread::scope(|scope| -> Result<()> {
        let (sender, receiver) = sync_channel(SLICES_AHEAD);
        scope.spawn(move || {
            while let Some(slice) = slices.read().transpose() {
                let is_error = slice.is_err();
                if sender.send(slice).is_err() || is_error {
                    return;
                }
            }
        });
        loop {
            let group: IoResult<Vec<TallSlice>> = receiver.iter().take(n_threads).collect();
            let group = group.context(SCRATCH)?;
            if group.is_empty() {
                return Ok(());
            }
            take(group.par_iter().map(|slice| file.read(slice)).collect())?;
        }
    })?;
    Ok(Ok(()))
}

/// What went wrong where the scratch file did.
const SCRATCH: &str = "cannot bring a tall file into the order of time";
