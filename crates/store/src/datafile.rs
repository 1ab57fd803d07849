//! One Parquet file: rows in key order out, rows in.
//!
//! zstd, statistics on the columns that rows are looked up by, row groups of 128 Ki rows (small enough that a
//! reader of one unit skips most of a month, large enough to compress).

use std::fs::{self, File};
use std::path::Path;
use std::sync::Arc;

use arrow::array::{ArrayRef, RecordBatch, UInt64Array};
use arrow::compute::{
    SortColumn, SortOptions, concat_batches, lexsort_to_indices, take_record_batch,
};
use arrow::datatypes::DataType;
use drydown_schema::{RowOrder, Strictness};
use parquet::arrow::ArrowWriter;
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;
use parquet::arrow::arrow_writer::{ArrowRowGroupWriterFactory, compute_leaves};
use parquet::basic::{Compression, Encoding, ZstdLevel};
use parquet::errors::ParquetError;
use parquet::file::metadata::SortingColumn;
use parquet::file::properties::{EnabledStatistics, WriterProperties};
use parquet::file::writer::SerializedFileWriter;
use parquet::schema::types::ColumnPath;
use zstd::bulk::Compressor;

use crate::coded::{Coder, ZSTD_LEVEL};
use crate::error::StoreError;
use crate::layout::Layout;

const ROWS_PER_GROUP: usize = 128 * 1024;
const ROWS_PER_PAGE: usize = 16 * 1024;
const ROWS_PER_BATCH: usize = 64 * 1024;
const SORT: SortOptions = SortOptions {
    descending: false,
    nulls_first: true,
};

/// Rows in the order of the table.
pub(crate) struct Sorted {
    pub(crate) rows: RecordBatch,
    /// They came so, and no two of them compare equal.
    pub(crate) is_strict: bool,
}

/// Joins batches of file columns into one, its rows in key order. Rows with equal
/// keys keep no particular order: keys are unique by contract.
pub(crate) fn to_sorted(layout: &Layout, batches: &[RecordBatch]) -> Result<Sorted, StoreError> {
    let schema = layout.file_schema();
    let wrong = |e: arrow::error::ArrowError| layout.bad_rows(e.to_string());
    let whole = concat_batches(&schema, batches).map_err(wrong)?;
    let columns: Vec<SortColumn> = layout
        .sort
        .iter()
        .filter_map(|key| whole.column_by_name(key))
        .map(|column| SortColumn {
            values: Arc::clone(column),
            options: Some(SORT),
        })
        .collect();
    let arrays: Vec<ArrayRef> = columns.iter().map(|c| Arc::clone(&c.values)).collect();
    let ascends = |strictness| {
        RowOrder::of(&arrays).is_some_and(|order| order.out_of_order(strictness).next().is_none())
    };
    let is_strict = !columns.is_empty() && ascends(Strictness::Distinct);
    let rows = if is_strict || columns.is_empty() || ascends(Strictness::MayRepeat) {
        whole
    } else {
        let order: ArrayRef = Arc::new(lexsort_to_indices(&columns, None).map_err(wrong)?);
        take_record_batch(&whole, &order).map_err(wrong)?
    };
    Ok(Sorted { rows, is_strict })
}

/// The rows at `rows`, in that order.
pub(crate) fn pick_rows(
    layout: &Layout,
    batch: &RecordBatch,
    rows: Vec<u64>,
) -> Result<RecordBatch, StoreError> {
    if rows.len() == batch.num_rows() {
        return Ok(batch.clone()); // ascending and all of them
    }
    take_record_batch(batch, &UInt64Array::from(rows)).map_err(|e| layout.bad_rows(e.to_string()))
}

/// Writes rows already in key order to a new file and makes sure they have reached
/// the disk; returns the file's size in bytes.
pub(crate) fn publish_rows(
    layout: &Layout,
    path: &Path,
    rows: &RecordBatch,
) -> Result<u64, StoreError> {
    let doing = "write a data file";
    if let Some(folder) = path.parent() {
        fs::create_dir_all(folder).map_err(|e| StoreError::disk(folder, "make a folder", e))?;
    }
    let file = File::create_new(path).map_err(|e| StoreError::disk(path, doing, e))?;
    let written = write_parquet(layout, &file, rows);
    let size = written
        .map_err(|e| StoreError::file(path, doing, &e))
        .and_then(|()| {
            file.sync_all()
                .map_err(|e| StoreError::disk(path, doing, e))
        })
        .and_then(|()| {
            file.metadata()
                .map_err(|e| StoreError::disk(path, doing, e))
        })
        .map(|metadata| metadata.len());
    if size.is_err() {
        // Half a file helps nobody; on a full disk it also is in the way.
        let _ = fs::remove_file(path);
    }
    size
}

