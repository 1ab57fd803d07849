//! Exports of controllers, historians and laboratories that leave what is common.

use std::io::{Cursor, Write as _};

use super::{Case, block_of, check_all, table};
use crate::draft::propose;

fn minute(n: usize) -> String {
    format!("2026-03-14 13:{:02}", n % 60)
}

#[test]
fn stamps_that_few_files_have() {
    let log = |stamp: &dyn Fn(usize) -> String| {
        table("Time;Flow (l/min);Vac (mbar abs)", 30, |n| {
            format!("{};{};{}", stamp(n), 75 + n % 3, 120 + n)
        })
    };
    let cases: Vec<(&str, String, &[&str])> = vec![
        (
            "afternoons in Spanish",
            log(&|n| format!("{:02}/03/2026 01:05 p. m.", 1 + n)),
            &["at = { from = \"Time\", format = \"%d/%m/%Y %I:%M %p\" }"],
        ),
        (
            "long names",
            log(&|n| format!("Saturday, March 14, 2026 1:{n:02}:00 PM")),
            &["at = { from = \"Time\", format = \"%a, %b %d, %Y %I:%M:%S %p\" }"],
        ),
        (
            "letters of the clock",
            log(&|n| format!("{} {}", minute(n), if n < 9 { "CDT" } else { "CST" })),
            &["at = { from = \"Time\", format = \"%Y-%m-%d %H:%M %Z\" }"],
        ),
        (
            "milliseconds behind a colon",
            log(&|n| format!("14/03/2026 13:{n:02}:00:125")),
            &["at = { from = \"Time\", format = \"%d/%m/%Y %H:%M:%S:%f\" }"],
        ),
        (
            "microseconds",
            log(&|n| format!("{}", 1_773_493_500_000_000_u64 + 60_000_000 * n as u64)),
            &["at = { from = \"Time\", format = \"epoch_us\" }"],
        ),
        (
            "nanoseconds",
            log(&|n| {
                format!(
                    "{}",
                    1_773_493_500_000_000_000_u64 + 60_000_000_000 * n as u64
                )
            }),
            &["at = { from = \"Time\", format = \"epoch_ns\" }"],
        ),
    ];
    let cases = cases.into_iter().map(|(what, text, lines)| Case {
        what,
        name: "logs/export.csv",
        text,
        lines,
        absent: &["at = { value"],
    });
    check_all(cases.collect());
}

#[test]
fn headers_that_few_files_have() {
    check_all(vec![
        Case {
            what: "lines end in a delimiter, the header does not",
            name: "logs/U-1_log.csv",
            text: table("Time,Vac (inHg),Flow (gpm)", 30, |n| {
                format!("{},24.{n:02},{},", minute(n), 20 + n % 3)
            }),
            lines: &[
                "skip_lines = 1",
                "header     = [\"Time\", \"Vac (inHg)\", \"Flow (gpm)\", \"\"]",
                "oil_flow_lpm = { from = \"Flow (gpm)\", unit = \"[gal_us]/min\" }",
            ],
            absent: &["FILL-IN\" }"],
        },
        Case {
            what: "the header again, in another order",
            name: "logs/U-1_log.csv",
            text: table("Time,Vac (inHg),Flow (gpm)", 30, |n| match n {
                15 => "Time,Flow (gpm),Vac (inHg)".to_owned(),
                n if n < 15 => format!("{},24.{n:02},{}", minute(n), 20 + n % 3),
                n => format!("{},{},24.{n:02}", minute(n), 20 + n % 3),
            }),
            lines: &[
                "at = { from = \"Time\", format = \"%Y-%m-%d %H:%M\" }",
                "chamber_pressure_kpa = { from = \"Vac (inHg)\", unit = \"[in_i'Hg]\", reference = \"vacuum\" }",
                "oil_flow_lpm = { from = \"Flow (gpm)\", unit = \"[gal_us]/min\" }",
            ],
            absent: &[],
        },
        Case {
            what: "columns of one name",
            name: "logs/U-1_log.csv",
            text: table("Time,Oil in (F),Flow (gpm),Flow (gpm)", 30, |n| {
                format!("{},150,{},{}", minute(n), 20 + n % 3, 30 + n % 3)
            }),
            lines: &[
                "oil_inlet_degc = { from = \"Oil in (F)\", unit = \"[degF]\" }",
                "not placed: column 4 \"Flow (gpm)#2\": others have its name; `from = \"Flow (gpm)#2\"` reads this one",
            ],
            absent: &["oil_flow_lpm = "],
        },
        Case {
            what: "two machines in one file",
            name: "logs/yard_7.csv",
            text: table(
                "Time,U-1 Vac (inHg),U-1 Flow (gpm),U-2 Vac (inHg),U-2 Flow (gpm)",
                30,
                |n| format!("{},24.{n:02},{},25,{}", minute(n), 20 + n % 3, 30 + n % 3),
            ),
            lines: &[
                "unit_id = { value = \"U-1\" }",
                "chamber_pressure_kpa = { from = \"U-1 Vac (inHg)\", unit = \"[in_i'Hg]\", reference = \"vacuum\" }",
                "oil_flow_lpm = { from = \"U-1 Flow (gpm)\", unit = \"[gal_us]/min\" }",
            ],
            absent: &["from = \"U-2", "file_name"],
        },
        Case {
            what: "one chamber in two units",
            name: "logs/U-1_log.csv",
            text: table("Time,Chamber kPa(a),Chamber Torr,Oil °F", 30, |n| {
                format!("{},15.{n:02},112.{n:02},150", minute(n))
            }),
            lines: &[
                "chamber_pressure_kpa = { from = \"Chamber kPa(a)\", unit = \"kPa\", reference = \"absolute\" }",
            ],
            absent: &["discharge_kpa_gauge = "],
        },
    ]);
}

