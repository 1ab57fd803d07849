//! Demo fleets against the truth they were invented from. Every figure is printed:
//! `cargo xtask trial 11 12 13`, or `cargo nextest run -p drydown-tests fleet --no-capture`.
//!
//! The bands asserted here are wide enough for the scatter of three fleets (a correct method's
//! coverage scatters by about 0.04 between large and 0.1 between small ones); they are meant to
//! catch what is broken. Tight bars want many fleets, which is what `trial` is for.

mod counts;
mod pumps;
mod removal;
mod risk;

use std::path::Path;

use drydown_quantity::Stamp;

use crate::binary::{Rows, parse_csv, succeed};

/// The demo's calendar ends here.
const AS_OF: &str = "2026-10-01T00:00:00Z";

/// Seeds of the fleets: `DRYDOWN_SEEDS`, else 1 2 3.
fn seeds() -> Vec<String> {
    let text = std::env::var("DRYDOWN_SEEDS").unwrap_or_else(|_| "1 2 3".to_owned());
    text.split_whitespace().map(str::to_owned).collect()
}

fn truth(folder: &Path, name: &str) -> Rows {
    parse_csv(&std::fs::read_to_string(folder.join(format!("truth/{name}.csv"))).unwrap())
}

fn stamp(text: &str) -> Option<Stamp> {
    (!text.is_empty()).then(|| text.parse().unwrap())
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

#[test]
fn demo_fleets_against_their_truth() {
    let mut totals = Totals::default();
    for seed in seeds() {
        let folder = tempfile::tempdir().unwrap();
        succeed(
            folder.path(),
            &["-q", "demo", "--out", "demo", "--seed", &seed],
        );
        let demo = folder.path().join("demo");
        counts::check(&demo);
        totals.removal.push(removal::compare(&demo));
        totals.pumps.push(pumps::compare(&demo));
        totals.risk.push(risk::compare(&demo));
        println!("seed {seed}");
        println!("  removal    {:?}", totals.removal.last().unwrap());
        println!("  pumps      {:?}", totals.pumps.last().unwrap());
        println!("  reservoirs {:?}", totals.risk.last().unwrap());
    }
    println!("all seeds");
    removal::judge(&totals.removal);
    pumps::judge(&totals.pumps);
    risk::judge(&totals.risk);
}

#[derive(Default)]
struct Totals {
    removal: Vec<removal::Figures>,
    pumps: Vec<pumps::Figures>,
    risk: Vec<risk::Figures>,
}

#[test]
fn the_same_seed_gives_the_same_summary_and_tables() {
    let tables: Vec<String> = {
        let folder = tempfile::tempdir().unwrap();
        let said = succeed(folder.path(), &["schema"]);
        let schema: Vec<String> =
            std::fs::read_dir(Path::new(env!("CARGO_MANIFEST_DIR")).join("../data-schema"))
                .unwrap()
                .filter_map(|entry| {
                    entry
                        .unwrap()
                        .file_name()
                        .to_str()?
                        .strip_suffix(".json")
                        .map(str::to_owned)
                })
                .collect();
        assert!(
            schema.iter().all(|table| said.contains(table.as_str())),
            "`schema` leaves a table out"
        );
        schema
    };
    let make = || {
        let folder = tempfile::tempdir().unwrap();
        let arguments = [
            "-q", "demo", "--out", "demo", "--units", "6", "--months", "8", "--seed", "5",
        ];
        let summary = succeed(folder.path(), &arguments);
        let demo = folder.path().join("demo");
        let exports: Vec<String> = tables
            .iter()
            .map(|table| succeed(&demo, &["export", table]))
            .collect();
        (summary, exports)
    };
    let (first, second) = (make(), make());
    assert_eq!(first.0, second.0);
    for ((table, a), b) in tables.iter().zip(&first.1).zip(&second.1) {
        assert!(a == b, "table {table} differs between two runs of one seed");
    }
}

#[test]
fn the_smallest_fleets_go_all_the_way() {
    for (units, months) in [("1", "1"), ("1", "4"), ("3", "2")] {
        let folder = tempfile::tempdir().unwrap();
        succeed(
            folder.path(),
            &[
                "-q", "demo", "--out", "demo", "--units", units, "--months", months,
            ],
        );
        counts::check(&folder.path().join("demo"));
    }
}
