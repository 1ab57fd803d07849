//! The head of a file that is read in pieces: what stands before its records.

use super::FileHead;
use super::record::Job;
use crate::site::SiteContext;
use crate::source::{Layout, Source};
use crate::text::{Piece, Records};

/// A file whose lines before the header were passed over.
pub(super) struct Begun<'a, 't> {
    pub(super) job: Job<'a>,
    /// From the header on.
    pub(super) records: Records<'t>,
    /// What stands before the header.
    pub(super) preamble: String,
}

/// None where the first piece is too short to hold what stands before the header.
pub(super) fn begin<'a, 't>(
    source: &'a Source,
    site: &'a SiteContext,
    file: FileHead<'a>,
    first: &'t Piece,
) -> Option<Begun<'a, 't>> {
    // The names of objects stand before the first line.
    let line = u64::from(source.layout != Layout::Json);
    let mut records = Records::at_line(&first.text, source.piece_dialect(first.traits), line);
    records.skip_lines(source.n_skipped_of(&first.text, first.is_last)?);
    let preamble = first.text.get(..records.position()).unwrap_or("");
    let mut job = Job::new(source, file, site, first.traits);
    job.read_preamble(preamble);
    Some(Begun {
        job,
        preamble: preamble.to_owned(),
        records,
    })
}
