//! The demo fleet as a user sees it: its pages in a browser, its mail in a mail reader.

use std::path::{Path, PathBuf};
use std::process::Command;

use anyhow::{Context, Result, bail};

use crate::{machine, shell};

/// Runs the demo and gives its folder.
pub(crate) fn demo(scratch: &Path) -> Result<PathBuf> {
    let folder = scratch.join("demo");
    shell::run(
        Command::new(shell::drydown())
            .args(["-q", "demo", "--out"])
            .arg(&folder),
    )?;
    Ok(folder)
}

/// Photographs every page of the report and checks that its links lead somewhere.
pub(crate) fn browser(demo: &Path, scratch: &Path) -> Result<()> {
    let browser = machine::browser()?;
    let report = demo.join("report-2026Q3");
    let mut pages: Vec<PathBuf> = std::fs::read_dir(&report)
        .with_context(|| format!("no report at {}", report.display()))?
        .filter_map(|entry| entry.ok().map(|entry| entry.path()))
        .filter(|path| path.extension().is_some_and(|ending| ending == "html"))
        .collect();
    pages.sort();
    if pages.is_empty() {
        bail!("no page in {}", report.display());
    }
    for page in &pages {
        check_links(page)?;
    }
    for page in &pages {
        let stem = page
            .file_stem()
            .map(|stem| stem.to_string_lossy().into_owned())
            .unwrap_or_default();
        let size = machine::photograph(&browser, page, &scratch.join(format!("{stem}.png")))?;
        // A blank page of this size is a picture of about 8 kB.
        if size < 20_000 {
            bail!(
                "the picture of {} has only {size} bytes: is the page blank?",
                page.display()
            );
        }
    }
    println!("   {} pages photographed", pages.len());
    Ok(())
}

/// Every relative link of a page must lead to a file that exists.
fn check_links(page: &Path) -> Result<()> {
    let text = std::fs::read_to_string(page)?;
    let folder = page.parent().unwrap_or(Path::new("."));
    for part in text.split("href=\"").skip(1) {
        let link = part.split('"').next().unwrap_or_default();
        let file = link.split('#').next().unwrap_or_default();
        let elsewhere = ["http:", "https:", "mailto:", "data:"]
            .iter()
            .any(|scheme| link.starts_with(scheme));
        if !elsewhere && !file.is_empty() && !folder.join(file).exists() {
            bail!(
                "{} links to \"{link}\", which does not exist",
                page.display()
            );
        }
        let anchor = link.strip_prefix('#').filter(|anchor| !anchor.is_empty());
        if let Some(anchor) = anchor
            && !text.contains(&format!("id=\"{anchor}\""))
        {
            bail!(
                "{} links to \"#{anchor}\", which is not on the page",
                page.display()
            );
        }
    }
    Ok(())
}

/// Reads the mail with a mail reader that is not ours (Python's standard library).
pub(crate) fn mail(python: &Path, demo: &Path) -> Result<()> {
    shell::run(
        Command::new(python)
            .arg("tests/mail/read_mail.py")
            .arg(demo.join("mail")),
    )
}

/// Validates every `--format json` document against its JSON Schema, with a validator that is not ours.
pub(crate) fn output(python: &Path, demo: &Path) -> Result<()> {
    shell::run(
        Command::new(python)
            .arg("tests/output/check_output.py")
            .arg(shell::drydown())
            .arg(demo),
    )
}

/// Reads the run logs with pyarrow, polars, DuckDB and pandas, which must find the same rows.
pub(crate) fn readers(python: &Path, demo: &Path) -> Result<()> {
    shell::run(
        Command::new(python)
            .arg("tests/store/read_store.py")
            .arg(shell::drydown())
            .arg(demo),
    )
}
