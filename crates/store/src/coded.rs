//! A column of few different values as a Parquet column chunk: a dictionary, and pages of codes.
//!
//! The Parquet library looks each value up in a general hash table, which took a quarter of an ingest.
//! The columns of a run log hold few different numbers, and texts that mostly are those of the row
//! before: both are coded here with far less. The chunk is of the kind that the library itself writes
//! (a PLAIN dictionary page, version 1 data pages in RLE_DICTIONARY), its page headers and everything
//! around it are the library's.
//!
//! Source of the layout: Apache Parquet, "Encodings" (RLE / bit-packing hybrid, dictionary encoding)
//! and "Data pages", parquet.apache.org/docs/file-format.

mod codes;
mod hybrid;
mod statistics;

use std::io::Write;

use arrow::array::{Array, ArrayRef};
use arrow::datatypes::DataType;
use bytes::Bytes;
use parquet::basic::{Compression, Encoding, PageType, ZstdLevel};
use parquet::column::page::{CompressedPage, Page, PageWriteSpec, PageWriter};
use parquet::column::writer::ColumnCloseResult;
use parquet::errors::ParquetError;
use parquet::file::metadata::{ColumnChunkMetaData, PageEncodingStats};
use parquet::file::page_index::offset_index::{OffsetIndexMetaData, PageLocation};
use parquet::file::writer::{SerializedPageWriter, SerializedRowGroupWriter, TrackedWrite};
use parquet::schema::types::ColumnDescPtr;

use codes::Codes;
use hybrid::{push_codes, push_levels};
use statistics::TextStatistics;

/// Of all columns, the library's own default.
pub(crate) const ZSTD_LEVEL: i32 = 1;

/// Writes the chunks of one file.
pub(crate) struct Coder {
    zstd: zstd::bulk::Compressor<'static>,
    rows_per_page: usize,
}

/// One column of one row group, coded.
pub(crate) struct Chunk {
    bytes: Bytes,
    close: ColumnCloseResult,
}

impl Coder {
    pub(crate) fn new(rows_per_page: usize) -> Result<Self, ParquetError> {
        Ok(Self {
            zstd: zstd::bulk::Compressor::new(ZSTD_LEVEL)?,
            rows_per_page,
        })
    }

    /// The chunk of a column, of texts also with statistics; None where the library is to write it:
    /// columns of other kinds, and those of many different values.
    pub(crate) fn chunk(
        &mut self,
        column: &ArrayRef,
        descr: &ColumnDescPtr,
        has_statistics: bool,
    ) -> Result<Option<Chunk>, ParquetError> {
        if has_statistics && *column.data_type() != DataType::Utf8 {
            return Ok(None);
        }
        let has_levels = match (descr.max_def_level(), descr.max_rep_level()) {
            (0, 0) if column.null_count() == 0 => false,
            (1, 0) => true,
            _ => return Ok(None),
        };
        let Some(codes) = Codes::of(column) else {
            return Ok(None);
        };
        let mut statistics = has_statistics.then(TextStatistics::new);
        let mut sink = TrackedWrite::new(Vec::new());
        let mut pages = Pages {
            out: SerializedPageWriter::new(&mut sink),
            zstd: &mut self.zstd,
            n_uncompressed: 0,
            n_compressed: 0,
            data: Vec::new(),
        };
        pages.write_dictionary(&codes)?;
        let n_dictionary = pages.n_compressed;
        let (mut row, mut first_code) = (0, 0);
        while row < column.len() {
            let n_rows = self.rows_per_page.min(column.len() - row);
            let valid = column.nulls().map(|nulls| nulls.slice(row, n_rows));
            let n_codes = valid.as_ref().map_or(n_rows, |v| n_rows - v.null_count());
            let of_page = codes.codes.get(first_code..first_code + n_codes);
            let of_page = of_page.unwrap_or(&[]);
            if let Some(statistics) = &mut statistics
                && !statistics.add(codes.extremes(of_page), n_rows - n_codes)
            {
                return Ok(None);
            }
            let mut body = Vec::new();
            if has_levels {
                push_levels(&mut body, valid.as_ref(), n_rows);
            }
            push_codes(&mut body, of_page, codes.n_values);
            pages.write_data(body, row, n_rows)?;
            row += n_rows;
            first_code += n_codes;
        }
        let written = pages.finish()?;
        let mut metadata = ColumnChunkMetaData::builder(descr.clone())
            .set_encodings(vec![
                Encoding::PLAIN,
                Encoding::RLE,
                Encoding::RLE_DICTIONARY,
            ])
            .set_page_encoding_stats(written.encodings())
            .set_compression(Compression::ZSTD(ZstdLevel::try_new(ZSTD_LEVEL)?))
            .set_num_values(to_i64(column.len()))
            .set_total_uncompressed_size(to_i64(written.n_uncompressed))
            .set_total_compressed_size(to_i64(written.n_compressed))
            .set_dictionary_page_offset(Some(0))
            .set_data_page_offset(to_i64(n_dictionary));
        let mut column_index = None;
        if let Some(statistics) = statistics {
            metadata = metadata.set_statistics(statistics.of_chunk());
            column_index = Some(statistics.of_pages()?);
        }
        let bytes = sink.into_inner()?;
        Ok(Some(Chunk {
            close: ColumnCloseResult {
                bytes_written: bytes.len() as u64,
                rows_written: column.len() as u64,
                metadata: metadata.build()?,
                bloom_filter: None,
                column_index,
                offset_index: Some(OffsetIndexMetaData {
                    page_locations: written.data,
                    unencoded_byte_array_data_bytes: None,
                }),
            },
            bytes: bytes.into(),
        }))
    }
}

