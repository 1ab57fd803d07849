//! `drydown schema [TABLE|units]`: the data contract as text.

use std::fmt::Write as _;

use anyhow::Result;
use drydown_schema::{nearest, render_contract, table, tables};

use crate::cli::Cli;
use crate::output::print_result;
use crate::usage::UsageError;

pub(super) fn run(_: &Cli, name: Option<&str>) -> Result<u8> {
    match name {
        Some("units") => print_result(&units()),
        Some(other) if table(other).is_none() => {
            let hint = nearest(other, tables().iter().map(|spec| spec.name.as_str()))
                .map_or_else(String::new, |near| {
                    format!("\nhint: did you mean \"{near}\"?")
                });
            return Err(UsageError(format!(
                "found \"{other}\", expected a table or \"units\"{hint}"
            ))
            .into());
        }
        name => print_result(&render_contract(name)),
    }
    Ok(0)
}

fn units() -> String {
    let mut out = String::from("code            quantity             also written\n");
    for row in drydown_quantity::all_units() {
        let _ = writeln!(
            out,
            "{:<15} {:<20} {}",
            row.code,
            format!("{:?}", row.dimension),
            row.aliases.join(", ")
        );
    }
    out
}
