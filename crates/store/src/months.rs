//! Which month each row belongs to.

use std::collections::BTreeMap;

use arrow::array::{Array, AsArray, RecordBatch};
use arrow::compute::{max, min};
use arrow::datatypes::TimestampMicrosecondType;
use drydown_quantity::{Day, Stamp};

use crate::error::StoreError;
use crate::layout::{Layout, MonthSource, Partition};

/// The months since year 0, so that they can be compared and grouped cheaply.
type MonthNumber = i32;

/// A month (none in a table without partitions) and the rows that belong to it.
type MonthRows = (Option<String>, Vec<u64>);

impl Layout {
    /// The rows of each month, months ascending and rows in their order; one group
    /// without a month for a table without partitions.
    pub(crate) fn split_by_month(&self, batch: &RecordBatch) -> Result<Vec<MonthRows>, StoreError> {
        let Some(partition) = &self.partition else {
            return Ok(vec![(None, (0..batch.num_rows() as u64).collect())]);
        };
        if let Some(month) = sole_month(batch, partition) {
            return Ok(vec![(
                Some(to_word(month)),
                (0..batch.num_rows() as u64).collect(),
            )]);
        }
        let mut groups: BTreeMap<MonthNumber, Vec<u64>> = BTreeMap::new();
        let months = self.months(batch, partition)?;
        let mut row = 0_u64;
        for run in months.chunk_by(|a, b| a == b) {
            let end = row + run.len() as u64;
            if let Some(month) = run.first() {
                groups.entry(*month).or_default().extend(row..end);
            }
            row = end;
        }
        Ok(groups
            .into_iter()
            .map(|(month, rows)| (Some(to_word(month)), rows))
            .collect())
    }

    /// A month column among the rows must agree with what it stands for.
    pub(crate) fn check_months(&self, batch: &RecordBatch) -> Result<(), StoreError> {
        let Some(partition) = &self.partition else {
            return Ok(());
        };
        let Some(given) = batch.column_by_name(&partition.column) else {
            return Ok(());
        };
        let given = given
            .as_string_opt::<i32>()
            .ok_or_else(|| self.bad_rows(format!("column \"{}\" is no text", partition.column)))?;
        if let Some(month) = sole_month(batch, partition)
            && drydown_schema::repeated_text(given) == Some(to_word(month).as_str())
        {
            return Ok(());
        }
        let months = self.months(batch, partition)?;
        let mut last: Option<(MonthNumber, String)> = None;
        for (row, (given, month)) in given.iter().zip(months).enumerate() {
            if last.as_ref().is_none_or(|(known, _)| *known != month) {
                last = Some((month, to_word(month)));
            }
            if let (Some(given), Some((_, word))) = (given, &last)
                && given != word
            {
                return Err(
                    self.bad_rows(format!("row {row}: found month {given}, expected {word}"))
                );
            }
        }
        Ok(())
    }

    fn months(
        &self,
        batch: &RecordBatch,
        partition: &Partition,
    ) -> Result<Vec<MonthNumber>, StoreError> {
        let (MonthSource::Stamp(name) | MonthSource::RunId(name)) = &partition.source;
        let column = batch
            .column_by_name(name)
            .ok_or_else(|| self.bad_rows(format!("column \"{name}\" is missing")))?;
        let months: Option<Vec<Option<MonthNumber>>> = match &partition.source {
            MonthSource::Stamp(_) => column
                .as_primitive_opt::<TimestampMicrosecondType>()
                .map(|stamps| of_stamps(stamps.iter())),
            MonthSource::RunId(_) => column
                .as_string_opt::<i32>()
                .map(|ids| ids.iter().map(|id| id.and_then(of_run_id)).collect()),
        };
        let months = months.ok_or_else(|| {
            self.bad_rows(format!("column \"{name}\" gives no month: wrong type"))
        })?;
        let whole: Result<Vec<MonthNumber>, usize> = months
            .into_iter()
            .enumerate()
            .map(|(row, month)| month.ok_or(row))
            .collect();
        whole.map_err(|row| self.bad_rows(format!("row {row}: \"{name}\" gives no month")))
    }
}

/// The month of all rows, where their stamps lie in one.
fn sole_month(batch: &RecordBatch, partition: &Partition) -> Option<MonthNumber> {
    let MonthSource::Stamp(name) = &partition.source else {
        return None;
    };
    let stamps = batch
        .column_by_name(name)?
        .as_primitive_opt::<TimestampMicrosecondType>()?;
    if stamps.null_count() > 0 {
        return None;
    }
    let ends = [min(stamps)?, max(stamps)?];
    match of_stamps(ends.into_iter().map(Some))[..] {
        [Some(first), Some(last)] if first == last => Some(first),
        _ => None,
    }
}

/// Many rows, few days: the calendar is asked once a day.
fn of_stamps(stamps: impl Iterator<Item = Option<i64>>) -> Vec<Option<MonthNumber>> {
    let mut last: Option<(Day, MonthNumber)> = None;
    stamps
        .map(|stamp| {
            let day = Stamp::from_micros(stamp?).day();
            if let Some((_, month)) = last.filter(|(known, _)| *known == day) {
                return Some(month);
            }
            let (year, month, _) = day.civil();
            let number = i32::from(year) * 12 + i32::from(month) - 1;
            last = Some((day, number));
            Some(number)
        })
        .collect()
}

/// The month of a run's start, from the id's `…@YYYYMMDDT…`.
fn of_run_id(id: &str) -> Option<MonthNumber> {
    let (_, start) = id.rsplit_once('@')?;
    let year: i32 = start.get(0..4)?.parse().ok()?;
    let month: i32 = start.get(4..6)?.parse().ok()?;
    (1..=12).contains(&month).then_some(year * 12 + month - 1)
}

fn to_word(month: MonthNumber) -> String {
    format!(
        "{:04}-{:02}",
        month.div_euclid(12),
        month.rem_euclid(12) + 1
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_run_belongs_to_the_month_of_its_start() {
        let check = |id: &str, expected: Option<&str>| {
            assert_eq!(of_run_id(id).map(to_word).as_deref(), expected, "{id}");
        };
        check("U-7@20260103T114500Z", Some("2026-01"));
        check("A@B@20251231T235959Z", Some("2025-12"));
        check("U-7@20261303T114500Z", None);
        check("U-7", None);
        check("U-7@2026", None);
        check("U-7@é0260103T114500Z", None);
    }

    #[test]
    fn a_stamp_belongs_to_its_utc_month() {
        let stamp = |text: &str| text.parse::<Stamp>().map(Stamp::micros).ok();
        let check = |text: &str, expected: &str| {
            let months = of_stamps([stamp(text)].into_iter());
            assert_eq!(
                months.first().copied().flatten().map(to_word).as_deref(),
                Some(expected)
            );
        };
        check("2026-01-31T23:59:59.999999Z", "2026-01");
        check("2026-02-01T00:00:00Z", "2026-02");
        check("1969-12-31T23:59:59Z", "1969-12");
    }
}
