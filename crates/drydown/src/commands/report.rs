//! `drydown report --quarter`: the quarter's pages.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use anyhow::{Context as _, Result, bail};
use drydown_findings::{score, score_pumps};
use drydown_quantity::{Quarter, RunId, Stamp, UnitId};
use drydown_report::{Display, ReportInput, RunSource, render_report};
use jiff::tz::TimeZone;
use polars::prelude::{IntoLazy, SortMultipleOptions, col, lit};
use serde_json::json;

use super::answers::{Answers, Which};
use super::curves::curves;
use crate::cli::{Cli, Format, ReportArgs};
use crate::config::Config;
use crate::jobs::{self, Purpose, stamp_literal};
use crate::output::{Progress, print_result};
use crate::usage::UsageError;

pub(super) fn run(cli: &Cli, arguments: &ReportArgs) -> Result<u8> {
    let config = Config::load(&cli.config)?;
    let quarter: Quarter = arguments
        .quarter
        .parse()
        .map_err(|error| UsageError(format!("--quarter: {error}")))?;
    if quarter.start() > super::now() {
        return Err(UsageError(format!("--quarter: {quarter} has not begun")).into());
    }
    let folder = arguments
        .out
        .clone()
        .unwrap_or_else(|| config.base.join(format!("report-{quarter}")));
    let n_pages = write(&config, quarter, &folder, &Progress::new(cli.quiet))?;
    print_result(&match cli.format {
        Format::Text => format!(
            "{n_pages} pages written; begin with {}\n",
            folder.join("index.html").display()
        ),
        Format::Json => format!(
            "{}\n",
            json!({"quarter": quarter.to_string(), "pages": n_pages, "folder": folder})
        ),
    });
    Ok(0)
}

/// Analyses as of the quarter's end where that is not the last analysis, and writes the pages.
pub(super) fn write(
    config: &Config,
    quarter: Quarter,
    folder: &Path,
    progress: &Progress,
) -> Result<usize> {
    // Before the long work: a folder that cannot be written fails in the first second.
    std::fs::create_dir_all(folder)
        .with_context(|| format!("cannot make the folder {}", folder.display()))?;
    let store = super::open_store(config)?;
    jobs::analyse(
        &store,
        config,
        (quarter.end(), Purpose::Report),
        &[],
        progress,
    )?;
    let answers = Answers::load_which(&store, config, Which::Last)?;
    if answers.context.as_of != quarter.end() {
        bail!(
            "another analysis (as of {}) ran meanwhile; run the report again",
            answers.context.as_of
        );
    }
    let _step = progress.step("report: pages");
    let run_sources = run_sources(&answers, quarter)?;
    let ambient_kpa = ambient_kpa(&answers)?;
    let curves = curves(&answers, quarter)?;
    let scores = score(&answers.forecasts);
    let pump_score = score_pumps(&answers.forecasts);
    let input = ReportInput {
        quarter,
        as_of: answers.context.as_of,
        display: Display {
            units: config.display.units.into(),
            zone: TimeZone::get(&config.display.timezone).unwrap_or(TimeZone::UTC),
        },
        registers: &answers.registers,
        runs: &answers.runs,
        removal_runs: &answers.removal_runs,
        curves: &curves,
        run_sources: &run_sources,
        coefficients: &answers.coefficients,
        quarters: &answers.quarters,
        residuals: &answers.residuals,
        sensor_checks: &answers.sensor_checks,
        pump_starts: &answers.pump_starts,
        pump_health: &answers.pump_health,
        risks: &answers.risks,
        findings: &answers.findings,
        forecasts: &answers.forecasts,
        scores: &scores,
        pump_score: &pump_score,
        loads: &answers.loads,
        reject_reasons: &answers.reject_reasons,
        heard: answers.heard_since(quarter.start()),
        ambient_kpa: &ambient_kpa,
    };
    let pages = render_report(&input);
    for page in &pages {
        write_page(folder, &page.path, &page.text)?;
    }
    Ok(pages.len())
}

/// Beside, then renamed: a reader never sees half a page.
fn write_page(folder: &Path, path: &str, text: &str) -> Result<()> {
    let target: PathBuf = folder.join(path);
    if let Some(parent) = target.parent() {
        std::fs::create_dir_all(parent)
            .with_context(|| format!("cannot make the folder {}", parent.display()))?;
    }
    let beside = target.with_extension("part");
    std::fs::write(&beside, text).with_context(|| format!("cannot write {}", beside.display()))?;
    std::fs::rename(&beside, &target).with_context(|| format!("cannot write {}", target.display()))
}

/// File and line of the first reading of each run that ended in the quarter.
fn run_sources(answers: &Answers<'_>, quarter: Quarter) -> Result<BTreeMap<RunId, RunSource>> {
    let wanted: BTreeMap<(UnitId, Stamp), RunId> = answers
        .runs
        .iter()
        .filter(|run| run.ended_at >= quarter.start() && run.ended_at < quarter.end())
        .map(|run| ((run.unit_id.clone(), run.started_at), run.run_id.clone()))
        .collect();
    let Some(first) = wanted.keys().map(|(_, at)| *at).min() else {
        return Ok(BTreeMap::new());
    };
    let files: BTreeMap<String, String> = answers
        .context
        .records::<drydown_tables::Load>()?
        .into_iter()
        .map(|load| (load.file_hash, load.file.unwrap_or_default()))
        .collect();
    let frame = answers
        .context
        .scan("readings")?
        .filter(
            col("at")
                .gt_eq(stamp_literal(first))
                .and(col("at").lt(stamp_literal(quarter.end()))),
        )
        .select([col("unit_id"), col("at"), col("file_hash"), col("line")])
        .collect()?;
    let units = frame.column("unit_id")?.str()?.iter();
    let times = frame.column("at")?.datetime()?.physical().iter();
    let hashes = frame.column("file_hash")?.str()?.iter();
    let lines = frame.column("line")?.i64()?.iter();
    let mut sources = BTreeMap::new();
    for (((unit, at), hash), line) in units.zip(times).zip(hashes).zip(lines) {
        let (Some(unit), Some(at), Some(hash), Some(line)) = (unit, at, hash, line) else {
            continue;
        };
        if let Some(run_id) = wanted.get(&(UnitId::from(unit), Stamp::from_micros(at))) {
            let file = files.get(hash).cloned().unwrap_or_else(|| hash.to_owned());
            sources.insert(run_id.clone(), RunSource { file, line });
        }
    }
    Ok(sources)
}

/// The barometer last used for each unit.
fn ambient_kpa(answers: &Answers<'_>) -> Result<BTreeMap<UnitId, f64>> {
    let frame = answers
        .context
        .scan("readings")?
        .filter(col("at").lt(stamp_literal(answers.context.as_of)))
        .filter(col("ambient_kpa").is_not_null())
        .group_by([col("unit_id")])
        .agg([col("ambient_kpa")
            .sort_by([col("at")], polars::prelude::SortMultipleOptions::default())
            .last()])
        .sort(["unit_id"], SortMultipleOptions::default())
        .collect()?
        .lazy()
        .filter(col("unit_id").neq(lit("")))
        .collect()?;
    let units = frame.column("unit_id")?.str()?.iter();
    let values = frame.column("ambient_kpa")?.f64()?.iter();
    Ok(units
        .zip(values)
        .filter_map(|(unit, kpa)| Some((UnitId::from(unit?), kpa?)))
        .collect())
}
