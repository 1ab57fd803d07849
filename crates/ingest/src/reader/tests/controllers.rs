//! Exports as controllers, historians and people's spreadsheets write them, where they leave what
//! is common: the description, the file and the rows side by side.

use super::harness::Case;

/// What most of the descriptions begin with.
const LOG: &str = "table = \"readings\"\ntimezone = \"UTC\"\n";
/// And how their columns go on.
const FLOW: &str = "unit_id = { value = \"U-1\" }\nat = { from = \"Time\", format = \"%F %R\" }\noil_flow_lpm = { from = \"Flow\" }\n";

fn log(head: &str, columns: &str) -> Case {
    Case::new(&format!("{LOG}{head}[columns]\n{columns}"))
}

#[test]
fn delimiters_that_end_the_line() {
    // A delimiter too many may be one inside a cell, which moves all cells behind it: 60,5 here is
    // one number. Only the description can say that the lines end in one.
    let text = "
        Time,Flow,Water,Alarm
        2026-03-14 13:05,75,300,,
        2026-03-14 13:06,60,5,300,
        2026-03-14 13:07,77,301,low,
        2026-03-14 13:08,78,301,low
        ";
    let columns =
        format!("{FLOW}water_ppm = {{ from = \"Water\" }}\nalarm = {{ from = \"Alarm\" }}\n");
    log("", &columns).text(text).gives(
        "
        line | oil_flow_lpm | water_ppm | alarm
        5 | 78 | 301 | low
        ! 2 row [2026-03-14 13:05,75,300,,] ~ found 5 fields, expected 4
        ! 3 row [2026-03-14 13:06,60,5,300,] ~ found 5 fields, expected 4
        ! 4 row [2026-03-14 13:07,77,301,low,] ~ found 5 fields, expected 4
        ",
    );
    log(
        "skip_lines = 1\nheader = [\"Time\", \"Flow\", \"Water\", \"Alarm\", \"\"]\n",
        &columns,
    )
    .text(&text.replace("13:06,60,5,300,", "13:06,60.5,300,,"))
    .gives(
        "
        line | oil_flow_lpm | water_ppm | alarm
        2 | 75 | 300 | -
        3 | 60.5 | 300 | -
        4 | 77 | 301 | low
        ! 5 row [2026-03-14 13:08,78,301,low] ~ found 4 fields, expected 5
        ",
    );
}

#[test]
fn a_header_further_down_that_orders_the_columns_anew() {
    log(
        "",
        "unit_id = { from = \"Unit\" }\nat = { from = \"Time\", format = \"%F %R\" }\noil_flow_lpm = { from = \"Flow\" }\noil_inlet_degc = { from = \"Oil in\" }\n",
    )
    .text(
        "
        Unit,Time,Flow,Oil in
        U-1,2026-03-14 13:05,75,60
        Time,Oil in,Note,Unit,Flow
        2026-03-14 13:06,61,fine,U-1,76
        2026-03-14 13:07,62,,U-1,77
        Unit,Time,Flow,Oil in
        U-1,2026-03-14 13:08,78,63
        Unit,Time,Flow
        U-1,2026-03-14 13:09,79
        ",
    )
    .gives(
        "
        line | oil_flow_lpm | oil_inlet_degc
        2 | 75 | 60
        4 | 76 | 61
        5 | 77 | 62
        7 | 78 | 63
        ! 3 row [Time,Oil in,Note,Unit,Flow] ~ another header: the columns that follow stand as it says
        ! 6 row [Unit,Time,Flow,Oil in] ~ another header: the columns that follow stand as it says
        ! 8 row [Unit,Time,Flow] ~ another header: what follows cannot be told
        ! 9 row [U-1,2026-03-14 13:09,79] ~ the header changed at line 8
        = 8/4/0/0/4/0
        ",
    );
}

#[test]
fn columns_of_one_name_are_told_by_their_number() {
    log(
        "",
        "unit_id = { value = \"U-1\" }\nat = { from = \"Time\", format = \"%F %R\" }\noil_inlet_degc = { from = \"Temp (F)#1\", unit = \"°F\" }\noil_outlet_degc = { from = \"Temp (F)#2\", unit = \"°F\" }\n",
    )
    .text(
        "
        Time,Temp (F),Temp (F)
        2026-03-14 13:05,149,140
        ",
    )
    .text(
        "
        Time,Temp (F)
        2026-03-14 13:06,149
        ",
    )
    .gives(
        "
        oil_inlet_degc | oil_outlet_degc
        65 | 60
        65 | -
        ! 1 oil_outlet_degc [Time,Temp (F)] ~ no column \"Temp (F)#2\"
        ",
    );
}

