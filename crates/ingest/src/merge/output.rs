//! Collects the rows of one part.

use arrow::array::{BooleanArray, RecordBatch};
use arrow::compute::filter_record_batch;
use arrow::error::ArrowError;
use drydown_schema::TableSpec;

use super::Merged;
use super::columns::to_batch;
use crate::texts::TextPool;

/// New rows, stored rows that changed, and which those replace.
pub(super) struct Output {
    added: Vec<Vec<u64>>,
    changed: Vec<Vec<u64>>,
    /// Which stored rows are replaced.
    replaced: Vec<Vec<bool>>,
}

impl Output {
    pub(super) fn new(table: &TableSpec, stored: &[RecordBatch]) -> Self {
        let n_columns = table.columns.len();
        Self {
            added: vec![Vec::new(); n_columns],
            changed: vec![Vec::new(); n_columns],
            replaced: stored
                .iter()
                .map(|batch| vec![false; batch.num_rows()])
                .collect(),
        }
    }

    pub(super) fn add(&mut self, state: &[u64]) {
        self.added
            .iter_mut()
            .zip(state)
            .for_each(|(column, cell)| column.push(*cell));
    }

    pub(super) fn change(&mut self, batch: usize, row: usize, state: &[u64]) {
        self.changed
            .iter_mut()
            .zip(state)
            .for_each(|(column, cell)| column.push(*cell));
        if let Some(replaced) = self
            .replaced
            .get_mut(batch)
            .and_then(|rows| rows.get_mut(row))
        {
            *replaced = true;
        }
    }

    pub(super) fn finish(
        self,
        table: &TableSpec,
        pool: &TextPool,
        stored: &[RecordBatch],
    ) -> Result<Merged, ArrowError> {
        let n_added = self.added.first().map_or(0, Vec::len);
        let n_changed = self.changed.first().map_or(0, Vec::len);
        let mut added = Vec::new();
        if n_added > 0 {
            added.push(to_batch(table, pool, self.added)?);
        }
        let mut rewritten = Vec::new();
        if n_changed > 0 {
            for (batch, replaced) in stored.iter().zip(&self.replaced) {
                let kept: BooleanArray = replaced.iter().map(|replaced| Some(!replaced)).collect();
                rewritten.push(filter_record_batch(batch, &kept)?);
            }
            rewritten.push(to_batch(table, pool, self.changed)?);
        }
        Ok(Merged {
            added,
            rewritten,
            n_added,
            n_changed,
        })
    }
}
