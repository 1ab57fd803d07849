//! A column of few different values as a Parquet column chunk: a dictionary, and pages of codes.
//!
//! The Parquet library looks every value up in a general hash table, a quarter of an ingest. Here the
//! values seen last are looked at first, and equal texts behind each other at once. The library's are
//! the page headers and all around them, and every column with nulls, with statistics, of another kind
//! or of many values.
//!
//! Source of the layout: Apache Parquet, "Encodings" (RLE / bit-packing hybrid, dictionary encoding)
//! and "Data pages", parquet.apache.org/docs/file-format.

use std::collections::HashMap;
use std::hash::Hash;

use arrow::array::{Array, ArrayRef, AsArray, Float64Array, StringArray};
use arrow::datatypes::Float64Type;
use bytes::Bytes;
use drydown_schema::repeated_text;
use parquet::basic::{Compression, Encoding, ZstdLevel};
use parquet::column::page::{CompressedPage, Page, PageWriteSpec, PageWriter};
use parquet::column::writer::ColumnCloseResult;
use parquet::errors::ParquetError;
use parquet::file::metadata::ColumnChunkMetaData;
use parquet::file::page_index::offset_index::{OffsetIndexMetaData, PageLocation};
use parquet::file::writer::{SerializedPageWriter, TrackedWrite};
use parquet::schema::types::ColumnDescPtr;
use zstd::bulk::Compressor;

/// Of all columns, the library's own default.
pub(crate) const ZSTD_LEVEL: i32 = 1;
/// More different values go to the library.
const MOST_VALUES: usize = 1 << 12;
/// A longer dictionary goes to the library, bytes.
const MOST_BYTES: usize = 1 << 20;
/// Numbers seen last that are held; as many as the bits of a hash tell apart.
const RECENT: usize = 1 << HASH_BITS;
const HASH_BITS: u32 = 12;
/// No code.
const NONE: u16 = u16::MAX;
/// Texts compared at once: rows in order mostly hold those of the row before.
const ROWS_AT_ONCE: usize = 256;

/// Writes the chunks of one file.
pub(crate) struct Coder {
    pub(crate) zstd: Compressor<'static>,
    pub(crate) rows_per_page: usize,
}

impl Coder {
    /// The chunk of a column and what the row group is to know of it; None where the library is to
    /// write it.
    pub(crate) fn chunk(
        &mut self,
        column: &ArrayRef,
        descr: &ColumnDescPtr,
    ) -> Result<Option<(Bytes, ColumnCloseResult)>, ParquetError> {
        let is_flat = descr.max_rep_level() == 0 && descr.max_def_level() <= 1;
        let Some(codes) = Codes::of(column).filter(|_| is_flat) else {
            return Ok(None);
        };
        let mut sink = TrackedWrite::new(Vec::new());
        let mut out = SerializedPageWriter::new(&mut sink);
        let (mut n_plain, mut n_packed) = (0, 0);
        let mut write = |page: Page, n_bytes: usize| -> Result<PageWriteSpec, ParquetError> {
            let written = out.write_page(CompressedPage::new(page, n_bytes))?;
            n_plain += written.uncompressed_size;
            n_packed += written.compressed_size;
            Ok(written)
        };
        let dictionary = Page::DictionaryPage {
            buf: self.zstd.compress(&codes.dictionary)?.into(),
            num_values: to_number(codes.n_values)?,
            encoding: Encoding::PLAIN,
            is_sorted: false,
        };
        let first_page = write(dictionary, codes.dictionary.len())?.compressed_size;
        let mut locations = Vec::new();
        let mut first_row_index = 0;
        for rows in codes.rows.chunks(self.rows_per_page) {
            let body = body(rows, codes.width(), descr.max_def_level() == 1);
            let page = Page::DataPage {
                buf: self.zstd.compress(&body)?.into(),
                num_values: to_number(rows.len())?,
                encoding: Encoding::RLE_DICTIONARY,
                def_level_encoding: Encoding::RLE,
                rep_level_encoding: Encoding::RLE,
                statistics: None,
            };
            let written = write(page, body.len())?;
            locations.push(PageLocation {
                offset: to_number(written.offset)?,
                compressed_page_size: to_number(written.compressed_size)?,
                first_row_index,
            });
            first_row_index += to_number::<i64, _>(rows.len())?;
        }
        out.close()?;
        let metadata = ColumnChunkMetaData::builder(descr.clone())
            .set_encodings(vec![
                Encoding::PLAIN,
                Encoding::RLE,
                Encoding::RLE_DICTIONARY,
            ])
            .set_compression(Compression::ZSTD(ZstdLevel::try_new(ZSTD_LEVEL)?))
            .set_num_values(first_row_index)
            .set_total_uncompressed_size(to_number(n_plain)?)
            .set_total_compressed_size(to_number(n_packed)?)
            .set_dictionary_page_offset(Some(0))
            .set_data_page_offset(to_number(first_page)?);
        let bytes = sink.into_inner()?;
        let close = ColumnCloseResult {
            bytes_written: to_number(bytes.len())?,
            rows_written: to_number(column.len())?,
            metadata: metadata.build()?,
            bloom_filter: None,
            column_index: None,
            offset_index: Some(OffsetIndexMetaData {
                page_locations: locations,
                unencoded_byte_array_data_bytes: None,
            }),
        };
        Ok(Some((bytes.into(), close)))
    }
}

/// A column in codes: a row's is the number of different values before its own.
struct Codes {
    rows: Vec<u16>,
    /// The different values, PLAIN.
    dictionary: Vec<u8>,
    n_values: usize,
}

