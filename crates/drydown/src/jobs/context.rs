//! What a job works from: the store at pinned versions, the configuration, the time.

use std::collections::BTreeMap;

use anyhow::{Context as _, Result};
use drydown_quantity::{Stamp, UnitId};
use drydown_runs::Readings;
use drydown_runs::history::{Registers, Sample};
use drydown_schema::tables;
use drydown_store::Store;
use drydown_tables::{Record, from_frame};
use polars::prelude::{DataFrame, LazyFrame, SortMultipleOptions, col, lit};

use crate::config::Config;

/// The store at the versions it had when the job began.
pub(crate) struct Context<'a> {
    pub(crate) store: &'a Store,
    pub(crate) config: &'a Config,
    pub(crate) as_of: Stamp,
    versions: BTreeMap<&'static str, Option<i64>>,
}

impl<'a> Context<'a> {
    /// Pins every table at its newest version.
    pub(crate) fn new(store: &'a Store, config: &'a Config, as_of: Stamp) -> Result<Self> {
        let mut versions = BTreeMap::new();
        for spec in tables() {
            versions.insert(spec.name.as_str(), store.table_version(&spec.name)?);
        }
        Ok(Self {
            store,
            config,
            as_of,
            versions,
        })
    }

    /// Pins the tables at given versions (those of a past analysis).
    pub(crate) fn at(
        store: &'a Store,
        config: &'a Config,
        as_of: Stamp,
        versions: &BTreeMap<String, Option<i64>>,
    ) -> Result<Self> {
        let mut context = Self::new(store, config, as_of)?;
        for (table, version) in &mut context.versions {
            if let Some(pinned) = versions.get(*table) {
                *version = *pinned;
            }
        }
        Ok(context)
    }

    pub(crate) fn versions(&self) -> &BTreeMap<&'static str, Option<i64>> {
        &self.versions
    }

    /// A lazy frame of a table; a table never written is empty.
    pub(crate) fn scan(&self, table: &str) -> Result<LazyFrame> {
        let version = self.versions.get(table).copied().flatten();
        self.store
            .scan(table, version, None)
            .with_context(|| format!("cannot read table \"{table}\""))
    }

    /// A whole table.
    pub(crate) fn frame(&self, table: &str) -> Result<DataFrame> {
        self.scan(table)?
            .collect()
            .with_context(|| format!("cannot read table \"{table}\""))
    }

    /// A whole table as records, sorted by key.
    pub(crate) fn records<R: Record>(&self) -> Result<Vec<R>> {
        Ok(from_frame(&self.frame(R::TABLE)?)?)
    }

    /// Registers and events, limited to as_of.
    pub(crate) fn registers(&self) -> Result<Registers> {
        self.registers_at(self.as_of)
    }

    /// Registers and events, limited to an earlier time.
    pub(crate) fn registers_at(&self, as_of: Stamp) -> Result<Registers> {
        drydown_tables::registers(|table| self.frame(table), as_of)
    }

    /// Samples known before as_of.
    pub(crate) fn samples(&self) -> Result<Vec<Sample>> {
        Ok(drydown_tables::samples(
            &self.frame("samples")?,
            self.as_of,
        )?)
    }

    /// The units that ever logged a reading before as_of, with their last one.
    pub(crate) fn last_heard(&self) -> Result<Vec<(UnitId, Stamp)>> {
        let frame = self
            .scan("readings")?
            .filter(col("at").lt(stamp_literal(self.as_of)))
            .group_by([col("unit_id")])
            .agg([col("at").max()])
            .sort(["unit_id"], SortMultipleOptions::default())
            .collect()?;
        let units = frame.column("unit_id")?.str()?.iter();
        let times = frame.column("at")?.datetime()?.physical().iter();
        Ok(units
            .zip(times)
            .filter_map(|(unit, at)| Some((UnitId::from(unit?), Stamp::from_micros(at?))))
            .collect())
    }

    /// The readings of one unit before as_of, ascending.
    pub(crate) fn readings(&self, unit: &UnitId) -> Result<Readings> {
        let frame = self
            .scan("readings")?
            .filter(col("unit_id").eq(lit(unit.as_str())))
            .filter(col("at").lt(stamp_literal(self.as_of)))
            .sort(["at"], SortMultipleOptions::default())
            .collect()
            .with_context(|| format!("cannot read the readings of {unit}"))?;
        Ok(drydown_tables::readings(&frame, unit, self.as_of)?)
    }
}

/// A time as a polars literal of the stored type.
pub(crate) fn stamp_literal(at: Stamp) -> polars::prelude::Expr {
    use polars::prelude::{DataType, TimeUnit, TimeZone};
    lit(at.micros()).cast(DataType::Datetime(
        TimeUnit::Microseconds,
        Some(TimeZone::UTC),
    ))
}
