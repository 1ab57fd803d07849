//! Pieces give what the whole gives.

use super::*;
use crate::reader::FileInput;
use crate::source::SourceSpec;

const SOURCE: &str = r#"
name = "log"
table = "readings"
files = ["*"]
layout = "wide"
timezone = "America/Chicago"
skip_lines = 1
[columns]
unit_id = { from = "Unit" }
at = { from = "Time", format = "%Y-%m-%d %H:%M" }
oil_flow_lpm = { from = "Q", unit = "L/min" }
chamber_pressure_kpa = { from = "V", unit = "kPa", reference = "vacuum" }
alarm = { from = "Alarm" }
"#;

/// Everything that reading gave, row by row and reject by reject.
fn shown(all: &[FileRows]) -> Vec<String> {
    let mut out = Vec::new();
    let mut sums = [0; 3];
    for rows in all {
        let text = |cell: u64| rows.pool.get(cell).unwrap_or("-").to_owned();
        let crate::rows::Body::Wide { columns } = &rows.body else {
            panic!("wide")
        };
        for row in 0..rows.n_rows() {
            let cells: Vec<String> = columns
                .iter()
                .map(|(place, cells)| {
                    let spec = &rows.table.columns[*place];
                    match spec.kind {
                        drydown_schema::ColumnKind::Text => text(cells[row]),
                        _ => format!("{:x}", cells[row]),
                    }
                })
                .collect();
            out.push(format!(
                "{} {} {:x} {}",
                rows.lines[row],
                text(rows.keys[0][row]),
                rows.keys[1][row],
                cells.join(" ")
            ));
        }
        out.extend(rows.rejects.iter().map(|reject| format!("{reject:?}")));
        let counts = rows.counts;
        sums = [
            sums[0] + counts.rows_in,
            sums[1] + counts.rows_rejected,
            sums[2] + counts.rows_ignored,
        ];
    }
    out.sort();
    out.push(format!("{sums:?}"));
    out
}

fn check(text: &str, aim: usize, n_pieces: usize) {
    check_with(SOURCE, text, aim, n_pieces);
}

fn check_with(source: &str, text: &str, aim: usize, n_pieces: usize) {
    let spec: SourceSpec = toml::from_str(source).unwrap();
    let source = spec.compile().unwrap();
    let site = SiteContext::default();
    let input = FileInput {
        name: "log 2026-10-31.csv",
        bytes: text.as_bytes(),
        loaded_at: "2026-12-01".parse().unwrap(),
        max_text: 1 << 20,
    };
    let whole = source.read_file(&input, &site);
    let hashes = source.file_hashes(input.name, input.bytes);
    let names = source.names_in(input.bytes, aim, 1 << 20).unwrap();
    let pieces = source.pieces(input.bytes, aim, 1 << 20).unwrap();
    let mut pieces = pieces.named(names);
    assert!(source.reads_in_pieces());
    let next = Box::new(move || pieces.read());
    let mut reader = PieceReader::open(&source, &site, input.head(&hashes), next).unwrap();
    let mut all = Vec::new();
    let one_by_one = |file: &WideFile<'_>, pieces: &[Piece]| {
        pieces.iter().map(|piece| file.read_alone(piece)).collect()
    };
    while let Some(rows) = reader.read(n_pieces, &one_by_one).unwrap() {
        all.extend(rows);
    }
    assert_eq!(shown(&all), shown(&[whole]), "{aim} {n_pieces}\n{text}");
}

proptest::proptest! {
    /// The night the clock goes back, two units, a changed header, quotes, rubbish: cut anywhere.
    #[test]
    fn pieces_give_what_the_whole_gives(
        lines in proptest::collection::vec((0..40_u32, 0..2_u8, 0..30_u8), 0..60),
        aim in 20_usize..400,
        n_pieces in 1_usize..4,
    ) {
        let mut text = String::from("A title\nUnit,Time,Q,V,Alarm\n");
        let mut minute = 0;
        for (step, unit, kind) in lines {
            minute += step;
            let (hour, rest) = (minute / 60, minute % 60);
            // On the clock: 00:00 … 01:59, 01:00 … 01:59 again, 02:00 …
            let shown = if hour >= 2 { hour - 1 } else { hour };
            let unit = ["U-1", "U-2"][usize::from(unit)];
            text.push_str(&match kind {
                0 => "Unit,Time,V,Q,Alarm\n".to_owned(),
                1 => "rubbish\n".to_owned(),
                2 => format!("{unit},2026-11-01 {shown:02}:{rest:02},x,90,\"low\nlevel\"\n"),
                3 => format!("{unit},2026-11-01 {shown:02}:{rest:02},60,500,\n"),
                _ => format!("{unit},2026-11-01 {shown:02}:{rest:02},6{kind},9{},\n", kind % 10),
            });
        }
        check(&text, aim, n_pieces);
    }
}

