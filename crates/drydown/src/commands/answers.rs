//! The last analysis as a whole: every derived table at the version that analysis wrote.

use std::collections::BTreeMap;

use anyhow::{Context as _, Result};
use drydown_findings::{Finding, Forecast};
use drydown_pumps::{PumpHealth, PumpStart};
use drydown_quantity::{RunId, Stamp, UnitId};
use drydown_removal::{
    RemovalCoefficient, RemovalQuarter, RemovalResidual, RemovalRun, SensorCheck,
};
use drydown_report::{FileLoad, Heard};
use drydown_reservoirs::ReservoirRisk;
use drydown_runs::Run;
use drydown_runs::history::Registers;
use drydown_store::Store;
use drydown_tables::{Analysis, Load, Reject};

use crate::config::Config;
use crate::jobs::{Context, analyses};

/// Everything the last analysis answered.
pub(super) struct Answers<'a> {
    pub(super) context: Context<'a>,
    /// As-of date of an earlier analysis that looked at more than this one does.
    pub(super) later: Option<Stamp>,
    pub(super) registers: Registers,
    pub(super) runs: Vec<Run>,
    pub(super) removal_runs: BTreeMap<RunId, RemovalRun>,
    pub(super) coefficients: Vec<RemovalCoefficient>,
    pub(super) quarters: Vec<RemovalQuarter>,
    pub(super) residuals: Vec<RemovalResidual>,
    pub(super) sensor_checks: Vec<SensorCheck>,
    pub(super) pump_starts: Vec<PumpStart>,
    pub(super) pump_health: Vec<PumpHealth>,
    pub(super) risks: Vec<ReservoirRisk>,
    pub(super) findings: Vec<Finding>,
    pub(super) forecasts: Vec<Forecast>,
    pub(super) loads: Vec<FileLoad>,
    pub(super) reject_reasons: Vec<(String, i64)>,
    pub(super) last_heard: Vec<(UnitId, Stamp)>,
}

/// Which analysis is opened.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Which {
    /// The last, whatever it was made for.
    Last,
    /// The last, but not one that a report made of a time before that of the last that stands.
    Standing,
}

/// The analysis to open, and the as-of date of an earlier one that looked at more.
fn find_analysis(
    store: &Store,
    config: &Config,
    which: Which,
) -> Result<Option<(Analysis, Option<Stamp>)>> {
    let context = Context::new(store, config, Stamp::from_micros(0))?;
    let rows: Vec<Analysis> = context.records()?;
    let latest = rows.iter().max_by_key(|row| row.as_of);
    let last = analyses::newest(&context, |_| true)?.or(latest.cloned());
    let Some(last) = last else {
        return Ok(None);
    };
    let standing = if which == Which::Standing && last.for_report == Some(true) {
        analyses::newest(&context, |row| row.for_report != Some(true))?
            .filter(|row| row.as_of > last.as_of)
    } else {
        None
    };
    let found = standing.unwrap_or(last);
    let later = latest
        .map(|row| row.as_of)
        .filter(|as_of| *as_of > found.as_of);
    Ok(Some((found, later)))
}

impl<'a> Answers<'a> {
    /// Reads the tables at the versions the last analysis wrote that stands.
    pub(super) fn load(store: &'a Store, config: &'a Config) -> Result<Self> {
        Self::load_which(store, config, Which::Standing)
    }

    /// Reads the tables at the versions an analysis wrote.
    pub(super) fn load_which(store: &'a Store, config: &'a Config, which: Which) -> Result<Self> {
        let (analysis, later) = find_analysis(store, config, which)?
            .context("nothing has been analysed yet\nhint: run `drydown analyse`")?;
        let mut versions: BTreeMap<String, Option<i64>> =
            serde_json::from_str(&analysis.versions_read)?;
        let written: BTreeMap<String, Option<i64>> =
            serde_json::from_str(&analysis.versions_written)?;
        versions.extend(written);
        let context = Context::at(store, config, analysis.as_of, &versions)?;
        let loads: Vec<Load> = context.records()?;
        Ok(Self {
            registers: context.registers()?,
            runs: context.records()?,
            removal_runs: context
                .records::<RemovalRun>()?
                .into_iter()
                .map(|row| (row.run_id.clone(), row))
                .collect(),
            coefficients: context.records()?,
            quarters: context.records()?,
            residuals: context.records()?,
            sensor_checks: context.records()?,
            pump_starts: context.records()?,
            pump_health: by_unit(context.records()?),
            risks: by_rank(context.records()?),
            findings: by_weight(context.records()?),
            forecasts: context.records()?,
            loads: loads.into_iter().map(to_file_load).collect(),
            reject_reasons: reject_reasons(&context.records::<Reject>()?),
            last_heard: context.last_heard()?,
            later,
            context,
        })
    }

    /// What to say where the last analysis does not look at all that an earlier one did.
    pub(super) fn past(&self) -> Option<String> {
        let later = self.later?;
        Some(format!(
            "the last analysis is as of {}, an earlier one as of {later}",
            self.context.as_of
        ))
    }

    /// How many units of the register were heard from since a time.
    pub(super) fn heard_since(&self, from: Stamp) -> Heard {
        let units = &self.registers.units;
        let is_known = |id: &UnitId| units.iter().any(|unit| unit.unit_id == *id);
        Heard {
            heard: self
                .last_heard
                .iter()
                .filter(|(id, at)| *at >= from && is_known(id))
                .count(),
            of: units.len(),
        }
    }
}

/// Health rows are keyed by run; pages and charts want them by unit and time.
pub(super) fn by_unit(mut rows: Vec<PumpHealth>) -> Vec<PumpHealth> {
    rows.sort_by(|a, b| (&a.unit_id, a.at, &a.run_id).cmp(&(&b.unit_id, b.at, &b.run_id)));
    rows
}

fn by_rank(mut rows: Vec<ReservoirRisk>) -> Vec<ReservoirRisk> {
    rows.sort_by_key(|row| row.rank);
    rows
}

/// New before open before cleared; then the gravest, then the latest.
fn by_weight(mut rows: Vec<Finding>) -> Vec<Finding> {
    rows.sort_by(|a, b| {
        (
            a.state,
            std::cmp::Reverse(a.severity),
            std::cmp::Reverse(a.first_seen),
            &a.finding_id,
        )
            .cmp(&(
                b.state,
                std::cmp::Reverse(b.severity),
                std::cmp::Reverse(b.first_seen),
                &b.finding_id,
            ))
    });
    rows
}

fn to_file_load(row: Load) -> FileLoad {
    FileLoad {
        source: row.source,
        file: row.file.unwrap_or_default(),
        loaded_at: row.loaded_at.unwrap_or(Stamp::from_micros(0)),
        rows_in: row.rows_in,
        rows_kept: row.rows_kept,
        rows_duplicate: row.rows_duplicate,
        rows_superseded: row.rows_superseded,
        rows_rejected: row.rows_rejected,
        rows_ignored: row.rows_ignored,
    }
}

fn reject_reasons(rows: &[Reject]) -> Vec<(String, i64)> {
    let mut counts: BTreeMap<&str, i64> = BTreeMap::new();
    for row in rows {
        *counts
            .entry(row.reason.as_deref().unwrap_or("no reason given"))
            .or_default() += 1;
    }
    let mut sorted: Vec<(String, i64)> = counts
        .into_iter()
        .map(|(reason, n)| (reason.to_owned(), n))
        .collect();
    sorted.sort_by(|a, b| b.1.cmp(&a.1).then_with(|| a.0.cmp(&b.0)));
    sorted
}
