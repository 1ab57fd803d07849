//! What a fresh machine lacks: installed here, so that nothing depends on a hand.

use std::path::{Path, PathBuf};
use std::process::Command;

use anyhow::{Context, Result, bail};

use crate::shell;

/// A headless browser; Debian's package where there is none and we may install.
pub(crate) fn browser() -> Result<PathBuf> {
    let names = ["chromium", "chromium-browser", "google-chrome"];
    if let Some(found) = names.iter().find_map(|name| on_path(name)) {
        return Ok(found);
    }
    shell::run(Command::new("apt-get").args(["update", "-q"]))
        .context("a headless browser is needed (package chromium)")?;
    shell::run(Command::new("apt-get").args([
        "install",
        "-y",
        "-q",
        "--no-install-recommends",
        "chromium",
    ]))
    .context("install chromium by hand and run again")?;
    on_path("chromium").context("chromium was installed but is not on the path")
}

/// A Python with what the notebooks need, in a virtual environment beside the build.
pub(crate) fn notebook_python() -> Result<PathBuf> {
    let wanted = shell::root().join("notebooks/requirements.txt");
    let wanted = std::fs::read_to_string(&wanted).context("notebooks/requirements.txt")?;
    python_with("notebook-python", &wanted)
}

/// A Python with the reference libraries that answers are compared with.
pub(crate) fn reference_python() -> Result<PathBuf> {
    python_with(
        "reference-python",
        "ruptures==1.1.10\npandas\nstatsmodels==0.15.0\nlifelines==0.30.3\nscikit-learn==1.9.1\n",
    )
}

/// A Python with the peers of the benches.
pub(crate) fn bench_python() -> Result<PathBuf> {
    python_with("bench-python", "duckdb\npytz\nnumpy\nscipy\n")
}

/// Whether R with lme4 is there; Debian's package where there is none and we may install.
pub(crate) fn lme4() -> bool {
    let is_there = || {
        Command::new("Rscript")
            .args(["-e", "library(lme4)"])
            .output()
            .is_ok_and(|done| done.status.success())
    };
    is_there() || {
        let packages = [
            "install",
            "-y",
            "-q",
            "--no-install-recommends",
            "r-cran-lme4",
        ];
        let _ = shell::run(Command::new("apt-get").args(packages));
        is_there()
    }
}

/// A virtual environment below the target folder with these packages; made again when they change.
fn python_with(name: &str, requirements: &str) -> Result<PathBuf> {
    let folder = shell::target_dir().join(name);
    let python = folder.join("bin/python");
    let stamp = folder.join("requirements.txt");
    if python.exists() && std::fs::read_to_string(&stamp).is_ok_and(|had| had == requirements) {
        return Ok(python);
    }
    if folder.exists() {
        std::fs::remove_dir_all(&folder)?;
    }
    shell::run(Command::new("python3").args(["-m", "venv"]).arg(&folder))
        .context("python3 with venv is needed")?;
    let list = folder.join("wanted.txt");
    std::fs::write(&list, requirements)?;
    shell::run(
        Command::new(&python)
            .args([
                "-m",
                "pip",
                "install",
                "-q",
                "--disable-pip-version-check",
                "-r",
            ])
            .arg(&list),
    )?;
    std::fs::write(&stamp, requirements)?;
    Ok(python)
}

/// Whether cargo-nextest is there.
pub(crate) fn has_nextest() -> bool {
    on_path("cargo-nextest").is_some()
}

fn on_path(name: &str) -> Option<PathBuf> {
    let path = std::env::var_os("PATH")?;
    std::env::split_paths(&path)
        .map(|folder| folder.join(name))
        .find(|file| is_file(file))
}

fn is_file(path: &Path) -> bool {
    path.metadata().is_ok_and(|found| found.is_file())
}

/// Photographs a page and gives the picture's size in bytes.
pub(crate) fn photograph(browser: &Path, page: &Path, picture: &Path) -> Result<u64> {
    let profile = picture.with_extension("profile");
    let done = Command::new(browser)
        .args([
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-quic",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--hide-scrollbars",
            "--window-size=1280,2000",
        ])
        .arg(format!("--user-data-dir={}", profile.display()))
        .arg(format!("--screenshot={}", picture.display()))
        .arg(format!("file://{}", page.display()))
        .output()
        .context("cannot start the browser")?;
    let size = picture.metadata().map(|found| found.len()).unwrap_or(0);
    if size == 0 {
        bail!(
            "the browser made no picture of {}\n{}",
            page.display(),
            String::from_utf8_lossy(&done.stderr)
        );
    }
    Ok(size)
}
