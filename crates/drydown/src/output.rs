//! What people see on the terminal: progress and errors on standard error, results on standard output.
#![allow(
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "this is the one place that prints"
)]

use std::io::{IsTerminal, Write};
use std::time::Duration;

use indicatif::{ProgressBar, ProgressStyle};

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

    /// A step of known length.
    pub(crate) fn count(&self, what: &str, length: u64) -> Step {
        let bar = if self.shown {
            ProgressBar::new(length)
        } else {
            ProgressBar::hidden()
        };
        let style = ProgressStyle::with_template("{msg} {pos}/{len} [{elapsed} gone, {eta} left]");
        if let Ok(style) = style {
            bar.set_style(style);
        }
        bar.set_message(what.to_owned());
        Step(bar)
    }
}

/// A step on the screen.
#[derive(Debug)]
pub(crate) struct Step(ProgressBar);

impl Step {
    /// One more of the length is done.
    pub(crate) fn advance(&self) {
        self.0.inc(1);
    }

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