#[test]
fn a_file_without_names_has_those_of_the_description() {
    let named = "header = [\"Time\", \"Flow\", \"\", \"Oil in\"]\n";
    let columns = format!("{FLOW}oil_inlet_degc = {{ from = \"Oil in\", unit = \"°F\" }}\n");
    log(named, &columns)
        .text(
            "
            2026-03-14 13:05,75,x,149
            Time,Flow,,Oil in
            2026-03-14 13:06,76,x,149
            ",
        )
        .gives(
            "
            line | oil_flow_lpm | oil_inlet_degc
            1 | 75 | 65
            3 | 76 | 65
            ! 2 row [Time,Flow,,Oil in] ~ the header again
            = 3/2/0/0/1/0
            ",
        );
    // The same for a header of two lines, one of them with units: they are passed over.
    log(&format!("skip_lines = 2\n{named}"), &columns)
        .text(
            "
            Time,Flow,,Oil
            ,l/min,,in °F
            2026-03-14 13:05,75,,149
            ",
        )
        .text("")
        .text("Time,Flow,,Oil\n")
        .gives(
            "
            line | oil_flow_lpm | oil_inlet_degc
            3 | 75 | 65
            = 1/1/0/0/0/0
            = 0/0/0/0/0/0
            = 0/0/0/0/0/0
            ",
        );
    Case::new("table = \"readings\"\nlayout = \"tall\"\nheader = [\"Unit\", \"Time\", \"Tag\", \"V\"]\n[tall]\ntag = \"Tag\"\nvalue = \"V\"\n[columns]\nunit_id = { from = \"Unit\" }\nat = { from = \"Time\" }\noil_flow_lpm = { signal = \"FLOW\" }\n")
        .bytes(b"U-1,2026-03-14T13:05:00Z,FLOW,75\n")
        .gives("line | oil_flow_lpm\n1 | 75");
}

#[test]
fn the_day_in_the_name_and_the_time_in_the_line() {
    // Past midnight the clock begins anew; each unit has its own.
    log(
        "file_name = '_(?<day>\\d{8})'\n",
        "unit_id = { from = \"Unit\" }\nat = { from = [\"file_name:day\", \"Time\"], format = \"%Y%m%d %T\" }\noil_flow_lpm = { from = \"Flow\" }\n",
    )
    .named("exports/log_20260314.csv")
    .text(
        "
        Unit,Time,Flow
        U-1,23:58:00,75
        U-2,23:59:30,60
        U-1,23:59:00,76
        U-1,00:00:00,77
        U-2,00:00:30,61
        U-1,00:01:00,78
        U-1,00:00:30,79
        U-1,soon,80
        U-1,23:59:00,81
        U-1,00:01:00,82
        ",
    )
    .gives(
        "
        unit_id | at | oil_flow_lpm
        U-1 | 2026-03-14T23:58:00Z | 75
        U-1 | 2026-03-14T23:59:00Z | 76
        U-1 | 2026-03-15T00:00:00Z | 77
        U-1 | 2026-03-15T00:00:30Z | 79
        U-1 | 2026-03-15T00:01:00Z | 78
        U-1 | 2026-03-15T23:59:00Z | 81
        U-1 | 2026-03-16T00:01:00Z | 82
        U-2 | 2026-03-14T23:59:30Z | 60
        U-2 | 2026-03-15T00:00:30Z | 61
        ! 9 row [U-1,soon,80] ~ expected a time written %Y%m%d %T
        ",
    );
    // On a local clock, over the hour that spring skips.
    Case::new(
        "table = \"readings\"\ntimezone = \"America/Chicago\"\nfile_name = '^(?<unit_id>U-\\d+)_(?<d>[\\d-]+)'\n[columns]\nat = { from = [\"file_name:d\", \"Time\"], format = \"%F %R\" }\noil_flow_lpm = { from = \"Flow\" }\n",
    )
    .named("U-7_2026-03-07.csv")
    .text(
        "
        Time,Flow
        23:30,75
        01:30,76
        03:30,77
        ",
    )
    .gives(
        "
        unit_id | at | oil_flow_lpm
        U-7 | 2026-03-08T05:30:00Z | 75
        U-7 | 2026-03-08T07:30:00Z | 76
        U-7 | 2026-03-08T08:30:00Z | 77
        ",
    );
}

