//! Archives of several files, and sheets of workbooks.

use std::io::{Cursor, Read as _, Write as _};

use super::super::harness::{read, source};
use crate::site::SiteContext;
use crate::source::Source;
use crate::text::workbook_for_tests::book;
use crate::text::{archive_members, read_member, with_member};

/// Longest file that is unpacked, in bytes.
const LIMIT: usize = 1 << 16;

/// An archive, sound or not: what is read of a member at once is what comes piece by piece.
pub(super) fn archive(bytes: &[u8]) {
    for member in archive_members(Cursor::new(bytes)).unwrap_or_default() {
        let content = read_member(Cursor::new(bytes), &member, LIMIT);
        assert!(content.bytes.len() <= LIMIT.max(bytes.len() + member.name.len()));
        let mut streamed = Vec::new();
        let found = with_member(Cursor::new(bytes), &member, |entry| {
            entry.take(LIMIT as u64 + 1).read_to_end(&mut streamed)
        });
        match content.error {
            None => {
                assert!(matches!(found, Ok(Ok(_))));
                assert_eq!(streamed, content.bytes);
            }
            Some(error) => {
                assert!(!error.to_string().is_empty());
                assert!(!matches!(found, Ok(Ok(_))) || streamed.len() > LIMIT);
            }
        }
    }
}

/// Files parted by a line `--`, the first line of each its name: packed, they come out as they went in.
pub(super) fn files(bytes: &[u8]) {
    let mut files: Vec<(String, Vec<u8>)> = Vec::new();
    for part in bytes.split(|byte| *byte == 0x1e) {
        let end = part.iter().position(|byte| *byte == b'\n');
        let (name, content) = part.split_at(end.unwrap_or(0));
        let name = String::from_utf8_lossy(name).into_owned();
        if !name.is_empty() && files.iter().all(|(other, _)| *other != name) {
            files.push((name, content.to_vec()));
        }
    }
    let mut out = zip::ZipWriter::new(Cursor::new(Vec::new()));
    for (name, content) in &files {
        let options = zip::write::SimpleFileOptions::default();
        if out.start_file(name.as_str(), options).is_err() {
            return;
        }
        out.write_all(content).unwrap();
    }
    let Ok(packed) = out.finish() else { return };
    let packed = packed.into_inner();
    let members = archive_members(Cursor::new(&packed)).unwrap_or_default();
    for member in &members {
        let content = read_member(Cursor::new(&packed), member, LIMIT);
        let written = files.iter().find(|(name, _)| *name == member.name);
        match content.error {
            None => assert_eq!(
                Some(&content.bytes),
                written.map(|(_, content)| content),
                "{}",
                member.name
            ),
            Some(error) => assert!(
                error.to_string().contains("inside an archive"),
                "{}: {error}",
                member.name
            ),
        }
    }
    archive(&packed);
}

thread_local! {
    static SHEETS: [Source; 2] = [
        r#"
        table = "readings"
        timezone = "America/Chicago"
        [columns]
        unit_id = { from = "Unit" }
        at = { from = "Time", format = "%Y-%m-%d %H:%M" }
        oil_flow_lpm = { from = "Flow", unit = "L/min" }
        water_activity = { from = "Water", unit = "%RS" }
        alarm = { from = "Alarm" }
        "#,
        r#"
        table = "samples"
        fill_down = ["Unit"]
        timezone = "UTC"
        [columns]
        lab = { value = "A" }
        sample_id = { from = "Unit" }
        taken_at = { from = "Time", format = "%d.%m.%Y" }
        water_ppm = { from = "Flow", unit = "ppm" }
        iso4406 = { from = "Alarm" }
        "#,
    ]
    .map(source);
}

/// The elements of a worksheet: whatever stands there, every record is accounted for.
pub(super) fn worksheet(bytes: &[u8]) {
    let body = String::from_utf8_lossy(bytes).into_owned();
    let workbook = book("", &[("Log", "visible")], &[body]);
    SHEETS.with(|sources| {
        for source in sources {
            read(source, "log.xlsx", &workbook, &SiteContext::default());
        }
    });
}
