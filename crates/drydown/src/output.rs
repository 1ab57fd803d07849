//! What people see on the terminal: progress and errors on standard error, results on standard output.
#![allow(
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "this is the one place that prints"
)]

use std::cell::Cell;
use std::io::{IsTerminal, Read, Write};
use std::time::Duration;

use indicatif::{HumanCount, ProgressBar, ProgressStyle};

/// Progress on a terminal, silence elsewhere.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Progress {
    shown: bool,
}

impl Progress {
    /// Shown where standard error is a terminal and nobody asked for quiet.
    pub(crate) fn new(quiet: bool) -> Self {
        Self {
            shown: !quiet && std::io::stderr().is_terminal(),
        }
    }

    /// A step of unknown length, shown until dropped.
    pub(crate) fn step(&self, what: &str) -> Step {
        let bar = if self.shown {
            ProgressBar::new_spinner()
        } else {
            ProgressBar::hidden()
        };
        bar.set_message(what.to_owned());
        bar.enable_steady_tick(Duration::from_millis(120));
        Step(bar)
    }
}

impl Progress {
    /// An ingest of so many files and bytes.
    pub(crate) fn loading(&self, n_files: usize, n_bytes: u64) -> Loading {
        let bar = if self.shown {
            ProgressBar::new(n_bytes)
        } else {
            ProgressBar::hidden()
        };
        if let Ok(style) = ProgressStyle::with_template("{msg} [{elapsed} gone, {eta} left]") {
            bar.set_style(style);
        }
        let loading = Loading {
            bar,
            n_files,
            done: Cell::new((0, 0, 0)),
        };
        loading.show();
        loading
    }
}

/// A step on the screen.
#[derive(Debug)]
pub(crate) struct Step(ProgressBar);

impl Step {
    /// What is being done now.
    pub(crate) fn say(&self, what: &str) {
        self.0.set_message(what.to_owned());
    }
}

impl Drop for Step {
    fn drop(&mut self) {
        self.0.finish_and_clear();
    }
}

/// An ingest on the screen: files, rows, rejects, and the time left by bytes.
#[derive(Debug)]
pub(crate) struct Loading {
    bar: ProgressBar,
    n_files: usize,
    /// Files, rows and rejected rows so far.
    done: Cell<(usize, u64, u64)>,
}

impl Loading {
    /// A reader whose bytes count as done when they are read.
    pub(crate) fn watched<R: Read>(&self, reader: R) -> impl Read + use<R> {
        self.bar.wrap_read(reader)
    }

    /// Counts a file, and its bytes unless they were counted when they were read.
    pub(crate) fn file_done(&self, n_bytes: u64) {
        let (files, rows, rejects) = self.done.get();
        self.done.set((files + 1, rows, rejects));
        self.bar.inc(n_bytes);
        self.show();
    }

    /// Counts rows.
    pub(crate) fn rows_done(&self, n_rows: u64, n_rejects: u64) {
        let (files, rows, rejects) = self.done.get();
        self.done.set((files, rows + n_rows, rejects + n_rejects));
        self.show();
    }

    fn show(&self) {
        let seconds = self.bar.elapsed().as_secs_f64();
        self.bar
            .set_message(loading_line(self.n_files, self.done.get(), seconds));
    }
}

fn loading_line(n_files: usize, (files, rows, rejects): (usize, u64, u64), seconds: f64) -> String {
    let rate = rows as f64 / seconds.max(1e-3);
    format!(
        "ingest: {files}/{n_files} files, {rows} rows, {}/s, {rejects} rejected",
        HumanCount(rate as u64)
    )
}

impl Drop for Loading {
    fn drop(&mut self) {
        self.bar.finish_and_clear();
    }
}

/// The result, to standard output. A reader that went away (`| head`) is no error.
pub(crate) fn print_result(text: &str) {
    let mut out = std::io::stdout().lock();
    let _ = out.write_all(text.as_bytes()).and_then(|()| out.flush());
}

/// A warning, to standard error.
pub(crate) fn print_warning(text: &str) {
    eprintln!("warning: {text}");
}

/// An error with its causes, to standard error.
pub(crate) fn print_error(error: &anyhow::Error) {
    eprintln!("error: {error}");
    let mut last = error.to_string();
    for cause in error.chain().skip(1) {
        let text = cause.to_string();
        // A wrapper that repeats its cause adds nothing.
        if !last.contains(&text) {
            eprintln!("  because: {text}");
        }
        last = text;
    }
}

/// Words filled into lines of at most 79 characters after a first-line head.
pub(crate) fn wrap(words: &str, head: &str) -> String {
    let indent = " ".repeat(head.chars().count());
    let mut out = String::new();
    let mut line = head.to_owned();
    let mut is_fresh = true;
    for word in words.split_whitespace() {
        if !is_fresh && line.chars().count() + 1 + word.chars().count() > 79 {
            out.push_str(line.trim_end());
            out.push('\n');
            line.clone_from(&indent);
            is_fresh = true;
        }
        if !is_fresh {
            line.push(' ');
        }
        line.push_str(word);
        is_fresh = false;
    }
    out.push_str(line.trim_end());
    out.push('\n');
    out
}
