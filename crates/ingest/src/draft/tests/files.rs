//! One file per thing that a proposal must find, with the lines that must stand in it and those that must not.

use super::{Case, check, check_all, clock, table};

#[test]
fn flags_are_no_pressures() {
    check_all(vec![
        Case {
            what: "short names, a flag beside the pressure",
            name: "cove.csv",
            text: table(
                "ts_ms,asset,p_chamber_torr,t_in_c,t_out_c,t_supply_c,q_lpm,h2o_ppm,vent_pct,vac_on,amps,tank,hz",
                40,
                |n| {
                    let on = n >= 20;
                    format!(
                        "{},CV-{},{}.5,60.1,59.2,55.3,{},159.8,{},{},{},R{},{}",
                        1_759_389_313_000_u64 + 10_000 * n as u64,
                        n % 2,
                        if on { 30 } else { 760 },
                        if on { "80.1" } else { "0.0" },
                        if on { 12 } else { 100 },
                        u8::from(on),
                        if on { "5.2" } else { "0.0" },
                        n % 2,
                        if on { "50.0" } else { "0.0" }
                    )
                },
            ),
            lines: &[
                "at = { from = \"ts_ms\", format = \"epoch_ms\" }",
                "unit_id = { from = \"asset\" }",
                "reservoir_id = { from = \"tank\" }",
                "chamber_pressure_kpa = { from = \"p_chamber_torr\", unit = \"Torr\", reference = \"absolute\" }",
                "vacuum_pump_on = { from = \"vac_on\" }",
                "oil_inlet_degc = { from = \"t_in_c\", unit = \"Cel\" }",
                "oil_supply_degc = { from = \"t_supply_c\", unit = \"Cel\" }",
                "vacuum_pump_amps = { from = \"amps\", unit = \"A\" }",
                "oil_pump_hz = { from = \"hz\", unit = \"Hz\" }",
                "water_ppm = { from = \"h2o_ppm\", unit = \"mg/kg\" }",
                "vent_open_pct = { from = \"vent_pct\", unit = \"%\" }",
            ],
            absent: &["timezone", "not placed"],
        },
        Case {
            what: "a vacuum that is only on and off, and nothing else for the pressure",
            name: "x.csv",
            text: table("Time,Unit,Vacuum,Flow (gpm)", 20, |n| {
                format!("2026-03-01T{}Z,U-1,{},19.5", clock(n), n % 2)
            }),
            lines: &["vacuum_pump_on = { from = \"Vacuum\" }"],
            absent: &["chamber_pressure_kpa ="],
        },
    ]);
}

#[test]
fn serial_days_and_percent_vacuum() {
    check_all(vec![Case {
        what: "spreadsheet days, a share of vacuum, the unit in the file's name",
        name: "exports/D-1_2025-10.csv",
        text: table(
            "Serial,Vac %,Baro hPa,Oil in C,RS %,Disch psi,Sump %",
            60,
            |n| {
                let on = n > 20;
                format!(
                    "{:.6},{},950.6,{}.9,40.2,{},{}",
                    45_932.5 + n as f64 * 0.003_472,
                    if on { "93.25" } else { "0.32" },
                    50 + n % 5,
                    if on { "14.9" } else { "0.0" },
                    n / 30
                )
            },
        ),
        lines: &[
            "at = { from = \"Serial\", format = \"excel_serial\" }",
            "chamber_pressure_kpa = { from = \"Vac %\", unit = \"%\", reference = \"percent_vacuum\" }",
            "ambient_kpa = { from = \"Baro hPa\", unit = \"hPa\" }",
            "water_activity = { from = \"RS %\", unit = \"%{RS}\" }",
            "discharge_kpa_gauge = { from = \"Disch psi\", unit = \"[psi]\", reference = \"gauge\" }",
            "sump_level_pct = { from = \"Sump %\", unit = \"%\" }",
            r"file_name  = '^(?<unit_id>[A-Za-z]+-?\d+)(?:[_ .]|$)'",
        ],
        absent: &["unit_id =", "reservoir_id ="],
    }]);
}

