//! drydown: reads a fleet's exports into a store and answers what to do next.
//!
//! This crate alone reads the clock, prints and exits; everything it calls takes values.

mod cli;
mod commands;
mod config;
mod ingest;
mod jobs;
mod output;
mod usage;

use std::process::ExitCode;

use clap::Parser;

fn main() -> ExitCode {
    let cli = cli::Cli::parse();
    match commands::run(&cli) {
        Ok(code) => ExitCode::from(code),
        Err(error) => {
            output::print_error(&error);
            let wrong_use = error
                .chain()
                .any(|cause| cause.is::<config::ConfigError>() || cause.is::<usage::UsageError>());
            ExitCode::from(if wrong_use { 2 } else { 1 })
        }
    }
}
