//! A tall file larger than what is held whole: the store holds what the file read whole gives.

use std::fmt::Write as _;

use crate::binary::{export, succeed};
use crate::cli::write;
use crate::pieces::check;

const CONFIG: &str = r#"
[store]
path = "store"

[[source]]
name = "log"
table = "readings"
files = ["log/*.csv"]
layout = "tall"
timezone = "America/Chicago"
[source.tall]
tag = "Tag"
value = "V"
pattern = '(?<unit_id>[A-Z]+-\d+)[.](?<signal>\w+)'
[source.columns]
at = { from = "Time", format = "%Y-%m-%d %H:%M" }
oil_flow_lpm = { signal = "Q", unit = "L/min" }
chamber_pressure_kpa = { signal = "P", unit = "kPa", reference = "vacuum" }
ambient_kpa = { signal = "B", unit = "kPa" }
alarm = { signal = "Alarm" }
"#;

/// What the clock of the plant shows a quarter of an hour at a time, from 2024-10-20 on: through the
/// night of 3 November, whose second hour comes twice.
fn clock(quarter: u32) -> String {
    let set_back = 14 * 96 + 8;
    let shown = if quarter < set_back {
        quarter
    } else {
        quarter - 4
    };
    let (day, rest) = (shown / 96, shown % 96);
    let (month, day) = if day < 12 {
        (10, 20 + day)
    } else if day < 42 {
        (11, day - 11)
    } else {
        (12, day - 41)
    };
    format!(
        "2024-{month:02}-{day:02} {:02}:{:02}",
        rest / 4,
        rest % 4 * 15
    )
}

/// One tag after the other, as a historian writes them, with lines that are kept out, said twice or
/// corrected; more than 16 MB of text.
fn historian(units: std::ops::RangeInclusive<u32>, n_quarters: u32) -> String {
    let mut text = String::from("Tag,Time,V\n");
    for unit in units {
        for tag in ["P", "Alarm", "Q", "X", "B"] {
            for quarter in 0..n_quarters {
                let at = clock(quarter);
                let salt = (unit * 31 + quarter * 7) % 101;
                let value = match (tag, salt) {
                    (_, 0) => "?".to_owned(),
                    ("P", salt) => format!("{}", 90 + salt % 12),
                    ("B", salt) => format!("{}", 96 + salt % 6),
                    ("Alarm", salt) if salt % 40 == 1 => "\"low\nlevel\"".to_owned(),
                    ("Alarm", _) => String::new(),
                    (_, salt) => format!("{}", 40 + salt),
                };
                if tag == "X" && quarter % 50 > 0 {
                    continue;
                }
                writeln!(text, "U-{unit}.{tag},{at},{value}").unwrap();
                match salt {
                    1 => writeln!(text, "U-{unit}.{tag},{at},{value}").unwrap(),
                    2 => writeln!(text, "U-{unit}.{tag},{at},41").unwrap(),
                    3 => writeln!(text, "U-{unit}.{tag},soon,{value}").unwrap(),
                    _ => {}
                }
            }
        }
    }
    text
}

#[test]
fn a_large_tall_file_is_stored_as_if_it_were_read_whole() {
    let text = historian(1..=45, 4_000);
    assert!(text.len() > 17 << 20, "{}", text.len());
    // Small files, which are held whole: what a line becomes hangs on no other unit.
    let small: Vec<(String, Vec<u8>)> = [1..=15, 16..=30, 31..=45]
        .into_iter()
        .map(|units| {
            let name = format!("{:02}.csv", units.start());
            (name, historian(units, 4_000).into_bytes())
        })
        .collect();
    assert!(small.iter().all(|(_, bytes)| bytes.len() < 15 << 20));
    let small: Vec<(&str, Vec<u8>)> = small
        .iter()
        .map(|(name, bytes)| (name.as_str(), bytes.clone()))
        .collect();
    check(CONFIG, &[("log.csv", text.into_bytes())], &small);
}

#[test]
fn a_rebuild_from_a_large_tall_file_gives_what_is_stored() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    write(folder, "drydown.toml", CONFIG);
    write(folder, "log/log.csv", historian(1..=45, 4_000));
    succeed(folder, &["ingest"]);
    let tables = ["readings", "rejects", "loads"];
    let before = tables.map(|table| export(folder, table));
    succeed(folder, &["ingest", "--again", "log"]);
    let after = tables.map(|table| export(folder, table));
    for ((table, before), after) in tables.iter().zip(&before).zip(&after) {
        assert!(!before.is_empty(), "{table}");
        assert!(before == after, "{table}");
    }
    let scratch = std::fs::read_dir(folder.join("store"))
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .find(|name| name.starts_with(".tmp"));
    assert_eq!(scratch, None, "the scratch file stays");
}
