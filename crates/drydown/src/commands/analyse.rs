//! `drydown analyse`.

use anyhow::Result;
use serde_json::json;

use crate::cli::{AnalyseArgs, Cli, Format};
use crate::config::Config;
use crate::jobs::{self, Purpose};
use crate::output::{Progress, print_result};

pub(super) fn run(cli: &Cli, arguments: &AnalyseArgs) -> Result<u8> {
    let config = Config::load(&cli.config)?;
    let as_of = match &arguments.as_of {
        Some(text) => super::parse_when("--as-of", text)?,
        None => super::now(),
    };
    let store = super::open_store(&config)?;
    let done = jobs::analyse(
        &store,
        &config,
        (as_of, Purpose::Stand),
        &arguments.only,
        &Progress::new(cli.quiet),
    )?;
    let listed = |names: &[&str]| {
        if names.is_empty() {
            "none".to_owned()
        } else {
            names.join(", ")
        }
    };
    print_result(&match cli.format {
        Format::Text => format!(
            "analysed as of {} UTC\nran: {}\nunchanged, not run: {}\n",
            as_of.minute(),
            listed(&done.ran),
            listed(&done.skipped)
        ),
        Format::Json => format!(
            "{}\n",
            json!({"as_of": as_of.rfc3339(), "ran": done.ran, "skipped": done.skipped})
        ),
    });
    Ok(0)
}
