//! Where columns come from: headers, file names, constants, tags; wide and tall; many units in one file.

use super::harness::Case;

#[test]
fn the_unit_stands_in_the_name_of_the_file() {
    let description = r#"
        table = "readings"
        file_name = 'log_(?<unit_id>[A-Z]+-\d+)_'
        [columns]
        at = { from = "Time", format = "rfc3339" }
        oil_flow_lpm = { from = "Q", unit = "L/min" }
        reservoir_id = { value = "R-12" }
    "#;
    Case::new(description)
        .named("north/2026/log_U-7_2026-03.csv.gz")
        .text("Time,Q\n2026-03-01T10:00:00Z,60\n")
        .named("log_AX-12_2026-03.csv")
        .text("Time,Q\n2026-03-01T10:00:00Z,61\n")
        .named("log_7_2026-03.csv")
        .text("Time,Q\n2026-03-01T10:00:00Z,62\n")
        .gives(
            "
            unit_id | oil_flow_lpm | reservoir_id
            AX-12 | 61 | R-12
            U-7 | 60 | R-12
            ! 2 row [2026-03-01T10:00:00Z,62] ~ name does not fit
            = 1/1/0/0/0/0
            = 1/1/0/0/0/0
            = 1/0/0/0/1/0
            ",
        );
}

#[test]
fn a_number_has_one_of_several_names() {
    Case::new(
        r#"
        table = "readings"
        [columns]
        unit_id = { value = "U-1" }
        at = { from = "Time", format = "rfc3339" }
        oil_flow_lpm = { from = ["Q", "Flow"], unit = "L/min" }
        alarm = { from = ["Code", "Text"] }
        "#,
    )
    .named("a.csv")
    .text("Time,Flow,Code,Text\n2026-03-01T10:00:00Z,60,E4,Low level\n")
    .named("b.csv")
    .text("Time,Flow,Q,Code,Text\n2026-03-01T11:00:00Z,60,61,,Dry\n")
    .named("c.csv")
    .text("Time,Rate,Code,Text\n2026-03-01T12:00:00Z,60,,\n")
    .gives(
        r#"
        at | oil_flow_lpm | alarm
        2026-03-01T10:00:00Z | 60 | E4 Low level
        2026-03-01T11:00:00Z | 61 | Dry
        2026-03-01T12:00:00Z | - | -
        ! 1 oil_flow_lpm [Time,Rate,Code,Text] ~ the file has no column "Q" or "Flow"
        "#,
    );
}

#[test]
fn open_and_closed_say_nothing_of_a_switch() {
    Case::new(
        r#"
        table = "readings"
        [columns]
        unit_id = { value = "U-1" }
        at = { from = "Time", format = "rfc3339" }
        heater_on = { from = "Contactor" }
        vacuum_pump_on = { from = "Breaker", map = { "closed" = "yes", "open" = "no" } }
        "#,
    )
    .text(
        "
        Time,Contactor,Breaker
        2026-03-01T10:00:00Z,closed,closed
        2026-03-01T11:00:00Z,Offen,open
        2026-03-01T12:00:00Z,ein,closed
        ",
    )
    .gives(
        "
        heater_on | vacuum_pump_on
        - | yes
        - | no
        yes | yes
        ! 2 heater_on [closed] ~ say which by map
        ! 3 heater_on [Offen] ~ say which by map
        ",
    );
}

#[test]
fn parts_of_the_name_may_fill_any_column() {
    Case::new(
        r#"
        table = "readings"
        file_name = '^(?<reservoir_id>R-\d+)_(?<at>\d{8}T\d{6}Z)_(?<alarm>\w+)'
        [columns]
        unit_id = { from = "Unit" }
        at = { format = "%Y%m%dT%H%M%S%z" }
        oil_flow_lpm = { from = "Q", unit = "L/min" }
        "#,
    )
    .named("R-3_20260301T100000Z_spot.csv")
    .text("Unit,Q\nU-1,60\nU-2,61\n")
    .gives(
        "
        unit_id | at | oil_flow_lpm | reservoir_id | alarm
        U-1 | 2026-03-01T10:00:00Z | 60 | R-3 | spot
        U-2 | 2026-03-01T10:00:00Z | 61 | R-3 | spot
        ",
    );
}

