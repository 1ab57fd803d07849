//! Files that begin again in their middle: another header, another unit of it, a second recording.

use super::harness::Case;

const FLAT: &str = r#"
    table = "readings"
    timezone = "UTC"
    [columns]
    unit_id = { value = "U-1" }
    at = { from = "Time", format = "%Y-%m-%d %H:%M" }
    oil_inlet_degc = { from = "Oil in (°F)", unit = "°F" }
    oil_flow_lpm = { from = "Flow", unit = "L/min" }
"#;

#[test]
fn a_header_with_another_unit_ends_what_can_be_told_until_the_first_comes_again() {
    Case::new(FLAT)
        .text(
            "
            Time,Oil in (°F),Flow
            2026-01-01 00:00,104,20
            Time,Oil in (°C),Flow
            2026-01-01 00:01,40,21
            2026-01-01 00:02,40,22
            Time,Oil in (°F),Flow
            2026-01-01 00:03,113,23
            ",
        )
        .gives(
            "
            at | oil_inlet_degc | oil_flow_lpm
            2026-01-01T00:00:00Z | 40 | 20
            2026-01-01T00:03:00Z | 45 | 23
            ! 3 row [Time,Oil in (°C),Flow] ~ another header
            ! 4 row [2026-01-01 00:01,40,21] ~ the header changed at line 3 and has no column \"Oil in (°F)\"
            ! 5 row [2026-01-01 00:02,40,22] ~ the header changed at line 3
            ! 6 row [Time,Oil in (°F),Flow] ~ the header again
            = 6/2/0/0/4/0
            ",
        );
}

#[test]
fn a_line_of_units_that_changes_is_another_header() {
    Case::new(
        r#"
        table = "readings"
        header_lines = 2
        timezone = "UTC"
        [columns]
        unit_id = { value = "U-1" }
        at = { from = "Time", format = "%Y-%m-%d %H:%M" }
        oil_inlet_degc = { from = "Oil in °F", unit = "°F" }
        oil_flow_lpm = { from = "Flow gpm", unit = "gpm" }
        "#,
    )
    .text(
        "
        Time,Oil in,Flow
        ,°F,gpm
        2026-01-01 00:00,104,10
        Time,Oil in,Flow
        ,°F,gpm
        2026-01-01 00:01,104,10
        Time,Oil in,Flow
        ,°C,L/min
        2026-01-01 00:02,40,38
        Time,Oil in,Flow
        ,°F,gpm
        2026-01-01 00:03,104,10
        ",
    )
    .gives(
        "
        at | oil_inlet_degc
        2026-01-01T00:00:00Z | 40
        2026-01-01T00:01:00Z | 40
        2026-01-01T00:03:00Z | 40
        ! 4 row [Time,Oil in,Flow] ~ the header again
        ! 5 row [,°F,gpm] ~ the header again
        ! 7 row [Time,Oil in,Flow] ~ the header again
        ! 8 row [,°C,L/min] ~ another header
        ! 9 row [2026-01-01 00:02,40,38] ~ the header changed at line 8 and has no column \"Flow gpm\", \"Oil in °F\"
        ! 10 row [Time,Oil in,Flow] ~ the header again
        ! 11 row [,°F,gpm] ~ the header again
        = 10/3/0/0/7/0
        ",
    );
}

#[test]
fn a_header_with_other_columns_or_in_another_language_is_one() {
    for other in ["Time,Flow,Vent", "Zeit,Durchfluss,Öl ein"] {
        Case::new(FLAT)
            .bytes(
                format!(
                    "Time,Oil in (°F),Flow\n2026-01-01 00:00,104,20\n{other}\n2026-01-01 00:01,96,50\n"
                )
                .as_bytes(),
            )
            .gives(&format!(
                "
                oil_inlet_degc | oil_flow_lpm
                40 | 20
                ! 3 row [{other}] ~ another header
                ! 4 row [2026-01-01 00:01,96,50] ~ the header changed at line 3
                "
            ));
    }
}

/// A register's key is text: a header would pass for a row.
#[test]
fn a_header_in_a_register_is_no_row() {
    Case::new(
        r#"
        table = "units"
        [columns]
        unit_id = { from = "Unit" }
        nameplate_flow_lpm = { from = "Flow L/min", unit = "L/min" }
        "#,
    )
    .text(
        "
        Unit,Flow L/min
        U-1,70
        Unit,Flow gpm
        U-2,20
        ",
    )
    .gives(
        "
        unit_id | nameplate_flow_lpm
        U-1 | 70
        ! 3 row [Unit,Flow gpm] ~ another header
        ! 4 row [U-2,20] ~ has no column \"Flow L/min\"
        ",
    );
}

