//! The keys of a block of records whose texts are all known: the common case of a run log.
//!
//! As [`Job::read_key`] of one record after the other, without what may make a record no row. Where one
//! of the block takes more than looking its texts up, nothing is taken of it here.

use drydown_quantity::Stamp;

use super::builder::Builder;
use super::cell::Place;
use super::down::Row;
use super::header::Header;
use super::memo::Short;
use super::record::{Fields, Job};
use crate::source::CellKind;
use crate::source::Column;
use crate::stamps::{FoldRow, LocalTime, StampFormat};
use crate::text::Block;
use crate::texts::{NULL, from_whole};

/// Where a key of a stamp, or of a stamp and one more column, stands in a record.
#[derive(Clone, Copy, Debug)]
pub(super) struct PlainFields<'a> {
    stamp: (usize, usize),
    column: &'a Column,
    format: &'a StampFormat,
    other: Option<(usize, usize)>,
    /// The other column is the unit.
    is_unit: bool,
}

/// The key of a record that is a row.
#[derive(Clone, Copy, Debug)]
pub(super) struct PlainKey {
    other: u64,
    at: Stamp,
    local_micros: i64,
}

impl<'a> Job<'a> {
    /// None where keys hang on more than the texts of a record, or have more columns.
    pub(super) fn plain_fields(&self, fields: &Fields) -> Option<PlainFields<'a>> {
        let source = self.source;
        let stamp_key = self.stamp_key()?;
        let column = source.keys.get(stamp_key)?;
        let CellKind::Stamp(format) = &column.kind else {
            return None;
        };
        if source.dates_apart || !source.fill_down.is_empty() || source.keys.len() > 2 {
            return None;
        }
        let field = |idx: usize| Some((idx, fields.keys.get(idx)?.single()?));
        let other = (0..source.keys.len()).find(|idx| *idx != stamp_key);
        Some(PlainFields {
            stamp: field(stamp_key)?,
            column,
            format,
            other: match other {
                Some(idx) => Some(field(idx)?),
                None => None,
            },
            is_unit: other.is_some() && other == self.unit_key(),
        })
    }

    /// Reads the keys of all records of a block; None where one of them is no row, or its texts are
    /// not known.
    pub(super) fn read_plain_keys(
        &mut self,
        block: &Block<'_>,
        header: &Header,
        at: &PlainFields<'_>,
        keys: &mut Vec<PlainKey>,
    ) -> Option<()> {
        keys.clear();
        let mut last: Option<(&str, PlainKey)> = None;
        for record in block.records() {
            if !header.fits(record) || header.is_repeated(record) {
                return None;
            }
            let text = record.field(at.stamp.1)?;
            let mut key = match last.filter(|(known, _)| *known == text) {
                Some((_, key)) => key,
                None => {
                    let found = self.cells.read_key_stamp(at.column, at.format, text);
                    let found = found.ok().flatten()?;
                    let LocalTime::Known(at) = found.time else {
                        return None;
                    };
                    self.cells.check_ahead(at).ok()?;
                    PlainKey {
                        other: NULL,
                        at,
                        local_micros: found.local_micros,
                    }
                }
            };
            last = Some((text, key));
            if let Some((idx, field)) = at.other {
                let (bytes, length) = block.field_on(record.first_field(), field)?;
                key.other = self.cells.known_key(idx, Short::of_first(bytes, length)?)?;
            }
            keys.push(key);
        }
        Some(())
    }

    /// Adds the keys of all records of a block, and where and when each belongs.
    pub(super) fn push_plain_keys(
        &mut self,
        block: &Block<'_>,
        at: &PlainFields<'_>,
        keys: &[PlainKey],
        builder: &mut Builder,
    ) -> (Vec<Row>, Vec<Place<'a>>) {
        builder.counts.rows_in += keys.len() as u64;
        let stamps = keys.iter().map(|key| from_whole(key.at.micros()));
        builder.push_cells(at.stamp.0, stamps);
        if let Some((idx, _)) = at.other {
            builder.push_cells(idx, keys.iter().map(|key| key.other));
        }
        builder
            .lines
            .extend(block.records().map(|record| record.line()));
        let unit = |key: &PlainKey| if at.is_unit { key.other } else { 0 };
        if self.source.clock.is_some() {
            builder.push_times(keys.iter().map(|key| FoldRow {
                series: unit(key) << 32,
                local_micros: key.local_micros,
                time: LocalTime::Known(key.at),
                content: 0,
                rest: 0,
                n_same: 1,
            }));
        }
        let rows = block.records().enumerate().map(|(at, record)| Row {
            record: at,
            first_field: record.first_field(),
        });
        let cell = |key: &PlainKey| at.is_unit.then_some(key.other);
        let places = keys
            .iter()
            .map(|key| self.place_of(cell(key), Some(key.at), None));
        (rows.collect(), places.collect())
    }
}

