//! Files larger than what is held whole, of the kinds that hang on their order or lie inside others:
//! the store holds what the same lines give in small files.

use std::fmt::Write as _;
use std::io::{Cursor, Write as _};

use crate::binary::{Rows, export, succeed};
use crate::cli::write;

/// More text than a file that is held whole has.
const LARGE: usize = 17 << 20;
/// Days of one line a minute.
const N_DAYS: u32 = 150;

const CONFIG: &str = r#"
[store]
path = "store"

[[source]]
name = "log"
table = "readings"
files = ["log/*"]
timezone = "Europe/Berlin"
"#;

const COLUMNS: &str = r#"
oil_flow_lpm = { from = "Q", unit = "L/min" }
chamber_pressure_kpa = { from = "V", unit = "kPa", reference = "vacuum" }
alarm = { from = "Alarm" }
"#;

/// The readings without their provenance, the counts, and the rejects without theirs.
fn stored(config: &str, files: &[(&str, Vec<u8>)]) -> (Rows, [usize; 3], Vec<String>) {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    write(folder, "drydown.toml", config);
    for (name, bytes) in files {
        write(folder, &format!("log/{name}"), bytes);
    }
    succeed(folder, &["ingest"]);
    let mut rows = export(folder, "readings");
    for row in &mut rows {
        row.remove("file_hash");
        row.remove("line");
    }
    let loads = export(folder, "loads");
    let sum = |column: &str| -> usize {
        let counts = loads
            .iter()
            .map(|row| row[column].parse::<usize>().unwrap());
        counts.sum()
    };
    let counts = [sum("rows_in"), sum("rows_kept"), sum("rows_rejected")];
    assert_eq!(counts[0], counts[1] + counts[2] + sum("rows_duplicate"));
    let mut rejects: Vec<String> = export(folder, "rejects")
        .iter()
        .map(|row| {
            ["column", "scope", "raw", "reason"]
                .map(|column| row[column].as_str())
                .join("|")
        })
        .collect();
    rejects.sort();
    (rows, counts, rejects)
}

/// Holds what is stored of large files against what is stored of small ones.
pub(crate) fn check(config: &str, large: &[(&str, Vec<u8>)], small: &[(&str, Vec<u8>)]) {
    let (found, expected) = (stored(config, large), stored(config, small));
    assert!(!expected.2.is_empty(), "nothing is rejected");
    assert_eq!(found.1, expected.1);
    assert_eq!(found.2, expected.2);
    assert_eq!(found.0.len(), expected.0.len());
    for (found, expected) in found.0.iter().zip(&expected.0) {
        assert_eq!(found, expected);
    }
}

/// A day's lines, one a minute: `line` writes one.
fn day(number: u32, line: &dyn Fn(u32, u32, &mut String)) -> String {
    let mut text = String::new();
    for minute in 0..24 * 60 {
        line(number, minute, &mut text);
    }
    text
}

/// The date of a day since 2025-01-01.
fn date(number: u32) -> String {
    let lengths = [31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31];
    let (mut left, mut month) = (number, 0);
    while left >= lengths[month] {
        left -= lengths[month];
        month += 1;
    }
    format!("2025-{:02}-{:02}", month + 1, left + 1)
}

/// What a line says of flow, pressure and alarm, with what cannot be read now and then.
fn values(number: u32, minute: u32) -> (String, String, &'static str) {
    let salt = (number * 1440 + minute) % 997;
    let flow = if salt == 5 {
        "?".to_owned()
    } else {
        format!("{}.{salt:04}", 40 + salt % 30)
    };
    let alarm = if salt == 9 { "low level, \"tank\"" } else { "" };
    (flow, format!("{}.25", 80 + salt % 15), alarm)
}

fn halves(head: &str, days: &[String]) -> (Vec<u8>, [Vec<u8>; 2]) {
    let (first, second) = days.split_at(days.len() / 2);
    let of = |days: &[String]| format!("{head}{}", days.concat()).into_bytes();
    (of(days), [of(first), of(second)])
}

#[test]
fn cells_told_once_in_a_large_file() {
    let config = format!(
        "{CONFIG}fill_down = [\"Unit\", \"Day\"]\n[source.columns]\nunit_id = {{ from = \"Unit\" }}\n\
         at = {{ from = [\"Day\", \"Time\"], format = \"%Y-%m-%d %H:%M\" }}\n{COLUMNS}"
    );
    let line = |number: u32, minute: u32, text: &mut String| {
        let (flow, vacuum, alarm) = values(number, minute);
        let (unit, day) = match minute {
            0 => (format!("U-{}", number % 3), date(number)),
            _ => (String::new(), String::new()),
        };
        let alarm = alarm.replace('"', "\"\"");
        let note = "x".repeat(70);
        writeln!(
            text,
            "{unit},{day},{:02}:{:02},{flow},{vacuum},\"{alarm}\",{note}",
            minute / 60,
            minute % 60
        )
        .unwrap();
    };
    let days: Vec<String> = (0..N_DAYS).map(|number| day(number, &line)).collect();
    let (whole, [first, second]) = halves("Unit,Day,Time,Q,V,Alarm,Note\n", &days);
    assert!(whole.len() > LARGE, "{}", whole.len());
    check(
        &config,
        &[("a.csv", whole)],
        &[("a.csv", first), ("b.csv", second)],
    );
}

