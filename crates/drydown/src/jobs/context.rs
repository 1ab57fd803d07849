//! What a job works from: the store at pinned versions, the configuration, the time.

use std::collections::BTreeMap;

use anyhow::{Context as _, Result};
use drydown_quantity::{Stamp, UnitId};
use drydown_runs::Readings;
use drydown_runs::history::{Registers, Sample};
use drydown_schema::tables;
use drydown_store::Store;
use drydown_tables::{Record, from_frame};
use polars::prelude::{DataFrame, Expr, LazyFrame, SortMultipleOptions, col, lit};

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

    /// The units that ever logged a reading before as_of, with their last one. Rows that tell nothing
    /// are no readings (`drydown_tables::unit_readings`).
    pub(crate) fn last_heard(&self) -> Result<Vec<(UnitId, Stamp)>> {
        let log = self
            .scan("readings")?
            .filter(col("at").lt(stamp_literal(self.as_of)));
        // Nearly every row holds a pressure: only after a unit's last one the other columns are read.
        let with_pressure = col("at").filter(col("chamber_pressure_kpa").is_not_null());
        let quick = by_unit(
            log.clone(),
            &[
                ("with_pressure", with_pressure.max()),
                ("at", col("at").max()),
            ],
        )?;
        let mut heard: BTreeMap<UnitId, Stamp> = BTreeMap::new();
        let mut doubtful: Vec<(UnitId, Option<Stamp>)> = Vec::new();
        for (unit, stamps) in quick {
            match stamps[..] {
                [Some(pressure), Some(at)] if pressure == at => {
                    heard.insert(unit, at);
                }
                [pressure, _] => {
                    heard.extend(pressure.map(|at| (unit.clone(), at)));
                    doubtful.push((unit, pressure));
                }
                _ => {}
            }
        }
        if !doubtful.is_empty() {
            let of_any = doubtful.iter().map(|(unit, pressure)| {
                let of_unit = col("unit_id").eq(lit(unit.as_str()));
                match pressure {
                    Some(at) => of_unit.and(col("at").gt(stamp_literal(*at))),
                    None => of_unit,
                }
            });
            let of_any = of_any.reduce(Expr::or).unwrap_or_else(|| lit(false));
            let found = by_unit(
                log.filter(of_any).filter(tells()),
                &[("at", col("at").max())],
            )?;
            for (unit, stamps) in found {
                heard.extend(stamps.first().copied().flatten().map(|at| (unit, at)));
            }
        }
        Ok(heard.into_iter().collect())
    }

    /// The readings before as_of of units that are neighbours in ascending order: one log for each that has any, in that
    /// order, each ascending. Every file is opened anew for each call.
    pub(crate) fn readings(&self, units: &[UnitId]) -> Result<Vec<Readings>> {
        let (Some(first), Some(last)) = (units.first(), units.last()) else {
            return Ok(Vec::new());
        };
        let unit = || col("unit_id");
        let frame = self
            .scan("readings")?
            // A range, by which the files that hold none of them are passed over.
            .filter(
                unit()
                    .gt_eq(lit(first.as_str()))
                    .and(unit().lt_eq(lit(last.as_str()))),
            )
            .filter(col("at").lt(stamp_literal(self.as_of)))
            .collect()
            .with_context(|| format!("cannot read the readings of {first} to {last}"))?;
        let mut logs = drydown_tables::unit_readings(&frame, self.as_of)?;
        logs.retain(|log| units.binary_search(&log.unit_id).is_ok());
        Ok(logs)
    }
}

/// Stamps by unit, in the units' order.
fn by_unit(
    log: LazyFrame,
    wanted: &[(&'static str, Expr)],
) -> Result<Vec<(UnitId, Vec<Option<Stamp>>)>> {
    let named = wanted.iter().map(|(name, expr)| expr.clone().alias(*name));
    let frame = log
        .group_by([col("unit_id")])
        .agg(named.collect::<Vec<Expr>>())
        .sort(["unit_id"], SortMultipleOptions::default())
        .collect()?;
    let mut columns = Vec::with_capacity(wanted.len());
    for (name, _) in wanted {
        columns.push(frame.column(name)?.datetime()?.physical().iter());
    }
    let units = frame.column("unit_id")?.str()?.iter();
    let rows = units.map(|unit| {
        let stamps = columns.iter_mut().map(|column| column.next().flatten());
        (unit, stamps.map(|at| at.map(Stamp::from_micros)).collect())
    });
    Ok(rows
        .filter_map(|(unit, stamps)| Some((UnitId::from(unit?), stamps)))
        .collect())
}

/// Whether a row of `readings` tells of the machine, as `drydown_tables::unit_readings` sees it.
fn tells() -> Expr {
    let basis = col("barometer_basis");
    let is_measured = basis.clone().is_null().or(basis.eq(lit("measured")));
    let barometer = col("ambient_kpa").is_not_null().and(is_measured);
    drydown_tables::telling_columns()
        .map(|name| col(name).is_not_null())
        .fold(barometer, Expr::or)
}

/// A time as a polars literal of the stored type.
pub(crate) fn stamp_literal(at: Stamp) -> polars::prelude::Expr {
    use polars::prelude::{DataType, TimeUnit, TimeZone};
    lit(at.micros()).cast(DataType::Datetime(
        TimeUnit::Microseconds,
        Some(TimeZone::UTC),
    ))
}