#[test]
fn counters_of_hours_and_digits_kept_as_text() {
    log(
        "",
        "unit_id = { from = \"Unit\" }\nat = { from = \"Time\", format = \"%F %R\" }\nrun_hours_h = { from = \"Hours\" }\noil_flow_lpm = { from = \"Flow\" }\n",
    )
    .text(
        "
        Unit,Time,Hours,Flow
        \"=\"\"007\"\"\",2026-03-14 13:05,1234:30,\"=\"\"75\"\"\"
        \"=\"\"007\"\"\",\"=\"\"2026-03-14 13:06\"\"\",1234.5,75:00
        \"=\"\"\"\"\",2026-03-14 13:07,1,1
        ",
    )
    .gives(
        "
        unit_id | at | run_hours_h | oil_flow_lpm
        007 | 2026-03-14T13:05:00Z | 1234.5 | 75
        007 | 2026-03-14T13:06:00Z | 1234.5 | -
        ! 3 oil_flow_lpm [75:00] ~ expected a number
        ! 4 row [\"=\"\"\"\"\",2026-03-14 13:07,1,1] ~ \"unit_id\" is empty
        ",
    );
}

#[test]
fn stamps_with_the_letters_of_their_clock() {
    // The letters tell the two passes of the repeated hour apart.
    Case::new("table = \"readings\"\n[columns]\nunit_id = { value = \"U-1\" }\nat = { from = \"Time\", format = \"%F %R %Z\" }\noil_flow_lpm = { from = \"Flow\" }\n")
        .text(
            "
            Time,Flow
            2026-11-01 01:30 CDT,75
            2026-11-01 01:30 CST,76
            2026-11-01 01:30 XYZ,77
            ",
        )
        .gives(
            "
            at | oil_flow_lpm
            2026-11-01T06:30:00Z | 75
            2026-11-01T07:30:00Z | 76
            ! 4 row [2026-11-01 01:30 XYZ,77] ~ expected a time written %F %R %Z
            ",
        );
}

#[test]
fn words_and_numbers_that_stand_for_nothing() {
    log(
        "null = [\"\", \"---\", \"NaN\", \"Inf\", \"9999\", \"-32768\", \"1.#QNAN\"]\n",
        "unit_id = { value = \"U-1\" }\nat = { from = \"Time\", format = \"%F %R\" }\nheater_on = { from = \"Heater\" }\nvacuum_pump_on = { from = \"Pump\" }\noil_inlet_degc = { from = \"Oil in\", unit = \"°F\" }\n",
    )
    .text(
        "
        Time,Heater,Pump,Oil in
        2026-03-14 13:05,ON,Running,149
        2026-03-14 13:06,OFF,Stopped,---
        2026-03-14 13:07,1,0,NaN
        2026-03-14 13:08,---,true,9999
        2026-03-14 13:09,Ja,Nein,-32768
        2026-03-14 13:10,maybe,T,1.#QNAN
        2026-03-14 13:11,on,f,32767
        2026-03-14 13:12,on,f,9999.0
        2026-03-14 13:13,on,f,-inf
        ",
    )
    .gives(
        "
        heater_on | vacuum_pump_on | oil_inlet_degc
        yes | yes | 65
        no | no | -
        yes | no | -
        - | yes | -
        yes | no | -
        - | yes | -
        yes | no | -
        yes | no | -
        yes | no | -
        ! 7 heater_on [maybe] ~ expected yes or no
        ! 8 oil_inlet_degc [32767] ~ outside
        ! 10 oil_inlet_degc [-inf] ~ expected a number
        ",
    );
}

#[test]
fn damage_in_the_middle_of_a_file() {
    let long = "x".repeat(200_000);
    let text = format!(
        "Time,Flow,Alarm\r\n2026-03-14 13:05,75,\r\n\0\0\0\0\0\0\0\0\n2026-03-14 13:06,76,{long}\n2026-03-14 13:07,7\07,low\r\n2026-03-14 13:08,78,l\0w\r\n2026-03-14 13:09,79"
    );
    log(
        "",
        "unit_id = { value = \"U-1\" }\nat = { from = \"Time\", format = \"%F %R\" }\noil_flow_lpm = { from = \"Flow\" }\nalarm = { from = \"Alarm\" }\n",
    )
    .bytes(text.as_bytes())
    .gives(&format!(
        "
        oil_flow_lpm | alarm
        75 | -
        76 | {long}
        - | low
        78 | -
        ! 3 row [\0\0\0\0\0\0\0\0] ~ found 1 fields, expected 3
        ! 5 oil_flow_lpm [7\07] ~ expected a number
        ! 6 alarm [l\0w] ~ NUL byte
        ! 7 row [2026-03-14 13:09,79] ~ found 2 fields, expected 3
        "
    ));
}
