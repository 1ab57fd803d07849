//! Pressures and what they are measured against; the barometer and where it came from.
//!
//! 1 inHg is 3.386 38 kPa (NIST SP 811, 32 °F); the standard atmosphere at 1500 m is 84.556 kPa and
//! at sea level 101.325 kPa (ISO 2533, table of pressures).

use arrow::array::RecordBatch;

use super::harness::{Case, dedented, merged, read, source};
use crate::site::SiteContext;

/// A log with one chamber pressure.
fn gauge(unit: &str, reference: &str) -> String {
    format!(
        "table = \"readings\"\n[columns]\nunit_id = {{ from = \"Unit\" }}\nat = {{ from = \"Time\", format = \"rfc3339\" }}\nchamber_pressure_kpa = {{ from = \"P\", unit = \"{unit}\", reference = \"{reference}\" }}\n"
    )
}

#[test]
fn one_pressure_against_every_reference() {
    // 101.325 − 25 · 3.386 38 = 16.6655 kPa.
    for (unit, reference, value) in [
        ("inHg", "vacuum", "25"),
        ("inHg", "gauge", "-25"),
        ("in.Hg", "gauge", "-25.0 inHg"),
        ("kPa", "absolute", "16.6655"),
        ("mbar", "absolute", "166.655"),
        ("hPa", "gauge", "-846.595"),
        ("Torr", "vacuum", "634.998470269"),
        ("psi", "vacuum", "12.278822357"),
        ("%", "percent_vacuum", "83.552430299"),
    ] {
        Case::new(&gauge(unit, reference))
            .bytes(format!("Unit,Time,P\nU-1,2026-03-01T10:00:00Z,{value}\n").as_bytes())
            .gives(&format!(
                "chamber_pressure_kpa | ambient_kpa | barometer_basis\n16.6655 | {}",
                if reference == "absolute" {
                    "- | -"
                } else {
                    "101.325 | default"
                }
            ));
    }
}

