//! Least and greatest text of each page and of the chunk, by which readers skip rows.

use parquet::basic::{BoundaryOrder, Type};
use parquet::data_type::ByteArray;
use parquet::errors::ParquetError;
use parquet::file::metadata::ColumnIndexBuilder;
use parquet::file::page_index::column_index::ColumnIndexMetaData;
use parquet::file::statistics::Statistics;

/// Longer texts stand cut in statistics: the library is to cut them.
const LONGEST: usize = 64;

/// Least and greatest text of a page, where it holds any, and how many nulls.
type OfPage = (Option<(Vec<u8>, Vec<u8>)>, usize);

/// Statistics of a chunk in the making.
pub(super) struct TextStatistics {
    pages: Vec<OfPage>,
}

impl TextStatistics {
    pub(super) fn new() -> Self {
        Self { pages: Vec::new() }
    }

    /// Adds a page; false where a text is too long.
    pub(super) fn add(&mut self, extremes: Option<(&[u8], &[u8])>, n_null: usize) -> bool {
        if extremes.is_some_and(|(min, max)| min.len().max(max.len()) > LONGEST) {
            return false;
        }
        let extremes = extremes.map(|(min, max)| (min.to_vec(), max.to_vec()));
        self.pages.push((extremes, n_null));
        true
    }

    pub(super) fn of_chunk(&self) -> Statistics {
        let extremes = || {
            self.pages
                .iter()
                .filter_map(|(extremes, _)| extremes.as_ref())
        };
        let n_null: usize = self.pages.iter().map(|(_, n_null)| n_null).sum();
        let value = |text: Option<&Vec<u8>>| text.map(|text| ByteArray::from(text.clone()));
        Statistics::byte_array(
            value(extremes().map(|(min, _)| min).min()),
            value(extremes().map(|(_, max)| max).max()),
            None,
            Some(n_null as u64),
            false,
        )
    }

    pub(super) fn of_pages(self) -> Result<ColumnIndexMetaData, ParquetError> {
        let mut index = ColumnIndexBuilder::new(Type::BYTE_ARRAY);
        let ascends = {
            let known: Vec<_> = self
                .pages
                .iter()
                .filter_map(|page| page.0.as_ref())
                .collect();
            known.is_sorted_by(|a, b| a.0 <= b.0 && a.1 <= b.1)
        };
        if ascends {
            index.set_boundary_order(BoundaryOrder::ASCENDING);
        }
        for (extremes, n_null) in self.pages {
            let is_null = extremes.is_none();
            let (min, max) = extremes.unwrap_or_default();
            index.append(is_null, min, max, i64::try_from(n_null).unwrap_or(i64::MAX));
        }
        index.build()
    }
}
