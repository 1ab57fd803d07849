//! Dates that say nothing, and dates that cannot be.

use super::harness::Case;

const LABORATORY: &str = r#"
    table = "samples"
    delimiter = ";"
    timezone = "UTC"
    [columns]
    lab = { value = "north" }
    sample_id = { from = "No" }
    taken_at = { from = "Taken", format = "%d/%m/%Y" }
    reported_at = { from = "Reported", format = "%d/%m/%Y" }
    water_ppm = { from = "Water" }
"#;

#[test]
fn what_stands_for_no_date_is_null() {
    for none in [
        "00/00/00",
        "--/--/--",
        "00-00-0000",
        "00.00.0000",
        "0000-00-00 00:00:00",
        "__.__.____",
        "-",
        "0",
    ] {
        Case::new(LABORATORY)
            .bytes(format!("No;Taken;Reported;Water\nS-1;{none};05/03/2026;10\n").as_bytes())
            .gives(
                "
                taken_at | reported_at | water_ppm
                - | 2026-03-05T00:00:00Z | 10
                = 1/1/0/0/0/0
                ",
            );
        Case::new(
            r#"
            table = "readings"
            timezone = "UTC"
            [columns]
            unit_id = { from = "Unit" }
            at = { from = "Time", format = "%d/%m/%Y %H:%M" }
            oil_flow_lpm = { from = "Q" }
            "#,
        )
        .bytes(format!("Unit,Time,Q\nU-1,{none},10\n").as_bytes())
        .gives(&format!(
            "oil_flow_lpm\n! 2 row [U-1,{none},10] ~ says that there is no date\n"
        ));
    }
}

/// Loaded on 2026-12-01.
#[test]
fn a_report_from_after_its_load_is_told_and_has_no_date() {
    Case::new(LABORATORY)
        .text(
            "
            No;Taken;Reported;Water
            S-1;01/03/2026;03/12/2026;10
            S-2;01/03/2026;13/12/2026;11
            S-3;01/03/2026;05/03/2062;12
            S-4;01/03/2026;01/12/2026;13
            ",
        )
        .gives(
            "
            sample_id | taken_at | reported_at | water_ppm
            S-1 | 2026-03-01T00:00:00Z | - | 10
            S-2 | 2026-03-01T00:00:00Z | - | 11
            S-3 | 2026-03-01T00:00:00Z | - | 12
            S-4 | 2026-03-01T00:00:00Z | 2026-12-01T00:00:00Z | 13
            ! 2 reported_at [03/12/2026] ~ counts as known when its sample was taken; with day and month changed over it is 2026-03-12
            ! 3 reported_at [13/12/2026] ~ more than a day after the load: without it the report counts as known when its sample was taken
            ! 4 reported_at [05/03/2062] ~ lies more than a day after the load
            = 4/4/0/0/0/0
            ",
        );
}

#[test]
fn names_that_stand_for_nothing_are_no_key() {
    Case::new(LABORATORY)
        .text(
            "
            No;Taken;Reported;Water
            1.23E+11;01/03/2026;;10
            N/A;02/03/2026;;11
            -;03/03/2026;;12
            ########;04/03/2026;;13
            123E+11;04/03/2026;;14
            NA-1;05/03/2026;;15
            ",
        )
        .gives(
            "
            sample_id | water_ppm
            123E+11 | 14
            NA-1 | 15
            ! 2 row [1.23E+11;01/03/2026;;10] ~ a spreadsheet has rounded
            ! 3 row [N/A;02/03/2026;;11] ~ stands for nothing
            ! 4 row [-;03/03/2026;;12] ~ stands for nothing
            ! 5 row [########;04/03/2026;;13] ~ stands for nothing
            ",
        );
}

#[test]
fn a_date_among_times_is_its_midnight() {
    let log = |from: &str| {
        format!(
            r#"
            table = "readings"
            timezone = "Europe/Berlin"
            [columns]
            unit_id = {{ value = "U-1" }}
            at = {{ from = {from}, format = "%d.%m.%Y %H:%M" }}
            oil_flow_lpm = {{ from = "Q" }}
            "#
        )
    };
    Case::new(&log("\"Time\""))
        .text("Time,Q\n04.02.2026 23:30,1\n05.02.2026,2\n05.02.2026 00:30,3\n05.02.,4\n")
        .gives(
            "
            at | oil_flow_lpm
            2026-02-04T22:30:00Z | 1
            2026-02-04T23:00:00Z | 2
            2026-02-04T23:30:00Z | 3
            ! 5 row [05.02.,4]
            ",
        );
    // In two cells the time is missing.
    Case::new(&log("[\"Day\", \"Time\"]"))
        .text("Day,Time,Q\n05.02.2026,,2\n")
        .gives("oil_flow_lpm\n! 2 row [05.02.2026,,2]\n");
}

#[test]
fn counts_of_another_unit_are_no_times() {
    Case::new(
        r#"
        table = "readings"
        [columns]
        unit_id = { value = "U-1" }
        at = { from = "Time", format = "epoch_ms" }
        oil_flow_lpm = { from = "Q" }
        "#,
    )
    .text("Time,Q\n1772359200000,1\n1772359200,2\n")
    .gives("at | oil_flow_lpm\n2026-03-01T10:00:00Z | 1\n! 3 row [1772359200,2] ~ epoch_ms\n");
}

#[test]
fn serials_tell_parts_of_a_second() {
    Case::new(
        r#"
        table = "readings"
        timezone = "UTC"
        [columns]
        unit_id = { value = "U-1" }
        at = { from = "Time", format = "excel_serial" }
        oil_flow_lpm = { from = "Q" }
        "#,
    )
    .text("Time,Q\n46082.4166666667,1\n46082.4166695602,2\n46082.41667,3\n")
    .gives(
        "
        at | oil_flow_lpm
        2026-03-01T10:00:00.25Z | 2
        2026-03-01T10:00:00Z | 3
        = 3/3/0/1/0/0
        ",
    );
}

#[test]
fn a_value_behind_the_last_name_is_of_no_column() {
    Case::new(
        r#"
        table = "readings"
        timezone = "UTC"
        [columns]
        unit_id = { value = "U-1" }
        at = { from = "Time", format = "%Y-%m-%d %H:%M" }
        oil_flow_lpm = { from = "A" }
        water_ppm = { from = "B" }
        "#,
    )
    .text("Time,A,B,,\n2026-03-01 10:00,1,234,,\n2026-03-01 10:01,1,234,5,\n")
    .gives("oil_flow_lpm | water_ppm\n1 | 234\n! 3 row [2026-03-01 10:01,1,234,5,] ~ behind the last column\n");
}

#[test]
fn a_serial_of_a_whole_day_is_a_day_where_people_write_days() {
    let columns = |table: &str, rest: &str| {
        format!("table = \"{table}\"\ntimezone = \"Europe/Berlin\"\n[columns]\n{rest}\n")
    };
    Case::new(&columns(
        "samples",
        "lab = { value = \"north\" }\nsample_id = { from = \"No\" }\ntaken_at = { from = \"Day\", format = \"excel_serial\" }",
    ))
    .text("No,Day\nS-1,46082\nS-2,46082.5\n")
    .gives("taken_at\n2026-03-01T00:00:00Z\n2026-03-01T11:00:00Z\n");
    Case::new(&columns(
        "readings",
        "unit_id = { value = \"U-1\" }\nat = { from = \"Day\", format = \"excel_serial\" }\noil_flow_lpm = { from = \"Q\" }",
    ))
    .text("Day,Q\n46082,1\n")
    .gives("at\n2026-02-28T23:00:00Z\n");
}
