//! What stands around the rows: preambles, footers, headers, records of the wrong length.

use super::harness::Case;
use super::text::{FLOW, ONE_ROW, flow};

#[test]
fn preamble_and_footer() {
    Case::new(&flow("skip_lines = 3"))
        .text(
            "
            Run log, exported 2026-03-02
            \"a quote that never closes

            Unit,Time,Q,Alarm
            U-1,2026-03-01T10:00:00Z,60,
            U-1,2026-03-01T10:01:00Z,61,

            Total,2 rows
            End of file,,,
            ",
        )
        .gives(
            "
            line | oil_flow_lpm
            5 | 60
            6 | 61
            ! 8 row [Total,2 rows] ~ found 2 fields, expected 4
            ! 9 row [End of file,,,] ~ \"at\" is empty
            = 4/2/0/0/2/0
            ",
        );
}

#[test]
fn headers_repeated_further_down_count_and_are_rejected() {
    Case::new(FLOW)
        .text(
            "
            Unit,Time,Q,Alarm
            U-1,2026-03-01T10:00:00Z,60,
            Unit,Time,Q,Alarm
            U-2,2026-03-01T10:00:00Z,70,
             Unit , Time , Q , Alarm
            U-3,2026-03-01T10:00:00Z,80,
            ",
        )
        .gives(
            "
            unit_id | oil_flow_lpm
            U-1 | 60
            U-2 | 70
            U-3 | 80
            ! 3 row [Unit,Time,Q,Alarm] ~ the header again
            ! 5 row [Unit , Time , Q , Alarm] ~ the header again
            = 5/3/0/0/2/0
            ",
        );
}

#[test]
fn after_another_header_the_columns_are_where_it_says() {
    Case::new(FLOW)
        .text(
            "
            Unit,Time,Q,Alarm
            U-1,2026-03-01T10:00:00Z,60,
            Time,Unit,Alarm,Q
            2026-03-01T10:00:00Z,U-2,,70
            ",
        )
        .gives(
            "
            unit_id | oil_flow_lpm
            U-1 | 60
            U-2 | 70
            ! 3 row [Time,Unit,Alarm,Q] ~ another header
            = 3/2/0/0/1/0
            ",
        );
}

#[test]
fn names_of_columns_are_found_whatever_their_case_and_blanks() {
    Case::new(FLOW)
        .text(
            "
            UNIT, time  ,\"q\",  Alarm,Spare
            U-1,2026-03-01T10:00:00Z,60.5,low flow,7
            ",
        )
        .gives(ONE_ROW);
}

#[test]
fn a_column_that_the_file_lacks_is_said_once_and_not_spoken_for() {
    Case::new(FLOW)
        .text(
            "
            Unit,Time,Q,Alarm
            U-1,2026-03-01T10:00:00Z,60.5,low flow
            ",
        )
        .text(
            "
            Unit,Time,Q
            U-1,2026-03-01T10:00:00Z,61
            ",
        )
        .gives(
            "
            oil_flow_lpm | alarm
            61 | low flow
            ! 1 alarm [Unit,Time,Q] ~ no column \"Alarm\"
            = 1/1/0/0/0/0
            = 1/1/0/1/0/0
            ",
        );
}

#[test]
fn without_a_column_of_the_key_every_record_is_rejected() {
    Case::new(FLOW)
        .text("Unit,Q,Alarm\nU-1,60,\nU-1,61,\n")
        .gives(
            "
            line
            ! 2 row [U-1,60,] ~ no column \"Time\"
            ! 3 row [U-1,61,] ~ no column \"Time\"
            = 2/0/0/0/2/0
            ",
        );
}

#[test]
fn records_with_too_few_or_too_many_fields_are_rejected_whole() {
    Case::new(FLOW)
        .text(
            "
            Unit,Time,Q,Alarm
            U-1,2026-03-01T10:00:00Z,60
            U-1,2026-03-01T10:01:00Z,61,,
            U-1,2026-03-01T10:02:00Z,62,
            ,2026-03-01T10:03:00Z,63,
            U-1,,64,
            U-1,yesterday,65,
            ",
        )
        .gives(
            "
            line | oil_flow_lpm
            4 | 62
            ! 2 row [U-1,2026-03-01T10:00:00Z,60] ~ found 3 fields, expected 4
            ! 3 row [U-1,2026-03-01T10:01:00Z,61,,] ~ found 5 fields, expected 4
            ! 5 row [,2026-03-01T10:03:00Z,63,] ~ \"unit_id\" is empty
            ! 6 row [U-1,,64,] ~ \"at\" is empty
            ! 7 row [U-1,yesterday,65,] ~ expected a time written rfc3339
            = 6/1/0/0/5/0
            ",
        );
}

#[test]
fn files_with_no_rows() {
    for text in ["", "\n\n", "Unit,Time,Q,Alarm\n", "Unit,Time,Q,Alarm"] {
        Case::new(FLOW)
            .bytes(text.as_bytes())
            .gives("line\n= 0/0/0/0/0/0\n");
    }
}

/// In a workbook a cell merged over the lines of the header stands in each of them.
#[test]
fn a_cell_merged_over_lines_of_the_header_counts_once() {
    for (name, found) in [("T", true), ("T T", true), ("T T T", false), ("Oil", false)] {
        let expected = match found {
            true => "oil_flow_lpm | oil_inlet_degc\n60 | 61".to_owned(),
            false => {
                format!("line\n! 3 row [2026-03-01T10:00:00Z,61,62,60] ~ no column \"{name}\"")
            }
        };
        Case::new(&format!(
            r#"
            table = "readings"
            header_lines = 2
            [columns]
            unit_id = {{ value = "U-1" }}
            at = {{ from = "{name}", format = "rfc3339" }}
            oil_inlet_degc = {{ from = "Oil in" }}
            oil_flow_lpm = {{ from = "Flow" }}
            "#
        ))
        .text("T,Oil,Oil,Flow\nT,in,out,Flow\n2026-03-01T10:00:00Z,61,62,60\n")
        .gives(&expected);
    }
}