#[test]
fn saturation_in_its_many_writings() {
    for (head, values, expected) in [
        ("RH oil (%RS)", ["12.5", "99.0"], "unit = \"%{RS}\""),
        ("Ölfeuchte [%rF]", ["12.5", "99.0"], "unit = \"%{RS}\""),
        ("Ölfeuchte (% r.F.)", ["12.5", "99.0"], "unit = \"%{RS}\""),
        ("Water act.", ["0.125", "1.000"], "unit = \"1\""),
        ("aw", ["0.125", "1.000"], "unit = \"1\""),
        ("Saturation %", ["12.5", "99.0"], "unit = \"%{RS}\""),
        ("RS_PCT", ["12.5", "99.0"], "unit = \"%{RS}\""),
        ("Saturation", ["12.5", "99.0"], "unit = \"%{RS}\""),
    ] {
        let text = table(&format!("Time,Unit,Chamber (mbar),{head}"), 20, |n| {
            format!("2026-03-01T{}Z,U-1,300.5,{}", clock(n), values[n % 2])
        });
        let line = format!("water_activity = {{ from = \"{head}\", {expected} }}");
        check(head, "x.csv", text.as_bytes(), &[&line], &["water_ppm ="]);
    }
}

#[test]
fn tall_files() {
    let signals = [
        ("VAC", "25.1"),
        ("OIL_IN_F", "150.2"),
        ("FLOW_GPM", "19.5"),
        ("RS_PCT", "41.0"),
        ("VP_RUN", "1"),
        ("SPARE1", "0"),
    ];
    let text = table("Tag|Timestamp|Value|Quality", 240, |n| {
        let (signal, value) = signals[n % 6];
        let value = match (signal, n > 100) {
            ("VP_RUN", false) => "0",
            ("VAC", false) => "0.1",
            _ => value,
        };
        format!(
            "P{}/{signal}|2026-03-01T{}Z|{value}|{}",
            7 + n / 6 % 2,
            clock(n / 12),
            if n == 100 { "Bad" } else { "Good" }
        )
    });
    check(
        "tags",
        "hist.csv",
        text.as_bytes(),
        &[
            "layout     = \"tall\"",
            "tag     = \"Tag\"",
            "value   = \"Value\"",
            "quality = { from = \"Quality\", good = [\"Good\"] }",
            "pattern = \"^(?<unit_id>[^/]+)/(?<signal>.+)$\"",
            "ignore  = [\"SPARE1$\"]",
            "at = { from = \"Timestamp\", format = \"rfc3339\" }",
            "chamber_pressure_kpa = { signal = \"VAC\", unit = \"[in_i'Hg]\", reference = \"vacuum\" }",
            "oil_inlet_degc = { signal = \"OIL_IN_F\", unit = \"[degF]\" }",
            "oil_flow_lpm = { signal = \"FLOW_GPM\", unit = \"[gal_us]/min\" }",
            "water_activity = { signal = \"RS_PCT\", unit = \"%{RS}\" }",
            "vacuum_pump_on = { signal = \"VP_RUN\" }",
        ],
        &["timezone", "FILL-IN"],
    );
    let names = ["Kammerdruck", "Öltemperatur Eintritt", "Durchfluss"];
    let text = table("Zeit;Anlage;Messstelle;Wert;Einheit", 60, |n| {
        let value = ["212,5", "64,1", "80,0"][n % 3];
        let unit = ["mbar", "°C", "l/min"][n % 3];
        format!(
            "{:02}.03.2026 {};A-1;{};{value};{unit}",
            1 + n / 3,
            clock(n),
            names[n % 3]
        )
    });
    check(
        "a unit beside each value, the machine in its own column",
        "werte.csv",
        text.as_bytes(),
        &[
            "layout     = \"tall\"",
            "unit_id = { from = \"Anlage\" }",
            "chamber_pressure_kpa = { signal = \"Kammerdruck\", unit = { from = \"Einheit\" }, reference = \"absolute\" }",
            "oil_inlet_degc = { signal = \"Öltemperatur Eintritt\", unit = { from = \"Einheit\" } }",
            "oil_flow_lpm = { signal = \"Durchfluss\", unit = { from = \"Einheit\" } }",
        ],
        &["pattern ="],
    );
}