#[test]
fn a_unit_that_paused_for_some_pieces_still_has_its_neighbour() {
    let mut text = String::from("title\nUnit,Time,Q,V,Alarm\nU-1,2026-11-01 00:50,60,90,\n");
    for minute in 51..59 {
        text.push_str(&format!("U-2,2026-11-01 00:{minute},60,90,\n"));
    }
    text.push_str("U-1,2026-11-01 01:00,61,90,\nU-2,2026-11-01 04:00,60,90,\n");
    for aim in [40, 70, 100] {
        check(&text, aim, 2);
    }
}

#[test]
fn other_quotes_widths_and_headers_of_two_lines_in_pieces() {
    let quoted = SOURCE
        .replace(
            "skip_lines = 1",
            "skip_lines = 1\nquote = \"'\"\nheader_lines = 2",
        )
        .replace("from = \"Q\"", "from = \"Q L/min\"");
    let mut text = String::from("a 'title\n'Unit','Time',Q,V,'Alarm'\n,,L/min,,\n");
    let fixed = SOURCE.replace(
        "skip_lines = 1",
        "skip_lines = 1\nwidths = [5, 17, 4, 4, 9]",
    );
    let mut lines = String::from("a title\nUnit Time             Q   V   Alarm\n");
    for n in 0..40 {
        text.push_str(&match n % 8 {
            1 => format!("'U-1','2026-03-01 00:{n}',60,90,'two ''\nlines, \"and\" more'\n"),
            2 => "'Unit','Time',Q,V,'Alarm'\n".to_owned(),
            3 => ",,L/min,,\n".to_owned(),
            4 if n > 30 => "'Unit','Time',V,Q,'Alarm'\n".to_owned(),
            5 => format!("'U-1','2026-03-01 00:{n}',60,90,'never closed\n"),
            _ => format!("U-1,2026-03-01 00:{n:02},60,90,\"low\n"),
        });
        lines.push_str(&match n % 8 {
            1 => format!("U-1  2026-03-01 00:{n:02} 60  90  \"low\n"),
            2 => "U-1  2026-03-01 00:02 6012390 \n".to_owned(),
            3 => "\n".to_owned(),
            _ => format!("U-ä  2026-03-01 00:{n:02} 60.590 \n"),
        });
    }
    for aim in [1, 20, 47, 100, 300] {
        check_with(&quoted, &text, aim, 2);
        check_with(&fixed, &lines, aim, 2);
    }
    check_with(&quoted, "title\n'Unit','Time',Q,V,'Alarm'\n", 5, 2);
}

#[test]
fn what_stands_before_the_header_is_known_to_every_piece() {
    let head = "skip_until = '^Time,'\npreamble = ['Unit: (?<unit_id>\\S+)']";
    let source = SOURCE.replace("skip_lines = 1", head);
    let source = source.replace("unit_id = { from = \"Unit\" }", "");
    let mut text = String::from("Plant \"north\nUnit: U-7\n\nTime,Q,V,Alarm\n");
    for n in 0..300 {
        let alarm = if n % 7 == 0 { "\"low\nlevel\"" } else { "" };
        let at = format!("2026-03-0{} 10:{:02}", 1 + n / 60, n % 60);
        text.push_str(&format!("{at},6{},90,{alarm}\n", n % 10));
    }
    for text in [&text, &text.replace('"', "").replace("low\nlevel", "low")] {
        for (word, other) in [("Unit", "Unit"), ("Unit", "Machine"), ("Time,", "When,")] {
            for aim in [1, 40, 300, 2_000] {
                check_with(&source, &text.replace(word, other), aim, 2);
            }
        }
    }
}

#[test]
fn a_file_without_a_record_has_no_rows() {
    check("", 10, 2);
    check("title\n\n\n", 1, 2);
    check("title\nUnit,Time,Q,V,Alarm", 1, 2);
}

/// A day once for all its rows, a unit once for all its days, in columns and in the file's name.
const FILLED: &str = r#"
name = "log"
table = "readings"
files = ["*"]
timezone = "America/Chicago"
fill_down = ["Unit", "Day", "Alarm"]
[columns]
unit_id = { from = "Unit" }
at = { from = ["Day", "Time"], format = "%Y-%m-%d %H:%M" }
oil_flow_lpm = { from = "Q", unit = "L/min" }
chamber_pressure_kpa = { from = "V", unit = "kPa", reference = "vacuum" }
alarm = { from = "Alarm" }
"#;

