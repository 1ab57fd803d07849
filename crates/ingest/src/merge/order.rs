//! Puts rows into the order of their keys.

use drydown_schema::{ColumnKind, TableSpec};

use super::Entry;
use crate::rows::FileRows;
use crate::texts::{NULL, TextPool};

/// More buckets than this cost more than comparing.
const MAX_BUCKETS: usize = 1 << 16;

/// The entries in order.
///
/// Loggers write time forwards, so the rows of one unit and month are mostly in order already and
/// only interleaved with those of others: dealing them into buckets leaves nothing to sort.
pub(super) fn sorted(mut entries: Vec<Entry>) -> Vec<Entry> {
    if entries.is_sorted() {
        return entries;
    }
    let Some(buckets) = Buckets::of(&entries) else {
        entries.sort_unstable();
        return entries;
    };
    let mut starts = vec![0_usize; buckets.n + 1];
    for entry in &entries {
        if let Some(next) = starts.get_mut(buckets.place(entry) + 1) {
            *next += 1;
        }
    }
    let mut sum = 0;
    for start in &mut starts {
        sum += *start;
        *start = sum;
    }
    let ends: Vec<usize> = starts.iter().skip(1).copied().collect();
    let mut dealt = entries.clone();
    for entry in &entries {
        if let Some(at) = starts.get_mut(buckets.place(entry)) {
            if let Some(slot) = dealt.get_mut(*at) {
                *slot = *entry;
            }
            *at += 1;
        }
    }
    let mut start = 0;
    for end in ends {
        if let Some(bucket) = dealt.get_mut(start..end)
            && !bucket.is_sorted()
        {
            bucket.sort_unstable();
        }
        start = end;
    }
    dealt
}

/// The order of the key's texts; texts that no key holds have none.
pub(super) fn to_ranks(table: &TableSpec, files: &[FileRows], pool: &TextPool) -> Vec<u64> {
    let mut is_key = vec![false; pool.texts().count()];
    let key_texts = files.iter().flat_map(|file| {
        table.key.iter().zip(&file.keys).filter(|(name, _)| {
            table
                .column(name)
                .is_some_and(|column| column.kind == ColumnKind::Text)
        })
    });
    for cell in key_texts.flat_map(|(_, cells)| cells) {
        if let Some(slot) = usize::try_from(*cell)
            .ok()
            .and_then(|at| is_key.get_mut(at))
        {
            *slot = true;
        }
    }
    let mut texts: Vec<(&str, usize)> = pool
        .texts()
        .enumerate()
        .filter(|(at, _)| is_key.get(*at) == Some(&true))
        .map(|(at, text)| (text, at))
        .collect();
    texts.sort_unstable();
    let mut ranks = vec![NULL; is_key.len()];
    for (rank, (_, at)) in texts.into_iter().enumerate() {
        if let Some(slot) = ranks.get_mut(at) {
            *slot = rank as u64;
        }
    }
    ranks
}

/// One bucket for each month and first part of the key.
struct Buckets {
    first_month: i32,
    n_parts: usize,
    n: usize,
}

impl Buckets {
    /// None where there would be too many.
    fn of(entries: &[Entry]) -> Option<Self> {
        let first_month = entries.iter().map(|entry| entry.month).min()?;
        let last_month = entries.iter().map(|entry| entry.month).max()?;
        let n_months = usize::try_from(last_month.checked_sub(first_month)?).ok()? + 1;
        let last_part = entries.iter().map(|entry| entry.key[0]).max()?;
        let n_parts = usize::try_from(last_part).ok()?.checked_add(1)?;
        let n = n_months
            .checked_mul(n_parts)
            .filter(|n| *n <= MAX_BUCKETS)?;
        Some(Self {
            first_month,
            n_parts,
            n,
        })
    }

    fn place(&self, entry: &Entry) -> usize {
        let month = usize::try_from(entry.month - self.first_month).unwrap_or(0);
        let part = usize::try_from(entry.key[0]).unwrap_or(0);
        month * self.n_parts + part
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    proptest::proptest! {
        #[test]
        fn dealing_is_sorting(keys in proptest::collection::vec((0..3_i32, 0..4_u64, 0..50_u64), 0..200)) {
            let entries: Vec<Entry> = keys
                .iter()
                .enumerate()
                .map(|(row, (month, unit, at))| Entry {
                    month: *month,
                    key: [*unit, *at, 0],
                    file: 0,
                    row: row as u32,
                })
                .collect();
            let mut expected = entries.clone();
            expected.sort_unstable();
            proptest::prop_assert_eq!(sorted(entries), expected);
        }
    }
}
