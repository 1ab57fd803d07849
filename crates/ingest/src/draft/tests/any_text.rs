//! Whatever the text, a proposal parses, reads back as it was meant and compiles, or asks to be filled in.

use proptest::prelude::*;

use super::proposed;
use crate::draft::propose;

/// Words that headers and cells are made of, odd ones among them.
const WORDS: &[&str] = &[
    "Time",
    "Date",
    "Zeit",
    "Unit",
    "Tank",
    "Vac %",
    "Chamber (mbar)",
    "Oil in °F",
    "Flow",
    "Tag",
    "Value",
    "Quality",
    "Test",
    "Result",
    "ISO 4406",
    "Code",
    "What",
    "Machine",
    "",
    "\"",
    "a\nb",
    "'",
    "\\",
    "=",
    "\u{1}",
    "\u{85}",
    "é",
    "Name",
    "TZ",
    "From",
    "To",
    "Kammerdruck [mbar]",
    "Water",
    "Druck",
    "Serial",
    "Pump",
];
const VALUES: &[&str] = &[
    "1",
    "0",
    "-999",
    "1,5",
    "1.005,6",
    "2026-03-01",
    "10:00:00",
    "2026-03-01T10:00:00Z",
    "03/04/2026 1:00 PM",
    "45932.5",
    "1759389313000",
    "U-1/VAC",
    "U-2/VAC",
    "Good",
    "---",
    "<20",
    "TNTC",
    "19/17/14",
    "mg/kg",
    "on",
    "Aus",
    "new vanes",
    "\"",
    "",
    "x\\y",
    "'",
    "\u{7f}",
    "Europe/Berlin",
    "NaN",
    "1e400",
    "%",
];

fn quoted(text: &str) -> String {
    format!("\"{}\"", text.replace('"', "\"\""))
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    #[test]
    fn tables_of_odd_words(
        head in prop::collection::vec(0..WORDS.len(), 2..9),
        rows in prop::collection::vec(prop::collection::vec(0..VALUES.len(), 9), 0..14),
        steady in any::<bool>(),
        delimiter in prop::sample::select(vec![",", ";", "\t", "|"]),
    ) {
        let line = |cells: Vec<&str>| cells.into_iter().map(quoted).collect::<Vec<_>>().join(delimiter);
        let mut text = line(head.iter().map(|at| WORDS[*at]).collect());
        for row in &rows {
            // Columns of one kind are what a proposal is made of; wild ones are what it must survive.
            let row = if steady { &rows[0] } else { row };
            text.push('\n');
            text.push_str(&line(row.iter().take(head.len()).map(|at| VALUES[*at]).collect()));
        }
        if propose("odd/U-7_x.csv", text.as_bytes()).is_ok() {
            proposed("odd/U-7_x.csv", text.as_bytes());
        }
    }

    #[test]
    fn any_text(text in "(?s).{0,200}", name in "(?s).{0,20}") {
        if propose(&name, text.as_bytes()).is_ok() {
            proposed(&name, text.as_bytes());
        }
    }

    #[test]
    fn any_bytes(bytes in prop::collection::vec(any::<u8>(), 0..300), start in prop::sample::select(vec!["", "a,b\n", "PK\u{3}\u{4}"])) {
        let bytes = [start.as_bytes(), &bytes].concat();
        if propose("x", &bytes).is_ok() {
            proposed("x", &bytes);
        }
    }
}

#[test]
fn a_record_of_zeros_is_one_line_among_others() {
    let mut text = super::table("T,Q L/min,W ppm", 40, |n| {
        format!("2026-01-01 00:{n:02}:00,{},{}", 60 + n, 2 * n)
    });
    text.insert_str(text.len() / 2, &format!("{}\n", "\0".repeat(200)));
    let at = text.find('\0').unwrap();
    let start = text.get(..at).unwrap().rfind('\n').unwrap();
    let zeros = format!("{}{}", text.get(..start).unwrap(), text.get(at..).unwrap());
    let proposal = super::proposed("n.csv", zeros.as_bytes());
    assert!(
        proposal.contains("oil_flow_lpm = { from = \"Q L/min\""),
        "{proposal}"
    );
    let all_zeros = "\u{1}\u{2}ab,\u{3}\n".repeat(40);
    assert!(super::super::propose("n.bin", all_zeros.as_bytes()).is_err());
}

#[test]
fn a_long_cell_is_not_written_out() {
    let long = "7".repeat(100_000);
    let text = super::table("Time,Unit,Flow L/min,Alarm,State", 40, |n| {
        let flow = if n == 20 {
            format!("{long}x")
        } else {
            (60 + n).to_string()
        };
        format!(
            "2026-01-01 00:{n:02}:00,U-1,{flow},{},on",
            if n == 21 { &long } else { "" }
        )
    });
    let proposal = super::proposed("n.csv", text.as_bytes());
    assert!(proposal.contains("oil_flow_lpm"), "{proposal}");
    assert!(proposal.len() < 5_000, "{} bytes", proposal.len());
}
