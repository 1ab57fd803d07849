//! `floor CSV FOLDER`: what reading and writing the bench's export takes at the very least.
//!
//! The peer of `cargo xtask bench ingest` that shows how much of an ingest is unavoidable: cuts the
//! export at commas, reads numbers and the fixed stamps without looking whether they are any, converts
//! units, and hands the columns to the same Parquet library with zstd. It knows the file's eleven
//! columns; it checks nothing, knows no zone, key, order, hash, reject or ledger. Two threads take
//! one half of the file each.

use std::fs::File;
use std::io::{Read, Seek, SeekFrom};
use std::path::Path;
use std::sync::Arc;

use arrow::array::{ArrayRef, Float64Array, RecordBatch, StringBuilder, TimestampMicrosecondArray};
use arrow::datatypes::{DataType, Field, Schema, SchemaRef, TimeUnit};
use parquet::arrow::ArrowWriter;
use parquet::basic::{Compression, ZstdLevel};
use parquet::file::properties::WriterProperties;

type Outcome = Result<(), Box<dyn std::error::Error + Send + Sync>>;

/// Bytes read at a time.
const BLOCK: usize = 4 << 20;
/// Scale and shift of the numbers, in the order of the file: `shift + scale * stated`.
const NUMBERS: [(&str, f64, f64); 7] = [
    ("chamber_pressure_kpa", -3.386_38, 101.325),
    ("oil_inlet_degc", 1.0 / 1.8, -32.0 / 1.8),
    ("oil_outlet_degc", 1.0 / 1.8, -32.0 / 1.8),
    ("oil_flow_lpm", 3.785_411_784, 0.0),
    ("discharge_kpa_gauge", 6.894_757_293_168, 0.0),
    ("oil_pump_hz", 1.0, 0.0),
    ("water_ppm", 1.0, 0.0),
];

fn main() -> Outcome {
    let arguments: Vec<String> = std::env::args().collect();
    let [_, csv, folder] = arguments.as_slice() else {
        return Err("usage: floor CSV FOLDER".into());
    };
    let size = std::fs::metadata(csv)?.len();
    std::thread::scope(|scope| {
        let halves = [(0, size / 2), (size / 2, size)];
        let threads: Vec<_> = halves
            .into_iter()
            .enumerate()
            .map(|(n, half)| {
                let out = Path::new(folder).join(format!("floor-{n}.parquet"));
                scope.spawn(move || take(csv, half, &out))
            })
            .collect();
        for thread in threads {
            thread.join().map_err(|_| "a thread ended")??;
        }
        Ok(())
    })
}

/// Reads the lines that begin in the half, and writes them.
fn take(csv: &str, (from, to): (u64, u64), out: &Path) -> Outcome {
    let mut file = File::open(csv)?;
    // The line that the half begins in belongs to the one before; the first line is the header.
    file.seek(SeekFrom::Start(from))?;
    let mut at = from;
    let mut skips = true;
    let schema = schema();
    let properties = WriterProperties::builder()
        .set_compression(Compression::ZSTD(ZstdLevel::default()))
        .build();
    let mut writer = ArrowWriter::try_new(File::create(out)?, schema.clone(), Some(properties))?;
    let mut text: Vec<u8> = Vec::with_capacity(2 * BLOCK);
    while at < to {
        let n = (&mut file).take(BLOCK as u64).read_to_end(&mut text)?;
        let whole = text
            .iter()
            .rposition(|byte| *byte == b'\n')
            .map_or(0, |n| n + 1);
        let begin = if skips {
            text.iter()
                .position(|byte| *byte == b'\n')
                .map_or(0, |n| n + 1)
        } else {
            0
        };
        skips = false;
        let mut rows = Rows::default();
        let end = at - (text.len() - n) as u64;
        // Lines that begin in the other half are its own.
        let most = usize::try_from(to.saturating_sub(end)).unwrap_or(usize::MAX);
        let lines = text.get(begin..whole).unwrap_or(&[]);
        rows.read(lines, most.saturating_sub(begin));
        writer.write(&rows.finish(&schema)?)?;
        text.drain(..whole);
        at += n as u64;
        if n == 0 {
            break;
        }
    }
    writer.close()?;
    Ok(())
}

