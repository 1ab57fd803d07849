//! For tests: batches filled at random within the bounds of the contract, and the way of a batch
//! through a Parquet file into a polars frame, as the store goes it.

use std::sync::Arc;

use arrow::array::{
    ArrayRef, BooleanArray, Date32Array, Float64Array, Int64Array, RecordBatch, StringArray,
    TimestampMicrosecondArray,
};
use drydown_quantity::Stamp;
use drydown_schema::{ColumnKind, ColumnSpec, TableSpec, arrow_schema};
use parquet::arrow::ArrowWriter;
use polars::prelude::{DataFrame, LazyFrame, PlRefPath, ScanArgsParquet};

/// 2026-10-01T00:00Z.
pub(crate) const AS_OF: Stamp = Stamp::from_seconds(1_790_812_800);

/// A small generator of numbers (Marsaglia's xorshift), so that a failure repeats.
pub(crate) struct Dice(pub(crate) u64);

impl Dice {
    pub(crate) fn roll(&mut self, below: u64) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0 % below
    }

    fn share(&mut self) -> f64 {
        self.roll(1 << 53) as f64 / (1_u64 << 53) as f64
    }
}

/// A batch of a table: keys ascend, cells are within bounds; a null with the probability `nulls`
/// where the column is in `optional`.
pub(crate) fn batch(spec: &TableSpec, n: usize, nulls: f64, optional: &[String]) -> RecordBatch {
    let mut dice = Dice(0x9E37_79B9_7F4A_7C15);
    let arrays = spec.columns.iter().map(|column| {
        let may_be_null = optional.contains(&column.name);
        let hidden: Vec<bool> = (0..n)
            .map(|_| may_be_null && dice.share() < nulls)
            .collect();
        array(spec, column, &hidden, &mut dice)
    });
    RecordBatch::try_new(Arc::new(arrow_schema(spec)), arrays.collect()).unwrap()
}

fn array(spec: &TableSpec, column: &ColumnSpec, hidden: &[bool], dice: &mut Dice) -> ArrayRef {
    let rows = hidden.iter();
    let bounds = column.stored_bounds();
    let (low, high) = (
        bounds.minimum.unwrap_or(-1e6),
        bounds.maximum.unwrap_or(1e6),
    );
    match column.kind {
        ColumnKind::Text => Arc::new(
            rows.enumerate()
                .map(|(row, hide)| (!hide).then(|| text(spec, column, row, dice)))
                .collect::<StringArray>(),
        ),
        ColumnKind::Int => Arc::new(
            rows.map(|hide| {
                (!hide).then(|| {
                    low.max(0.0) as i64 + dice.roll(1 + (high - low.max(0.0)) as u64) as i64
                })
            })
            .collect::<Int64Array>(),
        ),
        ColumnKind::Real => Arc::new(
            rows.map(|hide| (!hide).then(|| low + (high - low) * dice.share()))
                .collect::<Float64Array>(),
        ),
        ColumnKind::Bool => Arc::new(
            rows.map(|hide| (!hide).then(|| dice.roll(2) == 1))
                .collect::<BooleanArray>(),
        ),
        ColumnKind::Stamp => {
            let micros = rows.enumerate().map(|(row, hide)| {
                (!hide).then(|| match column.name.as_str() {
                    "as_of" => AS_OF.micros(),
                    _ => {
                        AS_OF.micros() - 40_000_000_000_000
                            + row as i64 * 3_600_000_000
                            + dice.roll(9) as i64
                    }
                })
            });
            Arc::new(
                micros
                    .collect::<TimestampMicrosecondArray>()
                    .with_timezone("UTC"),
            )
        }
        ColumnKind::Date => Arc::new(
            rows.map(|hide| (!hide).then(|| 20_000 + dice.roll(900) as i32))
                .collect::<Date32Array>(),
        ),
    }
}

fn text(spec: &TableSpec, column: &ColumnSpec, row: usize, dice: &mut Dice) -> String {
    let month = 1 + row / 40 % 12;
    match column.name.as_str() {
        "run_id" => format!(
            "U-7@2026{month:02}{:02}T{:02}0000Z",
            1 + row % 40 / 2,
            row % 2
        ),
        "month" if spec.column("run_id").is_some() => format!("2026-{month:02}"),
        "month" => "2026-03".to_owned(),
        "quarter" => format!("2026Q{}", 1 + dice.roll(4)),
        "flags" | "oil_families_allowed" | "jobs" => {
            ["", "gap", "gap,open"][dice.roll(3) as usize].to_owned()
        }
        "cleanliness_limit" => "18/16/13".to_owned(),
        _ if spec.is_key(&column.name) && column.words.is_empty() => format!("K-{row:05}"),
        _ if column.words.is_empty() => {
            ["gap", "Überdruck, Öl", "", "a \"quoted\" one", "über\nzwei"][dice.roll(5) as usize]
                .to_owned()
        }
        _ => column.words[dice.roll(column.words.len() as u64) as usize].clone(),
    }
}

/// The frame that polars scans from the batch's Parquet file.
pub(crate) fn scanned(batch: &RecordBatch) -> DataFrame {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("part.parquet");
    let file = std::fs::File::create(&path).unwrap();
    let mut writer = ArrowWriter::try_new(file, batch.schema(), None).unwrap();
    writer.write(batch).unwrap();
    writer.close().unwrap();
    let path = PlRefPath::try_from_path(&path).unwrap();
    LazyFrame::scan_parquet(path, ScanArgsParquet::default())
        .unwrap()
        .collect()
        .unwrap()
}
