//! Exports as a firm would really have them, in formats of our own invention, and the
//! `drydown.toml` that reads them.

mod columns;
mod lab_files;
mod logs;
mod registers;
mod settings;
mod tall;
mod text;
mod wide;

pub(crate) use logs::LogWriter;
pub(crate) use settings::settings;

use crate::config::DemoConfig;
use crate::fleet::Fleet;
use crate::log::Log;
use crate::truth::FileTruth;
use crate::{DemoFile, exports::text::Counts};

/// Write registers, events and laboratory reports; returns what an ingest must count.
pub(crate) fn write_tables(
    config: &DemoConfig,
    fleet: &Fleet,
    log: &Log,
    sink: &mut dyn FnMut(DemoFile),
) -> Vec<FileTruth> {
    let mut files = registers::write(fleet, log, sink);
    files.extend(lab_files::write(config, fleet, log, sink));
    files
}

/// What an ingest must count in one file.
fn file_truth(path: &str, source: &str, table: &'static str, counts: Counts) -> FileTruth {
    FileTruth {
        path: path.to_owned(),
        source: source.to_owned(),
        table,
        rows_in: counts.rows_in,
        rows_kept: counts.rows_in - counts.duplicate - counts.rejected,
        rows_duplicate: counts.duplicate,
        rows_superseded: counts.superseded,
        rows_rejected: counts.rejected,
        rows_ignored: counts.ignored,
        cell_rejects: counts.cell_rejects,
    }
}
