//! How a file is written: delimiters, line ends, decimal marks, quotes.

use super::harness::Case;

/// A log of flows and alarms.
pub(super) const FLOW: &str = r#"
    table = "readings"
    [columns]
    unit_id = { from = "Unit" }
    at = { from = "Time", format = "rfc3339" }
    oil_flow_lpm = { from = "Q", unit = "L/min" }
    alarm = { from = "Alarm" }
"#;

/// The block above with more lines at its head.
pub(super) fn flow(head: &str) -> String {
    format!("{head}\n{}", super::harness::dedented(FLOW))
}

/// What one row of such a log must give.
pub(super) const ONE_ROW: &str = "
    unit_id | at | oil_flow_lpm | alarm
    U-1 | 2026-03-01T10:00:00Z | 60.5 | low flow
";

#[test]
fn one_row_under_every_delimiter() {
    for (delimiter, text) in [
        (
            ",",
            "Unit,Time,Q,Alarm\nU-1,2026-03-01T10:00:00Z,60.5,low flow\n",
        ),
        (
            ";",
            "Unit;Time;Q;Alarm\nU-1;2026-03-01T10:00:00Z;60.5;low flow\n",
        ),
        (
            "\\t",
            "Unit\tTime\tQ\tAlarm\nU-1\t2026-03-01T10:00:00Z\t60.5\tlow flow\n",
        ),
        (
            "|",
            "Unit|Time|Q|Alarm\nU-1|2026-03-01T10:00:00Z|60.5|low flow\n",
        ),
        (
            " ",
            "Unit Time Q Alarm\nU-1 2026-03-01T10:00:00Z 60.5 \"low flow\"\n",
        ),
    ] {
        Case::new(&flow(&format!("delimiter = \"{delimiter}\"")))
            .bytes(text.as_bytes())
            .gives(ONE_ROW);
    }
}

#[test]
fn one_row_under_every_line_end() {
    for text in [
        "Unit,Time,Q,Alarm\nU-1,2026-03-01T10:00:00Z,60.5,low flow\n",
        "Unit,Time,Q,Alarm\r\nU-1,2026-03-01T10:00:00Z,60.5,low flow\r\n",
        "Unit,Time,Q,Alarm\rU-1,2026-03-01T10:00:00Z,60.5,low flow\r",
        "Unit,Time,Q,Alarm\nU-1,2026-03-01T10:00:00Z,60.5,low flow",
        "\n\nUnit,Time,Q,Alarm\n\n\n  \nU-1,2026-03-01T10:00:00Z,60.5,low flow\n\n",
    ] {
        Case::new(FLOW).bytes(text.as_bytes()).gives(ONE_ROW);
    }
}

#[test]
fn decimal_commas_and_points_between_thousands() {
    Case::new(&flow("delimiter = \";\"\ndecimal = \",\""))
        .text(
            "
            Unit;Time;Q;Alarm
            U-1;2026-03-01T10:00:00Z;60,5;
            U-1;2026-03-01T10:01:00Z;1.060,25;
            U-1;2026-03-01T10:02:00Z;0,0;
            U-1;2026-03-01T10:03:00Z;60;
            U-1;2026-03-01T10:04:00Z;60.5;
            U-1;2026-03-01T10:05:00Z;1,060.25;
            ",
        )
        .gives(
            "
            line | oil_flow_lpm
            2 | 60.5
            3 | 1060.25
            4 | 0
            5 | 60
            6 | -
            7 | -
            ! 6 oil_flow_lpm [60.5] ~ expected a number in L/min
            ! 7 oil_flow_lpm [1,060.25] ~ expected a number in L/min
            ",
        );
}

