//! Records that are no lines: columns of a sheet, objects in JSON.

use super::harness::Case;

#[test]
fn samples_side_by_side() {
    Case::new(
        r#"
        table = "samples"
        layout = "transposed"
        delimiter = ";"
        decimal = ","
        skip_lines = 2
        timezone = "UTC"
        [columns]
        lab = { value = "L" }
        sample_id = { from = "Sample no." }
        reservoir_id = { from = "Tank" }
        taken_at = { from = "Sampled on", format = "%d.%m.%Y" }
        water_ppm = { from = "Water (ppm)" }
        iso4406 = { from = "ISO 4406" }
        "#,
    )
    .text(
        "
        Report;R-17;;
        Customer;North yard;;
        Sample no.;S-101;S-102;;S-103
        Tank;R-1;\"R;2\";;R-3
        Sampled on;01.03.2026;02.03.2026;;soon
        Water (ppm);120,5;<20;

        ISO 4406;19/17/14;wrong;;\"18/16
        /13\"
        ",
    )
    .gives(
        "
        line | sample_id | reservoir_id | taken_at | water_ppm | water_censor | iso4406_6um
        2 | S-101 | R-1 | 2026-03-01T00:00:00Z | 120.5 | = | 17
        3 | S-102 | R;2 | 2026-03-02T00:00:00Z | 20 | < | -
        5 | S-103 | R-3 | - | - | - | 16
        ! 3 iso4406 [wrong]
        ! 5 taken_at [soon]
        = 3/3/0/0/0/0
        ",
    );
}

#[test]
fn samples_side_by_side_beside_units_and_methods() {
    Case::new(
        r#"
        table = "samples"
        layout = "transposed"
        header_lines = 3
        timezone = "UTC"
        [columns]
        lab = { value = "L" }
        sample_id = { from = "Parameter Unit Method" }
        taken_at = { from = "Date", format = "%Y-%m-%d" }
        water_ppm = { from = "Water % D6304", unit = "%" }
        "#,
    )
    .text(
        "
        Parameter,Unit,Method,S-101,S-102
        Date,,,2026-03-01,2026-03-02
        Water,%,D6304,0.012,N/D
        ",
    )
    .gives(
        "
        line | sample_id | taken_at | water_ppm | water_censor
        4 | S-101 | 2026-03-01T00:00:00Z | 120 | =
        5 | S-102 | 2026-03-02T00:00:00Z | - | <
        ",
    );
}

const OBJECTS: &str = r#"
    table = "readings"
    layout = "json"
    [columns]
    unit_id = { from = "unit" }
    at = { from = "ts", format = "epoch_ms" }
    oil_inlet_degc = { from = "oil.in", unit = "°F" }
    running = { from = "run" }
    alarm = { from = "alarm" }
"#;

#[test]
fn objects_one_a_line() {
    Case::new(OBJECTS)
        .text(
            r#"
            {"unit": "U-1", "ts": 1772359200000, "oil": {"in": 149, "out": 150}, "run": true}
            {"unit": "U-1", "ts": 1772359260000, "oil": {"in": "hot"}, "alarm": "low, very\nlow"}

            {"unit": "U-1", "ts": 1772359320000, "oil": {"in": 150.8
            {"unit": "U-1", "unit": "U-2", "ts": 1772359320000}
            {"unit": "U-2", "ts": 1772359380000, "run": null}
            "#,
        )
        .gives(
            r#"
            line | unit_id | at | oil_inlet_degc | running | alarm
            1 | U-1 | 2026-03-01T10:00:00Z | 65 | yes | -
            2 | U-1 | 2026-03-01T10:01:00Z | - | - | low, very low
            6 | U-2 | 2026-03-01T10:03:00Z | - | - | -
            ! 2 oil_inlet_degc [hot]
            ! 4 row [{"unit": "U-1", "ts": 1772359320000, "oil": {"in": 150.8] ~ no JSON object: EOF while parsing an object
            ! 5 row [{"unit": "U-1", "unit": "U-2", "ts": 1772359320000}] ~ the name "unit" stands twice
            = 5/3/0/0/2/0
            "#,
        );
    Case::new(OBJECTS)
        .text(
            r#"
            {"unit": "U-1", "ts": 1772359200000, "oil": {"in": 149}, "run": true, "alarm": ""}
            {"unit": "U-1", "ts": 1772359260000, "oil": {"in": NaN}}
            "#,
        )
        .gives(
            r#"
            line | oil_inlet_degc
            1 | 65
            ! 2 row [{"unit": "U-1", "ts": 1772359260000, "oil": {"in": NaN}}] ~ no JSON object: NaN is not JSON (expected value at line 1 column 52)
            "#,
        );
    Case::new(OBJECTS)
        .bytes(br#"[{"unit": "U-1", "ts": 1772359200000, "oil": {"in": 149}, "run": 1, "alarm": ""}]"#)
        .bytes(br#"[{"unit": "U-1", "ts": 1772359200000, "oil""#)
        .gives(
            "
            line | oil_inlet_degc | running | alarm
            1 | 65 | yes | -
            ! 1 row [5b7b22756e6974223a2022552d31222c20227473223a20313737323335393230 (43 bytes)] ~ the JSON cannot be unpacked
            ",
        );
}

/// The columns of names are counted as they stand: an empty one is no sample's.
#[test]
fn an_empty_column_of_names_is_one_of_them() {
    let block = r#"
        table = "samples"
        layout = "transposed"
        header_lines = 2
        timezone = "UTC"
        [columns]
        lab = { value = "L" }
        sample_id = { from = "No" }
        taken_at = { from = "Drawn", format = "%Y-%m-%d" }
        water_ppm = { from = "Water", unit = { from = "Unit" } }
    "#;
    Case::new(block)
        .text(
            "
            No,,S1,S2,S3,,
            Drawn,,2026-01-05,2026-01-06,2026-01-07,,
            Water,,10,0.002,30,,
            Unit,,ppm,%,ppm,,
            ,,,,,,
            Remark,,a,b
            ",
        )
        .gives(
            "
            line | sample_id | taken_at | water_ppm
            3 | S1 | 2026-01-05T00:00:00Z | 10
            4 | S2 | 2026-01-06T00:00:00Z | 20
            5 | S3 | 2026-01-07T00:00:00Z | 30
            = 3/3/0/0/0/0
            ",
        );
}
