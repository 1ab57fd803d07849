//! `drydown demo`: the invented fleet, from exports to report.

use std::path::{Path, PathBuf};

use anyhow::{Context as _, Result};
use drydown_quantity::{Quarter, Stamp};
use drydown_store::Store;

use super::UsageError;
use super::answers::Answers;
use super::digest::{self, Way};
use crate::cli::{Cli, DemoArgs, Format};
use crate::config::Config;
use crate::ingest::{IngestInputs, ingest};
use crate::output::{Progress, print_result};
use crate::{jobs, output};

/// A folder without this file is not ours to write over.
const MARKER: &str = ".drydown-demo";
/// The demo fleet's calendar ends here: its loading time and its as_of.
const CALENDAR_END: &str = "2026-10-01";
const QUARTER: &str = "2026Q3";

pub(super) fn run(cli: &Cli, arguments: &DemoArgs) -> Result<u8> {
    let progress = Progress::new(cli.quiet);
    prepare(&arguments.out)?;
    write_exports(arguments, &progress)?;
    if arguments.exports_only {
        print_result(&format!(
            "exports, truth and drydown.toml written to {}\n",
            arguments.out.display()
        ));
        return Ok(0);
    }
    let end: Stamp = CALENDAR_END.parse()?;
    let config = Config::load(&arguments.out.join("drydown.toml"))?;
    let store = Store::open_or_create(config.store_path())?;
    let inputs = IngestInputs {
        config: &config,
        files: Vec::new(),
        dry_run: false,
        again: None,
        loaded_at: end,
        progress: &progress,
    };
    let taken = ingest(&inputs, Some(&store))?;
    for warning in &taken.warnings {
        output::print_warning(warning);
    }
    jobs::analyse(&store, &config, end, &[], &progress)?;
    let quarter: Quarter = QUARTER.parse()?;
    super::report::write(
        &config,
        quarter,
        &arguments.out.join(format!("report-{quarter}")),
        &progress,
    )?;
    digest::deliver(
        &config,
        &store,
        &Way::Folder(&arguments.out.join("mail")),
        end,
    )?;
    let answers = Answers::load(&store, &config)?;
    print_result(&match cli.format {
        Format::Text => summary::render(&answers, &arguments.out),
        Format::Json => summary::render_json(&answers, &arguments.out)?,
    });
    Ok(0)
}

/// An empty folder with our marker; one of somebody else's is refused, one of ours is made anew.
fn prepare(folder: &Path) -> Result<()> {
    if folder.exists() {
        let ours = folder.join(MARKER).exists();
        let empty = folder
            .read_dir()
            .with_context(|| format!("cannot look into {}", folder.display()))?
            .next()
            .is_none();
        if !ours && !empty {
            return Err(UsageError(format!(
                "{} exists and was not made by `drydown demo`\nhint: name another folder with --out",
                folder.display()
            ))
            .into());
        }
        if ours {
            std::fs::remove_dir_all(folder)
                .with_context(|| format!("cannot clear {}", folder.display()))?;
        }
    }
    std::fs::create_dir_all(folder)
        .with_context(|| format!("cannot make the folder {}", folder.display()))?;
    std::fs::write(
        folder.join(MARKER),
        "made by `drydown demo`, which may clear this folder\n",
    )
    .with_context(|| format!("cannot write to {}", folder.display()))
}

fn write_exports(arguments: &DemoArgs, progress: &Progress) -> Result<()> {
    let step = progress.step("demo: exports");
    let mut failed = None;
    let mut n_files = 0_u64;
    let mut write = |path: &str, bytes: &[u8]| {
        if failed.is_none()
            && let Err(error) = write_file(&arguments.out.join(path), bytes)
        {
            failed = Some(error);
        }
        n_files += 1;
        step.say(&format!("demo: {n_files} files written"));
    };
    let config = drydown_demo::DemoConfig::standard(
        arguments.units as usize,
        arguments.months as usize,
        arguments.seed,
    );
    let fleet = drydown_demo::make_fleet(&config, &mut |file| write(&file.path, &file.bytes));
    for file in fleet.truth.truth_files() {
        write(&file.path, &file.bytes);
    }
    write("drydown.toml", fleet.config_toml.as_bytes());
    failed.map_or(Ok(()), Err)
}

