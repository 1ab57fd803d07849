//! What the coder writes, read by the library.

use std::sync::Arc;

use arrow::array::{Int64Array, RecordBatch, UInt64Array};
use arrow::datatypes::{Field, Schema};
use parquet::arrow::ArrowSchemaConverter;
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::SerializedFileWriter;

use super::*;

/// A column written by the coder alone and read by the library; None where the coder leaves it.
fn round_trip(column: &ArrayRef, is_nullable: bool, rows_per_page: usize) -> Option<ArrayRef> {
    let field = Field::new("x", column.data_type().clone(), is_nullable);
    let schema = Arc::new(Schema::new(vec![field]));
    let parquet = ArrowSchemaConverter::new().convert(&schema).unwrap();
    let mut coder = Coder {
        zstd: Compressor::new(ZSTD_LEVEL).unwrap(),
        rows_per_page,
    };
    let (bytes, close) = coder.chunk(column, &parquet.column(0)).unwrap()?;
    let properties = Arc::new(WriterProperties::builder().build());
    let mut file =
        SerializedFileWriter::new(Vec::new(), parquet.root_schema_ptr(), properties).unwrap();
    let mut group = file.next_row_group().unwrap();
    group.append_column(&bytes, close).unwrap();
    group.close().unwrap();
    let bytes = Bytes::from(file.into_inner().unwrap());
    let reader = ParquetRecordBatchReaderBuilder::try_new(bytes)
        .unwrap()
        .with_batch_size(column.len().max(1))
        .build()
        .unwrap();
    let batches: Vec<RecordBatch> = reader.map(Result::unwrap).collect();
    let whole = arrow::compute::concat_batches(&schema, &batches).unwrap();
    Some(Arc::clone(whole.column(0)))
}

/// Numbers as their bits: NaN and the zeros are to come back as they were.
fn bits(column: &ArrayRef) -> UInt64Array {
    let reals: &Float64Array = column.as_any().downcast_ref().unwrap();
    reals.iter().map(|cell| cell.map(f64::to_bits)).collect()
}

proptest::proptest! {
    #[test]
    fn numbers_come_back_bit_by_bit(
        cells in proptest::collection::vec(0..400_u32, 1..700),
        is_nullable: bool,
        rows_per_page in 1_usize..300,
    ) {
        let value = |n: &u32| match n {
            0 => -0.0,
            1 => 0.0,
            2 => f64::NAN,
            n => f64::from(*n) / 10.0 * 1.8 + 32.0,
        };
        let column: ArrayRef = Arc::new(Float64Array::from_iter_values(cells.iter().map(value)));
        let back = round_trip(&column, is_nullable, rows_per_page).unwrap();
        proptest::prop_assert_eq!(bits(&back), bits(&column));
    }

    #[test]
    fn texts_come_back(
        cells in proptest::collection::vec(("[a-c\u{e9}]{0,2}", 1_usize..400), 1..20),
        is_nullable: bool,
        rows_per_page in 1_usize..1000,
    ) {
        let texts = cells.iter().flat_map(|(text, n)| std::iter::repeat_n(Some(text), *n));
        let column: ArrayRef = Arc::new(texts.collect::<StringArray>());
        let back = round_trip(&column, is_nullable, rows_per_page).unwrap();
        proptest::prop_assert_eq!(&back, &column);
    }
}

#[test]
fn as_many_values_as_are_coded() {
    // More than the table of those seen last holds apart, again and again.
    let numbers: Vec<f64> = (0..40_000).map(|n| f64::from(n * 7 % 4096)).collect();
    let column: ArrayRef = Arc::new(Float64Array::from(numbers));
    assert_eq!(&round_trip(&column, true, 16_384).unwrap(), &column);
    let texts = (0..40_000).map(|n| format!("R-{}", n * 7 % 4096));
    let column: ArrayRef = Arc::new(StringArray::from_iter_values(texts));
    assert_eq!(&round_trip(&column, true, 16_384).unwrap(), &column);
}

#[test]
fn the_library_writes_nulls_many_values_and_other_kinds() {
    let check = |column: ArrayRef| assert!(round_trip(&column, true, 100).is_none());
    check(Arc::new(Int64Array::from(vec![1, 1, 1])));
    check(Arc::new(Float64Array::from(vec![Some(1.0), None])));
    check(Arc::new(StringArray::from(vec![Some("a"), None])));
    let many = (0..4097).map(f64::from);
    check(Arc::new(Float64Array::from_iter_values(many)));
    let many = (0..4097).map(|n| n.to_string());
    check(Arc::new(StringArray::from_iter_values(many)));
    let long = (0..3).map(|n| n.to_string().repeat(400_000));
    check(Arc::new(StringArray::from_iter_values(long)));
}
