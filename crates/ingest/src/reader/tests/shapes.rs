//! Texts of another shape than rows of delimited cells below one line of names.

use super::harness::{Case, dedented};

pub(super) fn log(head: &str) -> String {
    format!(
        "{head}\n{}",
        dedented(
            r#"
            table = "readings"
            timezone = "Europe/Berlin"
            [columns]
            unit_id = { from = "Unit" }
            at = { from = "Time", format = "%Y-%m-%d %H:%M" }
            oil_flow_lpm = { from = "Flow" }
            alarm = { from = "Alarm" }
            "#
        )
    )
}

#[test]
fn fields_quoted_otherwise() {
    let single = log("quote = \"'\"");
    Case::new(&single)
        .text(
            "
            'Unit','Time','Flow','Alarm'
            'U-1','2026-03-01 10:00','60','low, very ''low'''
            'U-1',2026-03-01 10:10,61,'two
            lines'
            U-1,2026-03-01 10:20,62,5' hose
            'U-1','2026-03-01 10:30','63','12\" gauge'
            'U-1','2026-03-01 10:40','64','never closed
            ",
        )
        .gives(
            "
            line | unit_id | at | oil_flow_lpm | alarm
            2 | U-1 | 2026-03-01T09:00:00Z | 60 | low, very 'low'
            3 | U-1 | 2026-03-01T09:10:00Z | 61 | two\\nlines
            5 | U-1 | 2026-03-01T09:20:00Z | 62 | 5' hose
            6 | U-1 | 2026-03-01T09:30:00Z | 63 | 12\" gauge
            7 | U-1 | 2026-03-01T09:40:00Z | 64 | 'never closed
            ",
        );
    // Without a quote all of them are text.
    Case::new(&log("quote = \"\""))
        .text(
            "
            Unit,Time,Flow,Alarm
            U-1,2026-03-01 10:00,60,\"low\"
            U-1,2026-03-01 10:10,61,\"5 psi
            ",
        )
        .gives(
            "
            oil_flow_lpm | alarm
            60 | \"low\"
            61 | \"5 psi
            ",
        );
}

#[test]
fn columns_of_fixed_width() {
    let fixed = log("widths = [6, 18, 9, 5]");
    Case::new(&fixed)
        .bytes(
            "Unit  Time                   Flow Alarm\n\
             U-1   2026-03-01 10:00       60.5 low, \"very\" low\r\n\
             U-1   2026-03-01 10:10       61.5\n\
             U-ä2  2026-03-01 10:10       62.5 high\n\
             \n\
             U-1   2026-03-01\n\
             U-1234562026-03-01 10:30    62.5\n\
             End\n"
                .as_bytes(),
        )
        .gives(
            "
            line | unit_id | at | oil_flow_lpm | alarm
            2 | U-1 | 2026-03-01T09:00:00Z | 60.5 | low, \"very\" low
            3 | U-1 | 2026-03-01T09:10:00Z | 61.5 | -
            4 | U-ä2 | 2026-03-01T09:10:00Z | 62.5 | high
            ! 6 row [U-1 2026-03-01] ~ expected a time written
            ! 7 row [U-1234562026-03-01 10:30 62.5] ~ found 1 fields, expected 4
            ! 8 row [End] ~ \"at\" is empty
            = 6/3/0/0/3/0
            ",
        );
}

#[test]
fn columns_packed_without_blanks() {
    Case::new(
        r#"
        table = "readings"
        widths = [3, 12, 3]
        packed = true
        timezone = "UTC"
        header = ["Unit", "Time", "Flow"]
        [columns]
        unit_id = { from = "Unit" }
        at = { from = "Time", format = "%Y%m%d%H%M" }
        oil_flow_lpm = { from = "Flow" }
        "#,
    )
    .bytes(b"U-1202603011000060\nU-1202603011010061\n")
    .gives(
        "
        unit_id | at | oil_flow_lpm
        U-1 | 2026-03-01T10:00:00Z | 60
        U-1 | 2026-03-01T10:10:00Z | 61
        ",
    );
}