#[test]
fn values_that_few_files_have() {
    check_all(vec![
        Case {
            what: "every value with its unit",
            name: "logs/U-1_log.csv",
            text: table("Time,Vacuum,Oil in,Flow", 30, |n| {
                format!(
                    "{},24.{n:02} inHg,15{}.5 °F,{} gpm",
                    minute(n),
                    n % 10,
                    20 + n % 3
                )
            }),
            lines: &[
                "chamber_pressure_kpa = { from = \"Vacuum\", unit = \"[in_i'Hg]\", reference = \"vacuum\" }",
                "oil_inlet_degc = { from = \"Oil in\", unit = \"[degF]\" }",
                "oil_flow_lpm = { from = \"Flow\", unit = \"[gal_us]/min\" }",
            ],
            absent: &[],
        },
        Case {
            what: "a counter of hours and minutes",
            name: "logs/U-1_log.csv",
            text: table("Time,Run hours,Flow (gpm)", 30, |n| {
                format!("{},1234:{:02},{}", minute(n), n, 20 + n % 3)
            }),
            lines: &["run_hours_h = { from = \"Run hours\", unit = \"h\" }"],
            absent: &["would be left empty"],
        },
        Case {
            what: "a sentinel of sixteen bits",
            name: "logs/U-1_log.csv",
            text: table("Time,Oil in (°F),Flow (gpm)", 30, |n| {
                let oil = if n % 9 == 4 {
                    "-32768".to_owned()
                } else {
                    format!("15{}.5", n % 10)
                };
                format!("{},{oil},{}", minute(n), 20 + n % 3)
            }),
            lines: &[
                "null       = [\"\", \"-32768\"]",
                "oil_inlet_degc = { from = \"Oil in (°F)\", unit = \"[degF]\" }",
            ],
            absent: &[],
        },
    ]);
}