const RECORDER: &str = r#"
    table = "readings"
    skip_lines = 1
    timezone = "UTC"
    preamble = ['Unit: (?<unit_id>\S+)']
    [columns]
    at = { from = "Time", format = "%Y-%m-%d %H:%M" }
    oil_flow_lpm = { from = "Flow" }
"#;

#[test]
fn a_second_preamble_is_not_read_as_the_first() {
    let second = |unit: &str| {
        format!(
            "Unit: U-1\nTime,Flow\n2026-01-01 00:00,60\nUnit: {unit}\nTime,Flow\n2026-01-01 00:00,61\n"
        )
    };
    Case::new(RECORDER).bytes(second("U-2").as_bytes()).gives(
        "
        unit_id | oil_flow_lpm
        U-1 | 60
        ! 4 row [Unit: U-2] ~ found 1 fields
        ! 5 row [Time,Flow] ~ the header again
        ! 6 row [2026-01-01 00:00,61] ~ cut the file in two there
        = 4/1/0/0/3/0
        ",
    );
    Case::new(RECORDER).bytes(second("U-1").as_bytes()).gives(
        "
        unit_id | oil_flow_lpm
        U-1 | 61
        ! 4 row [Unit: U-1]
        ! 5 row [Time,Flow]
        = 4/2/0/1/2/0
        ",
    );
}

#[test]
fn a_count_that_begins_anew_has_no_start() {
    let counted = r#"
        table = "readings"
        skip_lines = 1
        timezone = "UTC"
        preamble = ['Start: (?<start>.+)']
        [columns]
        unit_id = { value = "U-1" }
        at = { from = ["preamble:start", "t"], format = "%Y-%m-%d %H:%M", elapsed = "s" }
        oil_flow_lpm = { from = "Flow" }
    "#;
    Case::new(counted)
        .text(
            "
            Start: 2026-01-01 08:00
            t,Flow
            0,60
            60,61
            50,62
            120,63
            0,64
            60,65
            180,66
            ",
        )
        .gives(
            "
            at | oil_flow_lpm
            2026-01-01T08:00:00Z | 60
            2026-01-01T08:00:50Z | 62
            2026-01-01T08:01:00Z | 61
            2026-01-01T08:02:00Z | 63
            ! 7 row [0,64] ~ the time passed jumps back
            ! 8 row [60,65] ~ the time passed jumps back
            ! 9 row [180,66] ~ the time passed jumps back
            ",
        );
    // The newest row first.
    Case::new(counted)
        .text(
            "
            Start: 2026-01-01 08:00
            t,Flow
            120,63
            60,61
            0,60
            ",
        )
        .gives("oil_flow_lpm\n60\n61\n63\n");
}

#[test]
fn lines_that_are_not_wanted_are_counted_and_no_rejects() {
    let ignoring = r#"
        table = "readings"
        ignore_lines = ['^Total', '^End of record']
        timezone = "UTC"
        [columns]
        unit_id = { from = "Unit" }
        at = { from = "Time", format = "%Y-%m-%d %H:%M" }
        oil_flow_lpm = { from = "Flow" }
    "#;
    // A line that reads as a record is one, whatever the patterns say.
    Case::new(ignoring)
        .text(
            "
            Unit,Time,Flow
            U-1,2026-01-01 00:00,60
            Total 7,2026-01-01 00:01,61
            Total,1 row
            U-1,soon,62
            End of record
            ",
        )
        .gives(
            "
            unit_id | oil_flow_lpm
            Total 7 | 61
            U-1 | 60
            ! 5 row [U-1,soon,62]
            = 3/2/0/0/1/2
            ",
        );
    Case::new(
        r#"
        table = "units"
        ignore_lines = ['^Total']
        [columns]
        unit_id = { from = "Unit" }
        "#,
    )
    .text("Unit,Other\nU-1,\nTotal 1,\n")
    .gives("unit_id\nU-1\n= 1/1/0/0/0/1\n");
    Case::new(
        r#"
        table = "readings"
        layout = "tall"
        ignore_lines = ['^Total']
        [tall]
        tag = "Tag"
        value = "V"
        pattern = '(?<unit_id>[^.]+)[.](?<signal>.+)'
        [columns]
        at = { from = "Time", format = "rfc3339" }
        oil_flow_lpm = { signal = "Q" }
        "#,
    )
    .text("Time,Tag,V\n2026-01-01T00:00:00Z,U-1.Q,60\nTotal,1\n")
    .gives("oil_flow_lpm\n60\n= 1/1/0/0/0/1\n");
}