#[cfg(test)]
mod tests {
    use crate::reader::FileInput;
    use crate::site::SiteContext;
    use crate::source::SourceSpec;

    const SOURCE: &str = r#"
        name = "log"
        table = "readings"
        files = ["*"]
        timezone = "America/Chicago"
        FILL
        [columns]
        unit_id = { from = "Unit" }
        at = { from = "Time", format = "%Y-%m-%d %H:%M" }
        oil_flow_lpm = { from = "Flow", unit = "L/min" }
        chamber_pressure_kpa = { from = "Vac", unit = "kPa", reference = "vacuum" }
    "#;

    /// Everything that reading a text gives. A column that is filled from above, though it never is
    /// empty, keeps its keys from being read here.
    fn read(text: &str, is_plain: bool) -> String {
        let fill = if is_plain {
            ""
        } else {
            "fill_down = [\"Note\"]"
        };
        let spec: SourceSpec = toml::from_str(&SOURCE.replace("FILL", fill)).unwrap();
        let input = FileInput {
            name: "log.csv",
            bytes: text.as_bytes(),
            loaded_at: "2026-12-01".parse().unwrap(),
            max_text: 1 << 20,
        };
        let rows = spec
            .compile()
            .unwrap()
            .read_file(&input, &SiteContext::default());
        let keys: Vec<&[u64]> = rows.keys.iter().map(Vec::as_slice).collect();
        let texts: Vec<&str> = rows.pool.texts().collect();
        format!(
            "{keys:?} {texts:?} {:?} {:?} {:?} {:?}",
            rows.lines, rows.body, rows.rejects, rows.counts
        )
    }

    fn line() -> impl proptest::strategy::Strategy<Value = String> {
        use proptest::prelude::*;
        let plain = (0..3_u32, 0..4_u32, 50..60_u32)
            .prop_map(|(unit, at, flow)| format!("2026-03-01 10:0{at},U-{unit},{flow},9{unit},x"));
        let other = proptest::sample::select(vec![
            "2026-03-08 02:30,U-1,60,90,the hour that is skipped",
            "2026-11-01 01:30,U-1,60,90,the hour that comes twice",
            "2027-05-01 10:00,U-1,60,90,after the load",
            "Time,Unit,Flow,Vac,Note",
            "10:00,U-1,60,90,no stamp",
            "2026-03-01 10:00,,60,90,no unit",
            "2026-03-01 10:00, U-1 ,60,90,blanks",
            "2026-03-01 10:00,the first unit,60,90,a long text",
            "2026-03-01 10:00,U-1,60",
            "2026-03-01 10:00,U-1,6000,200,out of bounds",
        ]);
        prop_oneof![6 => plain, 1 => other.prop_map(str::to_owned)]
    }

    proptest::proptest! {
        #[test]
        fn keys_are_those_of_one_record_after_the_other(
            lines in proptest::collection::vec(line(), 0..40),
        ) {
            let text = format!("Time,Unit,Flow,Vac,Note\n{}\n", lines.join("\n"));
            proptest::prop_assert_eq!(read(&text, true), read(&text, false));
        }
    }
}