const TWO_LINES: &str = r#"
    table = "readings"
    header_lines = 2
    timezone = "UTC"
    [columns]
    unit_id = { value = "U-1" }
    at = { from = "Time", format = "%Y-%m-%d %H:%M" }
    oil_inlet_degc = { from = "Oil in °C" }
    oil_outlet_degc = { from = "Oil out °F", unit = "°F" }
    oil_flow_lpm = { from = "Flow L/min" }
"#;

#[test]
fn headers_of_two_lines() {
    Case::new(TWO_LINES)
        .text(
            "
            Time,Oil,,Flow,
            ,in °C,out °F,L/min,
            2026-03-01 10:00,65,149,60,
            Time,Oil,,Flow,
            ,in °C,out °F,L/min,
            2026-03-01 10:10,66,150.8,61,
            Time,Oil,Flow,,
            ,in °C,L/min,out °F,
            2026-03-01 10:20,66,61,150.8,
            ",
        )
        .gives(
            "
            line | oil_inlet_degc | oil_outlet_degc | oil_flow_lpm
            3 | 65 | 65 | 60
            6 | 66 | 66 | 61
            ! 4 row [Time,Oil,,Flow,] ~ the header again
            ! 5 row [,in °C,out °F,L/min,] ~ the header again
            ! 7 row [Time,Oil,Flow,,] ~ another header
            ! 8 row [,in °C,L/min,out °F,] ~ the header changed at line 7
            ! 9 row [2026-03-01 10:20,66,61,150.8,] ~ the header changed at line 7
            = 7/2/0/0/5/0
            ",
        );
    // A row of units is a second line; one that rules the header off says nothing.
    Case::new(&log("header_lines = 2"))
        .text(
            "
            Unit,Time,Flow,Alarm
            ----,----------------,-----,-----
            U-1,2026-03-01 10:00,60,
            ",
        )
        .gives(
            "
            line | unit_id | oil_flow_lpm
            3 | U-1 | 60
            ",
        );
    Case::new(TWO_LINES).text("Time,Oil\n").gives(
        "
        line
        = 0/0/0/0/0/0
        ",
    );
}

const DAYS: &str = r#"
    table = "readings"
    fill_down = ["Unit", "Date"]
    timezone = "UTC"
    [columns]
    unit_id = { from = "Unit" }
    at = { from = ["Date", "Time"], format = "%d.%m.%Y %H:%M" }
    oil_flow_lpm = { from = "Flow" }
"#;

/// A printout: the header of two lines on every page, the day once a page.
#[test]
fn pages_of_a_printout() {
    let pages = r#"
        table = "readings"
        widths = [9, 7, 5]
        skip_until = '^DATE '
        header_lines = 2
        fill_down = ["DATE"]
        timezone = "UTC"
        [columns]
        unit_id = { value = "U-1" }
        at = { from = ["DATE", "TIME"], format = "%d%b%y %H:%M" }
        oil_flow_lpm = { from = "FLOW GPM", unit = "gpm" }
    "#;
    Case::new(pages)
        .bytes(
            b"PLANT LOG PAGE 1\n\n\
              DATE     TIME    FLOW\n                  GPM\n\
              05AUG26  01:00    1.0\n         01:05    2.0\n\
              PLANT LOG PAGE 2\n\n\
              DATE     TIME    FLOW\n                  GPM\n\
              05AUG26  05:35    3.0\n         05:40    4.0\n"
                .as_slice(),
        )
        .gives(
            "
            line | at
            5 | 2026-08-05T01:00:00Z
            6 | 2026-08-05T01:05:00Z
            11 | 2026-08-05T05:35:00Z
            12 | 2026-08-05T05:40:00Z
            ! 7 row [PLANT LOG PAGE 2] ~ expected a time
            ! 9 row [DATE TIME FLOW] ~ the header again
            ! 10 row [GPM] ~ the header again
            = 7/4/0/0/3/0
            ",
        );
}

