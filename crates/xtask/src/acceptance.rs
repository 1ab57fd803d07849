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

/// Photographs the pages of the report (of the many about single units, the first of each folder) and checks that the
/// links of every page lead somewhere.
pub(crate) fn browser(demo: &Path, scratch: &Path) -> Result<()> {
    let browser = machine::browser()?;
    let report = demo.join("report-2026Q3");
    let mut photographed = pages(&report)?;
    let mut all = photographed.clone();
    for folder in ["fits", "units"] {
        let below = pages(&report.join(folder))?;
        photographed.extend(below.first().cloned());
        all.extend(below);
    }
    for page in &all {
        check_links(page)?;
    }
    for page in &photographed {
        let name = page.strip_prefix(&report).unwrap_or(page);
        let name = name
            .with_extension("png")
            .to_string_lossy()
            .replace('/', "-");
        let size = machine::photograph(&browser, page, &scratch.join(name))?;
        // A blank page of this size is a picture of about 8 kB.
        if size < 20_000 {
            bail!(
                "the picture of {} has only {size} bytes: is the page blank?",
                page.display()
            );
        }
    }
    println!(
        "   {} of {} pages photographed, the links of all followed",
        photographed.len(),
        all.len()
    );
    Ok(())
}

/// The pages of one folder, by name; none is an error.
fn pages(folder: &Path) -> Result<Vec<PathBuf>> {
    let mut pages: Vec<PathBuf> = std::fs::read_dir(folder)
        .with_context(|| format!("no report at {}", folder.display()))?
        .filter_map(|entry| entry.ok().map(|entry| entry.path()))
        .filter(|path| path.extension().is_some_and(|ending| ending == "html"))
        .collect();
    pages.sort();
    if pages.is_empty() {
        bail!("no page in {}", folder.display());
    }
    Ok(pages)
}

/// Every relative link of a page must lead to a file that exists, and to a place in it that does.
fn check_links(page: &Path) -> Result<()> {
    let text = std::fs::read_to_string(page)?;
    let folder = page.parent().unwrap_or(Path::new("."));
    for part in text.split("href=\"").skip(1) {
        let link = part.split('"').next().unwrap_or_default();
        let file = link.split('#').next().unwrap_or_default();
        let elsewhere = ["http:", "https:", "mailto:", "data:"]
            .iter()
            .any(|scheme| link.starts_with(scheme));
        if elsewhere {
            continue;
        }
        if !file.is_empty() && !folder.join(file).exists() {
            bail!(
                "{} links to \"{link}\", which does not exist",
                page.display()
            );
        }
        let Some(anchor) = link.split('#').nth(1).filter(|anchor| !anchor.is_empty()) else {
            continue;
        };
        let is_place = |text: &str| text.contains(&format!("id=\"{anchor}\""));
        let found = if file.is_empty() {
            is_place(&text)
        } else {
            is_place(&std::fs::read_to_string(folder.join(file))?)
        };
        if !found {
            bail!(
                "{} links to \"{link}\", a place that is not on that page",
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
