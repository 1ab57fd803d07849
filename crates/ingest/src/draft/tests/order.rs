//! Day before month or behind it, where the digits of one file leave it open; and units with a minus.

use std::io::{Cursor, Write as _};

use super::{Case, check_all, table};

/// Rows of one morning whose date reads both ways.
fn morning(header: &str, row: impl Fn(usize) -> String) -> String {
    table(header, 30, |n| format!("03/04/2026 10:{n:02}:00{}", row(n)))
}

#[test]
fn what_else_tells_the_order() {
    let metric = |n: usize| format!(" AM,U-1,{},{}", 40 + n % 3, 50 + n % 7);
    let head = "Time,Unit,Flow L/min,Oil in °C";
    let day = &["at = { from = \"Time\", format = \"%d/%m/%Y %I:%M:%S %p\" }"];
    let month = &["at = { from = \"Time\", format = \"%m/%d/%Y %I:%M:%S %p\" }"];
    check_all(vec![
        Case {
            what: "a zone above the header",
            name: "run.csv",
            text: format!("Zone: Australia/Hobart\n{}", morning(head, metric)),
            lines: &[
                "at = { from = \"Time\", format = \"%d/%m/%Y %I:%M:%S %p\" }",
                "timezone   = \"Australia/Hobart\"",
                "likely: \"Time\": its words (time); all 30 stamps looked at fit %d/%m/%Y %I:%M:%S %p; check: %m/%d/%Y %I:%M:%S %p reads them too, day and month cannot be told apart; day first because its clock is that of Australia/Hobart",
            ],
            absent: &[],
        },
        Case {
            what: "letters of a clock above the header",
            name: "run.csv",
            text: format!("Logger 7, AEST\n{}", morning(head, metric)),
            lines: day,
            absent: &[],
        },
        Case {
            what: "a clock of Chicago",
            name: "run.csv",
            text: format!("Logger 7, CST\n{}", morning(head, metric)),
            lines: month,
            absent: &[],
        },
        Case {
            what: "the day in the file's name",
            name: "run_20260403.csv",
            text: morning(head, metric),
            lines: day,
            absent: &["guess: \"Time\""],
        },
        Case {
            what: "the other day in the file's name",
            name: "run_20260304.csv",
            text: morning(head, metric),
            lines: month,
            absent: &["guess: \"Time\""],
        },
        Case {
            what: "a date above the header",
            name: "run.csv",
            text: format!("Exported 25/04/2026\n{}", morning(head, metric)),
            lines: day,
            absent: &["guess: \"Time\""],
        },
        Case {
            what: "metric units against AM and PM",
            name: "run.csv",
            text: morning(head, metric),
            lines: &[
                "at = { from = \"Time\", format = \"%d/%m/%Y %I:%M:%S %p\" }",
                "guess: \"Time\": its words (time); all 30 stamps looked at fit %d/%m/%Y %I:%M:%S %p; check: %m/%d/%Y %I:%M:%S %p reads them too, day and month cannot be told apart; day first because the file has metric units, and AM and PM speak against it",
            ],
            absent: &[],
        },
        Case {
            what: "US units",
            name: "run.csv",
            text: morning("Time,Unit,Flow gpm,Oil in °F", metric),
            lines: month,
            absent: &["guess: \"Time\""],
        },
        Case {
            what: "a year of two digits before the month",
            name: "run.csv",
            text: table("Time,Unit,Flow L/min", 30, |n| {
                format!(
                    "26/01/{:02} 10:{:02}:00,U-1,{}",
                    1 + n / 10,
                    n * 2,
                    40 + n % 3
                )
            }),
            lines: &["at = { from = \"Time\", format = \"%y/%m/%d %H:%M:%S\" }"],
            absent: &["certain: \"Time\""],
        },
    ]);
}

