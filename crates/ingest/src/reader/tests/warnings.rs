//! What a file is read with doubts about, side by side with the words of the warning.

use super::harness::{read, source};
use crate::site::SiteContext;

/// A log whose temperature, pressure and water come from these columns.
fn log(head: &str, columns: &str) -> String {
    format!(
        "table = \"readings\"\n{head}\n[columns]\nunit_id = {{ value = \"U-1\" }}\nat = {{ from = \"T\", format = \"rfc3339\" }}\n{columns}\n"
    )
}

#[test]
fn a_name_that_states_another_unit_than_the_source() {
    for (what, head, columns, header, expected) in [
        (
            "another degree",
            "",
            "oil_inlet_degc = { from = \"Oil in (°C)\", unit = \"°F\" }",
            "T,Oil in (°C)",
            Some(
                "column \"Oil in (°C)\" states Cel in its name, and the source reads it in [degF] into \"oil_inlet_degc\"",
            ),
        ),
        (
            "no unit said, and the name has another than the table",
            "",
            "oil_flow_lpm = { from = \"Flow [gpm]\" }",
            "T,Flow [gpm]",
            Some(
                "column \"Flow [gpm]\" states [gal_us]/min in its name, and the source reads it in L/min into \"oil_flow_lpm\"",
            ),
        ),
        (
            "the unit below the name",
            "header_lines = 2",
            "water_ppm = { from = \"Water %\", unit = \"ppm\" }",
            "T,Water\n,%",
            Some(
                "column \"Water %\" states % in its name, and the source reads it in mg/kg into \"water_ppm\"",
            ),
        ),
        (
            "microns of mercury",
            "",
            "filter_dp_kpa = { from = \"dp (micron)\", unit = \"Torr\" }",
            "T,dp (micron)",
            Some(
                "column \"dp (micron)\" states mTorr in its name, and the source reads it in Torr into \"filter_dp_kpa\"",
            ),
        ),
        (
            "the same unit in another spelling",
            "",
            "oil_inlet_degc = { from = \"Oil in (deg F)\", unit = \"[degF]\" }",
            "T,Oil in (deg F)",
            None,
        ),
        (
            "one inch of mercury and the other",
            "",
            "filter_dp_kpa = { from = \"dp (inHg)\", unit = \"[in_i'Hg]{60degF}\" }",
            "T,dp (inHg)",
            None,
        ),
        (
            "a unit of something else, and no unit",
            "",
            "oil_inlet_degc = { from = \"Oil (A)\", unit = \"°F\" }\noil_outlet_degc = { from = \"Oil (out)\", unit = \"°F\" }",
            "T,Oil (A),Oil (out)",
            None,
        ),
    ] {
        check(what, &log(head, columns), header, expected);
    }
}

/// The notes of a file that are not of a column it lacks.
fn check(what: &str, block: &str, text: &str, expected: Option<&str>) {
    let rows = read(
        &source(block),
        "log.csv",
        format!("{text}\n").as_bytes(),
        &SiteContext::default(),
    );
    let told = rows.notes().iter().map(String::as_str);
    let told: Vec<&str> = told.filter(|note| !note.starts_with("no column")).collect();
    assert_eq!(told, expected.into_iter().collect::<Vec<_>>(), "{what}");
}
