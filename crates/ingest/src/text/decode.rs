//! Bytes as found to text: compression by content, then the character encoding.
//!
//! Gzip, zstd, zip and XLSX workbooks are recognised by their content, never by the file's name. A
//! byte-order mark wins over the encoding that the source states. The size of the
//! unpacked text is bounded, because a small archive can unpack to anything. What is neither text nor
//! packed text is refused by name.

use std::io::{Cursor, Read};

use encoding_rs::Encoding;

use super::gzip::GzipMembers;
use super::layer::{Layer, hides_entries, layer};
use super::workbook;
use crate::cells::DecimalMark;

/// Why the bytes of a file could not be turned into text.
#[derive(Debug, thiserror::Error)]
pub enum TextError {
    /// The compressed stream is damaged or ends early.
    #[error("the {kind} cannot be unpacked: {why}")]
    Damaged {
        /// `gzip`, `zstd`, `zip` or `workbook`.
        kind: &'static str,
        /// What the decoder said.
        why: String,
    },
    /// An archive with no file or with several.
    #[error("the zip archive holds {found} files, expected one")]
    Members {
        /// Number of files inside.
        found: usize,
    },
    /// An archive among the files of an archive.
    #[error("an archive inside an archive is not read: unpack it")]
    Nested,
    /// An archive with two files of one name, of which one would not be seen.
    #[error(
        "the zip archive holds two files of one name: unpack it, and give them names of their own"
    )]
    OneName,
    /// No text, and nothing that is unpacked.
    #[error("it is {kind}, which is not read: {advice}")]
    Foreign {
        /// What it is.
        kind: &'static str,
        /// What to do.
        advice: &'static str,
    },
    /// A workbook without the sheet that is wanted.
    #[error("{}", no_sheet(found, wanted.as_deref()))]
    NoSheet {
        /// Names of the sheets it has.
        found: Vec<String>,
        /// The sheet that the source names; None: any that is not hidden.
        wanted: Option<String>,
    },
    /// A sheet with a cell far to the right.
    #[error(
        "the sheet has a cell in column {column}, expected at most {limit}: clear what stands there"
    )]
    Wide {
        /// Column of the cell, 1-based.
        column: u32,
        /// Columns that are read.
        limit: u32,
    },
    /// More text than the caller allows.
    #[error("the unpacked text is longer than {limit} bytes")]
    TooLong {
        /// The limit that was passed.
        limit: usize,
    },
}

fn no_sheet(found: &[String], wanted: Option<&str>) -> String {
    let found: Vec<String> = found.iter().map(|name| format!("\"{name}\"")).collect();
    let found = found.join(", ");
    match wanted {
        Some(name) => format!("the workbook has no sheet \"{name}\"; it has {found}"),
        None => format!("the workbook has no sheet that shows; it has {found}"),
    }
}

/// How the bytes of a file become text.
#[derive(Clone, Copy, Debug)]
pub(crate) struct TextRule<'a> {
    pub(crate) encoding: &'static Encoding,
    /// How a sheet of a workbook is written out.
    pub(crate) delimiter: u8,
    pub(crate) mark: DecimalMark,
    /// The sheet to read; None: the first that shows.
    pub(crate) sheet: Option<&'a str>,
    /// Its records stand side by side.
    pub(crate) is_transposed: bool,
}

impl TextRule<'_> {
    /// Commas and points, the first sheet.
    pub(crate) const fn of(encoding: &'static Encoding) -> Self {
        Self {
            encoding,
            delimiter: b',',
            mark: DecimalMark::Point,
            sheet: None,
            is_transposed: false,
        }
    }
}

/// What the reader of cells must know of how the text came about.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Traits {
    /// Bytes that the encoding does not know became U+FFFD.
    pub(crate) malformed: bool,
    /// The text was a sheet: dates may be written as this program writes them.
    pub(crate) is_workbook: bool,
    /// Further sheets of the workbook that hold cells, where the source names none.
    pub(crate) n_unread_sheets: u32,
}

/// The text of a file.
#[derive(Debug)]
pub(crate) struct Decoded {
    /// The text, without its byte-order mark.
    pub(crate) text: String,
    pub(crate) traits: Traits,
}