#[test]
fn german_logs() {
    check_all(vec![
        Case {
            what: "a preamble, the unit in it, decimal commas, missing values",
            name: "VD-01_2025-10.csv",
            text: format!(
                "Anlage;VD-01;Protokoll\nerstellt mit Leitstand;;\n{}",
                table(
                    "Zeitstempel;Kammerdruck [mbar];Öl Eintritt [°C];Öl Austritt [°C];Durchfluss [l/min];Ölfeuchte [%rF];Lüftungsventil [%];Vakuumpumpe;Pumpenstrom [A];Heizleistung [kW];Druck [bar];Störung",
                    80,
                    |n| {
                        let on = n > 30;
                        format!(
                            "04.10.2025 {};{};64,{};63,1;{};{};{};{};{};{};{};{}",
                            clock(n * 10),
                            if on { "169,0" } else { "1.003,4" },
                            n % 10,
                            if on { "81,2" } else { "0,0" },
                            match n {
                                9 => "Fehler",
                                18 => "ERR 17",
                                27 => "n.b.",
                                _ if n % 9 == 0 => "---",
                                _ => "17,5",
                            },
                            if on { 22 } else { 100 },
                            if on { "Ein" } else { "Aus" },
                            if on { "5,71" } else { "0,00" },
                            if on { "18,53" } else { "0,00" },
                            if on { "1,054" } else { "0,000" },
                            if n == 7 { "Öl übersättigt" } else { "" }
                        )
                    }
                )
            ),
            lines: &[
                "skip_lines = 2",
                "delimiter  = \";\"",
                "decimal    = \",\"",
                "null       = [\"\", \"---\", \"ERR 17\", \"Fehler\", \"n.b.\"]",
                "timezone   = \"FILL-IN\"",
                "at = { from = \"Zeitstempel\", format = \"%d.%m.%Y %H:%M:%S\" }",
                "chamber_pressure_kpa = { from = \"Kammerdruck [mbar]\", unit = \"mbar\", reference = \"absolute\" }",
                "oil_inlet_degc = { from = \"Öl Eintritt [°C]\", unit = \"Cel\" }",
                "oil_flow_lpm = { from = \"Durchfluss [l/min]\", unit = \"L/min\" }",
                "water_activity = { from = \"Ölfeuchte [%rF]\", unit = \"%{RS}\" }",
                "vent_open_pct = { from = \"Lüftungsventil [%]\", unit = \"%\" }",
                "vacuum_pump_on = { from = \"Vakuumpumpe\" }",
                "vacuum_pump_amps = { from = \"Pumpenstrom [A]\", unit = \"A\" }",
                "heater_kw = { from = \"Heizleistung [kW]\", unit = \"kW\" }",
                "discharge_kpa_gauge = { from = \"Druck [bar]\", unit = \"bar\", reference = \"gauge\" }",
                "alarm = { from = \"Störung\" }",
            ],
            absent: &["not placed"],
        },
        Case {
            what: "the zone stands in the header",
            name: "VD-02_x.csv",
            text: table("Zeit (UTC);Kammerdruck [mbar]", 10, |n| {
                format!("13.10.2025 {};{},4", clock(n), 200 + n)
            }),
            lines: &["timezone   = \"UTC\""],
            absent: &["FILL-IN"],
        },
    ]);
}

#[test]
fn what_is_missing_is_said_first() {
    let text = table("Colour,Shape,Mood,Price", 10, |n| {
        format!("red,round,glad,{n}.5")
    });
    let proposal = check("nothing fits", "x.csv", text.as_bytes(), &["FILL-IN"], &[]);
    assert!(
        proposal.starts_with("# nothing in it is known")
            || proposal.starts_with("# fewer than half"),
        "{proposal}"
    );
    let text = table("Time,Chamber (mbar),Flow (L/min)", 10, |n| {
        format!("2026-03-01T{}Z,20{n}.5,80.1", clock(n))
    });
    let proposal = check(
        "no unit",
        "x.csv",
        text.as_bytes(),
        &["unit_id = { value = \"FILL-IN\" }"],
        &[],
    );
    assert!(
        proposal.starts_with("# no column was found for the key (unit_id)"),
        "{proposal}"
    );
}

