//! `drydown schema [TABLE|units]`: the data contract as text.

use std::fmt::Write as _;

use anyhow::Result;
use drydown_schema::{descriptor, nearest, render_contract, table, tables};
use serde_json::{Map, Value, json};

use crate::cli::{Cli, Format};
use crate::output::print_result;
use crate::usage::UsageError;

pub(super) fn run(cli: &Cli, name: Option<&str>) -> Result<u8> {
    if let Some(other) = name.filter(|name| *name != "units" && table(name).is_none()) {
        let hint = nearest(other, tables().iter().map(|spec| spec.name.as_str()))
            .map_or_else(String::new, |near| {
                format!("\nhint: did you mean \"{near}\"?")
            });
        return Err(UsageError(format!(
            "found \"{other}\", expected a table or \"units\"{hint}"
        ))
        .into());
    }
    print_result(&match (cli.format, name) {
        (Format::Text, Some("units")) => units(),
        (Format::Text, name) => render_contract(name),
        (Format::Json, Some("units")) => format!("{}\n", units_json()),
        (Format::Json, name) => format!("{}\n", tables_json(name)?),
    });
    Ok(0)
}

/// The descriptors of data-schema/ as they were built in.
fn tables_json(name: Option<&str>) -> Result<Value> {
    let mut found = Map::new();
    for spec in tables() {
        if name.is_none_or(|name| name == spec.name)
            && let Some(text) = descriptor(&spec.name)
        {
            found.insert(spec.name.clone(), serde_json::from_str(text)?);
        }
    }
    Ok(json!({ "tables": found }))
}

fn units_json() -> Value {
    let units: Vec<Value> = drydown_quantity::all_units()
        .iter()
        .map(|row| {
            json!({
                "code": row.code,
                "quantity": format!("{:?}", row.dimension),
                "aliases": row.aliases,
            })
        })
        .collect();
    json!({ "units": units })
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
