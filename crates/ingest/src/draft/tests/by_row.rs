//! Units in a column of their own, tests that must not be ignored, tags and folders of machines.

use super::{Case, check, check_all, proposed, table};

#[test]
fn a_laboratory_that_states_its_unit_row_by_row() {
    let wide = |units: [&str; 2]| {
        table("Report,Tank,Drawn,Water,Unit,TAN", 20, |n| {
            format!(
                "B26{n:03},R-{},2025-10-{:02},{},{},0.0{}",
                n % 7,
                1 + n,
                [format!("{}", 120 + n), format!("0.01{n}")][usize::from(n % 10 == 3)],
                units[usize::from(n % 10 == 3)],
                1 + n % 9
            )
        })
    };
    check_all(vec![
        Case {
            what: "mg/kg and percent in one column",
            name: "brackwater.csv",
            text: wide(["mg/kg", "%"]),
            lines: &[
                "table      = \"samples\"",
                "water_ppm = { from = \"Water\", unit = { from = \"Unit\" } }",
            ],
            absent: &[
                "assumed (the contract's): check; \"",
                "not placed: \"Unit\"",
                "density",
            ],
        },
        Case {
            what: "one unit in every row",
            name: "brackwater2.csv",
            text: wide(["mg/kg", "mg/kg"]),
            lines: &["water_ppm = { from = \"Water\", unit = { from = \"Unit\" } }"],
            absent: &["not placed: \"Unit\""],
        },
        Case {
            what: "by volume: the density is asked for",
            name: "tidemark.csv",
            text: wide(["ppm v/v", "mg/kg"]),
            lines: &[
                "density_kgm3 = 870.0",
                "water_ppm = { from = \"Water\", unit = { from = \"Unit\" } }",
            ],
            absent: &["not placed: \"Unit\""],
        },
    ]);
}

#[test]
fn a_test_for_water_is_never_ignored() {
    let long = |water: &str, unit: &str| {
        let tests = [
            (water, if unit == "%" { "0.0174" } else { "174.4" }, unit),
            ("Acid number", "0.08", "mgKOH/g"),
            ("Iron", "3", "mg/kg"),
        ];
        table(
            "LabNo;Equipment;Sampled;Issued;Test;Result;Unit;Method",
            30,
            |n| {
                let (test, result, unit) = tests[n % 3];
                format!(
                    "C-{};T-{};2025-10-02 23:42;2025-10-04;{test};{result};{unit};D1",
                    n / 3,
                    n / 6
                )
            },
        )
    };
    for name in [
        "Water KF",
        "KF water",
        "Karl Fischer",
        "Karl-Fischer",
        "Moisture",
        "H2O",
        "Water content (KF)",
        "Wassergehalt",
    ] {
        for unit in ["mg/kg", "ppm v/v", "%"] {
            let what = format!("{name} {unit}");
            let text = proposed("tidemark.csv", long(name, unit).as_bytes());
            let line =
                format!("water_ppm = {{ signal = \"{name}\", unit = {{ from = \"Unit\" }} }}");
            assert!(text.contains(&line), "{what}\n{text}");
            assert!(text.contains("ignore  = [\"^Iron$\"]"), "{what}\n{text}");
            assert_eq!(
                text.contains("density_kgm3 = 870.0"),
                unit == "ppm v/v",
                "{what}\n{text}"
            );
        }
    }
    let text = proposed("tidemark.csv", long("Water crackle", "°C").as_bytes());
    assert!(text.contains("the test \"Water crackle\""), "{text}");
    assert!(text.contains("ignore  = [\"^Iron$\"]"), "{text}");
}

#[test]
fn numbered_tags_behind_a_colon() {
    let signals = ["PT101", "TT102", "TT103", "FT104", "XI105", "LI106"];
    let text = table("Stamp,Tag,Val,Q", 240, |n| {
        let (moment, place) = (n / 24, n % 24);
        format!(
            "2026-03-01T00:{moment:02}:00Z,VD-{:02}:{},{}.5,{}",
            9 + place / 6,
            signals[place % 6],
            20 + place,
            ["GOOD", "BAD"][usize::from(n % 17 == 0)]
        )
    });
    let proposal = proposed("maple.csv", text.as_bytes());
    assert!(
        proposal.contains("quality = { from = \"Q\", good = [\"GOOD\"] }"),
        "{proposal}"
    );
    assert!(proposal.contains("(?<unit_id>"), "{proposal}");
    let n_said = proposal.matches("signal not placed").count();
    assert!(n_said <= signals.len(), "{n_said}\n{proposal}");
}

#[test]
fn the_unit_in_the_name_of_a_folder() {
    let text = table("Stamp;Vakuum mbar;Durchfluss L/min", 30, |n| {
        format!("2026-03-01T00:{n:02}:00Z;{};{}", 40 + n, 60 + n % 3)
    });
    for (path, pattern) in [
        (
            "exports/rowan/VD-19/2026-03.csv",
            "(?<unit_id>[A-Za-z]+-?\\d+)/",
        ),
        (
            "exports/alder/VD-13.zip/march.csv",
            "(?<unit_id>[A-Za-z]+-?\\d+)\\.zip/",
        ),
    ] {
        let proposal = proposed(path, text.as_bytes());
        let line = proposal
            .lines()
            .find(|line| line.starts_with("file_name"))
            .unwrap_or("");
        let shown = line.replace("\\\\", "\\");
        assert!(shown.contains(pattern), "{path}: {shown}\n{proposal}");
        assert!(!proposal.contains("unit_id = { value"), "{proposal}");
    }
    for path in [
        "exports/site3/march.csv",
        "exports/2026-03/march.csv",
        "march.csv",
    ] {
        let proposal = proposed(path, text.as_bytes());
        assert!(
            proposal.contains("unit_id = { value = \"FILL-IN\" }"),
            "{path}\n{proposal}"
        );
    }
}

#[test]
fn words_of_workshops_and_panels() {
    let orders = table("Unit,Date,Work", 12, |n| {
        format!(
            "VD-0{},2026-03-{:02},{}",
            1 + n % 3,
            1 + n,
            [
                "Seal water cooler cleaned",
                "Shaft seal replaced",
                "Vanes renewed"
            ][n % 3]
        )
    });
    let text = proposed("workorders.csv", orders.as_bytes());
    assert!(!text.contains("\"Seal water cooler cleaned\" = "), "{text}");
    assert!(
        text.contains("\"Shaft seal replaced\" = \"leak_repair\""),
        "{text}"
    );
    let panel = table("Zeit;T_ein °C;T_aus °C;P_Heiz [kW]", 30, |n| {
        format!(
            "2026-03-01T00:{n:02}:00Z;4{},1;5{},2;1{},5",
            n % 3,
            n % 4,
            n % 5
        )
    });
    check(
        "German letters",
        "VD-02.csv",
        panel.as_bytes(),
        &[
            "oil_inlet_degc = { from = \"T_ein °C\", unit = \"Cel\" }",
            "oil_outlet_degc = { from = \"T_aus °C\", unit = \"Cel\" }",
            "heater_kw = { from = \"P_Heiz [kW]\", unit = \"kW\" }",
        ],
        &[],
    );
    let danish = table("Tid;Olie ud °C;Vakuum mbar", 30, |n| {
        format!("2026-03-01T00:{n:02}:00Z;6{};4{}", n % 7, n % 3)
    });
    check(
        "the way out",
        "VD-02.csv",
        danish.as_bytes(),
        &["oil_outlet_degc = { from = \"Olie ud °C\", unit = \"Cel\" }"],
        &[],
    );
}
