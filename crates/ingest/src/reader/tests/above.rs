//! What stands above the header: how far it goes, the unit, the day, the start of a count of time.

use super::harness::Case;
use super::shapes::log;

const RECORDER: &str = r#"
    table = "readings"
    skip_lines = 3
    timezone = "Europe/Berlin"
    preamble = ['Machine: (?<unit_id>\S+)', 'Start: (?<start>[\d .:]+)']
    [columns]
    at = { from = ["preamble:start", "t"], format = "%d.%m.%Y %H:%M", elapsed = "s" }
    oil_flow_lpm = { from = "Flow" }
"#;

#[test]
fn times_passed_since_a_start_above_the_header() {
    Case::new(RECORDER)
        .text(
            "
            Machine: U-7
            Start: 01.03.2026 10:00

            t,Flow
            -60,65
            0,60
            90.5,61
            1e3,62
            ,63
            later,64
            ",
        )
        .gives(
            "
            unit_id | at | oil_flow_lpm
            U-7 | 2026-03-01T08:59:00Z | 65
            U-7 | 2026-03-01T09:00:00Z | 60
            U-7 | 2026-03-01T09:01:30.5Z | 61
            U-7 | 2026-03-01T09:16:40Z | 62
            ! 9 row [,63] ~ behind it the time passed in s
            ! 10 row [later,64] ~ behind it the time passed in s
            = 6/4/0/0/2/0
            ",
        );
    // A stopwatch does not jump when the clock is set forward (2026-03-29) or back.
    Case::new(RECORDER)
        .text(
            "
            Machine: U-7
            Start: 29.03.2026 01:30

            t,Flow
            3600,60
            ",
        )
        .text(
            "
            Machine: U-7
            Start: 25.10.2026 02:30

            t,Flow
            3600,61
            ",
        )
        .text(
            "
            Machine: U-7
            Began: 25.10.2026 02:30

            t,Flow
            3600,62
            ",
        )
        .gives(
            "
            at | oil_flow_lpm
            2026-03-29T01:30:00Z | 60
            ! 5 row [3600,61] ~ the clock showed the hour of the start twice
            ! 5 row [3600,62] ~ do not fit the preamble 'Start
            ",
        );
}

#[test]
fn a_start_in_the_name_and_a_day_above_the_header() {
    Case::new(
        r#"
        table = "readings"
        timezone = "UTC"
        file_name = '^(?<unit_id>U-\d+)_(?<start>\d{8}_\d{6})'
        [columns]
        at = { from = ["file_name:start", "Elapsed"], format = "%Y%m%d_%H%M%S", elapsed = "h:min:s" }
        oil_flow_lpm = { from = "Flow" }
        "#,
    )
    .named("U-4_20260301_100000.csv")
    .text(
        "
        Elapsed,Flow
        0:00:00,60
        10:00,62
        25:30:00.5,61
        12,63
        ",
    )
    .gives(
        "
        unit_id | at | oil_flow_lpm
        U-4 | 2026-03-01T10:00:00Z | 60
        U-4 | 2026-03-01T20:00:00Z | 62
        U-4 | 2026-03-02T11:30:00.5Z | 61
        ! 5 row [12,63] ~ behind it the time passed in h:min:s
        ",
    );
    Case::new(
        r#"
        table = "readings"
        delimiter = ";"
        skip_lines = 2
        timezone = "UTC"
        preamble = ['Unit;(?<unit_id>[^;\n]+)', 'Date;(?<day>[^;\n]+)']
        [columns]
        at = { from = ["preamble:day", "Time"], format = "%d.%m.%Y %H:%M" }
        oil_flow_lpm = { from = "Flow" }
        "#,
    )
    .text(
        "
        Unit;U-7;
        Date;01.03.2026;
        Time;Flow
        23:50;60
        00:10;61
        ",
    )
    .gives(
        "
        unit_id | at | oil_flow_lpm
        U-7 | 2026-03-01T23:50:00Z | 60
        U-7 | 2026-03-02T00:10:00Z | 61
        ",
    );
}

#[test]
fn headers_below_more_or_fewer_lines() {
    let described = log("skip_until = '^Unit,Time,'\nskip_lines = 1");
    Case::new(&described)
        .text(
            "
            Unit,Time,of the log
            Comment: none
            Unit,Time,Flow,Alarm
            U-1,2026-03-01 10:00,60,
            Unit,Time,Flow,Alarm
            ",
        )
        .text(
            "
            Log
            Comment: \"two
            lines\"

            Unit,Time,Flow,Alarm
            U-1,2026-03-01 10:10,61,
            ",
        )
        .text(
            "
            Log
            Unit;Time;Flow;Alarm
            U-1,2026-03-01 10:20,62,
            ",
        )
        .gives(
            "
            line | oil_flow_lpm
            4 | 60
            6 | 61
            ! 5 row [Unit,Time,Flow,Alarm] ~ the header again
            ! 2 alarm [Unit;Time;Flow;Alarm] ~ no column
            ! 2 oil_flow_lpm [Unit;Time;Flow;Alarm] ~ no column
            ! 3 row [U-1,2026-03-01 10:20,62,] ~ the file has no column
            ",
        );
}

#[test]
fn the_unit_of_a_column_stands_above_the_header_or_in_the_name_of_the_file() {
    for (what, head, from, name, expected) in [
        (
            "above the header",
            r"preamble = ['Pressure in (?<u>\S+)']",
            "preamble:u",
            "log.csv",
            "10.1325",
        ),
        (
            "in the name",
            r"file_name = '^log_(?<u>\w+)'",
            "file_name:u",
            "log_kPa.csv",
            "76",
        ),
        ("in a column of that name", "", "u", "log.csv", "7.6"),
    ] {
        println!("{what}");
        Case::new(&format!(
            r#"
            table = "readings"
            skip_lines = 1
            {head}
            [columns]
            unit_id = {{ value = "U-1" }}
            at = {{ from = "T", format = "rfc3339" }}
            chamber_pressure_kpa = {{ from = "P", unit = {{ from = "{from}" }}, reference = "absolute" }}
            "#
        ))
        .named(name)
        .text("Pressure in Torr\nT,P,u\n2026-03-01T10:00:00Z,76,mbar\n")
        .gives(&format!("chamber_pressure_kpa\n{expected}"));
    }
    Case::new(
        r#"
        table = "readings"
        skip_lines = 1
        preamble = ['Pressure in (?<u>\S+)']
        [columns]
        unit_id = { value = "U-1" }
        at = { from = "T", format = "rfc3339" }
        chamber_pressure_kpa = { from = "P", unit = { from = "preamble:u" }, reference = "absolute" }
        "#,
    )
    .text("Pressure in furlongs\nT,P\n2026-03-01T10:00:00Z,76\n")
    .gives("line\n3\n! 3 chamber_pressure_kpa [76] ~ found the unit \"furlongs\" in \"preamble:u\"");
}