fn schema() -> SchemaRef {
    let stamp = DataType::Timestamp(TimeUnit::Microsecond, None);
    let mut fields = vec![Field::new("at", stamp, false)];
    fields.extend(["unit_id", "reservoir_id"].map(|name| Field::new(name, DataType::Utf8, false)));
    fields.extend(NUMBERS.map(|(name, ..)| Field::new(name, DataType::Float64, false)));
    fields.push(Field::new("alarm", DataType::Utf8, true));
    Arc::new(Schema::new(fields))
}

#[derive(Default)]
struct Rows {
    stamps: Vec<i64>,
    unit: StringBuilder,
    reservoir: StringBuilder,
    numbers: [Vec<f64>; 7],
    alarm: StringBuilder,
    /// The last stamp's text: twenty units share each.
    last: (Vec<u8>, i64),
}

impl Rows {
    fn read(&mut self, text: &[u8], most: usize) {
        let mut rest = text;
        while !rest.is_empty() && text.len() - rest.len() <= most {
            let mut field = || {
                let end = rest
                    .iter()
                    .position(|byte| matches!(byte, b',' | b'\n'))
                    .unwrap_or(rest.len());
                let (found, left) = rest.split_at(end);
                rest = left.get(1..).unwrap_or(&[]);
                found
            };
            let stamp = field();
            if stamp != self.last.0 {
                self.last = (stamp.to_vec(), micros(stamp));
            }
            self.stamps.push(self.last.1);
            let word = |bytes| std::str::from_utf8(bytes).unwrap_or("");
            self.unit.append_value(word(field()));
            self.reservoir.append_value(word(field()));
            for ((_, scale, shift), cells) in NUMBERS.iter().zip(&mut self.numbers) {
                cells.push(decimal(field()) * scale + shift);
            }
            let alarm = word(field());
            self.alarm
                .append_option(Some(alarm).filter(|text| !text.is_empty()));
        }
    }

    fn finish(mut self, schema: &SchemaRef) -> Result<RecordBatch, arrow::error::ArrowError> {
        let mut columns: Vec<ArrayRef> = vec![
            Arc::new(TimestampMicrosecondArray::from(self.stamps)),
            Arc::new(self.unit.finish()),
            Arc::new(self.reservoir.finish()),
        ];
        for cells in self.numbers {
            columns.push(Arc::new(Float64Array::from(cells)));
        }
        columns.push(Arc::new(self.alarm.finish()));
        RecordBatch::try_new(schema.clone(), columns)
    }
}

/// `mm/dd/yyyy HH:MM:SS`, as microseconds of its own clock.
fn micros(text: &[u8]) -> i64 {
    let number = |from: usize, to: usize| {
        let digits = text.get(from..to).unwrap_or(&[]);
        digits.iter().fold(0, |sum, digit| {
            sum * 10 + i64::from(digit.wrapping_sub(b'0'))
        })
    };
    let (month, day, year) = (number(0, 2), number(3, 5), number(6, 10));
    // Days since 1970-01-01 (Howard Hinnant, `days_from_civil`).
    let y = year - i64::from(month <= 2);
    let of_year = (153 * ((month + 9) % 12) + 2) / 5 + day - 1;
    let (era, of_era) = (y / 400, y % 400);
    let days = era * 146_097 + of_era * 365 + of_era / 4 - of_era / 100 + of_year - 719_468;
    let seconds = number(11, 13) * 3600 + number(14, 16) * 60 + number(17, 19);
    (days * 86_400 + seconds) * 1_000_000
}

/// Digits with at most one point: exact, as both parts are below 2^53 and 10^22 (Clinger 1990).
fn decimal(text: &[u8]) -> f64 {
    let (mut digits, mut places, mut in_fraction) = (0_u64, 0_i32, false);
    for byte in text {
        if *byte == b'.' {
            in_fraction = true;
        } else {
            digits = digits * 10 + u64::from(byte.wrapping_sub(b'0'));
            places += i32::from(in_fraction);
        }
    }
    digits as f64 / 10_f64.powi(places)
}
