//! What loggers write where they have no value.

use super::harness::Case;

const LOG: &str = r#"
    table = "readings"
    null = ["", "-999"]
    [columns]
    unit_id = { value = "U-1" }
    at = { from = "T", format = "rfc3339" }
    heater_kw = { from = "K", unit = "kW" }
    vacuum_pump_amps = { from = "A", unit = "A" }
    run_hours_h = { from = "H", unit = "h" }
    filter_dp_kpa = { from = "D", unit = "psi" }
    oil_total_l = { from = "L", unit = "L" }
    alarm = { from = "E" }
"#;

#[test]
fn a_null_word_that_is_a_number_stands_for_it_however_it_is_written() {
    Case::new(LOG)
        .text(
            "
            T,K,A,H,D,L,E
            2026-03-01T10:00:00Z,-999,-999.0,-999.00,-9.99E+02,−999,-999.0
            2026-03-01T10:01:00Z,-99.9,-0.2,999,99.9,999,-999
            ",
        )
        .gives(
            "
            heater_kw | vacuum_pump_amps | run_hours_h | filter_dp_kpa | oil_total_l | alarm
            - | - | - | - | - | -999.0
            - | -0.2 | 999 | 688.786254 | 999 | -
            ! 3 heater_kw [-99.9] ~ lies outside
            ",
        );
    Case::new(
        r#"
        table = "readings"
        delimiter = ";"
        decimal = ","
        null = ["-99,9"]
        [columns]
        unit_id = { value = "U-1" }
        at = { from = "T", format = "rfc3339" }
        chamber_pressure_kpa = { from = "P", unit = "mbar", reference = "absolute" }
        oil_inlet_degc = { from = "I", unit = { from = "Unit" } }
        "#,
    )
    .text("T;P;I;Unit\n2026-03-01T10:00:00Z;-99,90;-99,900;°F\n2026-03-01T10:01:00Z;99,9;149;°F\n")
    .gives(
        "
        chamber_pressure_kpa | oil_inlet_degc
        - | -
        9.99 | 65
        ",
    );
}

/// The largest numbers of loggers' formats, and what no meter shows.
#[test]
fn impossible_numbers_are_kept_out_of_every_column() {
    Case::new(LOG)
        .text(
            "
            T,K,A,H,D,L,E
            2026-03-01T10:00:00Z,1e30,3.4028235e38,9.96921e36,-9999,-1,
            2026-03-01T10:01:00Z,-32768,65535,-1,1e30,1e15,
            2026-03-01T10:02:00Z,36.5,18.2,12000,5,1e9,
            ",
        )
        .gives(
            "
            line | heater_kw | vacuum_pump_amps | run_hours_h | filter_dp_kpa | oil_total_l
            2 | - | - | - | - | -
            3 | - | - | - | - | -
            4 | 36.5 | 18.2 | 12000 | 34.473786 | 1000000000
            ! 2 filter_dp_kpa [-9999] ~ lies outside
            ! 2 heater_kw [1e30] ~ lies outside
            ! 2 oil_total_l [-1] ~ lies outside
            ! 2 run_hours_h [9.96921e36] ~ lies outside
            ! 2 vacuum_pump_amps [3.4028235e38] ~ lies outside
            ! 3 filter_dp_kpa [1e30] ~ lies outside
            ! 3 heater_kw [-32768] ~ lies outside
            ! 3 oil_total_l [1e15] ~ lies outside
            ! 3 run_hours_h [-1] ~ lies outside
            ! 3 vacuum_pump_amps [65535] ~ lies outside
            ",
        );
}

/// A zero-width space makes no unit of its own, nor a name of its own.
#[test]
fn what_does_not_show_is_no_part_of_a_name() {
    Case::new(
        r#"
        table = "readings"
        [columns]
        unit_id = { from = "Unit" }
        at = { from = "T", format = "rfc3339" }
        oil_inlet_degc = { from = "Oil in °C" }
        "#,
    )
    .text(
        "
        \u{feff}Unit\u{200b},T,Oil in ºC
        U-1\u{200b},2026-03-01T10:00:00Z,61
        \u{202a}U-1\u{202c},2026-03-01T10:01:00Z,62
        U-1,2026-03-01T10:02:00Z,63
        ",
    )
    .gives(
        "
        unit_id | oil_inlet_degc
        U-1 | 61
        U-1 | 62
        U-1 | 63
        ",
    );
}

/// A long cell stands in `raw`; the reason shows how it begins.
#[test]
fn a_reason_does_not_repeat_a_long_cell() {
    let cell = "x".repeat(100);
    let expected = format!(
        "line\n2\n! 2 heater_kw [{cell}] ~ found \"{}…\": expected a number",
        "x".repeat(80)
    );
    Case::new(LOG)
        .text(&format!(
            "T,K,A,H,D,L,E\n2026-03-01T10:00:00Z,{cell},,,,,\n"
        ))
        .gives(&expected);
}

/// A laboratory that writes a time behind some dates, and a word where it has none.
#[test]
fn some_dates_have_a_time_behind_them() {
    Case::new(
        r#"
        table = "samples"
        timezone = "Europe/Berlin"
        [columns]
        lab = { value = "L" }
        sample_id = { from = "No" }
        taken_at = { from = "Drawn", format = "%d/%m/%Y" }
        water_ppm = { from = "W", unit = "ppm" }
        "#,
    )
    .text(
        "
        No,Drawn,W
        1,05/01/2026,10
        2,05/01/2026 14:30,20
        3,05/01/2026 14:30:15,30
        4,n/a,40
        5,05/01/2026 24:30,50
        6,05/01/2026 2:30 PM,60
        7,05/01/2026 14,70
        8,05/01/2026 14:30:15:00,80
        ",
    )
    .gives(
        "
        sample_id | taken_at | water_ppm
        1 | 2026-01-05T00:00:00Z | 10
        2 | 2026-01-05T13:30:00Z | 20
        3 | 2026-01-05T13:30:15Z | 30
        4 | - | 40
        5 | - | 50
        6 | - | 60
        7 | - | 70
        8 | - | 80
        ! 6 taken_at [05/01/2026 24:30] ~ expected a time written %d/%m/%Y
        ! 7 taken_at [05/01/2026 2:30 PM] ~ expected a time written %d/%m/%Y
        ! 8 taken_at [05/01/2026 14] ~ expected a time written %d/%m/%Y
        ! 9 taken_at [05/01/2026 14:30:15:00] ~ expected a time written %d/%m/%Y
        ",
    );
}