#[test]
fn times_of_a_day_in_the_name_of_a_large_file() {
    let config = format!(
        "{CONFIG}file_name = '(?<unit_id>U-\\d+)_(?<day>[\\d-]+)'\n[source.columns]\n\
         at = {{ from = [\"file_name:day\", \"Time\"], format = \"%Y-%m-%d %H:%M:%S\" }}\n{COLUMNS}"
    );
    // Four lines a minute: the midnights come in the middle of pieces.
    let line = |number: u32, minute: u32, text: &mut String| {
        for second in [0, 15, 30, 45] {
            let (flow, vacuum, _) = values(number, minute + second);
            let (hour, minute) = (minute / 60, minute % 60);
            let note = "x".repeat(60);
            writeln!(
                text,
                "{hour:02}:{minute:02}:{second:02},{flow},{vacuum},,{note}"
            )
            .unwrap();
        }
    };
    let days: Vec<String> = (0..40).map(|number| day(number, &line)).collect();
    let (whole, [first, second]) = halves("Time,Q,V,Alarm,Note\n", &days);
    assert!(whole.len() > LARGE, "{}", whole.len());
    let name = |number: u32| format!("U-7_{}.csv", date(number));
    check(
        &config,
        &[(&name(0), whole)],
        &[(&name(0), first), (&name(20), second)],
    );
}

#[test]
fn objects_in_a_large_file() {
    let config = format!(
        "{CONFIG}layout = \"json\"\n[source.columns]\nunit_id = {{ from = \"unit\" }}\n\
         at = {{ from = \"t\", format = \"%Y-%m-%d %H:%M\" }}\n\
         oil_flow_lpm = {{ from = \"oil.flow\", unit = \"L/min\" }}\n\
         chamber_pressure_kpa = {{ from = \"V\", unit = \"kPa\", reference = \"vacuum\" }}\n\
         alarm = {{ from = \"alarm\" }}\n"
    );
    let line = |number: u32, minute: u32, text: &mut String| {
        let (flow, vacuum, alarm) = values(number, minute);
        let flow = if flow == "?" { "NaN" } else { &flow };
        let alarm = match alarm {
            "" => String::new(),
            alarm => format!(", \"alarm\": \"{}\"", alarm.replace('"', "\\\"")),
        };
        writeln!(
            text,
            "{{\"unit\": \"U-{}\", \"t\": \"{} {:02}:{:02}\", \"oil\": {{\"flow\": {flow}}}, \"V\": {vacuum}{alarm}}}",
            number % 3,
            date(number),
            minute / 60,
            minute % 60
        )
        .unwrap();
    };
    let days: Vec<String> = (0..170).map(|number| day(number, &line)).collect();
    let (whole, [first, second]) = halves("", &days);
    assert!(whole.len() > LARGE, "{}", whole.len());
    check(
        &config,
        &[("a.json", whole)],
        &[("a.json", first), ("b.json", second)],
    );
}

#[test]
fn a_large_file_of_an_archive() {
    let config = format!(
        "{CONFIG}file_name = '/(?<unit_id>U-\\d+)/log'\n[source.columns]\n\
         at = {{ from = \"Time\", format = \"%Y-%m-%d %H:%M\" }}\n{COLUMNS}"
    );
    let line = |number: u32, minute: u32, text: &mut String| {
        let (flow, vacuum, alarm) = values(number, minute);
        let alarm = alarm.replace('"', "\"\"");
        let (day, note) = (date(number), "x".repeat(70));
        let (hour, minute) = (minute / 60, minute % 60);
        writeln!(
            text,
            "{day} {hour:02}:{minute:02},{flow},{vacuum},\"{alarm}\",{note}"
        )
        .unwrap();
    };
    let days: Vec<String> = (0..N_DAYS).map(|number| day(number, &line)).collect();
    let (whole, [first, second]) = halves("Time,Q,V,Alarm,Note\n", &days);
    assert!(whole.len() > LARGE, "{}", whole.len());
    let archive = |files: &[(&str, &[u8])]| {
        let mut zip = zip::ZipWriter::new(Cursor::new(Vec::new()));
        for (name, bytes) in files {
            let options = zip::write::SimpleFileOptions::default();
            zip.start_file(*name, options).unwrap();
            zip.write_all(bytes).unwrap();
        }
        zip.finish().unwrap().into_inner()
    };
    let large = archive(&[("U-1/log.csv", &whole), ("U-2/log.csv", &first)]);
    let small = archive(&[
        ("U-1/log.csv", &first),
        ("b/U-1/log.csv", &second),
        ("U-2/log.csv", &first),
    ]);
    check(&config, &[("a.zip", large.clone())], &[("a.zip", small)]);
    // A damaged one is one reject, and the other is read.
    let place = large.len() / 3;
    let mut damaged = large;
    damaged[place] ^= 0x55;
    let (rows, counts, rejects) = stored(&config, &[("a.zip", damaged)]);
    assert!(
        rows.iter().all(|row| row["unit_id"] == "U-2"),
        "{}",
        rows.len()
    );
    let whole = "no record of the file can be read";
    let n_whole = rejects
        .iter()
        .filter(|reject| reject.contains(whole))
        .count();
    let n_lines = 24 * 60 * N_DAYS as usize / 2;
    assert_eq!((n_whole, counts[0]), (1, n_lines + 1), "{counts:?}");
}
