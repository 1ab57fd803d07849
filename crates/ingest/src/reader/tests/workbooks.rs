//! From the sheets of workbooks: what a laboratory types, and what its program stores.

use super::harness::Case;
use crate::text::workbook_for_tests::{book, number, text, workbook};

/// Rows of cells, each `letter` and what makes the cell.
fn rows(rows: &[&[Cell]]) -> String {
    let mut out = String::new();
    for (n, cells) in rows.iter().enumerate() {
        out.push_str(&format!("<row r=\"{}\">", n + 1));
        for (letter, cell) in "ABCDEFG".chars().zip(*cells) {
            let at = format!("{letter}{}", n + 1);
            out.push_str(&match cell {
                T(value) => text(&at, value),
                N(value) => number(&at, 0, value),
                Day(value) => number(&at, 1, value),
                Time(value) => number(&at, 2, value),
                Percent(value) => number(&at, 4, value),
                OwnPercent(value) => number(&at, 5, value),
                QuotedPercent(value) => number(&at, 6, value),
                Formula(value) => format!("<c r=\"{at}\" s=\"0\"><f>{value}</f></c>"),
                Reckoned(formula, value) => {
                    format!("<c r=\"{at}\"><f>{formula}</f><v>{value}</v></c>")
                }
                Failed(value) => format!("<c r=\"{at}\" t=\"e\"><v>{value}</v></c>"),
                Blank => format!("<c r=\"{at}\" s=\"4\"/>"),
                Nothing => String::new(),
            });
        }
        out.push_str("</row>");
    }
    out
}

