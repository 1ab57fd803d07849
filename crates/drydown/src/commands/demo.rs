//! `drydown demo`: the invented fleet, from exports to report.

use std::path::{Path, PathBuf};

use anyhow::{Context as _, Result};
use drydown_quantity::{Quarter, Stamp};
use drydown_store::Store;

use super::answers::Answers;
use super::digest::{self, Way};
use crate::cli::{Cli, DemoArgs, Format};
use crate::config::Config;
use crate::ingest::{IngestInputs, ingest};
use crate::jobs::{self, Purpose};
use crate::output;
use crate::output::{Progress, print_result};
use crate::usage::UsageError;

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
    jobs::analyse(&store, &config, (end, Purpose::Stand), &[], &progress)?;
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
        Format::Text => super::summary::render(&answers, &arguments.out),
        Format::Json => super::summary::render_json(&answers, &arguments.out)?,
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
