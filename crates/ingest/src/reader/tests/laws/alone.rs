//! A record means the same whatever stands before it: read among others and read alone.

use proptest::prelude::*;

use super::super::harness::{merged, read, shown, source};
use crate::rows::Reject;
use crate::site::SiteContext;
use crate::source::Source;

const WIDE: &str = r#"
    table = "readings"
    null = ["", "---"]
    timezone = "America/Chicago"
    [columns]
    unit_id = { from = "Unit" }
    at = { from = "Time", format = "%Y-%m-%d %H:%M" }
    chamber_pressure_kpa = { from = "P", unit = "inHg", reference = "vacuum" }
    ambient_kpa = { from = "Baro", unit = "hPa" }
    oil_inlet_degc = { from = "T", unit = "°F" }
    oil_flow_lpm = { from = "Q", unit = { from = "Unit of Q" } }
    running = { from = "Run", map = { "27" = "yes" } }
    alarm = { from = "Alarm" }
"#;

const TALL: &str = r#"
    table = "readings"
    layout = "tall"
    timezone = "America/Chicago"
    [tall]
    tag = "Tag"
    value = "Value"
    quality = { from = "Quality", good = ["Good"] }
    [columns]
    unit_id = { from = "Unit" }
    at = { from = "Time", format = "%Y-%m-%d %H:%M" }
    reservoir_id = { from = "Tank" }
    chamber_pressure_kpa = { signal = "P", unit = "mbar", reference = "gauge" }
    oil_inlet_degc = { signal = "T", unit = "°F" }
    oil_flow_lpm = { signal = "Q", unit = "gpm" }
    running = { signal = "Run" }
    alarm = { signal = "Alarm" }
"#;

const SAMPLES: &str = r#"
    table = "samples"
    [columns]
    lab = { from = "Unit" }
    sample_id = { from = "Time" }
    water_ppm = { from = "P", unit = { from = "Unit of Q" } }
    water_censor = { from = "Baro" }
    iso4406 = { from = "T" }
    acid_mgkoh_g = { from = "Q" }
    sample_degc = { from = "Alarm", unit = "°F" }
    reservoir_id = { from = "Run" }
"#;

const WIDE_HEADER: &str = "Unit,Time,P,Baro,T,Q,Unit of Q,Run,Alarm";
const TALL_HEADER: &str = "Unit,Time,Tag,Value,Quality,Tank";

/// Few texts, so that each comes again in other company.
fn cell() -> impl Strategy<Value = &'static str> {
    prop::sample::select(vec![
        "",
        "---",
        " ",
        "27",
        "27 ",
        "27.5",
        "-27",
        "990",
        "1.5 %",
        "150 °C",
        "20 gpm",
        "x",
        "<20",
        "N/D",
        "19/17/14",
        "≥19/17/14",
        "12/10/09",
        "yes",
        "0",
        "<",
        "=",
        "an alarm of more than sixteen bytes",
        "an alarm of more than sixteen bites",
    ])
}

/// A record for each minute: its fields but for unit and time.
fn records(n_fields: usize) -> impl Strategy<Value = Vec<(bool, Vec<&'static str>)>> {
    let fields = prop::collection::vec(cell(), n_fields);
    prop::collection::vec((any::<bool>(), fields), 1..40)
}

/// The rows and rejects of a text, the latter without their line.
fn outcome(source: &Source, text: &str) -> (Vec<String>, Vec<(String, String, String)>) {
    let rows = read(source, "log.csv", text.as_bytes(), &SiteContext::default());
    let said = |reject: &Reject| {
        (
            reject.column.clone(),
            reject.raw.clone(),
            reject.reason.clone(),
        )
    };
    let rejects = rows.rejects().iter().map(said).collect();
    let columns: Vec<&str> = source
        .table
        .columns
        .iter()
        .map(|column| column.name.as_str())
        .filter(|name| !matches!(*name, "file_hash" | "line"))
        .collect();
    (shown(&merged(vec![rows], &[]).0, &columns), rejects)
}

/// Reads the lines together, and one by one.
fn check(description: &str, header: &str, lines: &[String]) -> Result<(), TestCaseError> {
    let source = source(description);
    let together = outcome(&source, &format!("{header}\n{}\n", lines.join("\n")));
    let mut alone = (Vec::new(), Vec::new());
    for line in lines {
        let (rows, rejects) = outcome(&source, &format!("{header}\n{line}\n"));
        alone.0.extend(rows);
        alone.1.extend(rejects);
    }
    alone.0.sort();
    let mut rows = together.0;
    rows.sort();
    prop_assert_eq!(rows, alone.0);
    prop_assert_eq!(together.1, alone.1);
    Ok(())
}

fn head(place: usize, other: bool) -> String {
    let unit = if other { "U-2" } else { "U-1" };
    format!("{unit},2026-03-{:02} {:02}:30", 1 + place / 20, place % 20)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]

    #[test]
    fn wide_records(records in records(7)) {
        let lines: Vec<String> = records
            .iter()
            .enumerate()
            .map(|(place, (other, fields))| format!("{},{}", head(place, *other), fields.join(",")))
            .collect();
        check(WIDE, WIDE_HEADER, &lines)?;
        check(SAMPLES, WIDE_HEADER, &lines)?;
    }

    #[test]
    fn tall_lines(
        records in records(2),
        tags in prop::collection::vec(prop::sample::select(vec!["P", "T", "Q", "Run", "Alarm", "Fuel"]), 40),
        qualities in prop::collection::vec(prop::sample::select(vec!["Good", "Good", "Good", "Bad"]), 40),
    ) {
        let lines: Vec<String> = records
            .iter()
            .enumerate()
            .map(|(place, (other, fields))| format!(
                "{},{},{},{},{}",
                head(place, *other),
                tags[place],
                fields[0],
                qualities[place],
                fields[1]
            ))
            .collect();
        check(TALL, TALL_HEADER, &lines)?;
    }
}