proptest::proptest! {
    #[test]
    fn cells_told_once_in_pieces(
        lines in proptest::collection::vec((0..400_u32, 0..5_u8, 0..40_u8), 0..60),
        aim in 1_usize..300,
        n_pieces in 1_usize..4,
    ) {
        let mut text = String::from("Unit,Day,Time,Q,V,Alarm\n");
        let mut minute = 20 * 60;
        for (step, unit, kind) in lines {
            minute += step;
            let (hour, rest) = (minute / 60 % 24, minute % 60);
            let unit = ["U-1", "\"U \"\"2\"\"\"", "", " ", ""][usize::from(unit)];
            let day = if kind % 9 == 0 { "2026-10-31" } else { "" };
            text.push_str(&match kind {
                0 => "Unit,Day,Time,Q,V,Alarm\n".to_owned(),
                1 => "rubbish\n".to_owned(),
                2 => "Unit,Day,Time,V,Q,Alarm\n".to_owned(),
                3 => ",,,,,\n".to_owned(),
                4 => format!("{unit},{day},{hour:02}:{rest:02},x,90,\"low\nlevel\"\n"),
                _ => format!("{unit},{day},{hour:02}:{rest:02},6{kind},9{},\n", kind % 10),
            });
        }
        check_with(FILLED, &text, aim, n_pieces);
        // The day in the file's name, or above the header, and midnights passed in the lines.
        let filled = "fill_down = [\"Unit\", \"Day\", \"Alarm\"]";
        let named = FILLED
            .replace(filled, "file_name = '(?<day>[\\d-]+)'")
            .replace("[\"Day\", \"Time\"]", "[\"file_name:day\", \"Time\"]");
        check_with(&named, &text, aim, n_pieces);
        let preamble = FILLED
            .replace(filled, "skip_lines = 1\npreamble = ['(?<day>[\\d-]+)']")
            .replace("[\"Day\", \"Time\"]", "[\"preamble:day\", \"Time\"]");
        check_with(&preamble, &format!("Log of 2026-10-31\n{text}"), aim, n_pieces);
    }

    #[test]
    fn objects_in_pieces(
        lines in proptest::collection::vec((0..4_u8, 0..12_u8), 0..50),
        aim in 1_usize..300,
        n_pieces in 1_usize..4,
    ) {
        let source = r#"
name = "log"
table = "readings"
files = ["*"]
layout = "json"
timezone = "America/Chicago"
[columns]
unit_id = { from = "unit" }
at = { from = "t", format = "rfc3339" }
oil_flow_lpm = { from = "oil.flow", unit = "L/min" }
alarm = { from = "alarm" }
"#;
        let mut text = String::new();
        for (n, (unit, kind)) in lines.into_iter().enumerate() {
            let head = format!("{{\"unit\": \"U-{unit}\", \"t\": \"2026-11-01T00:{n:02}:00Z\"");
            text.push_str(&match kind {
                0 => "\n".to_owned(),
                1 => format!("{head}, \"oil\": {{\"flow\": NaN}}}}\n"),
                2 => format!("{head}, \"t\": 1}}\n"),
                3 => format!("{head}, \"alarm\": \"low \\\"oil\\\",\\nlevel\"}}\n"),
                4 => format!("{head}, \"late.{n}\": [1, 2], \"oil\": {{\"flow\": 5}}}}\n"),
                5 => "\"x\n".to_owned(),
                _ => format!("{head}, \"oil\": {{\"flow\": 6{kind}}}}}\n"),
            });
        }
        check_with(source, &text, aim, n_pieces);
    }
}

#[test]
fn a_list_of_objects_is_no_text_of_lines() {
    let spec = "name = \"log\"\ntable = \"readings\"\nfiles = [\"*\"]\nlayout = \"json\"\n[columns]\nunit_id = { from = \"u\" }\nat = { from = \"t\", format = \"rfc3339\" }\n";
    let spec: SourceSpec = toml::from_str(spec).unwrap();
    let source = spec.compile().unwrap();
    for (text, expected) in [
        ("[{}]", true),
        (" \n\n [", true),
        ("{}\n[", false),
        ("", false),
    ] {
        assert_eq!(
            source.is_one_list(text.as_bytes()).unwrap(),
            expected,
            "{text}"
        );
    }
}