#[test]
fn other_files_of_an_archive_tell_the_order() {
    let log = |day: &str| {
        let rows = table("Time,Unit,Flow L/min", 10, |n| {
            format!("{day} 10:{n:02}:00 AM,U-1,{}", 40 + n % 3)
        });
        rows.into_bytes()
    };
    let archive = |days: &[&str]| {
        let mut out = zip::ZipWriter::new(Cursor::new(Vec::new()));
        for (n, day) in days.iter().enumerate() {
            let options = zip::write::SimpleFileOptions::default();
            out.start_file(format!("{n}.csv"), options).unwrap();
            out.write_all(&log(day)).unwrap();
        }
        out.finish().unwrap().into_inner()
    };
    for (days, expected) in [
        (&["03/04/2026", "13/04/2026"], "%d/%m/%Y"),
        (&["03/04/2026", "04/13/2026"], "%m/%d/%Y"),
    ] {
        let proposal = crate::draft::propose("logs.zip", &archive(days)).unwrap();
        assert!(
            proposal.contains(&format!("format = \"{expected} %I:%M:%S %p\"")),
            "{proposal}"
        );
        assert!(
            proposal.contains("dates in other files of the archive"),
            "{proposal}"
        );
    }
}

#[test]
fn a_unit_with_a_minus_counts_down_from_the_barometer() {
    let log = |header: &str, value: &dyn Fn(usize) -> f64| {
        table(&format!("Time,Unit,{header},Oil in (°C)"), 30, |n| {
            format!("2026-03-01 10:{n:02}:00,U-1,{},{}", value(n), 50 + n % 7)
        })
    };
    let cases: [(&str, f64, &str, &str); 8] = [
        ("Vac (-kPa)", 80.0, "kPa", "vacuum"),
        ("Vac (-kPa)", -80.0, "kPa", "gauge"),
        ("Vacuum (-bar)", 0.8, "bar", "vacuum"),
        ("Vacuum [-mbar]", 800.0, "mbar", "vacuum"),
        ("Vac -kPa", 80.0, "kPa", "vacuum"),
        ("Vacuum kPa(-)", 80.0, "kPa", "vacuum"),
        ("Chamber pressure (kPa neg)", 80.0, "kPa", "vacuum"),
        ("Dépression chambre (mbar)", 800.0, "mbar", "vacuum"),
    ];
    for (header, first, unit, reference) in cases {
        let text = log(header, &|n| first * (1.0 + (n % 5) as f64 / 100.0));
        let proposal = crate::draft::propose("run.csv", text.as_bytes()).unwrap();
        let line = format!(
            "chamber_pressure_kpa = {{ from = \"{header}\", unit = \"{unit}\", reference = \"{reference}\" }}"
        );
        assert!(proposal.contains(&line), "{header} {first}\n{proposal}");
    }
    // Without a unit a column that is called a vacuum is none the less no absolute pressure.
    let proposal = crate::draft::propose("run.csv", log("Vac", &|_| 26.0).as_bytes()).unwrap();
    assert!(
        proposal.contains("unit = \"FILL-IN\", reference = \"vacuum\""),
        "{proposal}"
    );
}

#[test]
fn columns_of_fixed_width_whose_names_stand_beside_them() {
    let beside = table(
        "  Time             Oil in °C  Vac mbar Flow L/min",
        30,
        |n| {
            format!(
                "  01.03.2026 10:{n:02}{:11.1}{:10.1}{:11.1}",
                (50 + n % 7) as f64,
                (80 + n % 3) as f64,
                (40 + n % 9) as f64
            )
        },
    );
    let close = table(
        "Date      Time     Oil in Vacuum  Flow Alarm\n                       °C    kPa L/min",
        30,
        |n| {
            let alarm = if n % 7 == 0 { "low oil" } else { "" };
            format!(
                "13.03.2026 10:{n:02}:00   {:4.1}  -{:4.1}  {:4.1} {alarm}",
                (50 + n % 7) as f64,
                (80 + n % 3) as f64,
                (40 + n % 9) as f64
            )
        },
    );
    check_all(vec![
        Case {
            what: "names beside their values",
            name: "U-1.prn",
            text: beside,
            lines: &[
                "at = { from = \"Time\", format = \"%d.%m.%Y %H:%M\" }",
                "oil_inlet_degc = { from = \"Oil in °C\", unit = \"Cel\" }",
                "oil_flow_lpm = { from = \"Flow L/min\", unit = \"L/min\" }",
            ],
            absent: &["not placed"],
        },
        Case {
            what: "one blank between columns, units below the names",
            name: "U-1.prn",
            text: close,
            lines: &[
                "at = { from = [\"Date\", \"Time\"], format = \"%d.%m.%Y %H:%M:%S\" }",
                "oil_inlet_degc = { from = \"Oil in °C\", unit = \"Cel\" }",
                "chamber_pressure_kpa = { from = \"Vacuum kPa\", unit = \"kPa\", reference = \"gauge\" }",
                "oil_flow_lpm = { from = \"Flow L/min\", unit = \"L/min\" }",
            ],
            absent: &["not placed"],
        },
    ]);
}

