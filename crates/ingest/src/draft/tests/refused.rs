//! What is no table is refused with what was found and what was expected.

use crate::draft::propose;

#[test]
fn what_is_no_text_is_refused() {
    let noise: Vec<u8> = (0..4000_u32)
        .map(|n| (n.wrapping_mul(2_654_435_761) >> 13) as u8)
        .collect();
    let zeros = vec![0_u8; 500];
    let cases: &[(&str, &[u8], &str)] = &[
        ("noise", &noise, "control characters"),
        ("zeros", &zeros, "control characters"),
        ("a program", b"\x7fELF\x02\x01\x01\0\0\0", "ELF"),
        (
            "an older workbook",
            b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1",
            "older workbook",
        ),
        ("a document", b"%PDF-1.7\n1,2\n3,4\n", "PDF"),
        (
            "a page called .xls",
            b"\xef\xbb\xbf\n<HTML><body><table><tr><td>1</td></tr></table>",
            "in HTML",
        ),
        (
            "a workbook in XML",
            b"<?xml version=\"1.0\"?>\n<Workbook>\n</Workbook>\n",
            "in XML",
        ),
        ("a damaged archive", &[0x1f, 0x8b, 8, 0, 1, 2, 3], "gzip"),
        ("nothing", b"", "empty"),
        ("blank lines", b"\n\n  \n", "empty"),
        ("one word", b"hello", "1 lines of text"),
        (
            "numbers without names",
            b"1,2,3\n4,5,6\n7,8,9\n",
            "3 lines of text",
        ),
        (
            "and how to give the names",
            b"1,2,3\n4,5,6\n7,8,9\n",
            "`header` gives them",
        ),
    ];
    for (what, bytes, said) in cases {
        let error = propose("x.bin", bytes).expect_err(what).to_string();
        assert!(error.contains(said), "{what}: {error}");
    }
}

#[test]
fn encodings_are_named_as_ingest_reads_them() {
    // windows-1252: – is 96, ° is B0; UTF-16 with its mark, either way round, and without.
    let text = "Time,Unit,Oil in – top (°F)\n2026-03-01 10:00,U-7,150\n2026-03-01 10:05,U-7,151\n";
    let windows: Vec<u8> = text
        .chars()
        .map(|c| {
            if c == '–' {
                0x96
            } else {
                u8::try_from(u32::from(c)).unwrap()
            }
        })
        .collect();
    let utf16 = |mark: &str, to_bytes: fn(u16) -> [u8; 2]| -> Vec<u8> {
        format!("{mark}{text}")
            .encode_utf16()
            .flat_map(to_bytes)
            .collect()
    };
    for (bytes, encoding) in [
        (text.as_bytes().to_vec(), "utf-8"),
        (windows, "windows-1252"),
        (utf16("\u{feff}", u16::to_le_bytes), "utf-16le"),
        (utf16("\u{feff}", u16::to_be_bytes), "utf-16be"),
        (utf16("", u16::to_le_bytes), "utf-16le"),
        (utf16("", u16::to_be_bytes), "utf-16be"),
    ] {
        let line = format!("encoding   = \"{encoding}\"");
        let oil = "oil_inlet_degc = { from = \"Oil in – top (°F)\", unit = \"[degF]\" }";
        super::check(encoding, "log.csv", &bytes, &[&line, oil], &[]);
    }
}
