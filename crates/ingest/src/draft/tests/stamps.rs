//! Times in one column or two, and which of day and month comes first.

use super::{Case, check, check_all, clock, table};

#[test]
fn date_and_time_in_two_columns() {
    let lines = &[
        "table      = \"readings\"",
        "at = { from = [\"Date\", \"Time\"], format = \"%Y-%m-%d %H:%M:%S\" }",
        "unit_id = { from = \"Machine\" }",
        "oil_flow_lpm = { from = \"Flow L/min\", unit = \"L/min\" }",
        "chamber_pressure_kpa = { from = \"Chamber (mbar)\", unit = \"mbar\", reference = \"absolute\" }",
        "timezone   = \"FILL-IN\"",
    ];
    check_all(vec![
        Case {
            what: "ISO dates",
            name: "yard.csv",
            text: table("Date,Time,Machine,Flow L/min,Chamber (mbar)", 200, |n| {
                format!(
                    "2026-03-01,{},M-1,{}.0,{}.5",
                    clock(n * 10),
                    40 + n % 3,
                    900 - n
                )
            }),
            lines,
            absent: &["not placed"],
        },
        Case {
            what: "German dates, time to the minute, columns apart from each other",
            name: "yard.csv",
            text: table("Datum;Anlage;Uhrzeit;Kammerdruck [mbar]", 30, |n| {
                format!(
                    "{:02}.03.2026;A-1;{};{},5",
                    13 + n / 20,
                    clock(n * 60).get(..5).unwrap(),
                    200 + n
                )
            }),
            lines: &[
                "at = { from = [\"Datum\", \"Uhrzeit\"], format = \"%d.%m.%Y %H:%M\" }",
                "decimal    = \",\"",
            ],
            absent: &[],
        },
    ]);
}

#[test]
fn day_and_month() {
    let text = |stamp: &dyn Fn(usize) -> String, head: &str, delimiter: char| {
        table(
            &["Time", "Unit", head].join(&delimiter.to_string()),
            12,
            |n| [stamp(n), "U-1".to_owned(), "20.5".to_owned()].join(&delimiter.to_string()),
        )
    };
    let cases: [(&str, String, &str, bool); 7] = [
        (
            "a day over 12 tells",
            text(
                &|n| format!("{:02}/03/2026 10:00:00", 5 + n),
                "Flow (L/min)",
                ',',
            ),
            "%d/%m/%Y %H:%M:%S",
            false,
        ),
        (
            "AM and PM, and metric units: as in Australia",
            text(&|n| format!("3/4/2026 1:{n:02}:00 PM"), "Flow (L/min)", ','),
            "%d/%m/%Y %I:%M:%S %p",
            true,
        ),
        (
            "AM and PM",
            text(&|n| format!("3/4/2026 1:{n:02}:00 PM"), "Flow", ','),
            "%m/%d/%Y %I:%M:%S %p",
            true,
        ),
        (
            "a semicolon",
            text(&|n| format!("03/04/2026 10:{n:02}:00"), "Flow (L/min)", ';'),
            "%d/%m/%Y %H:%M:%S",
            true,
        ),
        (
            "US units",
            text(&|n| format!("03/04/2026 10:{n:02}:00"), "Flow (gpm)", ','),
            "%m/%d/%Y %H:%M:%S",
            true,
        ),
        (
            "rows of neighbouring days",
            text(
                &|n| format!("03/{:02}/2026 10:00:00", 1 + n),
                "Flow (L/min)",
                ';',
            ),
            "%m/%d/%Y %H:%M:%S",
            true,
        ),
        (
            "two-digit years",
            text(
                &|n| format!("{:02}.03.26 10:00", 5 + n),
                "Flow (L/min)",
                ';',
            ),
            "%d.%m.%y %H:%M",
            false,
        ),
    ];
    for (what, text, format, is_open) in cases {
        let line = format!("at = {{ from = \"Time\", format = \"{format}\" }}");
        let proposal = check(what, "x.csv", text.as_bytes(), &[&line], &[]);
        assert_eq!(
            proposal.contains("day and month cannot be told apart"),
            is_open,
            "{what}\n{proposal}"
        );
    }
}

#[test]
fn stamps_of_many_kinds() {
    for (what, stamp, format) in [
        (
            "epoch",
            (|n| format!("{}", 1_759_389_313 + n)) as fn(usize) -> String,
            "epoch_s",
        ),
        (
            "RFC 3339",
            |n| format!("2026-03-01T{}+01:00", clock(n)),
            "rfc3339",
        ),
        (
            "ISO without an offset",
            |n| format!("2026-03-01T{}", clock(n)),
            "%Y-%m-%dT%H:%M:%S",
        ),
        (
            "milliseconds",
            |n| format!("2026-03-01 {}.250", clock(n)),
            "%Y-%m-%d %H:%M:%S.%f",
        ),
        (
            "month names",
            |n| format!("01 Mrz 2026 {}", clock(n)),
            "%d %b %Y %H:%M:%S",
        ),
        (
            "slashes, year first",
            |n| format!("2026/03/01 {}", clock(n)),
            "%Y/%m/%d %H:%M:%S",
        ),
        (
            "digits only",
            |n| format!("20260301{}", clock(n).replace(':', "")),
            "%Y%m%d%H%M%S",
        ),
    ] {
        let text = table("Time;Unit;Flow (L/min)", 12, |n| {
            format!("{};U-1;20.5", stamp(n))
        });
        let line = format!("at = {{ from = \"Time\", format = \"{format}\" }}");
        check(what, "x.csv", text.as_bytes(), &[&line], &[]);
    }
}
