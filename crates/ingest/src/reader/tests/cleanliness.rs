//! Cleanliness codes of ISO 4406 as laboratories and spreadsheets write them.
//!
//! The notation is common practice, no source; 29 stands for over 28.

use super::harness::Case;
use super::laboratory::SAMPLES;

#[test]
fn cleanliness_codes() {
    let cells: &[(&str, &str)] = &[
        ("19/17/14", "19 | 17 | 14 | -"),
        ("19-17-14", "19 | 17 | 14 | -"),
        ("ISO 19/17/14", "19 | 17 | 14 | -"),
        ("ISO 4406:19/17/14", "19 | 17 | 14 | -"),
        ("ISO 4406:1999 19/17/14", "19 | 17 | 14 | -"),
        ("ISO 4406:2017 - 19/17/14", "19 | 17 | 14 | -"),
        ("19\\17\\14", "19 | 17 | 14 | -"),
        ("--/17/14", "- | 17 | 14 | -"),
        ("19/17/14 (c)", "19 | 17 | 14 | -"),
        (" 19 / 17 / 14 ", "19 | 17 | 14 | -"),
        ("-/17/14", "- | 17 | 14 | -"),
        ("*/17/14", "- | 17 | 14 | -"),
        (">28/26/21", "29 | 26 | 21 | -"),
        (">28/>28/21", "29 | 29 | 21 | -"),
        (
            "≥19/≥17/14",
            "19 | 17 | 14 | 4 um: fewer than 20 particles counted; 6 um: fewer than 20 particles counted",
        ),
        (
            "14/12/≥7",
            "14 | 12 | 7 | 14 um: fewer than 20 particles counted",
        ),
        ("17/14", "- | 17 | 14 | two numbers: from 5 and 15 um"),
        ("22/20", "- | 22 | 20 | two numbers: from 5 and 15 um"),
        ("0/0/0", "0 | 0 | 0 | -"),
        ("QNS", "- | - | - | -"),
        ("-", "- | - | - | -"),
        ("", "- | - | - | -"),
        // What a spreadsheet made of 12/10/9, 10/8/6 and others.
        ("12/10/09", "refused"),
        ("10-Aug-06", "refused"),
        ("2012-10-09", "refused"),
        ("09.10.2012", "refused"),
        ("12/10/2009 0:00", "refused"),
        ("2009-12-10 00:00:00", "refused"),
        ("41191", "refused"),
        ("14. Dez", "refused"),
        ("17-Dec", "refused"),
        // Classes of other standards, codes that cannot be.
        ("NAS 6", "refused"),
        ("6", "refused"),
        ("6B", "refused"),
        ("7B/6C/5D", "refused"),
        ("14/17/19", "refused"),
        ("30/17/14", "refused"),
        ("-1/17/14", "refused"),
        ("19/17/14/9", "refused"),
        ("19//14", "19 | - | 14 | -"),
        ("-/-/-", "refused"),
    ];
    let mut text = String::from("No;Water;TAN;BDV;ISO\n");
    let mut rows = String::from("iso4406_4um | iso4406_6um | iso4406_14um | iso4406_note\n");
    let mut rejects = String::new();
    for (n, (cell, expected)) in cells.iter().enumerate() {
        text.push_str(&format!("S-{n:03};;;;{cell}\n"));
        if *expected == "refused" {
            rows.push_str("- | - | - | -\n");
            rejects.push_str(&format!("! {} iso4406_4um [{cell}]\n", n + 2));
        } else {
            rows.push_str(&format!("{expected}\n"));
        }
    }
    let rejects = rejects.replace("iso4406_4um", "iso4406");
    Case::new(SAMPLES)
        .bytes(text.as_bytes())
        .gives(&format!("{rows}{rejects}"));
}

#[test]
fn a_code_in_three_columns() {
    Case::new(
        r#"
        table = "samples"
        [columns]
        lab = { value = "A" }
        sample_id = { from = "No" }
        iso4406_4um = { from = "4" }
        iso4406_6um = { from = "6" }
        iso4406_14um = { from = "14" }
        "#,
    )
    .text("No,4,6,14\n1,19,17,14\n2,>28,26,21\n3,≥19,17,14\n4,30,17,14.5\n5,,17,14\n")
    .gives(
        "
        iso4406_4um | iso4406_6um | iso4406_14um
        19 | 17 | 14
        29 | 26 | 21
        19 | 17 | 14
        - | 17 | -
        - | 17 | 14
        ! 5 iso4406_14um [14.5] ~ expected a whole number
        ! 5 iso4406_4um [30] ~ outside
        ",
    );
}