#[test]
fn reports_that_name_no_cleanliness() {
    check_all(vec![
        Case {
            what: "a code under ISO Code",
            name: "lab/26.csv",
            text: table("Lab No.,Tank,Sample Date,Water ppm,ISO Code,TAN", 20, |n| {
                let code = ["19/17/14", ">28/26/21", "-/17/14"][n % 3];
                format!(
                    "{},R-1,03/{:02}/2026,{},{code},0.12",
                    26_000 + n,
                    n + 1,
                    150 + n
                )
            }),
            lines: &["iso4406 = { from = \"ISO Code\" }"],
            absent: &[],
        },
        Case {
            what: "three numbers, in Norwegian",
            name: "lab/26.csv",
            text: table(
                "Prøvenr;Tank;Prøvedato;Vann (ppm);ISO 4;ISO 6;ISO 14;Syretall",
                20,
                |n| {
                    format!(
                        "{};T{};{:02}.03.2026;{};19;17;14;0,12",
                        7_000 + n,
                        n % 3,
                        n + 1,
                        150 + n
                    )
                },
            ),
            lines: &[
                "table      = \"samples\"",
                "sample_id = { from = \"Prøvenr\" }",
                "reservoir_id = { from = \"Tank\" }",
                "taken_at = { from = \"Prøvedato\", format = \"%d.%m.%Y\" }",
                "water_ppm = { from = \"Vann (ppm)\", unit = \"mg/kg\" }",
                "iso4406_4um = { from = \"ISO 4\" }",
                "iso4406_6um = { from = \"ISO 6\" }",
                "iso4406_14um = { from = \"ISO 14\" }",
                "acid_mgkoh_g = { from = \"Syretall\", unit = \"mg{KOH}/g\" }",
            ],
            absent: &[],
        },
    ]);
}

#[test]
fn the_day_stands_in_the_files_name() {
    // From 23:50 on, so that it passes midnight.
    let text = table("Time,Vac inHg,Flow gpm", 30, |n| {
        format!(
            "{:02}:{:02}:00,24.{n:02},{}",
            (23 + (50 + n) / 60) % 24,
            (50 + n) % 60,
            20 + n % 3
        )
    });
    check_all(vec![Case {
        what: "the day in the name",
        name: "logs/log_U-1_20260314.csv",
        text,
        lines: &[
            "at = { from = [\"file_name:day\", \"Time\"], format = \"%Y%m%d %H:%M:%S\" }",
            "timezone   = \"FILL-IN\"",
        ],
        absent: &["at = { value"],
    }]);
}

#[test]
fn an_archive_of_several_files_is_drafted_from_one_of_them() {
    let log = table("Time,Vac (inHg),Flow (gpm)", 30, |n| {
        format!("{},24.{n:02},{}", minute(n), 20 + n % 3)
    });
    let mut out = zip::ZipWriter::new(Cursor::new(Vec::new()));
    for (name, text) in [
        ("old.zip", "PK"),
        ("readme.txt", "no table"),
        ("2026/U-3_march.csv", log.as_str()),
        ("2026/U-4_march.csv", log.as_str()),
    ] {
        out.start_file(name, zip::write::SimpleFileOptions::default())
            .unwrap();
        out.write_all(text.as_bytes()).unwrap();
    }
    let bytes = out.finish().unwrap().into_inner();
    let proposal = propose("exports/yard.zip", &bytes).unwrap();
    let spec = block_of(&proposal);
    assert_eq!(spec.files, ["exports/yard.zip"]);
    let pattern = regex::Regex::new(spec.file_name.as_deref().unwrap()).unwrap();
    assert_eq!(
        &pattern.captures("U-4_march.csv").unwrap()["unit_id"],
        "U-4"
    );
    assert!(
        proposal.contains("the archive holds 4 files") && proposal.contains("2026/U-3_march.csv"),
        "{proposal}"
    );
}

#[test]
fn a_log_that_tells_only_what_changed() {
    let text = table(
        "# gateway export v2\n# device: VD-18\n# deadband logging, empty = unchanged\nts,pc_mbar,t_in,t_out,flow",
        60,
        |n| {
            let (t_in, t_out, flow) = match n % 6 {
                0 => (
                    format!("{}.5", 40 + n / 6),
                    format!("{}.1", 38 + n / 6),
                    "30.5",
                ),
                _ => (String::new(), String::new(), ""),
            };
            format!(
                "2025-08-13T10:{n:02}:00Z,{}.1,{t_in},{t_out},{flow}",
                900 - 12 * n
            )
        },
    );
    check_all(vec![Case {
        what: "a dead band, and the machine as it calls itself",
        name: "fjord/vd-18_2025-08.csv",
        text,
        lines: &[
            "skip_lines = 3",
            "preamble   = ['(?m)^\"?\\# device\"?\\s*[:=;\\t,][:=;\\t\" ,]*(?<unit_id>[^\";\\t\\r\\n,]+)']",
            "fill_down  = [\"t_in\", \"t_out\", \"flow\"]",
        ],
        absent: &["file_name"],
    }]);
}