impl Codes {
    /// None for nulls, other kinds, and too many values.
    fn of(column: &ArrayRef) -> Option<Self> {
        if column.null_count() > 0 {
            return None;
        }
        let reals = column.as_primitive_opt::<Float64Type>();
        reals.map_or_else(|| of_texts(column.as_string_opt()?), of_reals)
    }

    /// Bits of a code.
    fn width(&self) -> u32 {
        let most = self.n_values.saturating_sub(1).max(1);
        usize::BITS - most.leading_zeros()
    }
}

/// Numbers are one value where all their bits are.
fn of_reals(column: &Float64Array) -> Option<Codes> {
    let mut known = HashMap::new();
    let mut dictionary = Vec::new();
    let mut recent = vec![(0, NONE); RECENT];
    let mut rows = vec![0; column.len()];
    for (value, row) in column.values().iter().zip(&mut rows) {
        let bits = value.to_bits();
        // 2^64 divided by the golden ratio: multiplicative hashing (Knuth, TAOCP 3, section 6.4).
        let hash = bits.wrapping_mul(0x9e37_79b9_7f4a_7c15) >> (u64::BITS - HASH_BITS);
        let slot = recent.get_mut(usize::try_from(hash).ok()?)?;
        if slot.0 != bits || slot.1 == NONE {
            *slot = (bits, code_of(&mut known, bits)?);
            if usize::from(slot.1) * 8 == dictionary.len() {
                dictionary.extend_from_slice(&bits.to_le_bytes());
            }
        }
        *row = slot.1;
    }
    Some(Codes {
        rows,
        dictionary,
        n_values: known.len(),
    })
}

fn of_texts(column: &StringArray) -> Option<Codes> {
    let mut known = HashMap::new();
    let mut dictionary: Vec<u8> = Vec::new();
    let mut last: Option<(&str, u16)> = None;
    let mut rows = Vec::with_capacity(column.len());
    for start in (0..column.len()).step_by(ROWS_AT_ONCE) {
        let part = column.slice(start, ROWS_AT_ONCE.min(column.len() - start));
        let n_same = repeated_text(&part).map_or(1, |_| part.len());
        for row in (start..start + part.len()).step_by(n_same) {
            let text = column.value(row);
            let code = match last.filter(|(same, _)| *same == text) {
                Some((_, code)) => code,
                None => {
                    let n_before = known.len();
                    let code = code_of(&mut known, text)?;
                    if known.len() > n_before {
                        let length = u32::try_from(text.len()).ok()?;
                        dictionary.extend_from_slice(&length.to_le_bytes());
                        dictionary.extend_from_slice(text.as_bytes());
                    }
                    code
                }
            };
            last = Some((text, code));
            rows.resize(rows.len() + n_same, code);
        }
        if dictionary.len() > MOST_BYTES {
            return None;
        }
    }
    Some(Codes {
        rows,
        dictionary,
        n_values: known.len(),
    })
}

/// The code of a value, which is new or not; None where one more would be too many.
fn code_of<V: Eq + Hash>(known: &mut HashMap<V, u16>, value: V) -> Option<u16> {
    let next = known.len();
    let code = *known.entry(value).or_insert(u16::try_from(next).ok()?);
    (known.len() <= MOST_VALUES).then_some(code)
}

/// A page of codes: that every row has one, where it need not, their width, and they themselves.
fn body(codes: &[u16], width: u32, is_nullable: bool) -> Vec<u8> {
    let mut out = Vec::new();
    if is_nullable {
        let mut levels = Vec::new();
        push_run(&mut levels, codes.len(), 1, 1);
        out.extend(levels.len().to_le_bytes().iter().take(4));
        out.append(&mut levels);
    }
    out.extend(width.to_le_bytes().iter().take(1));
    let first = codes.first().copied().unwrap_or(0);
    if codes.iter().all(|code| *code == first) {
        push_run(&mut out, codes.len(), first, width);
        return out;
    }
    let n_groups = codes.len().div_ceil(8);
    push_varint(&mut out, (n_groups << 1) | 1);
    let n_bytes = width as usize;
    out.reserve(n_groups * n_bytes);
    // Groups of eight codes end at a whole byte; the last is filled up with zeros.
    for group in codes.chunks(8) {
        let packed = |four: &[u16]| {
            let codes = four.iter().rev();
            codes.fold(0_u64, |bits, code| (bits << width) | u64::from(*code))
        };
        let (low, high) = group.split_at(group.len().min(4));
        let bits = u128::from(packed(low)) | (u128::from(packed(high)) << (4 * width));
        out.extend_from_slice(bits.to_le_bytes().get(..n_bytes).unwrap_or(&[]));
    }
    out
}

/// `n` times the same.
fn push_run(out: &mut Vec<u8>, n: usize, value: u16, width: u32) {
    push_varint(out, n << 1);
    let n_bytes = width.div_ceil(8) as usize;
    out.extend(value.to_le_bytes().iter().take(n_bytes));
}

/// ULEB-128.
fn push_varint(out: &mut Vec<u8>, mut value: usize) {
    while value >= 0x80 {
        out.extend(((value & 0x7f) | 0x80).to_le_bytes().first());
        value >>= 7;
    }
    out.extend(value.to_le_bytes().first());
}

fn to_number<T: TryFrom<N>, N>(n: N) -> Result<T, ParquetError> {
    T::try_from(n).map_err(|_| ParquetError::General("a column chunk of too many bytes".to_owned()))
}

#[cfg(test)]
#[path = "coded_tests.rs"]
mod tests;
