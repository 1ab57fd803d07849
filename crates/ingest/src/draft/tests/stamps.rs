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

#[test]
fn formats_that_ingest_reads_are_tried() {
    let months = ["enero", "febrero", "marzo", "abril"];
    type Row<'a> = &'a dyn Fn(usize) -> String;
    let cases: [(&str, Row<'_>, &str); 12] = [
        (
            "a weekday in German",
            &|n| format!("Freitag, 30. Januar 2026 {}", clock(n * 60)),
            "%A, %d. %b %Y %H:%M:%S",
        ),
        (
            "a weekday before digits",
            &|n| format!("Fr 30.01.2026 {}", clock(n * 60)),
            "%a %d.%m.%Y %H:%M:%S",
        ),
        (
            "a long date in Spanish",
            &|n| {
                format!(
                    "{} de {} de 2025 {}",
                    1 + n,
                    months.get(n / 6).unwrap(),
                    clock(n)
                )
            },
            "%d de %b de %Y %H:%M:%S",
        ),
        (
            "a day of the year",
            &|n| format!("2026-{:03} {}", 30 + n, clock(n)),
            "%Y-%j %H:%M:%S",
        ),
        (
            "a day of the year behind two digits",
            &|n| format!("26/{:03} {}", 30 + n, clock(n)),
            "%y/%j %H:%M:%S",
        ),
        (
            "a day of the year, digits alone",
            &|n| format!("26030{n:02}00"),
            "%y%j%H%M",
        ),
        (
            "a day of the year and seconds, digits alone",
            &|n| format!("260300{}{:02}00", n / 10, n),
            "%y%j%H%M%S",
        ),
        (
            "digits alone",
            &|n| format!("26030407{:02}", 2 * n),
            "%y%m%d%H%M",
        ),
        (
            "digits alone, with seconds",
            &|n| format!("26030407{:02}00", 2 * n),
            "%y%m%d%H%M%S",
        ),
        (
            "digits alone, the whole year",
            &|n| format!("2026030407{:02}00", 2 * n),
            "%Y%m%d%H%M%S",
        ),
        (
            "the year first, two digits",
            &|n| format!("26/01/{:02} 08:00", 1 + n % 9),
            "%y/%m/%d %H:%M",
        ),
        (
            "the year first, two digits and strokes",
            &|n| format!("26-03-{:02} 08:00", 1 + n % 12),
            "%y-%m-%d %H:%M",
        ),
    ];
    for (what, row, format) in cases {
        let text = table("Time;Flow L/min", 12, |n| format!("{};{}", row(n), 90 + n));
        let proposal = super::proposed("log.csv", text.as_bytes());
        let line = format!("at = {{ from = \"Time\", format = \"{format}\" }}");
        assert!(proposal.contains(&line), "{what}: no {line}\n{proposal}");
        assert!(proposal.contains("table      = \"readings\""), "{what}");
        // Where two orders fit, neither is certain.
        if format.starts_with("%y/%m") || format.starts_with("%y-%m") {
            assert!(
                !proposal.contains("certain: \"Time\""),
                "{what}\n{proposal}"
            );
            assert!(proposal.contains("reads them too"), "{what}\n{proposal}");
        }
    }
}

#[test]
fn a_dated_log_is_no_register() {
    let text = table("Date\tHeure\tVide\tDébit", 30, |n| {
        format!(
            "{n}ème brumaire\t10:{n:02}:00\t{},25\t5,{}",
            100 + n,
            n % 10
        )
    });
    let proposal = super::proposed("m.txt", text.as_bytes());
    assert!(proposal.contains("table      = \"readings\""), "{proposal}");
    assert!(
        proposal.contains("at = { value = \"FILL-IN\" }"),
        "{proposal}"
    );
}
