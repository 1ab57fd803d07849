//! When a row was: formats, epochs, spreadsheet serials, local clocks and the day they change.

use super::harness::Case;

/// A run log whose times have this format and, where one is given, this zone.
fn log(format: &str, zone: &str) -> String {
    let zone = if zone.is_empty() {
        String::new()
    } else {
        format!("timezone = \"{zone}\"\n")
    };
    format!(
        "table = \"readings\"\ndelimiter = \";\"\n{zone}[columns]\nunit_id = {{ from = \"Unit\" }}\nat = {{ from = \"Time\", format = \"{format}\" }}\noil_flow_lpm = {{ from = \"Q\", unit = \"L/min\" }}\n"
    )
}

#[test]
fn one_instant_in_many_notations() {
    // 2026-03-01T16:05:09Z is 10:05:09 in Chicago (CST, UTC-6) and 17:05:09 in Berlin (CET).
    for (format, zone, time) in [
        ("rfc3339", "", "2026-03-01T16:05:09Z"),
        ("rfc3339", "", "2026-03-01T10:05:09-06:00"),
        ("rfc3339", "", "2026-03-01 21:35:09+0530"),
        ("rfc3339", "America/Chicago", "2026-03-01T10:05:09"),
        ("epoch_s", "", "1772381109"),
        ("epoch_ms", "", "1772381109000"),
        (
            "%m/%d/%Y %H:%M:%S",
            "America/Chicago",
            "03/01/2026 10:05:09",
        ),
        (
            "%m/%d/%Y %I:%M:%S %p",
            "America/Chicago",
            "3/1/2026 10:05:09 AM",
        ),
        ("%d.%m.%Y %H:%M:%S", "Europe/Berlin", "01.03.2026 17:05:09"),
        ("%d-%b-%y %H:%M:%S", "UTC", "1-Mar-26 16:05:09"),
        (
            "%d. %B %Y %H:%M:%S",
            "Europe/Berlin",
            "1. März 2026 17:05:09",
        ),
        ("%Y%m%d%H%M%S", "UTC", "20260301160509"),
        ("%Y/%j %T", "UTC", "2026/060 16:05:09"),
        ("%Y-%m-%dT%H:%M:%S%z", "", "2026-03-01T10:05:09-06:00"),
        ("%a %d %b %Y %T", "UTC", "Sun 1 Mar 2026 16:05:09"),
        // Serial 39448 is 2008-01-01 (spreadsheet manuals, from memory), 46082 is 6634 days later.
        ("excel_serial", "UTC", "46082.67024305556"),
        ("excel_serial", "UTC", "46082,67024305556"),
    ] {
        Case::new(&log(format, zone))
            .bytes(format!("Unit;Time;Q\nU-1;{time};60\n").as_bytes())
            .gives("at | oil_flow_lpm\n2026-03-01T16:05:09Z | 60");
    }
}

#[test]
fn fractions_of_seconds_and_dates_alone() {
    Case::new(&log("rfc3339", ""))
        .text(
            "
            Unit;Time;Q
            U-1;2026-03-01T16:05:09.25Z;60
            U-1;2026-03-01T16:05:09,125Z;61
            U-1;2026-03-01;62
            U-1;2026-03-01T16:05:09;63
            U-1;2026-02-29T00:00:00Z;64
            U-1;2026-03-01T24:00:00Z;65
            ",
        )
        .gives(
            "
            at | oil_flow_lpm
            2026-03-01T00:00:00Z | 62
            2026-03-01T16:05:09.125Z | 61
            2026-03-01T16:05:09.25Z | 60
            2026-03-02T00:00:00Z | 65
            ! 5 row [U-1;2026-03-01T16:05:09;63] ~ no timezone
            ! 6 row [U-1;2026-02-29T00:00:00Z;64] ~ expected a time
            ",
        );
}

#[test]
fn date_and_time_in_columns_of_their_own() {
    Case::new(
        r#"
        table = "readings"
        timezone = "America/Chicago"
        [columns]
        unit_id = { from = "Unit" }
        at = { from = ["Date", "Time"], format = "%m/%d/%Y %H:%M" }
        oil_flow_lpm = { from = "Q", unit = "L/min" }
        "#,
    )
    .text(
        "
        Time,Unit,Date,Q
        10:05,U-1,03/01/2026,60
        ,U-1,03/01/2026,61
        10:05,U-1,,62
        ,U-1,,63
        ",
    )
    .gives(
        "
        at | oil_flow_lpm
        2026-03-01T16:05:00Z | 60
        ! 3 row [,U-1,03/01/2026,61] ~ expected a time written
        ! 4 row [10:05,U-1,,62] ~ expected a time written
        ! 5 row [,U-1,,63] ~ \"at\" is empty
        ",
    );
}

#[test]
fn a_day_ahead_is_a_clock_that_runs_fast_and_more_is_no_time() {
    Case::new(&log("rfc3339", ""))
        .text(
            "
            Unit;Time;Q
            U-1;2026-12-02T00:00:00Z;60
            U-1;2026-12-02T00:00:01Z;61
            U-1;2036-03-01T00:00:00Z;62
            ",
        )
        .gives(
            "
            at | oil_flow_lpm
            2026-12-02T00:00:00Z | 60
            ! 3 row [U-1;2026-12-02T00:00:01Z;61] ~ more than a day after the load
            ! 4 row [U-1;2036-03-01T00:00:00Z;62] ~ more than a day after the load
            ",
        );
}