/// Where the source names the columns, the file's own names are not looked at, whatever they are.
#[test]
fn own_names_that_stand_in_the_file_too() {
    Case::new(
        r#"
        table = "readings"
        header = ["Time", "Flow", "Oil"]
        timezone = "UTC"
        [columns]
        unit_id = { value = "U-1" }
        at = { from = "Time", format = "%Y-%m-%d %H:%M" }
        oil_flow_lpm = { from = "Flow" }
        "#,
    )
    .text(
        "
        Time,Oil,Flow
        2026-03-01 10:00,60,65
        Time,Oil,Flow
        2026-03-01 10:10,61,66
        ",
    )
    .gives(
        "
        line | oil_flow_lpm
        2 | 60
        4 | 61
        ! 1 row [Time,Oil,Flow] ~ expected a time
        ! 3 row [Time,Oil,Flow] ~ expected a time
        = 4/2/0/0/2/0
        ",
    );
}

/// A count below a list is no sample.
#[test]
fn a_sample_of_nothing_but_its_key() {
    Case::new(
        r#"
        table = "samples"
        delimiter = ";"
        timezone = "UTC"
        [columns]
        sample_id = { from = "Nr" }
        lab = { value = "north" }
        taken_at = { from = "Datum", format = "%d.%m.%Y" }
        reservoir_id = { from = "Tank" }
        water_ppm = { from = "Wasser", unit = "mg/kg" }
        "#,
    )
    .text(
        "
        Nr;Datum;Tank;Wasser
        1;01.03.2026;T-1;120
        2;02.03.2026;T-1;
        Anzahl Proben: 2;;;
        ",
    )
    .gives(
        "
        line | sample_id | water_ppm
        2 | 1 | 120
        3 | 2 | -
        ! 4 row [Anzahl Proben: 2;;;] ~ nothing stands in it but the sample's key
        = 3/2/0/0/1/0
        ",
    );
}

#[test]
fn cells_that_say_what_stands_above() {
    Case::new(DAYS)
        .text(
            "
            Unit,Date,Time,Flow
            ,,09:00,58
            U-1,01.03.2026,10:00,60
            ,,10:10,61
            ,,,
            \"U-\"\"2\"\"\",,10:20,62
            ,02.03.2026,00:10,63
            Unit,Date,Time,Flow
            ,,00:20,64
            ,,soon,65
            U-3,,00:30
            ,,00:40,66
            ",
        )
        .gives(
            "
            line | unit_id | at | oil_flow_lpm
            6 | U-\"2\" | 2026-03-01T10:20:00Z | 62
            7 | U-\"2\" | 2026-03-02T00:10:00Z | 63
            9 | U-\"2\" | 2026-03-02T00:20:00Z | 64
            12 | U-\"2\" | 2026-03-02T00:40:00Z | 66
            3 | U-1 | 2026-03-01T10:00:00Z | 60
            4 | U-1 | 2026-03-01T10:10:00Z | 61
            ! 2 row [,,09:00,58] ~ is empty
            ! 5 row [,,,] ~ is empty
            ! 8 row [Unit,Date,Time,Flow] ~ the header again
            ! 10 row [,,soon,65] ~ expected a time
            ! 11 row [U-3,,00:30] ~ found 3 fields, expected 4
            = 11/6/0/0/5/0
            ",
        );
}

#[test]
fn a_day_told_once_passes_midnight() {
    Case::new(DAYS)
        .text(
            "
            Unit,Date,Time,Flow
            U-1,01.03.2026,22:00,60
            ,,23:50,61
            ,,00:10,62
            ,,00:20,63
            ,02.03.2026,00:30,64
            ,,00:40,65
            ,,23:00,66
            ,,01:00,67
            ",
        )
        .gives(
            "
            at | oil_flow_lpm
            2026-03-01T22:00:00Z | 60
            2026-03-01T23:50:00Z | 61
            2026-03-02T00:10:00Z | 62
            2026-03-02T00:20:00Z | 63
            2026-03-02T00:30:00Z | 64
            2026-03-02T00:40:00Z | 65
            2026-03-02T23:00:00Z | 66
            2026-03-03T01:00:00Z | 67
            ",
        );
}

