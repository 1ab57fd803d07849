//! One source description and one reader give rows and rejects that together account for
//! every record.
//!
//! [`SourceSpec`] is a `[[source]]` block of the configuration, [`Source`] the same after every
//! word of it was checked. [`Source::read_file`] turns the bytes of one file into [`FileRows`];
//! [`MergePlan`] lays the rows of many files over the stored ones, cell by cell, and counts what
//! became of each record. Nothing here touches files, clocks or the network.

mod cells;
mod draft;
mod ledger;
mod looked;
mod mend;
mod merge;
mod reader;
mod rows;
mod site;
mod source;
mod stamps;
mod text;
mod texts;

pub use draft::{DraftError, propose};
pub use ledger::{LoadRow, loads_batch, rejects_batch};
pub use mend::{Mend, MendedText};
pub use merge::{MergePlan, Merged, Part};
pub use reader::{
    Dealt, FileHashes, FileHead, FileInput, NextPiece, PieceReader, PieceRows, ReadAll, TallFile,
    TallSlice, TallSlices, TallSorter, WideFile,
};
pub use rows::{Counts, FileRows, Reject, Scope};
pub use site::SiteContext;
pub use source::{
    ColumnMap, Layout, OneOrMany, PressureWord, Quality, Scalar, Source, SourceProblem, SourceSpec,
    TallSpec, UnitOf,
};
pub use text::{
    Content, Member, Names, Piece, Pieces, TextError, archive_members, lone_member, read_member,
    with_member,
};
