//! The commands: each joins store, stages and pages, and says what it did.

mod analyse;
mod answers;
mod backtest;
mod check;
mod curves;
mod demo;
mod digest;
mod draft;
mod explain;
mod export;
mod filter;
mod ingest;
mod objects;
mod prune;
mod report;
mod reservoir_past;
mod schema;
mod size;
mod size_text;
mod summary;

use anyhow::{Context as _, Result};
use drydown_quantity::Stamp;
use drydown_store::Store;

use crate::cli::{Cli, Command};
use crate::config::Config;
use crate::usage::UsageError;

/// Status 3: done, but `--strict` and rows were rejected.
const REJECTED_ROWS: u8 = 3;

/// Does what was asked and gives the exit status.
pub(crate) fn run(cli: &Cli) -> Result<u8> {
    match &cli.command {
        Command::Demo(arguments) => demo::run(cli, arguments),
        Command::Ingest(arguments) => ingest::run(cli, arguments),
        Command::Analyse(arguments) => analyse::run(cli, arguments),
        Command::Size(arguments) => size::run(cli, arguments),
        Command::Explain(arguments) => explain::run(cli, arguments),
        Command::Backtest(arguments) => backtest::run(cli, arguments),
        Command::Report(arguments) => report::run(cli, arguments),
        Command::Digest(arguments) => digest::run(cli, arguments),
        Command::Draft { file } => draft::run(cli, file),
        Command::Check => check::run(cli),
        Command::Export { table } => export::run(cli, table),
        Command::Schema { table } => schema::run(cli, table.as_deref()),
        Command::Context(arguments) => filter::write_context(cli, arguments),
        Command::Runs(arguments) => filter::run(arguments),
        Command::Prune { keep } => prune::run(cli, *keep),
    }
}

/// The one place that reads the clock.
fn now() -> Stamp {
    let since = std::time::SystemTime::now()
        .duration_since(std::time::UNIX_EPOCH)
        .unwrap_or_default();
    Stamp::from_micros(i64::try_from(since.as_micros()).unwrap_or(i64::MAX))
}

/// A time from the command line.
fn parse_when(option: &str, text: &str) -> Result<Stamp> {
    text.parse()
        .map_err(|error| UsageError(format!("{option}: {error}")).into())
}

fn open_store(config: &Config) -> Result<Store> {
    Store::open(config.store_path()).context("the store cannot be opened")
}