#[test]
fn a_sample_told_once_for_all_its_results() {
    Case::new(
        r#"
        table = "results"
        fill_down = ["No."]
        [columns]
        lab = { value = "L" }
        sample_id = { from = "No." }
        analyte = { from = "Test" }
        value = { from = "Result" }
        "#,
    )
    .text(
        "
        No.,Test,Result
        S-1,Fe,12
        ,Cu,2
        S-2,Fe,13
        ,Cu,
        ",
    )
    .gives(
        "
        sample_id | analyte | value
        S-1 | Cu | 2
        S-1 | Fe | 12
        S-2 | Cu | -
        S-2 | Fe | 13
        ",
    );
}

#[test]
fn files_joined_into_one_and_ended_by_hand() {
    let part = "Unit,Time,Flow,Alarm\nU-1,2026-03-01 10:00,60,\n";
    let rest = "U-1,2026-03-01 10:10,61,a\u{feff}b\n";
    let text = format!("\u{feff}{part}\u{feff}{rest}\u{feff}{part}\u{1a}\u{1a}");
    Case::new(&log("")).bytes(text.as_bytes()).gives(
        "
        line | unit_id | oil_flow_lpm | alarm
        2 | U-1 | 60 | -
        3 | U-1 | 61 | a\u{feff}b
        ! 4 row [Unit,Time,Flow,Alarm] ~ the header again
        = 4/2/1/0/1/0
        ",
    );
}

/// A merged export of a log that tells what changed: what one machine read is none of another's.
#[test]
fn readings_go_on_from_rows_of_their_own_unit_alone() {
    Case::new(
        r#"
        table = "readings"
        fill_down = ["Day", "Flow", "Alarm"]
        timezone = "UTC"
        [columns]
        unit_id = { from = "Unit" }
        at = { from = ["Day", "Time"], format = "%Y-%m-%d %H:%M" }
        oil_flow_lpm = { from = "Flow", unit = "L/min" }
        alarm = { from = "Alarm" }
        "#,
    )
    .text(
        "Unit,Day,Time,Flow,Alarm\nU-1,2026-03-14,10:00,42,low\nU-2,,10:00,,\nU-2,,10:01,30,\nU-1,,10:01,,\nU-2,,10:02,,hot\nU-1,,10:02,44,\n",
    )
    .gives(
        "
        unit_id | at | oil_flow_lpm | alarm
        U-1 | 2026-03-14T10:00:00Z | 42 | low
        U-1 | 2026-03-14T10:01:00Z | 42 | low
        U-1 | 2026-03-14T10:02:00Z | 44 | low
        U-2 | 2026-03-14T10:00:00Z | - | -
        U-2 | 2026-03-14T10:01:00Z | 30 | -
        U-2 | 2026-03-14T10:02:00Z | 30 | hot
        = 6/6/0/0/0/0
        ",
    );
    // The unit too is told once, and a tag of its own has its own values.
    Case::new(
        r#"
        table = "readings"
        layout = "tall"
        fill_down = ["Unit", "Value"]
        timezone = "UTC"
        [tall]
        tag = "Tag"
        value = "Value"
        pattern = '(?<signal>.+)'
        [columns]
        unit_id = { from = "Unit" }
        at = { from = "Time", format = "%Y-%m-%d %H:%M" }
        oil_flow_lpm = { signal = "Q", unit = "L/min" }
        water_ppm = { signal = "W", unit = "mg/kg" }
        "#,
    )
    .text(
        "Unit,Tag,Time,Value\nU-1,Q,2026-03-14 10:00,42\n,W,2026-03-14 10:00,\n,W,2026-03-14 10:01,300\n,Q,2026-03-14 10:01,\nU-2,Q,2026-03-14 10:00,\n",
    )
    .gives(
        "
        unit_id | at | oil_flow_lpm | water_ppm
        U-1 | 2026-03-14T10:00:00Z | 42 | -
        U-1 | 2026-03-14T10:01:00Z | 42 | 300
        U-2 | 2026-03-14T10:00:00Z | - | -
        = 5/4/1/0/0/0
        ",
    );
}
