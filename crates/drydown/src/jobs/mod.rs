//! The batch jobs: one declaration each; the list is the pipeline.
//!
//! Order, skipping of unchanged inputs, `--only` and progress follow from what each job reads
//! and writes. A job's rows replace the table; beside them in the log stands a fingerprint of
//! everything they were made from, by which the next analysis knows whether they are current.

pub(crate) mod analyses;
mod context;
mod findings;
mod pumps;
mod removal;
mod reservoirs;
mod runs;
mod snapshots;

use std::collections::BTreeMap;
use std::time::Duration;

use anyhow::{Context as _, Result, bail};
use arrow::array::RecordBatch;
use drydown_quantity::Stamp;
use drydown_store::{CommitNote, Store, WriteGuard};
use drydown_tables::{Analysis, to_batch};
use serde_json::{Value, json};

use crate::config::Config;
use crate::output::Progress;
use crate::usage::UsageError;

pub(crate) use context::{Context, stamp_literal};
pub(crate) use removal::{
    near_samples, removal_config, samples_by_reservoir, series_by_run, to_input,
};
pub(crate) use runs::runs_config;
pub(crate) use snapshots::{Past, replay};

/// The registers and events every job may read.
const REGISTERS: &[&str] = &drydown_tables::REGISTER_TABLES;

/// Rows for each table that a job writes.
pub(crate) type JobRows = Vec<(&'static str, RecordBatch)>;

/// One batch job.
#[derive(Clone, Copy)]
pub(crate) struct Job {
    pub(crate) name: &'static str,
    /// Tables it reads beside the registers.
    pub(crate) reads: &'static [&'static str],
    pub(crate) writes: &'static [&'static str],
    /// The least history it can work from, in words.
    pub(crate) needs: &'static str,
    /// Rows for each table it writes.
    pub(crate) run: fn(&Context<'_>) -> Result<JobRows>,
}

/// The pipeline, in order.
pub(crate) const JOBS: &[Job] = &[
    runs::JOB,
    pumps::JOB,
    removal::JOB,
    reservoirs::JOB,
    findings::JOB,
];

/// What an analysis did.
#[derive(Debug)]
pub(crate) struct AnalysisDone {
    pub(crate) ran: Vec<&'static str>,
    pub(crate) skipped: Vec<&'static str>,
}

/// What an analysis is made for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Purpose {
    /// To stand: what size, explain and digest open.
    Stand,
    /// The pages of a quarter, which may be long over.
    Report,
}

/// Runs the jobs whose input changed.
pub(crate) fn analyse(
    store: &Store,
    config: &Config,
    (as_of, purpose): (Stamp, Purpose),
    only: &[String],
    progress: &Progress,
) -> Result<AnalysisDone> {
    check_names(only)?;
    let guard = store
        .lock("analyse", Some(Duration::from_secs(3600)))
        .context("cannot take the store's lock")?;
    let mut done = AnalysisDone {
        ran: Vec::new(),
        skipped: Vec::new(),
    };
    let mut written = BTreeMap::new();
    let first = Context::new(store, config, as_of)?;
    let read = first.versions().clone();
    for job in JOBS {
        let context = Context::new(store, config, as_of)?;
        let wanted = only.is_empty() || only.iter().any(|name| name == job.name);
        let current = is_current(&context, job)?;
        if !wanted {
            if !current && is_upstream(job, only) {
                bail!(
                    "--only {}: the job \"{}\" it builds on is stale\nhint: run `drydown analyse` without --only, or add {}",
                    only.join(" "),
                    job.name,
                    job.name
                );
            }
            continue;
        }
        if current {
            done.skipped.push(job.name);
            continue;
        }
        let _shown = progress.step(&format!("analyse: {} (needs {})", job.name, job.needs));
        for (table, version) in publish(&context, job, &guard)? {
            written.insert(table, version);
        }
        done.ran.push(job.name);
    }
    // One that a report made, and that is now to stand, is told again though no job had to run.
    let taken_over = purpose == Purpose::Stand
        && only.is_empty()
        && analyses::newest(&first, |_| true)?.is_some_and(|row| row.for_report == Some(true));
    if !done.ran.is_empty() || taken_over {
        let made = Made {
            purpose,
            read: &read,
            written: &written,
            ran: &done.ran,
        };
        record_analysis(&first, &guard, &made)?;
    }
    Ok(done)
}

fn check_names(only: &[String]) -> Result<()> {
    for name in only {
        if !JOBS.iter().any(|job| job.name == name) {
            let known: Vec<&str> = JOBS.iter().map(|job| job.name).collect();
            return Err(UsageError(format!(
                "--only: found \"{name}\", expected one of {}",
                known.join(", ")
            ))
            .into());
        }
    }
    Ok(())
}

