//! Fewer, larger files for the same rows.

use std::collections::BTreeMap;

use crate::error::StoreError;
use crate::layout::Layout;
use crate::live::LiveFile;
use crate::lock::WriteGuard;
use crate::publish::{CommitNote, Kind};
use crate::store::Store;

/// When small files have piled up.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct CompactRule {
    /// A file with fewer rows than this is small.
    pub small_rows: u64,
    /// A month (or a table without months) with more small files than this is compacted.
    pub max_small_files: usize,
    /// Rows brought together at a time: bounds the memory used.
    pub batch_rows: u64,
}

impl CompactRule {
    /// Files under 30 000 rows, more than 16 of them, two million rows at a time.
    #[must_use]
    pub const fn usual() -> Self {
        Self {
            small_rows: 30_000,
            max_small_files: 16,
            batch_rows: 2_000_000,
        }
    }
}

impl Store {
    /// Brings the small files of each month together where the rule asks for it, in one
    /// commit that changes no row; returns the new version, or `None` where there was
    /// nothing to do.
    ///
    /// # Errors
    /// As [`Store::append`]; [`StoreError::Misfit`] if rows were about to be lost (then
    /// nothing is changed).
    pub fn compact(
        &self,
        guard: &WriteGuard,
        table: &str,
        rule: CompactRule,
    ) -> Result<Option<i64>, StoreError> {
        let layout = Layout::of(table)?;
        let mut staged = self.stage_in(guard, layout.clone())?;
        staged.set_kind(Kind::Compaction);
        let groups = to_groups(staged.live_files()?, rule);
        if groups.is_empty() {
            return Ok(None);
        }
        for group in &groups {
            let batches = self.load_in(&layout, group)?;
            let expected: u64 = group.iter().map(|file| file.n_rows).sum();
            let found: u64 = batches.iter().map(|batch| batch.num_rows() as u64).sum();
            if expected != found {
                let problem = format!("found {found} rows in files that should hold {expected}");
                return Err(StoreError::Misfit {
                    table: layout.table,
                    problems: vec![problem],
                });
            }
            staged.remove(group)?;
            staged.write(&batches)?;
        }
        staged.commit(CommitNote::default()).map(Some)
    }
}

/// The small files to bring together, month by month, each group of bounded size.
fn to_groups(files: Vec<LiveFile>, rule: CompactRule) -> Vec<Vec<LiveFile>> {
    let mut small: BTreeMap<Option<String>, Vec<LiveFile>> = BTreeMap::new();
    for file in files
        .into_iter()
        .filter(|file| file.n_rows < rule.small_rows)
    {
        small.entry(file.month.clone()).or_default().push(file);
    }
    let mut groups = Vec::new();
    for files in small
        .into_values()
        .filter(|files| files.len() > rule.max_small_files)
    {
        let mut group = Vec::new();
        let mut n_rows = 0;
        for file in files {
            if n_rows + file.n_rows > rule.batch_rows && !group.is_empty() {
                groups.push(std::mem::take(&mut group));
                n_rows = 0;
            }
            n_rows += file.n_rows;
            group.push(file);
        }
        groups.push(group);
    }
    // One file alone has nobody to be brought together with.
    groups.retain(|group| group.len() > 1);
    groups
}