#[test]
fn counts_that_are_no_time_of_a_run_log() {
    // A spreadsheet shows a long number with an exponent: the digits behind are lost, so that many
    // rows would fall on one time. And a count far outside any calendar is no time.
    for (format, time) in [
        ("epoch_s", "1.77238E+09"),
        ("epoch_ms", "1.77238E+12"),
        ("epoch_s", "-99999999999999"),
        ("epoch_ms", "9223372036854775807"),
        ("epoch_s", "nan"),
        ("epoch_s", "1772381109 s"),
        // The thousands mark of another country, not a date of 1900.
        ("excel_serial", "46,082"),
        ("excel_serial", "4.6082E+04"),
        ("excel_serial", "46082.5.1"),
        ("excel_serial", "3"),
        ("%m/%d/%Y", "#######"),
    ] {
        let text = format!("Unit;Time;Q\nU-1;{time};60\n");
        Case::new(&log(format, "UTC"))
            .bytes(text.as_bytes())
            .gives(&format!(
                "line\n! 2 row [U-1;{time};60] ~ expected a time written {format}"
            ));
    }
}

#[test]
fn the_hour_that_spring_skips() {
    // US Energy Policy Act of 2005: in 2026 clocks go from 02:00 to 03:00 on 8 March.
    Case::new(&log("%Y-%m-%d %H:%M", "America/Chicago"))
        .text(
            "
            Unit;Time;Q
            U-1;2026-03-08 01:59;60
            U-1;2026-03-08 02:00;61
            U-1;2026-03-08 02:59;62
            U-1;2026-03-08 03:00;63
            ",
        )
        .gives(
            "
            at | oil_flow_lpm
            2026-03-08T07:59:00Z | 60
            2026-03-08T08:00:00Z | 63
            ! 3 row [U-1;2026-03-08 02:00;61] ~ set forward over this time
            ! 4 row [U-1;2026-03-08 02:59;62] ~ set forward over this time
            ",
        );
}

#[test]
fn the_hour_that_autumn_repeats() {
    // In 2026 clocks go back from 02:00 to 01:00 on 1 November. Units are told apart: U-1 jumps
    // back, U-2 has only the second pass, U-3 has no neighbour, U-4 shows the hour once a row.
    Case::new(&log("%Y-%m-%d %H:%M", "America/Chicago"))
        .text(
            "
            Unit;Time;Q
            U-1;2026-11-01 01:00;10
            U-2;2026-11-01 01:40;20
            U-3;2026-11-01 01:30;30
            U-1;2026-11-01 01:30;11
            U-2;2026-11-01 02:00;21
            U-1;2026-11-01 01:00;12
            U-1;2026-11-01 01:30;13
            U-3;2026-11-01 09:00;31
            U-1;2026-11-01 02:00;14
            U-4;2026-11-01 00:00;40
            U-4;2026-11-01 01:00;41
            U-4;2026-11-01 01:00;42
            U-4;2026-11-01 02:00;43
            ",
        )
        .gives(
            "
            unit_id | at | oil_flow_lpm
            U-1 | 2026-11-01T06:00:00Z | 10
            U-1 | 2026-11-01T06:30:00Z | 11
            U-1 | 2026-11-01T07:00:00Z | 12
            U-1 | 2026-11-01T07:30:00Z | 13
            U-1 | 2026-11-01T08:00:00Z | 14
            U-2 | 2026-11-01T07:40:00Z | 20
            U-2 | 2026-11-01T08:00:00Z | 21
            U-3 | 2026-11-01T15:00:00Z | 31
            U-4 | 2026-11-01T05:00:00Z | 40
            U-4 | 2026-11-01T06:00:00Z | 41
            U-4 | 2026-11-01T07:00:00Z | 42
            U-4 | 2026-11-01T08:00:00Z | 43
            ! 4 row [U-3;2026-11-01 01:30;30] ~ showed this hour twice
            = 13/12/0/0/1/0
            ",
        );
}

#[test]
fn a_tag_of_a_tall_file_is_a_series_of_its_own_in_the_repeated_hour() {
    Case::new(
        r#"
        table = "readings"
        layout = "tall"
        timezone = "Europe/Berlin"
        [tall]
        tag = "Tag"
        value = "Value"
        pattern = '(?<unit_id>[^.]+)\.(?<signal>.+)'
        [columns]
        unit_id = {}
        at = { from = "Time", format = "%Y-%m-%d %H:%M" }
        oil_flow_lpm = { signal = "FLOW", unit = "L/min" }
        oil_inlet_degc = { signal = "T1", unit = "°C" }
        "#,
    )
    // EU Directive 2000/84/EC: clocks go back at 01:00 UTC on 25 October 2026.
    .text(
        "
        Time,Tag,Value
        2026-10-25 02:10,U-1.FLOW,60
        2026-10-25 02:50,U-1.FLOW,61
        2026-10-25 02:10,U-1.FLOW,62
        2026-10-25 03:00,U-1.FLOW,63
        2026-10-25 02:10,U-1.T1,64
        2026-10-25 02:50,U-1.T1,65
        2026-10-25 02:10,U-1.T1,66
        ",
    )
    .gives(
        "
        at | oil_flow_lpm | oil_inlet_degc
        2026-10-25T00:10:00Z | 60 | 64
        2026-10-25T00:50:00Z | 61 | 65
        2026-10-25T01:10:00Z | 62 | 66
        2026-10-25T02:00:00Z | 63 | -
        ",
    );
}
