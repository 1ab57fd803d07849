//! From bytes as found: encodings, byte-order marks, compression.

use std::io::{Cursor, Write};

use super::harness::Case;

const ALARM: &str = r#"
    table = "readings"
    [columns]
    unit_id = { from = "Unit" }
    at = { from = "Time", format = "rfc3339" }
    oil_inlet_degc = { from = "Öl °F", unit = "°F" }
    alarm = { from = "Störung" }
"#;

const TEXT: &str = "Unit,Time,Öl °F,Störung\nU-1,2026-03-01T10:00:00Z,149,Überdruck – 2 µm\n";

const ROW: &str = "
    unit_id | at | oil_inlet_degc | alarm
    U-1 | 2026-03-01T10:00:00Z | 65 | Überdruck – 2 µm
";

fn in_encoding(label: &str) -> String {
    format!(
        "encoding = \"{label}\"\n{}",
        super::harness::dedented(ALARM)
    )
}

fn utf16(text: &str, to_bytes: fn(u16) -> [u8; 2]) -> Vec<u8> {
    text.encode_utf16().flat_map(to_bytes).collect()
}

#[test]
fn every_encoding_gives_the_same_row() {
    // The bytes of windows-1252 are the code chart's: Ö D6, ° B0, ö F6, Ü DC, – 96, µ B5.
    let windows = TEXT
        .chars()
        .map(|c| match c {
            '–' => 0x96,
            c => u8::try_from(u32::from(c)).unwrap(),
        })
        .collect::<Vec<u8>>();
    let cases: [(&str, Vec<u8>); 8] = [
        ("utf-8", TEXT.as_bytes().to_vec()),
        ("utf-8", [b"\xef\xbb\xbf", TEXT.as_bytes()].concat()),
        ("windows-1252", windows.clone()),
        ("iso-8859-1", windows),
        ("utf-16le", utf16(TEXT, u16::to_le_bytes)),
        ("utf-16be", utf16(TEXT, u16::to_be_bytes)),
        // A mark wins over what the source states.
        (
            "windows-1252",
            utf16(&format!("\u{feff}{TEXT}"), u16::to_le_bytes),
        ),
        ("utf-8", utf16(&format!("\u{feff}{TEXT}"), u16::to_be_bytes)),
    ];
    for (label, bytes) in cases {
        Case::new(&in_encoding(label)).bytes(&bytes).gives(ROW);
    }
}

#[test]
fn a_nul_byte_makes_no_new_unit() {
    Case::new(&in_encoding("utf-8"))
        .bytes("Unit,Time,Öl °F,Störung\nU\0-1,2026-03-01T10:00:00Z,149,\nU-1,2026-03-01T10:00:00Z,149,a\0\n".as_bytes())
        .gives(
            "
            unit_id | oil_inlet_degc | alarm
            U-1 | 65 | -
            ! 2 row [U\0-1,2026-03-01T10:00:00Z,149,] ~ found a NUL byte
            ! 3 alarm [a\0] ~ found a NUL byte
            = 2/1/0/0/1/0
            ",
        );
}

#[test]
fn text_in_another_encoding_is_told_and_numbers_are_still_read() {
    Case::new(
        r#"
        table = "readings"
        [columns]
        unit_id = { from = "Unit" }
        at = { from = "Time", format = "rfc3339" }
        oil_flow_lpm = { from = "Q", unit = "L/min" }
        alarm = { from = "Alarm" }
        "#,
    )
    .bytes(
        b"Unit,Time,Q,Alarm\nU-1,2026-03-01T10:00:00Z,60,\xdcberdruck\nU\xb0,2026-03-01T10:00:00Z,61,\n",
    )
    .gives(
        "
        unit_id | oil_flow_lpm | alarm
        U-1 | 60 | -
        ! 2 alarm [\u{fffd}berdruck] ~ check the source's encoding
        ! 3 row [U\u{fffd},2026-03-01T10:00:00Z,61,] ~ check the source's encoding
        ",
    );
}

fn gzip(text: &[u8]) -> Vec<u8> {
    let mut out = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::default());
    out.write_all(text).unwrap();
    out.finish().unwrap()
}

fn zip(members: &[(&str, &[u8])]) -> Vec<u8> {
    let mut out = ::zip::ZipWriter::new(Cursor::new(Vec::new()));
    for (name, bytes) in members {
        let options = ::zip::write::SimpleFileOptions::default();
        if name.ends_with('/') {
            out.add_directory(*name, options).unwrap();
        } else {
            out.start_file(*name, options).unwrap();
            out.write_all(bytes).unwrap();
        }
    }
    out.finish().unwrap().into_inner()
}

#[test]
fn every_compression_gives_the_same_row() {
    let text = TEXT.as_bytes();
    let (first, second) = text.split_at(31);
    let cases: [(&str, Vec<u8>); 6] = [
        ("gzip", gzip(text)),
        // RFC 1952, section 2.2: members after each other are one file.
        ("two gzip members", [gzip(first), gzip(second)].concat()),
        ("zstd", zstd::encode_all(text, 3).unwrap()),
        // RFC 8878, section 3: frames after each other are one file.
        (
            "two zstd frames",
            [
                zstd::encode_all(first, 3).unwrap(),
                zstd::encode_all(second, 19).unwrap(),
            ]
            .concat(),
        ),
        ("zip", zip(&[("log.csv", text)])),
        (
            "zip with a folder",
            zip(&[("logs/", b""), ("logs/log.csv", text)]),
        ),
    ];
    for (name, bytes) in cases {
        // What the file is called does not matter.
        for file in ["log.csv", "log.csv.gz", "log.dat"] {
            Case::new(ALARM).named(file).bytes(&bytes).gives(ROW);
        }
        assert!(!bytes.is_empty(), "{name}");
    }
}

#[test]
fn compressed_text_in_another_encoding() {
    Case::new(&in_encoding("utf-16le"))
        .bytes(&gzip(&utf16(TEXT, u16::to_le_bytes)))
        .gives(ROW);
}