#[test]
fn decimal_points_and_marks_between_thousands() {
    Case::new(FLOW)
        .text(
            "
            Unit,Time,Q,Alarm
            U-1,2026-03-01T10:00:00Z,\"1,060.25\",
            U-1,2026-03-01T10:01:00Z,1 060.25,
            U-1,2026-03-01T10:02:00Z,1\u{a0}060.25,
            U-1,2026-03-01T10:03:00Z,1\u{202f}060.25,
            U-1,2026-03-01T10:04:00Z,1'060.25,
            U-1,2026-03-01T10:05:00Z,1.06025E3,
            U-1,2026-03-01T10:06:00Z,+1060.25,
            U-1,2026-03-01T10:07:00Z,\"60,5\",
            U-1,2026-03-01T10:08:00Z,\"0,605\",
            U-1,2026-03-01T10:09:00Z,\"1060,250\",
            ",
        )
        .gives(
            "
            line | oil_flow_lpm
            2 | 1060.25
            3 | 1060.25
            4 | 1060.25
            5 | 1060.25
            6 | 1060.25
            7 | 1060.25
            8 | 1060.25
            9 | -
            10 | -
            11 | -
            ! 9 oil_flow_lpm [60,5] ~ expected a number
            ! 10 oil_flow_lpm [0,605] ~ expected a number
            ! 11 oil_flow_lpm [1060,250] ~ expected a number
            ",
        );
}

#[test]
fn what_a_spreadsheet_writes_for_an_error_is_no_number() {
    Case::new(FLOW)
        .text(
            "
            Unit,Time,Q,Alarm
            U-1,2026-03-01T10:00:00Z,#VALUE!,
            U-1,2026-03-01T10:01:00Z,#DIV/0!,#N/A
            U-1,2026-03-01T10:02:00Z,NaN,
            U-1,2026-03-01T10:03:00Z,-inf,
            U-1,2026-03-01T10:04:00Z,1e999,
            ",
        )
        .gives(
            "
            line | oil_flow_lpm | alarm
            2 | - | -
            3 | - | -
            4 | - | -
            5 | - | -
            6 | - | -
            ! 2 oil_flow_lpm [#VALUE!]
            ! 3 alarm [#N/A]
            ! 3 oil_flow_lpm [#DIV/0!]
            ! 4 oil_flow_lpm [NaN]
            ! 5 oil_flow_lpm [-inf]
            ! 6 oil_flow_lpm [1e999]
            ",
        );
}

#[test]
fn words_that_stand_for_nothing_are_null_without_an_entry() {
    Case::new(&flow("null = [\"\", \"---\", \"-9999\", \"Bad Input\"]"))
        .text(
            "
            Unit,Time,Q,Alarm
            U-1,2026-03-01T10:00:00Z,---,---
            U-1,2026-03-01T10:01:00Z,-9999,
            U-1,2026-03-01T10:02:00Z, Bad Input ,none
            U-1,2026-03-01T10:03:00Z,-9999.0,
            ",
        )
        .gives(
            "
            line | oil_flow_lpm | alarm
            2 | - | -
            3 | - | -
            4 | - | none
            5 | - | -
            ",
        );
}

#[test]
fn quoted_delimiters_newlines_and_quotes() {
    Case::new(FLOW)
        .text(
            "
            Unit,Time,Q,Alarm
            U-1,2026-03-01T10:00:00Z,60,\"low flow, then none\"
            U-1,2026-03-01T10:01:00Z,61,\"first
            second\"
            U-1,2026-03-01T10:02:00Z,62,\"said \"\"stop\"\"\"
            U-1,2026-03-01T10:03:00Z,63,5\" hose
            \"U-1\",\"2026-03-01T10:04:00Z\",\"64\",\"\"
            U-1,2026-03-01T10:05:00Z,65,\"never closed
            U-1,2026-03-01T10:06:00Z,66,
            ",
        )
        .gives(
            "
            line | oil_flow_lpm | alarm
            2 | 60 | low flow, then none
            3 | 61 | first\\nsecond
            5 | 62 | said \"stop\"
            6 | 63 | 5\" hose
            7 | 64 | -
            8 | 65 | \"never closed
            9 | 66 | -
            ",
        );
}