fn write_file(path: &PathBuf, bytes: &[u8]) -> Result<()> {
    if let Some(parent) = path.parent() {
        std::fs::create_dir_all(parent)
            .with_context(|| format!("cannot make the folder {}", parent.display()))?;
    }
    std::fs::write(path, bytes).with_context(|| format!("cannot write {}", path.display()))
}

mod summary {
    //! What the demo says at its end.

    use drydown_pumps::PumpState;
    use drydown_removal::{Basis, RemovalCoefficient};
    use serde_json::json;

    use std::fmt::Write as _;

    use super::{Answers, Path, Result};

    pub(super) fn render(answers: &Answers<'_>, folder: &Path) -> String {
        let mut out = String::from(
            "drydown demo: an invented fleet, from its exports to what to do next\n\n",
        );
        let total =
            |of: fn(&drydown_report::FileLoad) -> i64| answers.loads.iter().map(of).sum::<i64>();
        let _ = writeln!(
            out,
            "rows read          {} in {} files",
            total(|l| l.rows_in),
            answers.loads.len()
        );
        let _ = writeln!(
            out,
            "                   {} kept, {} duplicate, {} rejected",
            total(|l| l.rows_kept),
            total(|l| l.rows_duplicate),
            total(|l| l.rows_rejected)
        );
        let told = answers
            .removal_runs
            .values()
            .filter(|row| row.removal_rate_per_h.is_some())
            .count();
        let _ = writeln!(
            out,
            "runs               {}, of which {told} tell a removal rate",
            answers.runs.len()
        );
        let (best, worst) = extremes(&answers.coefficients);
        let _ = writeln!(
            out,
            "\nremoval per pass at 65 °C, 20 kPa abs (90 % interval of the long-run mean)"
        );
        for (word, rows) in [("best", best), ("worst", worst)] {
            for row in rows {
                let _ = writeln!(
                    out,
                    "  {word:<6} {:<8} {:<22} {:.2}  ({:.2} to {:.2}), {} runs",
                    row.unit_id.to_string(),
                    row.oil_type.to_string(),
                    row.removal_per_pass.unwrap_or(f64::NAN),
                    row.lower_90.unwrap_or(f64::NAN),
                    row.upper_90.unwrap_or(f64::NAN),
                    row.n_runs
                );
            }
        }
        out.push_str("\nvacuum pumps in alert or alarm\n");
        let pumps = weak_pumps(answers);
        if pumps.is_empty() {
            out.push_str("  none\n");
        }
        for row in pumps {
            let days = match (row.days_to_limit_p10, row.days_to_limit_p90) {
                (Some(p10), Some(p90)) => format!("limit in {p10:.0} to {p90:.0} days (80 %)"),
                (Some(p10), None) => format!("limit in {p10:.0} days or later (90 %)"),
                _ => row.days_to_limit_status.as_str().replace('_', " "),
            };
            let cause = row
                .cause
                .map_or("cause unknown", |cause| cause.as_str())
                .replace('_', " ");
            let _ = writeln!(
                out,
                "  {:<8} {:<6} {cause}, {days}",
                row.unit_id.to_string(),
                row.state.as_str()
            );
        }
        let horizon = answers.risks.first().map_or(0.0, |row| row.horizon_days);
        let _ = writeln!(
            out,
            "\nriskiest reservoirs (within {horizon:.0} days if no unit is sent)"
        );
        for row in answers.risks.iter().take(5) {
            let chance =
                |p: Option<f64>| p.map_or("  –".to_owned(), |p| format!("{:3.0} %", p * 100.0));
            let _ = writeln!(
                out,
                "  {:>2} ({} to {})  {:<8} over its water limit {}, free water {}",
                row.rank,
                row.rank_lower_90,
                row.rank_upper_90,
                row.reservoir_id.to_string(),
                chance(row.p_water_limit),
                chance(row.p_free_water)
            );
        }
        let count = |state| {
            answers
                .findings
                .iter()
                .filter(|row| row.state == state)
                .count()
        };
        let _ = writeln!(
            out,
            "\nfindings           {} new, {} open, {} cleared",
            count(drydown_findings::FindingState::New),
            count(drydown_findings::FindingState::Open),
            count(drydown_findings::FindingState::Cleared)
        );
        let _ = writeln!(out, "\nwhere to look");
        let _ = writeln!(
            out,
            "  report   {}",
            folder.join("report-2026Q3/index.html").display()
        );
        let _ = writeln!(out, "  mail     {}", folder.join("mail").display());
        let _ = writeln!(out, "  store    {}", folder.join("store").display());
        let _ = writeln!(out, "  truth    {}", folder.join("truth").display());
        let toml = folder.join("drydown.toml");
        if let Some(row) = answers.risks.first() {
            let _ = writeln!(
                out,
                "  next     drydown --config {} size --reservoir {} --within 72",
                toml.display(),
                row.reservoir_id
            );
        }
        out.push_str("\nAdvice from records, never an interlock. Hot oil, vacuum, electricity and insulating oil\ncan hurt: local codes and licensed practice come first.\n");
        out
    }