/// The value and its quality change places.
#[test]
fn a_tall_header_in_another_order_ends_what_can_be_told() {
    let text = "T,Tag,V,Q\n2026-01-01T00:00:00Z,U-1.Q,60,100\nT,Tag,Q,V\n2026-01-01T00:01:00Z,U-1.Q,100,61\nx,U-1.Z,1,1\n";
    Case::new(
        r#"
        table = "readings"
        layout = "tall"
        [tall]
        tag = "Tag"
        value = "V"
        pattern = '(?<unit_id>[^.]+)[.](?<signal>.+)'
        [columns]
        at = { from = "T", format = "rfc3339" }
        oil_flow_lpm = { signal = "Q" }
        "#,
    )
    .bytes(text.as_bytes())
    .gives(
        "
        oil_flow_lpm
        60
        ! 3 row [T,Tag,Q,V]
        ! 4 row [2026-01-01T00:01:00Z,U-1.Q,100,61] ~ the header changed at line 3
        ! 5 row [x,U-1.Z,1,1]
        = 4/1/0/0/3/0
        ",
    );
}

/// A remark that begins with a quote, and one rows further down that ends in one.
#[test]
fn records_between_two_stray_quotes_are_records() {
    let source = r#"
        table = "readings"
        timezone = "UTC"
        [columns]
        unit_id = { from = "Unit" }
        at = { from = "Time", format = "%Y-%m-%d %H:%M" }
        alarm = { from = "Alarm" }
    "#;
    Case::new(source)
        .text(
            "
            Unit,Time,Alarm
            U-1,2026-01-01 00:00,\"open
            U-1,2026-01-01 00:01,
            U-2,2026-01-01 00:02,x
            U-1,2026-01-01 00:03,close\"
            ",
        )
        .gives("alarm\n\"open\n-\nclose\"\nx\n");
    Case::new(source)
        .text(
            "
            Unit,Time,Alarm
            U-1,2026-01-01 00:00,\"low
            level, and
            more, of, it\"
            ",
        )
        .gives("alarm\nlow\\nlevel, and\\nmore, of, it\n");
}

/// Lines below a list of samples, which hold a number.
#[test]
fn a_line_without_time_and_place_is_no_sample() {
    Case::new(
        r#"
        table = "samples"
        timezone = "UTC"
        [columns]
        lab = { value = "north" }
        sample_id = { from = "No" }
        reservoir_id = { from = "Tank" }
        taken_at = { from = "Taken", format = "%Y-%m-%d" }
        water_ppm = { from = "Water" }
        "#,
    )
    .text("No,Tank,Taken,Water\nS-1,R-1,2026-01-01,20\nS-2,R-1,,21\nS-3,,2026-01-01,22\nLimit,,,200\n")
    .gives(
        "sample_id\nS-1\nS-2\nS-3\n! 5 row [Limit,,,200] ~ neither a time nor a place\n= 4/3/0/0/1/0\n",
    );
}

/// The key of a sample is text, and another header has other words for everything.
#[test]
fn a_header_in_other_words_is_no_sample() {
    Case::new(
        r#"
        table = "samples"
        timezone = "UTC"
        [columns]
        lab = { value = "north" }
        sample_id = { from = "No" }
        reservoir_id = { from = "Tank" }
        water_ppm = { from = "Water ppm" }
        acid_mgkoh_g = { from = "TAN" }
        "#,
    )
    .text(
        "
        No,Tank,Water ppm,TAN
        Alpha,North,TNTC,N/A
        S-1,R-1,20,0.1
        Sample,Tank,AN,BDV
        S-2,R-1,0.2,55
        ",
    )
    .gives(
        "
        sample_id | water_ppm | acid_mgkoh_g
        Alpha | - | -
        S-1 | 20 | 0.1
        ! 4 row [Sample,Tank,AN,BDV] ~ another header
        ! 5 row [S-2,R-1,0.2,55] ~ the header changed at line 4
        ",
    );
}

#[test]
fn lone_carriage_returns_are_named() {
    Case::new(FLAT)
        .bytes(b"Time,Oil in (\xc2\xb0F),Flow\n2026-01-01 00:00,104,20\n2026-01-01 00:01,104,20\r2026-01-01 00:02,104,20\n")
        .gives(
            "
            oil_flow_lpm
            20
            ! 3 row [2026-01-01 00:01,104,20\r2026-01-01 00:02,104,20] ~ carriage returns stand in it
            ",
        );
}