#[test]
fn rows_that_would_supersede_each_other_are_told() {
    let text = table("Time,Side,Chamber (mbar),Flow (L/min)", 40, |n| {
        format!(
            "2026-03-01T{}Z,{},2{n:02}.5,80.1",
            clock(n / 2 * 10),
            ["north", "south"][n % 2]
        )
    });
    let proposal = super::proposed("x.csv", text.as_bytes());
    let said = "20 of 40 rows looked at have the at of another and would supersede it";
    assert!(proposal.contains(said), "{proposal}");
    let text = table("Time,Unit,Flow (L/min)", 40, |n| {
        format!("2026-03-01T{}Z,U-1,80.1", clock(n / 2))
    });
    let proposal = super::proposed("x.csv", text.as_bytes());
    assert!(
        !proposal.contains("supersede"),
        "the same line twice is a duplicate\n{proposal}"
    );
}

#[test]
fn a_machine_that_stands() {
    check(
        "nothing but zeros, the barometer and a state",
        "x.csv",
        table("Time,Unit,Vakuum [mbar],Flow,Amps,Status,Alarm", 40, |n| {
            format!("2026-03-01T{}Z,U-1,99{}.5,0,0,stopped,0", clock(n), n % 10)
        })
        .replace("Flow,", "Flow (L/min),")
        .as_bytes(),
        &[
            "oil_flow_lpm = { from = \"Flow (L/min)\", unit = \"L/min\" }",
            "vacuum_pump_amps = { from = \"Amps\", unit = \"A\" }",
            "alarm = { from = \"Alarm\", map = { \"0\" = \"\" } }",
            "running = { from = \"Status\" }",
        ],
        &[],
    );
}

#[test]
fn what_only_the_unit_or_nothing_tells() {
    let text = table(
        "Date,Time,PIT-100 (psia),TIT-101 (F),FIT-100 (GPM),AIT-100 (ppm)",
        30,
        |n| format!("3/{}/26,{},1.2,150.5,19.5,{}", 1 + n / 2, clock(n), 300 - n),
    );
    let proposal = check(
        "instrument numbers",
        "x.csv",
        text.as_bytes(),
        &[
            "table      = \"readings\"",
            "at = { from = [\"Date\", \"Time\"], format = \"%m/%d/%y %H:%M:%S\" }",
            "chamber_pressure_kpa = { from = \"PIT-100 (psia)\", unit = \"[psi]\", reference = \"absolute\" }",
            "oil_flow_lpm = { from = \"FIT-100 (GPM)\", unit = \"[gal_us]/min\" }",
            "water_ppm = { from = \"AIT-100 (ppm)\", unit = \"mg/kg\" }",
        ],
        &[],
    );
    assert!(
        proposal.contains("# guess: \"FIT-100 (GPM)\": by its unit alone"),
        "{proposal}"
    );
    let said = "no word of it is known; by its unit F it may be oil_supply_degc or oil_inlet_degc";
    assert!(proposal.contains(said), "{proposal}");
    let text = table(
        "Time,Unit,Flow [barn/h],Flow 2 [l/s],Vacuum Level (inHg),Vac pump motor (A),Run time (h)",
        30,
        |n| {
            format!(
                "2026-03-01T{}Z,U-1,80.1,1.2,25.{},5.1,10{n}.5",
                clock(n),
                n % 10
            )
        },
    )
    .replace("Flow 2 [l/s]", "Oil pump speed (Hz)");
    let elapsed = table("Time (s),Pressure (mbar)", 30, |n| {
        format!("{},20{}.5", n * 10, n % 10)
    });
    let proposal = super::proposed("x.csv", elapsed.as_bytes());
    assert!(
        proposal.starts_with("# no column was found for the key (unit_id, at)"),
        "{proposal}"
    );
    assert!(!proposal.contains("run_hours_h ="), "{proposal}");
    check(
        "a unit that is not known is not guessed",
        "x.csv",
        text.as_bytes(),
        &[
            "oil_flow_lpm = { from = \"Flow [barn/h]\", unit = \"FILL-IN\" }",
            "chamber_pressure_kpa = { from = \"Vacuum Level (inHg)\", unit = \"[in_i'Hg]\", reference = \"vacuum\" }",
            "vacuum_pump_amps = { from = \"Vac pump motor (A)\", unit = \"A\" }",
            "oil_pump_hz = { from = \"Oil pump speed (Hz)\", unit = \"Hz\" }",
            "run_hours_h = { from = \"Run time (h)\", unit = \"h\" }",
        ],
        &[],
    );
    let text = table("Time,Unit,Chamber pressure", 30, |n| {
        format!("2026-03-01T{}Z,U-1,3{}.5", clock(n), n % 10)
    });
    check(
        "a pressure without a unit",
        "x.csv",
        text.as_bytes(),
        &[
            "chamber_pressure_kpa = { from = \"Chamber pressure\", unit = \"FILL-IN\", reference = \"absolute\" }",
        ],
        &[],
    );
    let text = table("Anlage;Behälter;Von;Bis", 4, |n| {
        format!(
            "A-{n};T-{n};0{}/05/2026 08:00;{}/05/2026 09:00",
            1 + n,
            13 + n
        )
    });
    let proposal = check(
        "one column tells the order of another",
        "x.csv",
        text.as_bytes(),
        &["from_at = { from = \"Von\", format = \"%d/%m/%Y %H:%M\" }"],
        &[],
    );
    assert!(
        proposal.contains("because another column can only be read so"),
        "{proposal}"
    );
}

