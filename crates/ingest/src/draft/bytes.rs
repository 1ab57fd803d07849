//! From the bytes of an unknown file to its text: what is none is refused, the encoding is found.

use encoding_rs::Encoding;

use super::DraftError;
use crate::text::{TextRule, decode_text};

/// Bytes in which markup shows itself.
const MARKUP_BYTES: usize = 256;
/// Text unpacked at most, bytes.
pub(super) const MAX_TEXT: usize = 1 << 30;

/// Formats that are not text and tell it by their first bytes.
pub(super) fn refuse_known_binary(bytes: &[u8]) -> Result<(), DraftError> {
    const KNOWN: &[(&[u8], &str)] = &[
        (b"\x7fELF", "a program (ELF)"),
        (b"MZ\x90", "a program"),
        (b"%PDF", "a PDF document: export the table as CSV"),
        (
            b"\xd0\xcf\x11\xe0",
            "an older workbook: save it as .xlsx or CSV",
        ),
        (b"PAR1", "a Parquet file"),
        (b"SQLite format 3", "a database file"),
        (b"\x89PNG", "an image"),
        (b"\xff\xd8\xff", "an image"),
        (b"7z\xbc\xaf", "a 7z archive: unpack it"),
        (b"Rar!", "a RAR archive: unpack it"),
    ];
    /// Texts that are no table, by what they begin with behind blanks and a byte-order mark.
    const MARKUP: &[(&str, &str)] = &[
        ("<html", HTML),
        ("<!doctype html", HTML),
        ("<table", HTML),
        ("<?xml", XML),
    ];
    const HTML: &str = "a page in HTML, as some programs name .xls: open it in a spreadsheet and save it as .xlsx or CSV";
    const XML: &str = "a document in XML: open it in a spreadsheet and save it as .xlsx or CSV";
    let head = String::from_utf8_lossy(bytes.get(..MARKUP_BYTES).unwrap_or(bytes)).to_lowercase();
    let head = head.trim_start_matches(|c: char| c.is_whitespace() || c == '\u{feff}');
    if let Some((_, what)) = MARKUP.iter().find(|(mark, _)| head.starts_with(mark)) {
        return Err(DraftError::NotText {
            found: (*what).to_owned(),
        });
    }
    match KNOWN.iter().find(|(mark, _)| bytes.starts_with(mark)) {
        Some((_, what)) => Err(DraftError::NotText {
            found: (*what).to_owned(),
        }),
        None => Ok(()),
    }
}

/// The text, and the encoding that reads all of it.
pub(super) fn decode(bytes: &[u8]) -> Result<(String, &'static str), DraftError> {
    let in_encoding =
        |encoding: &'static Encoding| decode_text(bytes, &TextRule::of(encoding), MAX_TEXT);
    let utf8 = in_encoding(encoding_rs::UTF_8)?;
    let marked = if bytes.starts_with(b"\xff\xfe") {
        Some("utf-16le")
    } else if bytes.starts_with(b"\xfe\xff") {
        Some("utf-16be")
    } else {
        None
    };
    if let Some(label) = marked {
        return checked(utf8.text, label);
    }
    // Every other byte of plain letters in UTF-16 is zero.
    let zeros = |odd: usize| {
        let bytes = utf8.text.as_bytes();
        let bytes = bytes.get(..bytes.len().min(4096)).unwrap_or(bytes);
        bytes
            .iter()
            .skip(odd)
            .step_by(2)
            .filter(|byte| **byte == 0)
            .count()
            * 5
            > bytes.len() * 2
    };
    if !utf8.traits.malformed || utf8.text.contains('\0') {
        for (odd, encoding, label) in [
            (1, encoding_rs::UTF_16LE, "utf-16le"),
            (0, encoding_rs::UTF_16BE, "utf-16be"),
        ] {
            if zeros(odd) {
                return checked(in_encoding(encoding)?.text, label);
            }
        }
    }
    if utf8.traits.malformed {
        // Every byte means something in it.
        return checked(in_encoding(encoding_rs::WINDOWS_1252)?.text, "windows-1252");
    }
    checked(utf8.text, "utf-8")
}

/// Refuses what is no text: letters and line ends have few control characters among them.
fn checked(text: String, label: &'static str) -> Result<(String, &'static str), DraftError> {
    let (mut n_chars, mut n_odd) = (0_usize, 0_usize);
    let mut last = ' ';
    for c in text.chars().take(1 << 16) {
        n_chars += 1;
        let is_odd = c.is_control() && !matches!(c, '\t' | '\n' | '\r' | '\u{c}' | '\u{85}');
        // A stretch of NUL is one fault: a logger that lost its power leaves it.
        let goes_on = c == '\0' && last == '\0';
        n_odd += usize::from(!goes_on && (is_odd || c == '\u{fffd}'));
        last = c;
    }
    if n_odd * 500 > n_chars {
        return Err(DraftError::NotText {
            found: format!("{n_odd} control characters among the first {n_chars} characters"),
        });
    }
    Ok((text, label))
}