#[test]
fn exports_of_several_units_laid_end_to_end() {
    Case::new(
        r#"
        table = "readings"
        [columns]
        unit_id = { from = "Unit" }
        at = { from = "Time", format = "rfc3339" }
        oil_flow_lpm = { from = "Q", unit = "gpm" }
        "#,
    )
    .text(
        "
        Unit,Time,Q
        U-2,2026-03-01T10:00:00Z,10
        U-2,2026-02-01T10:00:00Z,20
        Unit,Time,Q
        U-1,2026-03-01T10:00:00Z,30

        Unit,Time,Q
        U-10,2026-03-01T10:00:00Z,40
        U-2,2026-03-01T10:00:00Z,10
        U-2,2026-03-01T10:00:00Z,11
        ",
    )
    .gives(
        "
        unit_id | month | oil_flow_lpm | line
        U-1 | 2026-03 | 113.562354 | 5
        U-10 | 2026-03 | 151.416471 | 8
        U-2 | 2026-02 | 75.708236 | 3
        U-2 | 2026-03 | 41.63953 | 10
        ! 4 row [Unit,Time,Q] ~ the header again
        ! 7 row [Unit,Time,Q] ~ the header again
        = 8/5/1/1/2/0
        ",
    );
}

const TALL: &str = r#"
    table = "readings"
    layout = "tall"
    [tall]
    tag = "Tag"
    value = "Value"
    quality = { from = "Quality", good = ["Good", "192"] }
    pattern = '^(?<unit_id>[^.]+)\.(?<signal>.+)$'
    ignore = ['\.SPARE\d+$']
    [columns]
    unit_id = {}
    at = { from = "Time", format = "epoch_s" }
    oil_flow_lpm = { signal = ["FLOW", "FT-101"], unit = "L/min" }
    oil_inlet_degc = { signal = "T1", unit = "°F" }
    running = { signal = "RUN" }
    alarm = { signal = "ALM" }
"#;

#[test]
fn a_line_for_each_tag_and_time() {
    Case::new(TALL)
        .text(
            "
            Time,Tag,Value,Quality
            1772359200,U-1.FLOW,60,Good
            1772359200,U-1.T1,149,Good
            1772359200,U-1.RUN,ON,192
            1772359200,U-1.ALM,low flow,Good
            1772359200,U-2.FT-101,70,Good
            1772359260,U-1.FLOW,61,Bad
            1772359260,U-1.T1,,Good
            1772359320,U-1.T1,hot,Good
            1772359200,U-1.SPARE4,1,Good
            1772359200,U-1.FUEL,1,Good
            1772359200,FLOW,1,Good
            1772359200,U-1.FLOW,60,Good,extra
            ,U-1.FLOW,60,Good
            Time,Tag,Value,Quality
            1772359200,U-1.FLOW,60,Good
            1772359200,U-1.FLOW,60.5,Good
            ",
        )
        .gives(
            "
            unit_id | at | oil_flow_lpm | oil_inlet_degc | running | alarm | line
            U-1 | 2026-03-01T10:00:00Z | 60.5 | 65 | yes | low flow | 17
            U-1 | 2026-03-01T10:01:00Z | - | - | - | - | 7
            U-1 | 2026-03-01T10:02:00Z | - | - | - | - | 9
            U-2 | 2026-03-01T10:00:00Z | 70 | - | - | - | 6
            ! 7 oil_flow_lpm [61] ~ the quality is \"Bad\"
            ! 9 oil_inlet_degc [hot] ~ expected a number
            ! 11 row [1772359200,U-1.FUEL,1,Good] ~ neither mapped nor ignored
            ! 12 row [1772359200,FLOW,1,Good] ~ does not fit the pattern
            ! 13 row [1772359200,U-1.FLOW,60,Good,extra] ~ found 5 fields, expected 4
            ! 14 row [,U-1.FLOW,60,Good] ~ \"at\" is empty
            ! 15 row [Time,Tag,Value,Quality] ~ the header again
            = 15/8/2/1/5/1
            ",
        );
}