#[test]
fn footers_repeated_headers_rows_of_units_and_odd_names() {
    let head = "Time,Unit,Chamber,Flow,Flow,";
    let mut text = format!("Export 7\n\n{head}\n,,mbar,l/min,l/min,°C\n");
    for n in 0..20 {
        text.push_str(&format!(
            "2026-03-01T{}Z,U-1,20{}.5,80.1,3.3,20.1\n",
            clock(n),
            n % 10
        ));
        if n == 9 {
            text.push_str(head);
            text.push('\n');
        }
    }
    text.push_str("-- end of export --\n");
    let proposal = check(
        "all at once",
        "x.csv",
        text.as_bytes(),
        &[
            "skip_lines = 2",
            "header_lines = 2",
            "chamber_pressure_kpa = { from = \"Chamber mbar\", unit = \"mbar\", reference = \"absolute\" }",
        ],
        &["oil_flow_lpm ="],
    );
    for said in [
        "1 lines with another number of fields",
        "header stands there 1 times more",
        "the header has 2 lines",
        "column 5 \"Flow l/min#2\": others have its name; `from = \"Flow l/min#2\"` reads this one",
        "not placed: \"Flow °C\"",
    ] {
        assert!(proposal.contains(said), "{said}\n{proposal}");
    }
}

#[test]
fn sentinels_and_columns_out_of_bounds() {
    let text = table(
        "Time,Unit,Chamber (mbar),Oil in (°C),Oil out (°C)",
        50,
        |n| {
            format!(
                "2026-03-01T{}Z,U-1,{},60.5,{}.5",
                clock(n),
                if n == 9 {
                    "-999".to_owned()
                } else {
                    format!("20{}.5", n % 10)
                },
                900 + n
            )
        },
    );
    let proposal = check(
        "a missing value and a mislabelled column",
        "x.csv",
        text.as_bytes(),
        &[
            "null       = [\"\", \"-999\"]",
            "oil_inlet_degc = { from = \"Oil in (°C)\", unit = \"Cel\" }",
        ],
        &["oil_outlet_degc ="],
    );
    assert!(
        proposal
            .contains("closest is oil_outlet_degc, but 50 of its 50 values lie outside the bounds"),
        "{proposal}"
    );
}