#[test]
fn a_clock_of_twelve_hours_is_not_certain() {
    let text = table("Time,Unit,Flow L/min", 30, |n| {
        format!(
            "2026-03-{:02} {:02}:00,U-1,{}",
            1 + n / 24,
            (n + 11) % 12 + 1,
            40 + n % 3
        )
    });
    let proposal = crate::draft::propose("run.csv", text.as_bytes()).unwrap();
    assert!(proposal.contains("guess: \"Time\""), "{proposal}");
    assert!(proposal.contains("a clock of twelve hours"), "{proposal}");
}

/// The units of a laboratory's lines, one of which no water content has.
#[test]
fn a_unit_beside_each_value_is_found_where_one_of_them_fits_not() {
    let units = ["ppm", "%", "mg/kg", "g/kg", "%RS", "mg/kg"];
    let text = table("No;Tank;Drawn;Wasser;Einheit", 12, |n| {
        format!("S-{n};T-1;{:02}.01.2026;{},5;{}", n + 1, n, units[n % 6])
    });
    let proposal = crate::draft::propose("lab.csv", text.as_bytes()).unwrap();
    assert!(
        proposal.contains("water_ppm = { from = \"Wasser\", unit = { from = \"Einheit\" } }"),
        "{proposal}"
    );
}

#[test]
fn a_cell_as_long_as_a_file_and_a_stretch_of_nul_are_no_matter() {
    let mut text = table("Time,Unit,Flow L/min,Note", 30, |n| {
        format!("2026-03-01 10:{n:02},U-1,{},", 40 + n % 3)
    });
    text.push_str(&format!("2026-03-01 11:00,U-1,{},\n", "9".repeat(100_000)));
    text.push_str(&"\0".repeat(200));
    text.push_str("\n2026-03-01 11:01,U-1,41,\n");
    let proposal = crate::draft::propose("run.csv", text.as_bytes()).unwrap();
    assert!(proposal.lines().all(|line| line.chars().count() < 3_000));
    assert!(
        proposal.contains("oil_flow_lpm = { from = \"Flow L/min\""),
        "{proposal}"
    );
}

#[test]
fn tags_below_a_yard_name_the_machine_that_has_all_signals() {
    let signals = ["PT101.PV", "TT101.PV", "HTR.RUN", "AW.PV", "FT101.PV"];
    let text = table("Tag,Timestamp,Value,Status", 60, |n| {
        format!(
            "YARD.VDU{}.{},2026-02-01T00:{:02}:00Z,{},Good",
            1 + n % 2,
            signals[n / 2 % 5],
            n / 10,
            20 + n
        )
    });
    let proposal = crate::draft::propose("h.csv", text.as_bytes()).unwrap();
    assert!(
        proposal.contains(r"(?<unit_id>[^\\.]+)\\.(?<signal>.+)")
            || proposal.contains(r"(?<unit_id>[^\.]+)\.(?<signal>.+)"),
        "{proposal}"
    );
    assert!(proposal.contains("VDU1"), "{proposal}");
    assert!(!proposal.contains("the units AW"), "{proposal}");
}