fn write_parquet(layout: &Layout, file: &File, rows: &RecordBatch) -> Result<(), ParquetError> {
    let schema = rows.schema();
    let sorting = layout
        .sort
        .iter()
        .filter_map(|key| schema.index_of(key).ok())
        .filter_map(|index| i32::try_from(index).ok())
        .map(|column_idx| SortingColumn {
            column_idx,
            descending: SORT.descending,
            nulls_first: SORT.nulls_first,
        })
        .collect();
    let mut properties = WriterProperties::builder()
        .set_compression(Compression::ZSTD(ZstdLevel::try_new(ZSTD_LEVEL)?))
        .set_statistics_enabled(EnabledStatistics::Page)
        .set_data_page_row_count_limit(ROWS_PER_PAGE)
        .set_sorting_columns(Some(sorting))
        .set_created_by(format!("drydown {}", env!("CARGO_PKG_VERSION")));
    for field in schema.fields() {
        // Comparing every value of every column costs a tenth of the writing, and no reader skips
        // rows by a temperature.
        let is_sought = layout.sort.contains(field.name())
            || matches!(
                field.data_type(),
                DataType::Timestamp(..) | DataType::Date32
            );
        if !is_sought {
            let path = ColumnPath::from(field.name().as_str());
            properties = properties.set_column_statistics_enabled(path, EnabledStatistics::None);
        }
        // Stamps and lines ascend: their differences take far less room than a dictionary of them,
        // and far less time.
        if matches!(field.data_type(), DataType::Int64 | DataType::Timestamp(..)) {
            let path = ColumnPath::from(field.name().as_str());
            properties = properties
                .set_column_dictionary_enabled(path.clone(), false)
                .set_column_encoding(path, Encoding::DELTA_BINARY_PACKED);
        }
    }
    let properties = properties.build();
    let writer = ArrowWriter::try_new(file, schema, Some(properties.clone()))?;
    let (mut out, library) = writer.into_serialized_writer()?;
    let mut coder = Coder {
        zstd: Compressor::new(ZSTD_LEVEL)?,
        rows_per_page: ROWS_PER_PAGE,
    };
    let mut start = 0;
    while start < rows.num_rows() {
        let group = rows.slice(start, ROWS_PER_GROUP.min(rows.num_rows() - start));
        write_group(&mut out, &library, &mut coder, &properties, &group)?;
        start += group.num_rows();
    }
    out.close()?;
    Ok(())
}

/// Writes one row group, a column after the other.
fn write_group(
    out: &mut SerializedFileWriter<&File>,
    library: &ArrowRowGroupWriterFactory,
    coder: &mut Coder,
    properties: &WriterProperties,
    rows: &RecordBatch,
) -> Result<(), ParquetError> {
    let index = out.flushed_row_groups().len();
    let writers = library.create_column_writers(index)?;
    let descrs = out.schema_descr().columns().to_vec();
    let mut group = out.next_row_group()?;
    let fields = rows.schema();
    let columns = fields.fields().iter().zip(rows.columns());
    for ((field, column), (mut writer, descr)) in columns.zip(writers.into_iter().zip(&descrs)) {
        let statistics = properties.statistics_enabled(descr.path());
        if statistics == EnabledStatistics::None
            && let Some((bytes, close)) = coder.chunk(column, descr)?
        {
            group.append_column(&bytes, close)?;
            continue;
        }
        for leaf in compute_leaves(field, column)? {
            writer.write(&leaf)?;
        }
        writer.close()?.append_to_row_group(&mut group)?;
    }
    group.close()?;
    Ok(())
}

/// Reads all rows of one file, its own columns as they are.
pub(crate) fn load_rows(path: &Path) -> Result<Vec<RecordBatch>, StoreError> {
    let doing = "read a data file";
    let file = File::open(path).map_err(|e| StoreError::disk(path, doing, e))?;
    let reader = ParquetRecordBatchReaderBuilder::try_new(file)
        .map_err(|e| StoreError::file(path, doing, &e))?
        .with_batch_size(ROWS_PER_BATCH)
        .build()
        .map_err(|e| StoreError::file(path, doing, &e))?;
    reader
        .map(|batch| batch.map_err(|e| StoreError::file(path, doing, &e)))
        .collect()
}

/// The number of rows in one file, from its footer.
pub(crate) fn load_n_rows(path: &Path) -> Result<u64, StoreError> {
    let doing = "read a data file";
    let file = File::open(path).map_err(|e| StoreError::disk(path, doing, e))?;
    let reader = ParquetRecordBatchReaderBuilder::try_new(file)
        .map_err(|e| StoreError::file(path, doing, &e))?;
    Ok(u64::try_from(reader.metadata().file_metadata().num_rows()).unwrap_or_default())
}