    /// The three best and worst cells that have runs of their own.
    fn extremes(
        rows: &[RemovalCoefficient],
    ) -> (Vec<&RemovalCoefficient>, Vec<&RemovalCoefficient>) {
        let mut own: Vec<&RemovalCoefficient> = rows
            .iter()
            .filter(|row| row.basis == Basis::Cell && row.removal_per_pass.is_some())
            .collect();
        own.sort_by(|a, b| {
            b.removal_per_pass
                .unwrap_or(0.0)
                .total_cmp(&a.removal_per_pass.unwrap_or(0.0))
        });
        let best: Vec<_> = own.iter().take(3).copied().collect();
        let worst: Vec<_> = own.iter().skip(3).rev().take(3).rev().copied().collect();
        (best, worst)
    }

    fn weak_pumps<'a>(answers: &'a Answers<'_>) -> Vec<&'a drydown_pumps::PumpHealth> {
        answers
            .pump_health
            .chunk_by(|a, b| a.unit_id == b.unit_id)
            .filter_map(|rows| rows.last())
            .filter(|row| matches!(row.state, PumpState::Alert | PumpState::Alarm))
            .collect()
    }

    pub(super) fn render_json(answers: &Answers<'_>, folder: &Path) -> Result<String> {
        let total =
            |of: fn(&drydown_report::FileLoad) -> i64| answers.loads.iter().map(of).sum::<i64>();
        let (best, worst) = extremes(&answers.coefficients);
        let cell = |row: &&RemovalCoefficient| {
            json!({"unit_id": row.unit_id.as_str(), "oil_type": row.oil_type.as_str(), "removal_per_pass": row.removal_per_pass,
                   "lower_90": row.lower_90, "upper_90": row.upper_90, "n_runs": row.n_runs})
        };
        let document = json!({
            "rows_in": total(|l| l.rows_in),
            "rows_kept": total(|l| l.rows_kept),
            "rows_duplicate": total(|l| l.rows_duplicate),
            "rows_rejected": total(|l| l.rows_rejected),
            "files": answers.loads.len(),
            "runs": answers.runs.len(),
            "best": best.iter().map(cell).collect::<Vec<_>>(),
            "worst": worst.iter().map(cell).collect::<Vec<_>>(),
            "pumps": weak_pumps(answers).iter().map(|row| json!({
                "unit_id": row.unit_id.as_str(), "state": row.state.as_str(), "cause": row.cause.map(|cause| cause.as_str()),
                "days_to_limit_p10": row.days_to_limit_p10, "days_to_limit_p90": row.days_to_limit_p90,
            })).collect::<Vec<_>>(),
            "reservoirs": answers.risks.iter().take(5).map(|row| json!({
                "reservoir_id": row.reservoir_id.as_str(), "rank": row.rank, "p_water_limit": row.p_water_limit, "p_free_water": row.p_free_water,
            })).collect::<Vec<_>>(),
            "report": folder.join("report-2026Q3/index.html"),
        });
        Ok(format!("{}\n", serde_json::to_string_pretty(&document)?))
    }
}