/// Whether a wanted job reads, directly or not, what this one writes.
fn is_upstream(job: &Job, only: &[String]) -> bool {
    let mut reached: Vec<&str> = job.writes.to_vec();
    for later in JOBS
        .iter()
        .skip_while(|later| later.name != job.name)
        .skip(1)
    {
        if later.reads.iter().any(|table| reached.contains(table)) {
            if only.iter().any(|name| name == later.name) {
                return true;
            }
            reached.extend(later.writes);
        }
    }
    false
}

/// Everything a job's rows depend on.
fn fingerprint(context: &Context<'_>, job: &Job) -> String {
    let versions: BTreeMap<&str, Option<i64>> = REGISTERS
        .iter()
        .chain(job.reads)
        .map(|table| (*table, context.versions().get(*table).copied().flatten()))
        .collect();
    let text = json!({
        "job": job.name,
        "as_of": context.as_of.micros(),
        "config": context.config.analysis_hash(),
        "code": env!("DRYDOWN_CODE"),
        "versions": versions,
    })
    .to_string();
    blake3::hash(text.as_bytes()).to_hex().to_string()
}

fn is_current(context: &Context<'_>, job: &Job) -> Result<bool> {
    let wanted = fingerprint(context, job);
    for table in job.writes {
        let Some(version) = context.store.table_version(table)? else {
            return Ok(false);
        };
        let latest = context.store.commits_after(table, Some(version - 1))?;
        let found = latest
            .last()
            .and_then(|commit| commit.metadata.get("fingerprint"))
            .and_then(Value::as_str);
        if found != Some(wanted.as_str()) {
            return Ok(false);
        }
    }
    Ok(true)
}

fn publish(
    context: &Context<'_>,
    job: &Job,
    guard: &WriteGuard,
) -> Result<Vec<(&'static str, i64)>> {
    let fingerprint = fingerprint(context, job);
    let tables = (job.run)(context).with_context(|| format!("the job \"{}\" failed", job.name))?;
    let mut versions = Vec::new();
    for table in job.writes {
        let batches: Vec<RecordBatch> = tables
            .iter()
            .filter(|(name, _)| name == table)
            .map(|(_, batch)| batch.clone())
            .collect();
        let note = BTreeMap::from([
            ("job".to_owned(), json!(job.name)),
            ("fingerprint".to_owned(), json!(fingerprint)),
            ("as_of".to_owned(), json!(context.as_of.rfc3339())),
        ]);
        let version = context
            .store
            .replace_all(guard, table, batches, CommitNote::new(note))?;
        versions.push((*table, version));
    }
    Ok(versions)
}

/// What there is to record of an analysis.
struct Made<'a> {
    purpose: Purpose,
    read: &'a BTreeMap<&'static str, Option<i64>>,
    written: &'a BTreeMap<&'static str, i64>,
    ran: &'a [&'static str],
}

/// One row in `analyses`: which versions were read and written. Report, size and digest open those.
fn record_analysis(context: &Context<'_>, guard: &WriteGuard, made: &Made<'_>) -> Result<()> {
    // A job that was skipped wrote its rows earlier: its current version belongs to this analysis too.
    let mut all_written = BTreeMap::new();
    for table in JOBS.iter().flat_map(|job| job.writes) {
        let version = match made.written.get(table) {
            Some(version) => Some(*version),
            None => context.store.table_version(table)?,
        };
        all_written.insert(*table, version);
    }
    let versions_read = serde_json::to_string(made.read)?;
    let versions_written = serde_json::to_string(&all_written)?;
    let config_hash = context.config.analysis_hash();
    let id_text = format!(
        "{}\u{1f}{config_hash}\u{1f}{versions_read}\u{1f}{versions_written}{}",
        context.as_of.micros(),
        // As in earlier versions where it stands.
        if made.purpose == Purpose::Report {
            "\u{1f}report"
        } else {
            ""
        }
    );
    let row = Analysis {
        analysis_id: blake3::hash(id_text.as_bytes())
            .to_hex()
            .as_str()
            .chars()
            .take(16)
            .collect(),
        as_of: context.as_of,
        versions_read,
        versions_written,
        config_hash,
        code_version: env!("CARGO_PKG_VERSION").to_owned(),
        jobs: made.ran.iter().map(|name| (*name).to_owned()).collect(),
        for_report: Some(made.purpose == Purpose::Report),
    };
    let batch = to_batch(&[row], context.as_of)?;
    context
        .store
        .append(guard, "analyses", vec![batch], CommitNote::default())?;
    Ok(())
}