/// Unpacks and decodes the bytes of one file.
///
/// # Errors
/// Damaged archives, archives that do not hold exactly one file, workbooks without the sheet, text
/// over `limit` bytes.
pub(crate) fn decode_text(
    bytes: &[u8],
    rule: &TextRule<'_>,
    limit: usize,
) -> Result<Decoded, TextError> {
    let plain: Vec<u8>;
    let plain: &[u8] = match unpack(bytes, rule, limit)? {
        Some(Unpacked::Sheet(sheet)) => {
            return Ok(Decoded {
                traits: sheet.traits(),
                text: sheet.text,
            });
        }
        Some(Unpacked::Bytes(unpacked)) => {
            plain = unpacked;
            &plain
        }
        None => bytes,
    };
    if plain.len() > limit {
        return Err(TextError::TooLong { limit });
    }
    let (text, _, malformed) = rule.encoding.decode(plain);
    let mut text = text.into_owned();
    // A lone carriage return ends a line only in files that know no line feed.
    if memchr::memchr(b'\n', text.as_bytes()).is_none() && text.contains('\r') {
        text = text.replace('\r', "\n");
    }
    settle_marks(&mut text, 0, true);
    let traits = Traits {
        malformed,
        ..Traits::default()
    };
    Ok(Decoded { text, traits })
}

/// Takes out the byte-order marks that begin a line, where files were joined into one, and the end mark
/// of older systems. `from`: what stands before was looked at; it is empty or ends where a text did.
pub(super) fn settle_marks(text: &mut String, from: usize, ended: bool) {
    const MARK: char = '\u{feff}';
    const END: char = '\u{1a}';
    let new = text.get(from..).unwrap_or("");
    if memchr::memmem::find(new.as_bytes(), MARK.to_string().as_bytes()).is_some() {
        let before = text.get(..from).unwrap_or("");
        let mut at_start = before.is_empty() || before.ends_with('\n');
        let mut kept = String::with_capacity(new.len());
        for c in new.chars() {
            if !(at_start && c == MARK) {
                kept.push(c);
                at_start = c == '\n';
            }
        }
        text.truncate(from);
        text.push_str(&kept);
    }
    if ended {
        text.truncate(text.trim_end_matches(END).len());
    }
}

/// What was inside.
pub(super) enum Unpacked {
    Bytes(Vec<u8>),
    Sheet(workbook::Sheet),
}

impl workbook::Sheet {
    pub(super) const fn traits(&self) -> Traits {
        Traits {
            malformed: false,
            is_workbook: true,
            n_unread_sheets: self.n_unread,
        }
    }
}

/// The unpacked bytes; None where the bytes are not compressed.
fn unpack(bytes: &[u8], rule: &TextRule<'_>, limit: usize) -> Result<Option<Unpacked>, TextError> {
    let outer = layer(bytes);
    let inner = match outer {
        Layer::Gzip => read_bounded(GzipMembers::new(bytes), limit, "gzip")?,
        Layer::Zstd => {
            let reader =
                zstd::stream::read::Decoder::new(bytes).map_err(|e| damaged("zstd", &e))?;
            read_bounded(reader, limit, "zstd")?
        }
        Layer::Zip => return open_zip(bytes, rule, limit, false).map(Some),
        Layer::Foreign(..) | Layer::Text => return outer.refused(false).map_or(Ok(None), Err),
    };
    inner_of(inner, rule, limit).map(Some)
}

/// What an archive holds: the sheet of a workbook, or its only file. `is_inner`: it was packed itself,
/// as a workbook may be.
pub(super) fn open_zip(
    bytes: &[u8],
    rule: &TextRule<'_>,
    limit: usize,
    is_inner: bool,
) -> Result<Unpacked, TextError> {
    if workbook::is_workbook(bytes)? {
        return workbook::to_text(bytes, rule, limit).map(Unpacked::Sheet);
    }
    if is_inner {
        return Err(TextError::Nested);
    }
    inner_of(unpack_zip(bytes, limit)?, rule, limit)
}

fn inner_of(bytes: Vec<u8>, rule: &TextRule<'_>, limit: usize) -> Result<Unpacked, TextError> {
    match layer(&bytes) {
        Layer::Zip => open_zip(&bytes, rule, limit, true),
        within => within.refused(true).map_or(Ok(Unpacked::Bytes(bytes)), Err),
    }
}

