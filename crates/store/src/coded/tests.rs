//! What the coder writes, read by the library.

use std::sync::Arc;

use arrow::array::{
    Array, ArrayRef, Float64Array, Int64Array, RecordBatch, StringArray, UInt64Array,
};
use arrow::datatypes::{DataType, Field, Schema};
use bytes::Bytes;
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
    let mut coder = Coder::new(rows_per_page).unwrap();
    let chunk = coder
        .chunk(
            column,
            &parquet.column(0),
            *column.data_type() == DataType::Utf8,
        )
        .unwrap()?;
    let properties = Arc::new(WriterProperties::builder().build());
    let mut file =
        SerializedFileWriter::new(Vec::new(), parquet.root_schema_ptr(), properties).unwrap();
    let mut group = file.next_row_group().unwrap();
    chunk.append_to(&mut group).unwrap();
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
        cells in proptest::collection::vec(proptest::option::weighted(0.8, 0..400_u32), 1..700),
        rows_per_page in 1_usize..300,
    ) {
        let value = |n: u32| match n {
            0 => -0.0,
            1 => 0.0,
            2 => f64::NAN,
            n => f64::from(n) / 10.0 * 1.8 + 32.0,
        };
        let column: Float64Array = cells.iter().map(|cell| cell.map(value)).collect();
        let column: ArrayRef = Arc::new(column);
        let back = round_trip(&column, true, rows_per_page).unwrap();
        proptest::prop_assert_eq!(bits(&back), bits(&column));
    }

    #[test]
    fn texts_come_back(
        cells in proptest::collection::vec(proptest::option::weighted(0.8, "[a-c\u{e9}]{0,2}"), 1..300),
        rows_per_page in 1_usize..100,
    ) {
        let column: ArrayRef = Arc::new(StringArray::from(cells));
        let back = round_trip(&column, true, rows_per_page).unwrap();
        proptest::prop_assert_eq!(&back, &column);
    }
}

#[test]
fn columns_without_nulls_and_of_nothing_else() {
    let check = |column: ArrayRef, is_nullable: bool| {
        let back = round_trip(&column, is_nullable, 100).unwrap();
        assert_eq!(&back, &column);
    };
    check(Arc::new(Float64Array::from(vec![1.5; 1000])), false);
    check(Arc::new(Float64Array::from(vec![None; 1000])), true);
    check(Arc::new(StringArray::from(vec!["U-1"; 1])), false);
    let many: Vec<f64> = (0..40_000_u32).map(|n| f64::from(n % 2_001)).collect();
    check(Arc::new(Float64Array::from(many)), true);
    let texts: Vec<String> = (0..40_000).map(|n| format!("R-{}", n % 257)).collect();
    check(Arc::new(StringArray::from(texts)), true);
}

#[test]
fn the_library_writes_what_has_many_values_and_other_kinds() {
    let check = |column: ArrayRef| assert!(round_trip(&column, true, 100).is_none());
    check(Arc::new(Int64Array::from(vec![1, 1, 1])));
    let of = |n: u32| (0..n).map(f64::from).collect::<Vec<f64>>();
    check(Arc::new(Float64Array::from(of(50_000))));
    let mut late = vec![0.0; 10_000];
    late.extend(of(20_000));
    check(Arc::new(Float64Array::from(late)));
    let texts: Vec<String> = (0..20_000).map(|n| format!("{n}")).collect();
    check(Arc::new(StringArray::from(texts)));
}
