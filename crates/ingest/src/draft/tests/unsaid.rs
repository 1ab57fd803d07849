//! What a header leaves unsaid: the reference of a pressure, the unit of water, what a heater's number is.

use super::{Case, check_all, clock, proposed, table};

/// Rows a minute apart of one column.
fn minutes(header: &str, value: impl Fn(usize) -> String) -> String {
    table(&format!("Time,Unit,{header}"), 30, |n| {
        format!("2026-03-04 {},U-1,{}", clock(n * 60), value(n))
    })
}

#[test]
fn references() {
    check_all(vec![
        Case {
            what: "a pump-down that starts at the barometer is told absolute, whatever it is called",
            name: "log.csv",
            text: minutes("Vacuum (mbar)", |n| (1013 - 30 * n).to_string()),
            lines: &[
                "chamber_pressure_kpa = { from = \"Vacuum (mbar)\", unit = \"mbar\", reference = \"absolute\" }",
                "likely: \"Vacuum (mbar)\": its words (vacuum, pressure); its unit mbar stands in the header; read as absolute because it starts at about the barometer and falls: check",
            ],
            absent: &[],
        },
        Case {
            what: "a vacuum that is held",
            name: "log.csv",
            text: minutes("Vacuum (mbar)", |n| (800 + n).to_string()),
            lines: &[
                "chamber_pressure_kpa = { from = \"Vacuum (mbar)\", unit = \"mbar\", reference = \"vacuum\" }",
            ],
            absent: &["certain: \"Vacuum (mbar)\""],
        },
        Case {
            what: "inches of mercury that begin at a barometer: two things may be meant",
            name: "log.csv",
            text: minutes("Vacuum (inHg)", |n| format!("{:.1}", 29.9 - 0.9 * n as f64)),
            lines: &[],
            absent: &["likely: \"Vacuum (inHg)\"", "certain: \"Vacuum (inHg)\""],
        },
        Case {
            what: "a word for what lies below the barometer",
            name: "log.csv",
            text: minutes("Dépression chambre (mbar)", |n| (800 + n).to_string()),
            lines: &[
                "chamber_pressure_kpa = { from = \"Dépression chambre (mbar)\", unit = \"mbar\", reference = \"vacuum\" }",
            ],
            absent: &[],
        },
        Case {
            what: "that word, and values of an absolute pressure",
            name: "log.csv",
            text: minutes("Unterdruck (mbar)", |n| (1013 - 30 * n).to_string()),
            lines: &[],
            absent: &["likely: \"Unterdruck", "certain: \"Unterdruck"],
        },
    ]);
}

#[test]
fn a_vacuum_without_a_unit_is_never_likely_absolute() {
    for word in [
        "Vac",
        "VAC",
        "Vakuum",
        "Dépression",
        "Unterdruck",
        "Kammerunterdruck",
    ] {
        let text = minutes(word, |n| format!("{:.2}", 25.0 + 0.05 * n as f64));
        let proposal = proposed("log.csv", text.as_bytes());
        let line = format!(
            "chamber_pressure_kpa = {{ from = \"{word}\", unit = \"FILL-IN\", reference = \"vacuum\" }}"
        );
        assert!(proposal.contains(&line), "{word}\n{proposal}");
        let certain = format!("certain: \"{word}\"");
        assert!(!proposal.contains(&certain), "{word}\n{proposal}");
    }
    let text = minutes("Vac", |n| format!("{:.2}", 25.0 + 0.05 * n as f64));
    let proposal = proposed("log.csv", text.as_bytes());
    assert!(proposal.contains("guess: \"Vac\""), "{proposal}");
    // Nothing but the sign tells it of a pressure.
    let text = minutes("Pressure", |n| (40 + n).to_string());
    let proposal = proposed("log.csv", text.as_bytes());
    assert!(!proposal.contains("likely: \"Pressure\""), "{proposal}");
}

#[test]
fn quantities_without_a_unit() {
    check_all(vec![
        Case {
            what: "no oil is so dry",
            name: "log.csv",
            text: minutes("Flow L/min,Water", |n| {
                format!("90,{:.3}", 0.02 + 0.001 * n as f64)
            }),
            lines: &["water_ppm = { from = \"Water\", unit = \"FILL-IN\" }"],
            absent: &["mg/kg assumed"],
        },
        Case {
            what: "dry, but not so dry",
            name: "log.csv",
            text: minutes("Flow L/min,Water", |n| format!("90,{}", 2 + n)),
            lines: &["water_ppm = { from = \"Water\", unit = \"mg/kg\" }"],
            absent: &["certain: \"Water\""],
        },
        Case {
            what: "a heater that follows its set point",
            name: "log.csv",
            text: minutes("Durchfluss L/min,Heizung Soll,Heizung Ist", |n| {
                format!("90,65,{:.1}", 64.0 + 0.1 * n as f64)
            }),
            lines: &[
                "heater_setpoint_degc = { from = \"Heizung Soll\", unit = \"Cel\" }",
                "not placed: \"Heizung Ist\" (64 to 66.9): closest is heater_on, but its values are not yes and no",
            ],
            absent: &["heater_kw ="],
        },
        Case {
            what: "a heater's number is a guess",
            name: "log.csv",
            text: minutes("Flow L/min,Heater", |n| format!("90,{}", 20 + n % 5)),
            lines: &["heater_kw = { from = \"Heater\", unit = \"kW\" }"],
            absent: &["likely: \"Heater\"", "certain: \"Heater\""],
        },
        Case {
            what: "a power says so",
            name: "log.csv",
            text: minutes("Flow L/min,Heater power", |n| format!("90,{}", 20 + n % 5)),
            lines: &["heater_kw = { from = \"Heater power\", unit = \"kW\" }"],
            absent: &["guess: \"Heater power\""],
        },
    ]);
}

#[test]
fn units_in_the_column_beside() {
    check_all(vec![
        Case {
            what: "of a pressure",
            name: "log.csv",
            text: minutes("Kammerdruck,Einheit,Durchfluss L/min", |n| {
                format!("{},mbar,90", 80 + n)
            }),
            lines: &[
                "chamber_pressure_kpa = { from = \"Kammerdruck\", unit = { from = \"Einheit\" }, reference = \"absolute\" }",
                "likely: \"Einheit\" states its unit row by row (\"mbar\")",
            ],
            absent: &["not placed", "stands nowhere"],
        },
        Case {
            what: "with its reference",
            name: "log.csv",
            text: minutes("Chamber,Units,Flow L/min", |n| {
                format!("{},mbar(g),90", n as i32 - 900)
            }),
            lines: &[
                "chamber_pressure_kpa = { from = \"Chamber\", unit = { from = \"Units\" }, reference = \"gauge\" }",
            ],
            absent: &["not placed"],
        },
        Case {
            what: "of water, row by row, some in spellings that are not known",
            name: "lab.csv",
            text: table("No;Tank;Drawn;Wasser;Einheit", 24, |n| {
                let water = [
                    "25;ppm",
                    "0,05;%",
                    "500;mg/kg",
                    "0,5;g/kg",
                    "0,05;% (m/m)",
                    "3;foo",
                    "30;%RS",
                ];
                format!(
                    "{n:04};T-1;{:02}.01.2026;{}",
                    1 + n,
                    water.get(n % 7).unwrap()
                )
            }),
            lines: &["water_ppm = { from = \"Wasser\", unit = { from = \"Einheit\" } }"],
            absent: &["mg/kg assumed"],
        },
    ]);
}