#[derive(Clone, Copy)]
enum Cell {
    T(&'static str),
    N(&'static str),
    /// A serial shown as a date.
    Day(&'static str),
    /// A serial shown as date and time.
    Time(&'static str),
    /// A share shown as per cent, by the built-in format and by one of the workbook's own.
    Percent(&'static str),
    OwnPercent(&'static str),
    /// A number shown with a percent sign that is a mere text.
    QuotedPercent(&'static str),
    /// A formula without a result, and one with.
    Formula(&'static str),
    Reckoned(&'static str, &'static str),
    /// An error value.
    Failed(&'static str),
    /// A cell of nothing but a style.
    Blank,
    Nothing,
}
use Cell::{
    Blank, Day, Failed, Formula, N, Nothing, OwnPercent, Percent, QuotedPercent, Reckoned, T, Time,
};

const SAMPLES: &str = r#"
    table = "samples"
    skip_lines = 2
    timezone = "America/Chicago"
    null = ["", "n/a"]
    [columns]
    lab = { value = "L" }
    sample_id = { from = "No." }
    reservoir_id = { from = "Tank" }
    taken_at = { from = "Drawn", format = "%d.%m.%Y" }
    water_ppm = { from = "Water" }
    iso4406 = { from = "Code" }
"#;

fn sheet() -> String {
    rows(&[
        &[T("Report of the year")],
        &[],
        &[T("No."), T("Tank"), T("Drawn"), T("Water"), T("Code")],
        // 46095 is 2026-03-14.
        &[N("7001"), T("R-1"), Day("46095"), N("182.5"), T("17/15/12")],
        &[
            N("7002"),
            T("R-1"),
            T("15.03.2026"),
            T("<20"),
            T("18/16/13"),
        ],
        &[N("7003"), T("R-2"), Time("46096.5"), T("n/a")],
        &[N("7004"), T("R-2"), T("soon"), N("60")],
        // 41191 is 2012-10-09: a spreadsheet took 12/10/09 for a date (day before month or not).
        &[N("7005"), T("R-2"), Day("46097"), N("60"), Day("41191")],
    ])
}

#[test]
fn a_sheet_reads_as_its_cells_mean() {
    let behind_a_hidden_one = [("Lists", "hidden"), ("Data", "visible")];
    for sheets in [&[("Data", "visible")][..], &behind_a_hidden_one] {
        let book = workbook(&sheet(), sheets);
        Case::new(SAMPLES).named("results.xlsx").bytes(&book).gives(
            "
            sample_id | reservoir_id | taken_at | water_ppm | water_censor | iso4406_4um
            7001 | R-1 | 2026-03-14T00:00:00Z | 182.5 | = | 17
            7002 | R-1 | 2026-03-15T00:00:00Z | 20 | < | 18
            7003 | R-2 | 2026-03-15T17:00:00Z | - | - | -
            7004 | R-2 | - | 60 | = | -
            7005 | R-2 | 2026-03-16T00:00:00Z | 60 | = | -
            ! 7 taken_at [soon] ~ expected a time written %d.%m.%Y
            ! 8 iso4406 [2012-10-09] ~ what looks like a date made of one
            ",
        );
    }
}

#[test]
fn a_named_sheet_that_is_not_there_is_one_reject() {
    let book = workbook(&sheet(), &[("Data", "visible")]);
    let description = format!("sheet = \"Results\"\n{}", super::harness::dedented(SAMPLES));
    Case::new(&description).bytes(&book).gives(
        r#"
        sample_id
        ! 1 row [504b0304140000000800000021007d8fc3394d0000004d000000130000005b43 (1802 bytes)] ~ the workbook has no sheet "Results"; it has "Data"
        "#,
    );
}

const LOG: &str = r#"
    table = "readings"
    timezone = "America/Chicago"
    decimal = ","
    delimiter = ";"
    [columns]
    unit_id = { from = "Unit" }
    at = { from = "Time", format = "%m/%d/%Y %H:%M" }
    oil_flow_lpm = { from = "Q", unit = "L/min" }
    alarm = { from = "Alarm" }
"#;

#[test]
fn midnight_in_a_log_is_local_midnight_and_marks_follow_the_source() {
    let book = workbook(
        &rows(&[
            &[T("Unit"), T("Time"), T("Q"), T("Alarm")],
            &[T("U-1"), Time("46095"), N("60.25"), T("low; vacuum")],
            &[T("U-1"), Time("46095.000694444444"), N("1E2"), Nothing],
            &[T("U-1"), T("03/14/2026 00:02"), T("60,5"), Nothing],
        ]),
        &[("Log", "visible")],
    );
    // 2026-03-14 is daylight time in Chicago: five hours behind.
    Case::new(LOG).bytes(&book).gives(
        "
        unit_id | at | oil_flow_lpm | alarm
        U-1 | 2026-03-14T05:00:00Z | 60.25 | low; vacuum
        U-1 | 2026-03-14T05:01:00Z | 100 | -
        U-1 | 2026-03-14T05:02:00Z | 60.5 | -
        ",
    );
}

#[test]
fn a_share_shown_as_per_cent_is_per_cent_whatever_the_column_says() {
    for unit in ["%", "1", "ppm"] {
        let description = format!(
            "table = \"samples\"\n[columns]\nlab = {{ value = \"L\" }}\nsample_id = {{ from = \"No.\" }}\nwater_ppm = {{ from = \"Water\", unit = \"{unit}\" }}\n"
        );
        let book = workbook(
            &rows(&[
                &[T("No."), T("Water")],
                &[N("1"), Percent("0.0005")],
                &[N("2"), OwnPercent("7E-2")],
                &[N("3"), T("<0.05%")],
                &[N("4"), Blank],
            ]),
            &[("Data", "visible")],
        );
        Case::new(&description).bytes(&book).gives(
            "
            water_ppm | water_censor
            500 | =
            70000 | =
            500 | <
            - | -
            ",
        );
    }
    let description = "table = \"readings\"\ndecimal = \",\"\ndelimiter = \";\"\n[columns]\nunit_id = { from = \"Unit\" }\nat = { from = \"Time\" }\nvent_open_pct = { from = \"Vent\" }\nwater_activity = { from = \"RS\", unit = \"%RS\" }\nchamber_pressure_kpa = { from = \"Vac\", unit = \"%\", reference = \"percent_vacuum\" }\n";
    let book = workbook(
        &rows(&[
            &[T("Unit"), T("Time"), T("Vent"), T("RS"), T("Vac")],
            &[
                T("U-1"),
                Time("46095.5"),
                Percent("0.455"),
                Percent("0.3"),
                OwnPercent("0.8"),
            ],
            &[
                T("U-1"),
                Time("46095.75"),
                QuotedPercent("45.5"),
                N("30"),
                N("80"),
            ],
        ]),
        &[("Log", "visible")],
    );
    Case::new(&format!("timezone = \"UTC\"\n{description}"))
        .bytes(&book)
        .gives(
            "
            vent_open_pct | water_activity | chamber_pressure_kpa
            45.5 | 0.3 | 20.265
            45.5 | 0.3 | 20.265
            ",
        );
}

#[test]
fn what_a_workbook_has_no_value_for_is_missed_and_not_taken() {
    let description = "table = \"samples\"\n[columns]\nlab = { value = \"L\" }\nsample_id = { from = \"No.\" }\nreservoir_id = { from = \"Tank\" }\nwater_ppm = { from = \"Water\" }\n";
    let book = workbook(
        &rows(&[
            &[T("No."), T("Tank"), T("Water")],
            &[T("1"), T("R-1"), Formula("B7*10000")],
            &[T("2"), T("R-1"), Reckoned("B8*10000", "300")],
            &[Formula("A3+1"), T("R-1"), N("20")],
            &[T("4"), Failed("#N/A"), Failed("#DIV/0!")],
            &[T("5"), Formula("B4"), N("20")],
        ]),
        &[("Data", "visible")],
    );
    Case::new(description).bytes(&book).gives(
        "
        sample_id | reservoir_id | water_ppm
        1 | R-1 | -
        2 | R-1 | 300
        4 | - | -
        5 | - | 20
        ! 2 water_ppm [#FORMULA! =B7*10000] ~ expected a number
        ! 4 row [#FORMULA! =A3+1,R-1,20] ~ what a spreadsheet writes where it has no value
        ! 5 reservoir_id [#N/A] ~ what a spreadsheet writes where it has no value
        ! 5 water_ppm [#DIV/0!] ~ expected a number
        ! 6 reservoir_id [#FORMULA! =B4] ~ what a spreadsheet writes where it has no value
        ",
    );
}

#[test]
fn a_workbook_may_count_its_days_from_1904() {
    // Day 0 of the other system is 1904-01-01, 1462 days after the first one's (section 18.17.4.1).
    let body = rows(&[
        &[T("No."), T("Tank"), T("Drawn"), T("Water"), T("Code")],
        &[N("1"), T("R-1"), Day("44633"), N("20")],
        &[N("2"), T("R-1"), Time("44633.5"), N("20")],
    ]);
    let book = book(
        "<workbookPr date1904=\"1\"/>",
        &[("Data", "visible")],
        &[format!("<sheetData>{body}</sheetData>")],
    );
    Case::new(&SAMPLES.replace("skip_lines = 2", ""))
        .bytes(&book)
        .gives(
            "
            taken_at
            2026-03-14T00:00:00Z
            2026-03-14T17:00:00Z
            ",
        );
}

#[test]
fn a_cell_merged_over_rows_stands_in_each_of_them() {
    let body = rows(&[
        // The header's first cell spans two rows, its second two columns.
        &[T("No."), T("Oil"), Nothing, T("Test")],
        &[Nothing, T("Tank"), T("Note"), Nothing, T("Result")],
        &[N("1"), T("R-1"), T("dark"), T("Iron"), N("12")],
        &[Nothing, Nothing, Nothing, T("Copper"), N("3")],
        &[N("2"), T("R-1"), Nothing, T("Iron"), N("9")],
    ]);
    let merged = ["A1:A2", "B1:C1", "D1:D2", "A3:A4", "B3:B5", "A3:A4"]
        .map(|region| format!("<mergeCell ref=\"{region}\"/>"))
        .join("");
    let book = book(
        "",
        &[("Data", "visible")],
        &[format!(
            "<sheetData>{body}</sheetData><mergeCells count=\"6\">{merged}</mergeCells>"
        )],
    );
    Case::new(
        "table = \"results\"\nskip_lines = 1\n[columns]\nlab = { value = \"L\" }\nsample_id = { from = \"No.\" }\nanalyte = { from = \"Test\" }\nvalue = { from = \"Result\" }\nmethod = { from = \"Tank\" }\n",
    )
    .bytes(&book)
    .gives(
        "
        sample_id | analyte | value | method | line
        1 | Copper | 3 | R-1 | 4
        1 | Iron | 12 | R-1 | 3
        2 | Iron | 9 | R-1 | 5
        ",
    );
}

#[test]
fn a_cell_merged_over_records_that_stand_side_by_side_stands_in_each_of_them() {
    let body = rows(&[
        &[T("Tank"), T("R-1"), Nothing, T("R-2")],
        &[T("No."), T("S-1"), T("S-2"), T("S-3")],
        &[T("Water ppm"), N("10"), N("11"), N("12")],
    ]);
    let book = book(
        "",
        &[("Data", "visible")],
        &[format!(
            "<sheetData>{body}</sheetData><mergeCells count=\"1\"><mergeCell ref=\"B1:C1\"/></mergeCells>"
        )],
    );
    Case::new(
        "table = \"samples\"\nlayout = \"transposed\"\n[columns]\nlab = { value = \"L\" }\nsample_id = { from = \"No.\" }\nreservoir_id = { from = \"Tank\" }\nwater_ppm = { from = \"Water ppm\" }\n",
    )
    .bytes(&book)
    .gives(
        "
        sample_id | reservoir_id | water_ppm
        S-1 | R-1 | 10
        S-2 | R-1 | 11
        S-3 | R-2 | 12
        ",
    );
}

#[test]
fn sheets_that_nobody_names_are_told_of() {
    let body = |unit: &'static str| {
        let rows = rows(&[
            &[T("Unit"), T("Time"), T("Q"), T("Alarm")],
            &[T(unit), Time("46095"), N("60")],
        ]);
        format!("<sheetData>{rows}</sheetData>")
    };
    let sheets = [
        ("U-1", "visible"),
        ("U-2", "visible"),
        ("Lists", "hidden"),
        ("Empty", "visible"),
    ];
    let bodies = [
        body("U-1"),
        body("U-2"),
        body("U-3"),
        String::from("<sheetData/>"),
    ];
    let book = book("", &sheets, &bodies);
    for (sheet, expected) in [
        (
            "",
            vec![
                "the first sheet is read, and 1 more of the workbook not: `sheet` names the one to read",
            ],
        ),
        ("sheet = \"U-2\"\n", vec![]),
    ] {
        let source = super::harness::source(&format!("{sheet}{}", super::harness::dedented(LOG)));
        let rows = super::harness::read(
            &source,
            "log.xlsx",
            &book,
            &crate::site::SiteContext::default(),
        );
        assert_eq!(rows.notes(), expected, "{sheet}");
        assert_eq!(rows.n_rows(), 1);
    }
}

#[test]
fn samples_side_by_side_in_a_sheet() {
    let sheet = rows(&[
        &[T("Report of March")],
        &[T("Sample"), N("7001"), N("7002"), Nothing, N("7003")],
        &[T("Tank"), T("R-1"), T("R-2")],
        // 46095 is 2026-03-14.
        &[
            T("Drawn"),
            Day("46095"),
            T("15.03.2026"),
            Nothing,
            Day("46097"),
        ],
        &[T("Water"), N("182.5"), T("<20"), Nothing, Percent("0.0001")],
    ]);
    Case::new(
        r#"
        table = "samples"
        layout = "transposed"
        skip_lines = 1
        timezone = "America/Chicago"
        [columns]
        lab = { value = "L" }
        sample_id = { from = "Sample" }
        reservoir_id = { from = "Tank" }
        taken_at = { from = "Drawn", format = "%d.%m.%Y" }
        water_ppm = { from = "Water" }
        "#,
    )
    .bytes(&workbook(&sheet, &[("Results", "visible")]))
    .gives(
        "
        line | sample_id | reservoir_id | taken_at | water_ppm | water_censor
        2 | 7001 | R-1 | 2026-03-14T00:00:00Z | 182.5 | =
        3 | 7002 | R-2 | 2026-03-15T00:00:00Z | 20 | <
        5 | 7003 | - | 2026-03-16T00:00:00Z | 100 | =
        = 3/3/0/0/0/0
        ",
    );
}
