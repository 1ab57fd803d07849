//! A file read in pieces, and what it gives, to be held against what the whole gives.

use std::io::Cursor;

use arrow::array::RecordBatch;
use drydown_quantity::Stamp;

use super::harness::{LOADED_AT, MAX_TEXT, check_account, shown};
use crate::merge::MergePlan;
use crate::reader::{FileHead, NextPiece, PieceReader, TallFile, TallSorter, WideFile};
use crate::rows::{Counts, FileRows};
use crate::site::SiteContext;
use crate::source::Source;
use crate::text::{Piece, TextError};

/// What a file gives: rows of the table, rejects, counts and notes.
#[derive(Debug, PartialEq)]
pub(super) struct Given {
    rows: Vec<String>,
    rejects: Vec<String>,
    counts: Counts,
    notes: Vec<String>,
}

impl Given {
    /// Lays what was read over the stored rows, one part of the file after the other.
    pub(super) fn of(parts: Vec<FileRows>, stored: &[RecordBatch]) -> Self {
        let table = parts.first().unwrap().table();
        let columns: Vec<&str> = table.columns.iter().map(|c| c.name.as_str()).collect();
        let mut live = stored.to_vec();
        let (mut rejects, mut notes) = (Vec::new(), Vec::new());
        let mut counts = Counts::default();
        for rows in parts {
            check_account(&rows);
            let mut plan = MergePlan::new(table, vec![rows]);
            for part in plan.parts() {
                let done = plan.merge_part(&part, &live).unwrap();
                if done.n_changed > 0 {
                    live = done.rewritten;
                }
                live.extend(done.added);
            }
            for file in plan.into_files() {
                rejects.extend(file.rejects().iter().map(|reject| format!("{reject:?}")));
                notes.extend(file.notes().to_vec());
                counts = counts.plus(file.counts());
            }
        }
        rejects.sort();
        notes.sort();
        notes.dedup();
        Self {
            rows: shown(&live, &columns),
            rejects,
            counts,
            notes,
        }
    }

    /// What one of both has and the other has not, but for notes, which count what they speak of
    /// piece by piece.
    pub(super) fn differences(&self, other: &Self) -> Vec<String> {
        let only = |sign: &str, own: &Self, other: &Self| -> Vec<String> {
            let lines = |given: &Self| [given.rows.clone(), given.rejects.clone()].concat();
            let known = lines(other);
            let mut own = lines(own);
            own.retain(|line| !known.contains(line));
            own.iter().map(|line| format!("{sign} {line}")).collect()
        };
        let mut out = only("+", self, other);
        out.extend(only("-", other, self));
        if self.counts != other.counts {
            out.push(format!("{:?} {:?}", self.counts, other.counts));
        }
        out
    }
}

/// How a file is cut: bytes of a piece, pieces read at a time, bytes of a slice of a tall file.
#[derive(Clone, Copy, Debug)]
pub(super) struct Sizes {
    pub(super) piece: usize,
    pub(super) at_a_time: usize,
    pub(super) slice: usize,
}

/// The parts that a file gives, read as the store reads a large one.
pub(super) fn read_in_pieces(
    source: &Source,
    (name, bytes): (&str, &[u8]),
    site: &SiteContext,
    sizes: Sizes,
) -> Result<Vec<FileRows>, TextError> {
    assert!(source.reads_in_pieces());
    let hashes = source.file_hashes(name, bytes);
    let head = FileHead {
        name,
        hashes: &hashes,
        loaded_at: LOADED_AT.parse::<Stamp>().unwrap(),
    };
    let names = source.names_in(bytes, sizes.piece, MAX_TEXT)?;
    let mut pieces = source.pieces(bytes, sizes.piece, MAX_TEXT)?.named(names);
    let mut next: NextPiece<'_> = Box::new(move || pieces.read());
    let mut out = Vec::new();
    if !source.is_tall() {
        let mut reader = PieceReader::open(source, site, head, next)?;
        let one_by_one = |file: &WideFile<'_>, pieces: &[Piece]| {
            pieces.iter().map(|piece| file.read_alone(piece)).collect()
        };
        while let Some(rows) = reader.read(sizes.at_a_time, &one_by_one)? {
            out.extend(rows);
        }
        return Ok(out);
    }
    let (file, first) = TallFile::open(source, site, head, &mut next)?;
    let mut sorter = TallSorter::new(Cursor::new(Vec::new()));
    out.push(sorter.take(file.deal(&first).unwrap()).unwrap());
    while let Some(piece) = next()? {
        out.push(sorter.take(file.deal(&piece).unwrap()).unwrap());
    }
    let mut slices = sorter.finish(sizes.slice).unwrap();
    while let Some(slice) = slices.read().unwrap() {
        out.push(file.read(&slice));
    }
    Ok(out)
}