/// The only file of an archive.
fn unpack_zip(bytes: &[u8], limit: usize) -> Result<Vec<u8>, TextError> {
    let mut archive = zip::ZipArchive::new(Cursor::new(bytes)).map_err(|e| damaged("zip", &e))?;
    if hides_entries(Cursor::new(bytes), archive.len()).map_err(|e| damaged("zip", &e))? {
        return Err(TextError::OneName);
    }
    let mut members = Vec::new();
    for idx in 0..archive.len() {
        let member = archive.by_index(idx).map_err(|e| damaged("zip", &e))?;
        if member.is_file() && !member.name().is_ok_and(|name| is_shadow(&name)) {
            members.push(idx);
        }
    }
    let [only] = members[..] else {
        return Err(TextError::Members {
            found: members.len(),
        });
    };
    let member = archive.by_index(only).map_err(|e| damaged("zip", &e))?;
    read_bounded(member, limit, "zip")
}

/// What some desktops pack beside each file: its attributes, under nearly its name.
pub(super) fn is_shadow(name: &str) -> bool {
    let base = name.rsplit('/').next().unwrap_or(name);
    name.starts_with("__MACOSX/") || base.starts_with("._")
}

pub(super) fn read_bounded(
    reader: impl Read,
    limit: usize,
    kind: &'static str,
) -> Result<Vec<u8>, TextError> {
    let mut out = Vec::new();
    let ceiling = u64::try_from(limit).unwrap_or(u64::MAX).saturating_add(1);
    reader
        .take(ceiling)
        .read_to_end(&mut out)
        .map_err(|e| damaged(kind, &e))?;
    if out.len() > limit {
        return Err(TextError::TooLong { limit });
    }
    Ok(out)
}

pub(super) fn damaged(kind: &'static str, why: &dyn std::fmt::Display) -> TextError {
    TextError::Damaged {
        kind,
        why: why.to_string(),
    }
}

#[cfg(test)]
mod tests {
    use std::io::Write;

    use super::*;

    const LIMIT: usize = 1 << 20;
    const UTF_8: TextRule<'static> = TextRule::of(encoding_rs::UTF_8);

    fn text_of(bytes: &[u8], label: &str) -> String {
        let encoding = Encoding::for_label(label.as_bytes()).unwrap();
        decode_text(bytes, &TextRule::of(encoding), LIMIT)
            .unwrap()
            .text
    }

    #[test]
    fn encodings_and_marks() {
        let cases: &[(&str, &[u8], &str, &str)] = &[
            ("plain", b"a,b\n1,2\n", "utf-8", "a,b\n1,2\n"),
            (
                "degree sign in Latin-1",
                b"Oil \xb0F\n",
                "windows-1252",
                "Oil °F\n",
            ),
            (
                "a mark is not text",
                b"\xef\xbb\xbfTime\n",
                "utf-8",
                "Time\n",
            ),
            (
                "a mark wins over the label",
                b"\xff\xfeT\0\n\0",
                "windows-1252",
                "T\n",
            ),
            ("UTF-16 by label", b"T\0\n\0", "utf-16le", "T\n"),
            (
                "carriage returns alone end lines",
                b"a\rb\r",
                "utf-8",
                "a\nb\n",
            ),
            (
                "marks inside, where files were joined",
                b"\xef\xbb\xbfa\n\xef\xbb\xbfb\xef\xbb\xbf\n",
                "utf-8",
                "a\nb\u{feff}\n",
            ),
            (
                "the end mark of older systems",
                b"a\n1\x1a2\n\x1a\x1a",
                "utf-8",
                "a\n1\x1a2\n",
            ),
            (
                "beside line feeds they stay",
                b"a\r\nb\r\n",
                "utf-8",
                "a\r\nb\r\n",
            ),
        ];
        for (name, bytes, label, expected) in cases {
            assert_eq!(&text_of(bytes, label), expected, "{name}");
        }
    }

    #[test]
    fn malformed_bytes_are_told() {
        let malformed = |bytes| decode_text(bytes, &UTF_8, LIMIT).unwrap().traits.malformed;
        assert!(malformed(b"Oil \xb0F") && !malformed(b"Oil F"));
    }

