//! From the sheets of workbooks: what a laboratory types, and what its program stores.

use super::harness::Case;
use crate::text::workbook_for_tests::{number, text, workbook};

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
    Nothing,
}
use Cell::{Day, N, Nothing, T, Time};

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
        ! 1 row [504b0304140000000800000021007d8fc3394d0000004d000000130000005b43 (1731 bytes)] ~ the workbook has no sheet "Results"; it has "Data"
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