#[test]
fn impossible_pressures_are_null_with_an_entry() {
    Case::new(&gauge("inHg", "vacuum"))
        .text(
            "
            Unit,Time,P
            U-1,2026-03-01T10:00:00Z,29.9
            U-1,2026-03-01T10:01:00Z,30
            U-1,2026-03-01T10:02:00Z,-1.4
            U-1,2026-03-01T10:03:00Z,-1.6
            U-1,2026-03-01T10:04:00Z,shut
            U-1,2026-03-01T10:05:00Z,
            ",
        )
        .gives(
            "
            line | chamber_pressure_kpa | ambient_kpa
            2 | 0.072238 | 101.325
            3 | - | -
            4 | 106.065932 | 101.325
            5 | - | -
            6 | - | -
            7 | - | -
            ! 3 chamber_pressure_kpa [30] ~ lies outside 0…106.391
            ! 5 chamber_pressure_kpa [-1.6] ~ lies outside 0…106.391
            ! 6 chamber_pressure_kpa [shut] ~ expected a number in [in_i'Hg]
            ",
        );
}

fn register(description: &str, text: &str) -> Vec<RecordBatch> {
    let source = source(description);
    let rows = read(
        &source,
        "r.csv",
        dedented(text).as_bytes(),
        &SiteContext::default(),
    );
    merged(vec![rows], &[]).0
}

/// U-1 lives at 1500 m and stands at the sea from 2026-02-01 to 2026-03-01; U-2 has no home.
fn fleet() -> SiteContext {
    SiteContext::from_registers(
        &register(
            "table = \"units\"\n[columns]\nunit_id = { from = \"Unit\" }\nhome_site_id = { from = \"Home\" }\nnameplate_flow_lpm = { from = \"Flow\" }\n",
            "Unit,Home,Flow\nU-1,HILL,76\nU-2,,\n",
        ),
        &register(
            "table = \"sites\"\n[columns]\nsite_id = { from = \"Site\" }\naltitude_m = { from = \"Altitude\", unit = \"m\" }\n",
            "Site,Altitude\nHILL,1500\nSEA,0\n",
        ),
        &register(
            "table = \"reservoirs\"\n[columns]\nreservoir_id = { from = \"Reservoir\" }\nsite_id = { from = \"Site\" }\n",
            "Reservoir,Site\nR-1,SEA\nR-2,NOWHERE\n",
        ),
        &register(
            "table = \"deployments\"\n[columns]\nunit_id = { from = \"Unit\" }\nfrom_at = { from = \"From\" }\nto_at = { from = \"To\" }\nreservoir_id = { from = \"Reservoir\" }\n",
            "Unit,From,To,Reservoir\nU-1,2026-02-01T00:00:00Z,2026-03-01T00:00:00Z,R-1\nU-1,2026-04-01T00:00:00Z,,R-2\n",
        ),
    )
}

#[test]
fn the_barometer_is_that_of_the_place_at_the_time() {
    Case::new(&gauge("kPa", "vacuum"))
        .at_site(fleet())
        .text(
            "
            Unit,Time,P
            U-1,2026-01-31T23:59:59Z,60
            U-1,2026-02-01T00:00:00Z,60
            U-1,2026-03-01T00:00:00Z,60
            U-1,2026-04-02T00:00:00Z,60
            U-2,2026-01-01T00:00:00Z,60
            U-3,2026-01-01T00:00:00Z,60
            U-1,2026-01-01T00:00:00Z,85
            ",
        )
        .gives(
            "
            unit_id | at | chamber_pressure_kpa | ambient_kpa | barometer_basis
            U-1 | 2026-01-01T00:00:00Z | - | - | -
            U-1 | 2026-01-31T23:59:59Z | 24.556005 | 84.556005 | altitude
            U-1 | 2026-02-01T00:00:00Z | 41.325 | 101.325 | altitude
            U-1 | 2026-03-01T00:00:00Z | 24.556005 | 84.556005 | altitude
            U-1 | 2026-04-02T00:00:00Z | 41.325 | 101.325 | default
            U-2 | 2026-01-01T00:00:00Z | 41.325 | 101.325 | default
            U-3 | 2026-01-01T00:00:00Z | 41.325 | 101.325 | default
            ! 8 chamber_pressure_kpa [85] ~ at a barometer of 84.556 kPa (altitude)
            ",
        );
}

#[test]
fn a_flow_over_twice_the_nameplate_is_impossible() {
    Case::new(
        "table = \"readings\"\n[columns]\nunit_id = { from = \"Unit\" }\nat = { from = \"Time\" }\noil_flow_lpm = { from = \"Q\" }\n",
    )
    .at_site(fleet())
    .text(
        "
        Unit,Time,Q
        U-1,2026-01-01T00:00:00Z,152
        U-1,2026-01-01T00:01:00Z,152.1
        U-2,2026-01-01T00:01:00Z,1520
        ",
    )
    .gives(
        "
        line | oil_flow_lpm
        2 | 152
        3 | -
        4 | 1520
        ! 3 oil_flow_lpm [152.1] ~ nameplate flow of 76 L/min
        ",
    );
}

#[test]
fn a_barometer_beside_the_gauge() {
    let description = format!(
        "{}ambient_kpa = {{ from = \"Baro\", unit = \"hPa\" }}\n",
        gauge("kPa", "vacuum")
    );
    Case::new(&description)
        .at_site(fleet())
        .text(
            "
            Unit,Time,P,Baro
            U-1,2026-01-01T00:00:00Z,60,850
            U-1,2026-01-01T00:01:00Z,60,
            U-1,2026-01-01T00:02:00Z,60,85
            U-1,2026-01-01T00:03:00Z,,851
            U-2,2026-01-01T00:00:00Z,60,?
            ",
        )
        .gives(
            "
            line | chamber_pressure_kpa | ambient_kpa | barometer_basis
            2 | 25 | 85 | measured
            3 | 24.556005 | 84.556005 | altitude
            4 | 24.556005 | 84.556005 | altitude
            5 | - | 85.1 | measured
            6 | 41.325 | 101.325 | default
            ! 4 ambient_kpa [85] ~ outside
            ! 6 ambient_kpa [?] ~ expected a number
            ",
        );
}

const TALL: &str = r#"
    table = "readings"
    layout = "tall"
    [tall]
    tag = "Tag"
    value = "Value"
    pattern = '(?<unit_id>[^.]+)\.(?<signal>.+)'
    [columns]
    unit_id = {}
    at = { from = "Time", format = "rfc3339" }
    chamber_pressure_kpa = { signal = "VAC", unit = "kPa", reference = "vacuum" }
    ambient_kpa = { signal = "BARO", unit = "kPa" }
    oil_flow_lpm = { signal = "FLOW", unit = "L/min" }
"#;

#[test]
fn a_barometer_on_another_line_wherever_it_stands() {
    let rows = "
        unit_id | chamber_pressure_kpa | ambient_kpa | barometer_basis
        U-1 | 39 | 99 | measured
        U-2 | 41.325 | 101.325 | default
    ";
    Case::new(TALL)
        .text(
            "
            Time,Tag,Value
            2026-03-01T10:00:00Z,U-1.BARO,99
            2026-03-01T10:00:00Z,U-1.VAC,60
            2026-03-01T10:00:00Z,U-2.VAC,60
            ",
        )
        .gives(rows);
    Case::new(TALL)
        .text(
            "
            Time,Tag,Value
            2026-03-01T10:00:00Z,U-1.VAC,60
            2026-03-01T10:00:00Z,U-2.VAC,60
            2026-03-01T10:00:00Z,U-1.BARO,99
            ",
        )
        .gives(rows);
}

#[test]
fn a_barometer_in_another_file_before_or_after() {
    let rows = "
        chamber_pressure_kpa | ambient_kpa | barometer_basis
        39 | 99 | measured
    ";
    let vacuum = "Time,Tag,Value\n2026-03-01T10:00:00Z,U-1.VAC,60\n";
    let barometer = "Time,Tag,Value\n2026-03-01T10:00:00Z,U-1.BARO,99\n";
    Case::new(TALL).text(vacuum).text(barometer).gives(rows);
    Case::new(TALL).text(barometer).text(vacuum).gives(rows);
}

#[test]
fn pressures_after_the_pumps_are_gauge() {
    for (unit, reference, value) in [
        ("psi", "", "30"),
        ("psi", ", reference = \"gauge\"", "30"),
        ("bar", ", reference = \"absolute\"", "3.08167719"),
        ("kPa", ", reference = \"vacuum\"", "-206.842719"),
    ] {
        Case::new(&format!(
            "table = \"readings\"\n[columns]\nunit_id = {{ from = \"Unit\" }}\nat = {{ from = \"Time\" }}\ndischarge_kpa_gauge = {{ from = \"P\", unit = \"{unit}\"{reference} }}\n"
        ))
        .bytes(format!("Unit,Time,P\nU-1,2026-03-01T10:00:00Z,{value}\n").as_bytes())
        // 1 psi is 6.894 757 293 168 kPa (NIST SP 811).
        .gives("discharge_kpa_gauge\n206.842719");
    }
}

/// The word of a unit for what it is measured against is no ornament.
#[test]
fn a_unit_that_says_another_reference_is_refused() {
    let by_row = |reference: &str| {
        format!(
            r#"
            table = "readings"
            timezone = "UTC"
            [columns]
            unit_id = {{ value = "U-1" }}
            at = {{ from = "Time", format = "%Y-%m-%d %H:%M" }}
            chamber_pressure_kpa = {{ from = "P", unit = {{ from = "Unit" }}, reference = "{reference}" }}
            "#
        )
    };
    Case::new(&by_row("absolute"))
        .text(
            "
            Time,P,Unit
            2026-01-01 00:00,50,mbar(a)
            2026-01-01 00:01,500,mbar(g)
            2026-01-01 00:02,25,inHg vac
            2026-01-01 00:03,60,mbar
            ",
        )
        .gives(
            "
            chamber_pressure_kpa
            5
            -
            -
            6
            ! 3 chamber_pressure_kpa [500] ~ its unit says gauge, and the source says absolute
            ! 4 chamber_pressure_kpa [25] ~ its unit says vacuum, and the source says absolute
            ",
        );
    Case::new(&by_row("vacuum"))
        .text(
            "
            Time,P,Unit
            2026-01-01 00:00,50,mbar(a)
            2026-01-01 00:01,60 mbar abs,mbar
            ",
        )
        .gives(
            "
            chamber_pressure_kpa
            -
            -
            ! 2 chamber_pressure_kpa [50] ~ its unit says absolute, and the source says vacuum
            ! 3 chamber_pressure_kpa [60 mbar abs] ~ its unit says absolute
            ",
        );
    for (unit, reference, is_refused) in [
        ("barg", "absolute", true),
        ("psia", "gauge", true),
        ("mbar(a)", "vacuum", true),
        ("inHg vac", "absolute", true),
        ("inHg vac", "vacuum", false),
        ("psia", "absolute", false),
        ("mbar", "vacuum", false),
    ] {
        let text = by_row(reference).replace("{ from = \"Unit\" }", &format!("\"{unit}\""));
        let text = format!("name = \"s\"\nfiles = [\"*\"]\n{text}");
        let spec: crate::source::SourceSpec = toml::from_str(&text).unwrap();
        let problems = spec.compile().err().unwrap_or_default();
        assert_eq!(
            !problems.is_empty(),
            is_refused,
            "{unit} {reference} {problems:?}"
        );
    }
}
