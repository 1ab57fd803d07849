//! Files of another shape than delimited rows below one line of names.

use super::{check_read, proposed, table};

/// The proposal for a file must have these lines, and ingest must take all its rows with it.
fn check(what: &str, name: &str, text: &str, lines: &[&str]) {
    let proposal = proposed(name, text.as_bytes());
    for line in lines {
        let found = proposal.lines().any(|other| one_blank(other) == *line);
        assert!(found, "{what}: no line {line}\n{proposal}");
    }
    check_read(what, name, text.as_bytes(), &proposal);
}

fn one_blank(line: &str) -> String {
    line.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Rows of a log from a pattern: `{m}` is the minute, `{n}` a number that rises.
fn rows(pattern: &str, n_rows: usize) -> String {
    (0..n_rows)
        .map(|n| {
            pattern
                .replace("{m}", &format!("{n:02}"))
                .replace("{n}", &n.to_string())
        })
        .collect()
}

#[test]
fn single_quotes() {
    let text = format!(
        "'Time','Vacuum mbar abs','Oil in °C','Alarm'\n{}",
        rows("'2026-03-15 10:{m}:00','20{n}.5','6{n}.5','low, very'\n", 9)
    );
    check(
        "quotes",
        "log.csv",
        &text,
        &[
            "quote = \"'\"",
            "table = \"readings\"",
            "at = { from = \"Time\", format = \"%Y-%m-%d %H:%M:%S\" }",
            "alarm = { from = \"Alarm\" }",
        ],
    );
}

#[test]
fn fixed_width() {
    let text = format!(
        "Run log\n\nTime                  Vacuum mbar abs    Oil in °C\n{}",
        rows(
            "2026-03-15 10:{m}:00             20{n}.5         6{n}.5\n",
            9
        )
    );
    check(
        "widths",
        "U-1_log.txt",
        &text,
        &[
            "table = \"readings\"",
            "skip_lines = 2",
            "at = { from = \"Time\", format = \"%Y-%m-%d %H:%M:%S\" }",
            "chamber_pressure_kpa = { from = \"Vacuum mbar abs\", unit = \"mbar\", reference = \"absolute\" }",
            "oil_inlet_degc = { from = \"Oil in °C\", unit = \"Cel\" }",
        ],
    );
}

#[test]
fn headers_of_several_lines() {
    let text = format!(
        "Time,Vacuum,Oil,,Flow\n,,in,out,\n,mbar abs,°C,°C,L/min\n{}",
        rows("2026-03-15 10:{m}:00,20{n}.5,6{n}.5,60,5{n}\n", 9)
    );
    check(
        "three lines",
        "U-1_log.csv",
        &text,
        &[
            "header_lines = 3",
            "at = { from = \"Time\", format = \"%Y-%m-%d %H:%M:%S\" }",
            "chamber_pressure_kpa = { from = \"Vacuum mbar abs\", unit = \"mbar\", reference = \"absolute\" }",
            "oil_inlet_degc = { from = \"Oil in °C\", unit = \"Cel\" }",
            "oil_outlet_degc = { from = \"Oil out °C\", unit = \"Cel\" }",
            "oil_flow_lpm = { from = \"Flow L/min\", unit = \"L/min\" }",
        ],
    );
}

#[test]
fn days_and_samples_told_once() {
    let text = format!(
        "Date;Time;Vacuum mbar abs;Oil in C\n01.03.2026;09:00;200;65\n{}02.03.2026;00:00;203;66\n;00:10;203;66\n",
        rows(";10:{m};20{n};65,{n}\n", 9)
    );
    check(
        "a day",
        "U-1_log.csv",
        &text,
        &[
            "fill_down = [\"Date\"]",
            "at = { from = [\"Date\", \"Time\"], format = \"%d.%m.%Y %H:%M\" }",
        ],
    );
    check(
        "a sample",
        "lab.csv",
        "Sample no.;Tank;Analyte;Result;Unit\nS-101;R-1;Water;120;ppm\n;;Fe;12;mg/kg\n;;Cu;2;mg/kg\nS-102;R-2;Water;121;ppm\n;;Fe;13;mg/kg\n;;Cu;3;mg/kg\n",
        &["fill_down = [\"Sample no.\"]", "table = \"results\""],
    );
}

#[test]
fn samples_side_by_side() {
    check(
        "a column per sample",
        "lab.csv",
        "Report;R-17;;\nCustomer;North yard;;\nSample no.;S-101;S-102;S-103\nUnit / tank;R-1;R-2;R-3\nSampled on;01.03.2026;02.03.2026;13.03.2026\nWater (ppm);120;85;<20\nViscosity 40 °C (mm²/s);46,2;45,9;46,0\nAcid number (mg KOH/g);0,12;0,10;0,31\nISO 4406;19/17/14;18/16/13;20/18/15\n",
        &[
            "layout = \"transposed\"",
            "table = \"samples\"",
            "skip_lines = 2",
            "sample_id = { from = \"Sample no.\" }",
            "taken_at = { from = \"Sampled on\", format = \"%d.%m.%Y\" }",
            "water_ppm = { from = \"Water (ppm)\", unit = \"mg/kg\" }",
            "iso4406 = { from = \"ISO 4406\" }",
        ],
    );
    check(
        "beside units and methods",
        "lab.csv",
        "Parameter,Unit,Method,S-101,S-102,S-103\nTank,,,R-1,R-2,R-3\nDate sampled,,,2026-03-01,2026-03-02,2026-03-13\nWater,ppm,D6304,120,85,<20\nViscosity @40C,cSt,D445,46.2,45.9,46.0\nTAN,mgKOH/g,D664,0.12,0.10,0.31\n",
        &[
            "layout = \"transposed\"",
            "header_lines = 3",
            "sample_id = { from = \"Parameter Unit Method\" }",
            "taken_at = { from = \"Date sampled\", format = \"%Y-%m-%d\" }",
            "water_ppm = { from = \"Water ppm D6304\", unit = \"mg/kg\" }",
        ],
    );
}

#[test]
fn what_stands_above_the_header() {
    let text = format!(
        "Unit;U-7\nDate;15.03.2026\n\nTime;Vacuum mbar abs;Oil in C\n{}",
        rows("10:{m};20{n};65,{n}\n", 9)
    );
    check(
        "unit and day",
        "rec.csv",
        &text,
        &[
            "at = { from = [\"preamble:day\", \"Time\"], format = \"%d.%m.%Y %H:%M\" }",
            "skip_lines = 3",
        ],
    );
    let text = format!(
        "Recorder export\nExported: 2026-04-01 08:00:00\nMachine: U-1\nStart: 2026-03-15 10:00:00\n\nElapsed (s),Vacuum mbar abs,Oil in C\n{}",
        rows("{n}0,20{n},65.{n}\n", 9)
    );
    check(
        "unit and start",
        "rec.csv",
        &text,
        &[
            "at = { from = [\"preamble:start\", \"Elapsed (s)\"], format = \"%Y-%m-%d %H:%M:%S\", elapsed = \"s\" }",
        ],
    );
    let text = format!(
        "Elapsed time [min],Vacuum mbar abs,Oil in C\n{}",
        rows("{n}.5,20{n},65.{n}\n", 9)
    );
    check(
        "start in the name",
        "U-1_20260315_100000.csv",
        &text,
        &[
            "at = { from = [\"file_name:start\", \"Elapsed time [min]\"], format = \"%Y%m%d_%H%M%S\", elapsed = \"min\" }",
        ],
    );
}

#[test]
fn stamps_less_often_seen() {
    let cases = [
        ("2026-W11-7T10:{m}:00", "%G-W%V-%uT%H:%M:%S"),
        ("2026-074 10:{m}:00", "%Y-%j %H:%M:%S"),
        ("202607410{m}00", "%Y%j%H%M%S"),
        ("Sun Mar 15 10:{m}:00 2026", "%a %b %d %T %Y"),
        ("15/Mar/2026:10:{m}:00 +0100", "%d/%b/%Y:%H:%M:%S %z"),
        ("15 kwietnia 2026 10:{m}", "%d %b %Y %H:%M"),
        ("15.03.2026 10:{m} Uhr", "%d.%m.%Y %H:%M Uhr"),
        ("15.03.2026 10h{m}", "%d.%m.%Y %Hh%M"),
        ("2026-03-15 10:{m}:00 UTC+1", "rfc3339"),
        ("15.03.2026 10:{m}:00 GMT+01:00", "%d.%m.%Y %H:%M:%S %z"),
        ("2026-03-15T10:{m}:00+01:00[Europe/Berlin]", "rfc3339"),
    ];
    for (stamp, format) in cases {
        let text = format!(
            "Time^Vacuum mbar abs^Oil in C\n{}",
            rows(&format!("{stamp}^20{{n}}^65.{{n}}\n"), 9)
        );
        let line = format!("at = {{ from = \"Time\", format = \"{format}\" }}");
        check(stamp, "U-1_log.csv", &text, &[&line, "delimiter = \"^\""]);
    }
}

#[test]
fn what_a_wide_block_would_take_for_granted() {
    let text = format!(
        "Time 1,Vacuum mbar abs,Status,Time 2,Oil in C,Status\n{}",
        rows(
            "2026-03-15 10:{m}:00,20{n},OK,2026-03-15 10:{m}:30,65.{n},OK\n",
            8
        ) + "2026-03-15 11:00:00,20,Bad,2026-03-15 11:00:30,65,OK\n"
    );
    let proposal = proposed("U-1_log.csv", text.as_bytes());
    for said in [
        "\"Time 2\" holds other times than \"at\" is read from",
        "\"Status#1\" says of some values that they are not good",
    ] {
        assert!(proposal.contains(said), "{said}\n{proposal}");
    }
    // Times that are the same are no other times, and a status that is always good warns of nothing.
    let text = format!(
        "Time 1,Vacuum mbar abs,Status,Time 2,Oil in C\n{}",
        rows(
            "2026-03-15 10:{m}:00,20{n},OK,2026-03-15 10:{m}:00,65.{n}\n",
            9
        )
    );
    let proposal = proposed("U-1_log.csv", text.as_bytes());
    assert!(!proposal.contains("check: \""), "{proposal}");
}

#[test]
fn objects_one_a_line() {
    check(
        "JSON",
        "U-1_log.json",
        &rows(
            "{\"time\": \"2026-03-15T10:{m}:00Z\", \"vacuum_mbar_abs\": 20{n}.5, \"oil_in_c\": 6{n}.5}\n",
            9,
        ),
        &[
            "layout = \"json\"",
            "at = { from = \"time\", format = \"rfc3339\" }",
            "chamber_pressure_kpa = { from = \"vacuum_mbar_abs\", unit = \"mbar\", reference = \"absolute\" }",
        ],
    );
}

/// What `samples` has no column for is not lost: the proposal says how it is kept, and that block reads it.
#[test]
fn analytes_beyond_the_columns_of_samples() {
    let text = "Sample no.;Tank;Sampled on;Water (ppm);Fe (mg/kg)\nS-1;R-1;01.03.2026;120;3\nS-2;R-1;13.03.2026;121;<1\n";
    let proposal = proposed("lab.csv", text.as_bytes());
    let said = "table = \"results\", analyte = { value = \"Fe\" }, value = { from = \"Fe (mg/kg)\" }, unit = { value = \"mg/kg\" }";
    assert!(proposal.contains(said), "{proposal}");
    let block = "name = \"fe\"\ntable = \"results\"\nfiles = [\"*\"]\ndelimiter = \";\"\n[columns]\nlab = { value = \"L\" }\nsample_id = { from = \"Sample no.\" }\n";
    let columns = said
        .replace("table = \"results\", ", "")
        .replace("}, ", "}\n");
    let spec: crate::source::SourceSpec = toml::from_str(&format!("{block}{columns}\n")).unwrap();
    let source = spec.compile().unwrap();
    let input = super::FileInput {
        name: "lab.csv",
        bytes: text.as_bytes(),
        loaded_at: "2026-12-01".parse().unwrap(),
        max_text: 1 << 20,
    };
    let rows = source.read_file(&input, &super::SiteContext::default());
    assert_eq!((rows.n_rows(), rows.rejects().len()), (2, 0));
}

#[test]
fn thousands_of_columns() {
    let names: Vec<String> = (0..3000).map(|n| format!("c{n}")).collect();
    let text = table(&format!("Time,Flow L/min,{}", names.join(",")), 30, |n| {
        let rest: Vec<String> = (0..3000).map(|at| (at + n).to_string()).collect();
        format!("2026-01-01 00:{n:02}:00,{},{}", 60 + n, rest.join(","))
    });
    let proposal = super::proposed("w.csv", text.as_bytes());
    assert!(
        proposal.contains("oil_flow_lpm = { from = \"Flow L/min\""),
        "{:.2000}",
        proposal
    );
}

#[test]
fn samples_side_by_side_without_a_line_of_names() {
    let line = |name: &str, unit: &str, cell: &dyn Fn(usize) -> String| {
        let cells: Vec<String> = (0..25).map(cell).collect();
        format!("{name},{unit},{}\n", cells.join(","))
    };
    let tanks: [(&str, &dyn Fn(usize) -> String); 2] = [
        ("tanks with names", &|n| format!("T-{}", n / 5)),
        ("tanks with numbers", &|n| (100 + n / 5).to_string()),
    ];
    for (what, tank) in tanks {
        let text = [
            "Oil report\n\n".to_owned(),
            line("Sample No", "", &|n| format!("00{n}")),
            line("Tank", "", tank),
            line("Sampled", "", &|n| format!("{:02}.01.2026", 1 + n)),
            line("Water", "%", &|n| format!("0.0{}", 10 + n)),
            line("Viscosity 40", "mm2/s", &|n| (46 + n).to_string()),
            line("Cleanliness", "ISO 4406", &|n| {
                format!("19/17/{}", 14 - n % 3)
            }),
        ]
        .concat();
        let proposal = super::proposed("t.csv", text.as_bytes());
        for part in [
            "layout     = \"transposed\"",
            "skip_lines = 2",
            "table      = \"samples\"",
            "sample_id = { from = \"Sample No\"",
            "reservoir_id = { from = \"Tank\"",
        ] {
            assert!(proposal.contains(part), "{what}: no {part}\n{proposal}");
        }
    }
}

#[test]
fn labels_above_a_table_of_two_columns_are_no_header() {
    let text = table(
        "Recorder 3\nUnit;VD-9\nStart;02.11.2025 00:30:00\nKommentar;Öl\n\nt [s];p [mbar]",
        40,
        |n| format!("{},0;{},5", 180 * n, 900 - 10 * n),
    );
    let proposal = super::proposed("rec.csv", text.as_bytes());
    for part in [
        "table      = \"readings\"",
        "at = { from = [\"preamble:start\", \"t [s]\"], format = \"%d.%m.%Y %H:%M:%S\", elapsed = \"s\" }",
        "chamber_pressure_kpa = { from = \"p [mbar]\"",
    ] {
        assert!(proposal.contains(part), "no {part}\n{proposal}");
    }
}
