//! The same rows in another shape are the same rows.

use proptest::prelude::*;

use super::super::harness::{merged, read, shown, source};
use crate::site::SiteContext;

const COLUMNS: [&str; 5] = ["unit_id", "at", "oil_flow_lpm", "oil_inlet_degc", "alarm"];

/// The rows that a description makes of a text, without where they stood.
fn rows(head: &str, at: &str, text: &str) -> Vec<String> {
    let description = format!(
        "table = \"readings\"\ntimezone = \"UTC\"\n{head}\n[columns]\nunit_id = {{ from = \"Unit\" }}\nat = {at}\noil_flow_lpm = {{ from = \"Flow\" }}\noil_inlet_degc = {{ from = \"Oil °C\" }}\nalarm = {{ from = \"Alarm\" }}\n"
    );
    let read = read(
        &source(&description),
        "log.csv",
        text.as_bytes(),
        &SiteContext::default(),
    );
    assert!(read.rejects().is_empty(), "{:?}\n{text}", read.rejects());
    shown(&merged(vec![read], &[]).0, &COLUMNS)
}

const AT: &str = "{ from = [\"Day\", \"Time\"], format = \"%Y-%m-%d %H:%M\" }";

/// A row: which unit, minutes since the row before, flow, oil, and an alarm.
type Step = (u8, u16, u8, u8, &'static str);

fn steps() -> impl Strategy<Value = Vec<Step>> {
    let alarm = prop::sample::select(vec!["", "low", "it's \"low\"", "low, very", "a; b"]);
    prop::collection::vec((0..2_u8, 1..700_u16, 0..99_u8, 0..99_u8, alarm), 1..25)
}

/// The cells of the rows: unit, day, time, flow, oil, alarm.
fn cells(steps: &[Step]) -> Vec<[String; 6]> {
    let mut minute = 0_u32;
    steps
        .iter()
        .map(|(unit, step, flow, oil, alarm)| {
            minute += u32::from(*step);
            let (day, rest) = (minute / 1440, minute % 1440);
            [
                format!("U-{unit}"),
                format!("2026-03-{:02}", day + 1),
                format!("{:02}:{:02}", rest / 60, rest % 60),
                format!("{flow}.5"),
                oil.to_string(),
                (*alarm).to_owned(),
            ]
        })
        .collect()
}

fn quoted(cell: &str, quote: char) -> String {
    let doubled = cell.replace(quote, &quote.to_string().repeat(2));
    format!("{quote}{doubled}{quote}")
}

const NAMES: [&str; 6] = ["Unit", "Day", "Time", "Flow", "Oil °C", "Alarm"];

/// A text of rows; `cell` writes one by its place.
fn text(rows: &[[String; 6]], header: &str, cell: impl Fn(usize, usize) -> String) -> String {
    let mut out = format!("{header}\n");
    for (at, row) in rows.iter().enumerate() {
        let cells: Vec<String> = (0..row.len()).map(|field| cell(at, field)).collect();
        out.push_str(&cells.join(","));
        out.push('\n');
    }
    out
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn another_shape_gives_the_same_rows(steps in steps()) {
        let cells = cells(&steps);
        let plain = |at: usize, field: usize| quoted(&cells[at][field], '"');
        let wide = text(&cells, &NAMES.join(","), plain);
        let expected = rows("", AT, &wide);
        prop_assert_eq!(expected.len(), cells.len());

        let single = text(&cells, &NAMES.join(","), |at, field| quoted(&cells[at][field], '\''));
        prop_assert_eq!(&rows("quote = \"'\"", AT, &single), &expected, "{}", single);

        let two_lines = text(&cells, "Unit,Day,Time,Flow,Oil,Alarm\n,,,,°C,", plain);
        prop_assert_eq!(&rows("header_lines = 2", AT, &two_lines), &expected, "{}", two_lines);

        let told_once = text(&cells, &NAMES.join(","), |at, field| {
            let repeats = at > 0 && cells[at - 1][field] == cells[at][field];
            if field < 2 && repeats { String::new() } else { plain(at, field) }
        });
        let fill = "fill_down = [\"Unit\", \"Day\"]";
        prop_assert_eq!(&rows(fill, AT, &told_once), &expected, "{}", told_once);

        let mut turned = String::new();
        for (field, name) in NAMES.iter().enumerate() {
            turned.push_str(name);
            for at in 0..cells.len() {
                turned.push(',');
                turned.push_str(&plain(at, field));
            }
            turned.push('\n');
        }
        prop_assert_eq!(&rows("layout = \"transposed\"", AT, &turned), &expected, "{}", turned);

        let mut objects = String::new();
        for row in &cells {
            let pairs: Vec<String> = NAMES
                .iter()
                .zip(row)
                .map(|(name, cell)| format!("{}: {}", serde_json::json!(name), serde_json::json!(cell)))
                .collect();
            objects.push_str(&format!("{{{}}}\n", pairs.join(", ")));
        }
        prop_assert_eq!(&rows("layout = \"json\"", AT, &objects), &expected, "{}", objects);

        let mut fixed = format!("{:<6}{:<12}{:<7}{:<6}{:<7}{}\n", "Unit", "Day", "Time", "Flow", "Oil °C", "Alarm");
        for [unit, day, time, flow, oil, alarm] in &cells {
            fixed.push_str(&format!("{unit:<6}{day:<12}{time:<7}{flow:<6}{oil:<7}{alarm}\n"));
        }
        prop_assert_eq!(&rows("widths = [6, 12, 7, 6, 7, 5]", AT, &fixed), &expected, "{}", fixed);
    }

    /// Minutes counted from a start are the stamps they lead to.
    #[test]
    fn counted_minutes_are_the_same_times(steps in steps()) {
        let cells = cells(&steps);
        let plain = |at: usize, field: usize| quoted(&cells[at][field], '"');
        let expected = rows("", AT, &text(&cells, &NAMES.join(","), plain));
        let mut counted = String::from("Start: 2026-03-01 00:00\nUnit,Min,Flow,Oil °C,Alarm\n");
        let mut minute = 0_u32;
        for (step, row) in steps.iter().zip(&cells) {
            minute += u32::from(step.1);
            let [unit, _, _, flow, oil, alarm] = row;
            counted.push_str(&format!("{unit},{minute},{flow},{oil},{}\n", quoted(alarm, '"')));
        }
        let head = "skip_lines = 1\npreamble = ['Start: (?<start>.+)']";
        let at = "{ from = [\"preamble:start\", \"Min\"], format = \"%Y-%m-%d %H:%M\", elapsed = \"min\" }";
        prop_assert_eq!(&rows(head, at, &counted), &expected, "{}", counted);
    }
}