impl Chunk {
    /// Puts the chunk behind the columns that the group has.
    pub(crate) fn append_to<W: Write + Send>(
        self,
        group: &mut SerializedRowGroupWriter<'_, W>,
    ) -> Result<(), ParquetError> {
        group.append_column(&self.bytes, self.close)
    }
}

/// The pages of a chunk in the making.
struct Pages<'p> {
    out: SerializedPageWriter<'p, Vec<u8>>,
    zstd: &'p mut zstd::bulk::Compressor<'static>,
    n_uncompressed: usize,
    n_compressed: usize,
    data: Vec<PageLocation>,
}

/// What is known of a chunk whose pages are written.
struct Written {
    n_uncompressed: usize,
    n_compressed: usize,
    data: Vec<PageLocation>,
}

impl Written {
    fn encodings(&self) -> Vec<PageEncodingStats> {
        let n_pages = i32::try_from(self.data.len()).unwrap_or(i32::MAX);
        [
            (PageType::DICTIONARY_PAGE, Encoding::PLAIN, 1),
            (PageType::DATA_PAGE, Encoding::RLE_DICTIONARY, n_pages),
        ]
        .map(|(page_type, encoding, count)| PageEncodingStats {
            page_type,
            encoding,
            count,
        })
        .to_vec()
    }
}

impl Pages<'_> {
    fn finish(mut self) -> Result<Written, ParquetError> {
        self.out.close()?;
        Ok(Written {
            n_uncompressed: self.n_uncompressed,
            n_compressed: self.n_compressed,
            data: self.data,
        })
    }

    fn write_dictionary(&mut self, codes: &Codes) -> Result<(), ParquetError> {
        let page = Page::DictionaryPage {
            buf: self.zstd.compress(&codes.dictionary)?.into(),
            num_values: to_u32(codes.n_values),
            encoding: Encoding::PLAIN,
            is_sorted: false,
        };
        self.write(page, codes.dictionary.len())?;
        Ok(())
    }

    fn write_data(&mut self, body: Vec<u8>, row: usize, n_rows: usize) -> Result<(), ParquetError> {
        let page = Page::DataPage {
            buf: self.zstd.compress(&body)?.into(),
            num_values: to_u32(n_rows),
            encoding: Encoding::RLE_DICTIONARY,
            def_level_encoding: Encoding::RLE,
            rep_level_encoding: Encoding::RLE,
            statistics: None,
        };
        let written = self.write(page, body.len())?;
        self.data.push(PageLocation {
            offset: i64::try_from(written.offset).unwrap_or(i64::MAX),
            compressed_page_size: i32::try_from(written.compressed_size).unwrap_or(i32::MAX),
            first_row_index: to_i64(row),
        });
        Ok(())
    }

    fn write(&mut self, page: Page, n_bytes: usize) -> Result<PageWriteSpec, ParquetError> {
        let written = self.out.write_page(CompressedPage::new(page, n_bytes))?;
        self.n_uncompressed += written.uncompressed_size;
        self.n_compressed += written.compressed_size;
        Ok(written)
    }
}

fn to_i64(n: usize) -> i64 {
    i64::try_from(n).unwrap_or(i64::MAX)
}

fn to_u32(n: usize) -> u32 {
    u32::try_from(n).unwrap_or(u32::MAX)
}

#[cfg(test)]
mod tests;
