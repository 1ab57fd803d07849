//! Which level of a historian's tags is the machine.

use super::{proposed, table};

/// A row per tag and minute.
fn tall(tags: &[String]) -> String {
    let n = tags.len();
    table("Tag,Timestamp,Value,Status", 20 * n, |at| {
        format!(
            "{},2026-02-01T00:{:02}:00Z,{},Good",
            tags.get(at % n).unwrap(),
            at / n,
            100 + at % 7
        )
    })
}

fn tags(units: &[&str], signals: &[&str]) -> Vec<String> {
    units
        .iter()
        .flat_map(|unit| signals.iter().map(move |signal| format!("{unit}.{signal}")))
        .collect()
}

const LOOPS: &[&str] = &[
    "PT101.PV", "TT101.PV", "HTR.RUN", "AW.PV", "HTR.SP", "FT101.PV", "XV.POS",
];

#[test]
fn the_level_that_comes_again_is_the_unit() {
    let mut with_spare = tags(&["YARD.VDU1", "YARD.VDU2"], LOOPS);
    with_spare.extend(["YARD.VDU1.SPARE1".to_owned(), "YARD.VDU2.SPARE1".to_owned()]);
    let full: Vec<String> = ["PT101", "TT101", "FT101"]
        .iter()
        .flat_map(|signal| tags(&[signal], &["PV", "SP", "OP"]))
        .collect();
    let names: Vec<&str> = full.iter().map(String::as_str).collect();
    let cases = [
        ("an area before the unit", with_spare, "VDU1, VDU2"),
        (
            "an area with a number",
            tags(&["A1.U1", "A1.U2"], LOOPS),
            "U1, U2",
        ),
        ("one unit alone", tags(&["YARD.VDU1"], LOOPS), "VDU1"),
        (
            "every loop with every value",
            tags(&["YARD.VDU1", "YARD.VDU2"], &names),
            "VDU1, VDU2",
        ),
        (
            "the unit first",
            tags(&["VDU1", "VDU2"], LOOPS),
            "VDU1, VDU2",
        ),
    ];
    for (what, tags, units) in cases {
        let line = format!(
            "likely: it splits {} tags into the units {units}",
            tags.len()
        );
        let proposal = proposed("h.csv", tall(&tags).as_bytes());
        assert!(proposal.contains(&line), "{what}\n{proposal}");
    }
}

#[test]
fn levels_that_leave_it_open_are_a_guess() {
    // Either number may be that of the machine.
    let tags = tags(&["M1.K2"], &["Flow.PV", "Pressure.PV", "Temp.PV"]);
    let proposal = proposed("h.csv", tall(&tags).as_bytes());
    assert!(proposal.contains("guess: it splits 3 tags"), "{proposal}");
    assert!(
        proposal.contains("check: the units may as well be"),
        "{proposal}"
    );
}