    #[test]
    fn compression_is_found_by_content() {
        let plain = "Time,Vacuum\n".repeat(50);
        let mut gz = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
        gz.write_all(plain.as_bytes()).unwrap();
        let gz = gz.finish().unwrap();
        assert_eq!(text_of(&gz, "utf-8"), plain);
        // Two gzip members after each other are one file (RFC 1952, section 2.2).
        assert_eq!(
            text_of(&[gz.clone(), gz.clone()].concat(), "utf-8"),
            plain.repeat(2)
        );
        let zst = zstd::encode_all(plain.as_bytes(), 1).unwrap();
        assert_eq!(text_of(&zst, "utf-8"), plain);
        assert!(matches!(
            decode_text(&gz[..gz.len() - 9], &UTF_8, LIMIT),
            Err(TextError::Damaged { kind: "gzip", .. })
        ));
        assert!(matches!(
            decode_text(&gz, &UTF_8, 100),
            Err(TextError::TooLong { limit: 100 })
        ));
    }

    #[test]
    fn what_is_packed_twice_or_no_text_is_refused_by_name() {
        let gz = |bytes: &[u8]| {
            let mut gz = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
            gz.write_all(bytes).unwrap();
            gz.finish().unwrap()
        };
        let zip = |files: &[(&str, &[u8])]| {
            let mut out = zip::ZipWriter::new(Cursor::new(Vec::new()));
            for (name, bytes) in files {
                out.start_file(*name, zip::write::SimpleFileOptions::default())
                    .unwrap();
                out.write_all(bytes).unwrap();
            }
            out.finish().unwrap().into_inner()
        };
        let book = {
            use super::super::workbook_for_tests::{text, workbook};
            let row = format!(
                "<row r=\"1\">{}{}</row>",
                text("A1", "Time"),
                text("B1", "Q")
            );
            workbook(&row, &[("log", "visible")])
        };
        assert_eq!(text_of(&gz(&book), "utf-8"), "Time,Q\n");
        assert_eq!(text_of(&zip(&[("a.xlsx", &book)]), "utf-8"), "Time,Q\n");
        // Two entries of one name: the second is made by writing over the first one's other name.
        let mut twice = zip(&[("a.csv", b"T\n1\n"), ("b.csv", b"T\n2\n")]);
        for at in 0..twice.len() - 5 {
            if twice[at..].starts_with(b"b.csv") {
                twice[at] = b'a';
            }
        }
        let nested = "an archive inside an archive is not read: unpack it";
        let cases: &[(Vec<u8>, &str)] = &[
            (gz(&gz(b"Time\n")), nested),
            (gz(&zip(&[("a.csv", b"Time\n")])), nested),
            (zip(&[("a.gz", &gz(b"Time\n"))]), nested),
            (twice, "two files of one name"),
            (
                b"<html><table>".to_vec(),
                "it is a page (HTML or XML), which is not read: save it as",
            ),
            (gz(b"%PDF-1.7"), "it is a PDF document"),
        ];
        for (bytes, expected) in cases {
            let whole = decode_text(bytes, &UTF_8, LIMIT).unwrap_err().to_string();
            assert!(whole.contains(expected), "{whole}");
            let cut = super::super::Cut {
                rule: UTF_8,
                dialect: &super::super::Dialect::from(b','),
                skip_lines: 0,
                skip_until: None,
                aim: 100,
                limit: LIMIT,
            };
            let begun = super::super::Pieces::new(bytes.as_slice(), cut);
            let in_pieces = begun.err().map(|error| error.to_string());
            assert_eq!(in_pieces.as_deref(), Some(whole.as_str()));
        }
    }

    #[test]
    fn an_archive_holds_one_file() {
        let archive = |names: &[&str]| {
            let mut out = zip::ZipWriter::new(Cursor::new(Vec::new()));
            for name in names {
                out.start_file(*name, zip::write::SimpleFileOptions::default())
                    .unwrap();
                out.write_all(b"a\n1\n").unwrap();
            }
            out.finish().unwrap().into_inner()
        };
        assert_eq!(text_of(&archive(&["log.csv"]), "utf-8"), "a\n1\n");
        let with_shadow = archive(&["log.csv", "__MACOSX/._log.csv"]);
        assert_eq!(text_of(&with_shadow, "utf-8"), "a\n1\n");
        for names in [&[][..], &["a.csv", "b.csv"][..]] {
            let found = decode_text(&archive(names), &UTF_8, LIMIT);
            assert!(matches!(found, Err(TextError::Members { found }) if found == names.len()));
        }
    }
}