#[test]
fn a_tall_line_speaks_for_its_cell_alone_and_a_wide_row_for_all_it_maps() {
    let wide = r#"
        table = "readings"
        [columns]
        unit_id = { from = "Unit" }
        at = { from = "Time", format = "rfc3339" }
        oil_flow_lpm = { from = "Q", unit = "L/min" }
        running = { from = "Run" }
    "#;
    Case::new(TALL)
        .text("Time,Tag,Value,Quality\n1772359200,U-1.FLOW,60,Good\n1772359200,U-1.T1,149,Good\n")
        .then(wide)
        .text("Unit,Time,Q,Run\nU-1,2026-03-01T10:00:00Z,,yes\n")
        .then(TALL)
        .text("Time,Tag,Value,Quality\n1772359200,U-1.RUN,,Good\n1772359200,U-1.FLOW,62,Good\n")
        .gives(
            "
            oil_flow_lpm | oil_inlet_degc | running
            62 | 65 | -
            = 2/2/0/0/0/0
            = 1/1/0/1/0/0
            = 2/2/0/1/0/0
            ",
        );
}

#[test]
fn a_tall_file_without_its_tag_column_is_rejected_line_by_line() {
    Case::new(TALL)
        .text("Time,Name,Value,Quality\n1772359200,U-1.FLOW,60,Good\n1772359200,U-1.T1,149,Good\n")
        .gives(
            "
            line
            ! 2 row [1772359200,U-1.FLOW,60,Good] ~ no column \"Tag\"
            ! 3 row [1772359200,U-1.T1,149,Good] ~ no column \"Tag\"
            = 2/0/0/0/2/0
            ",
        );
}

#[test]
fn words_are_translated_and_common_ones_are_known() {
    Case::new(
        r#"
        table = "maintenance"
        [columns]
        unit_id = { from = "Unit" }
        at = { from = "When", format = "%d.%m.%Y" }
        action = { from = "Was", map = { "Überholung" = "rebuild", "Ölwechsel Pumpe" = "pump_oil" } }
        note = { from = "Note" }
        serial = { from = "Serial" }
        hours_meter = { from = "Hours", unit = "h" }
        "#,
    )
    .text(
        "
        Unit,When,Was,Note,Serial,Hours
        U-1,01.03.2026,Überholung,\"vanes, bearings\",VP-0017,\"12,345.5\"
        U-1,02.03.2026,Ölwechsel Pumpe,,,
        U-1,03.03.2026,Pump-oil change,,0017,
        U-1,04.03.2026,FILTER,,,
        U-1,05.03.2026,painted,blue,,
        ",
    )
    .gives(
        "
        at | action | note | serial | hours_meter
        2026-03-01T00:00:00Z | rebuild | vanes, bearings | VP-0017 | 12345.5
        2026-03-02T00:00:00Z | pump_oil | - | - | -
        2026-03-03T00:00:00Z | pump_oil | - | 0017 | -
        2026-03-04T00:00:00Z | filter | - | - | -
        ! 6 row [U-1,05.03.2026,painted,blue,,] ~ expected one of rebuild
        ",
    );
}

#[test]
fn registers_with_dates_and_yes_and_no() {
    Case::new(
        r#"
        table = "units"
        [columns]
        unit_id = { from = "Unit" }
        nameplate_flow_lpm = { from = "Flow", unit = "gpm" }
        vacuum_pump_kind = { from = "Pump" }
        commissioned_on = { from = "Since", format = "%m/%d/%Y" }
        insulating_oil_ready = { from = "Transformers" }
        "#,
    )
    .text(
        "
        Unit,Flow,Pump,Since,Transformers
        U-1,20,Rotary vane,4/1/2019,yes
        U-2,20,liquid-ring,,N
        U-3,20,dry,2019-04-01,maybe
        ",
    )
    .gives(
        "
        unit_id | nameplate_flow_lpm | vacuum_pump_kind | commissioned_on | insulating_oil_ready
        U-1 | 75.708236 | rotary_vane | 2019-04-01 | yes
        U-2 | 75.708236 | liquid_ring | - | no
        U-3 | 75.708236 | dry | - | -
        ! 4 commissioned_on [2019-04-01] ~ expected a date written %m/%d/%Y
        ! 4 insulating_oil_ready [maybe] ~ expected yes or no
        ",
    );
}
