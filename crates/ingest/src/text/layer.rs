//! What the first bytes of a file say it is.
//!
//! Compressed text is opened by [`super::decode`]; what is no text is told by name, with what to do
//! about it. The marks are those of the formats' own descriptions (RFC 1952, RFC 8878, APPNOTE of the
//! zip format, POSIX ustar, MS-CFB, ISO 32000, the SQLite file format).

use std::io::{self, Cursor, Read, Seek, SeekFrom};

use super::decode::TextError;

/// Bytes by which every kind is told: the mark of a tar archive stands at byte 257.
const HEAD: usize = 512;
const TAR_MARK_AT: usize = 257;
/// The name of the first member of a zip archive (APPNOTE 4.3.7).
const MIMETYPE_AT: usize = 30;

/// What lies outermost.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Layer {
    Gzip,
    Zstd,
    /// An archive or a workbook.
    Zip,
    /// No text, nor anything that is unpacked here: what it is, and what to do.
    Foreign(&'static str, &'static str),
    /// Text, as far as its beginning tells.
    Text,
}

impl Layer {
    /// The error of a file that is, or of unpacked bytes that are again, of this kind; None where they
    /// may be read on.
    pub(super) const fn refused(self, is_inner: bool) -> Option<TextError> {
        match self {
            Self::Foreign(kind, advice) => Some(TextError::Foreign { kind, advice }),
            Self::Gzip | Self::Zstd if is_inner => Some(TextError::Nested),
            _ => None,
        }
    }
}

const UNPACK: &str = "unpack it";
const SAVE_AS: &str = "save it as .xlsx or .csv";
const EXPORT: &str = "export what is wanted of it as CSV";

/// Marks at the very beginning.
const MARKS: &[(&[u8], Layer)] = &[
    (b"\x1f\x8b", Layer::Gzip),
    (b"\x28\xb5\x2f\xfd", Layer::Zstd),
    (b"PK\x03\x04", Layer::Zip),
    (b"PK\x05\x06", Layer::Zip),
    (
        b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1",
        Layer::Foreign("an old workbook or document (.xls, .doc)", SAVE_AS),
    ),
    (b"SQLite format 3\0", Layer::Foreign("a database", EXPORT)),
    (b"%PDF-", Layer::Foreign("a PDF document", EXPORT)),
    (b"PAR1", Layer::Foreign("a Parquet file", EXPORT)),
    (
        b"7z\xbc\xaf\x27\x1c",
        Layer::Foreign("a 7z archive", UNPACK),
    ),
    (b"Rar!\x1a\x07", Layer::Foreign("a rar archive", UNPACK)),
    (b"\xfd7zXZ\0", Layer::Foreign("an xz file", UNPACK)),
];

/// How a page begins, in small letters; spreadsheets and web services save tables so, often as `.xls`.
const PAGES: &[&[u8]] = &[b"<!doctype html", b"<html", b"<table", b"<?xml"];

/// What a file that begins so is.
pub(super) fn layer(head: &[u8]) -> Layer {
    // The first member of such a file is called `mimetype` and not packed (OpenDocument 1.2, part 3).
    let is_open_document = head.starts_with(b"PK\x03\x04")
        && head
            .get(MIMETYPE_AT..)
            .is_some_and(|at| at.starts_with(b"mimetypeapplication/vnd.oasis.opendocument"));
    if is_open_document {
        return Layer::Foreign("an OpenDocument file (.ods, .odt)", SAVE_AS);
    }
    if let Some((_, layer)) = MARKS.iter().find(|(mark, _)| head.starts_with(mark)) {
        return *layer;
    }
    let is_bzip2 = head.starts_with(b"BZh") && head.get(4..10) == Some(b"1AY&SY");
    if is_bzip2 {
        return Layer::Foreign("a bzip2 file", UNPACK);
    }
    if head
        .get(TAR_MARK_AT..)
        .is_some_and(|at| at.starts_with(b"ustar"))
    {
        return Layer::Foreign("a tar archive", UNPACK);
    }
    let text = head.strip_prefix(b"\xef\xbb\xbf").unwrap_or(head);
    let text = text.trim_ascii_start();
    let begins = |page: &&[u8]| {
        text.get(..page.len())
            .is_some_and(|start| start.eq_ignore_ascii_case(page))
    };
    if PAGES.iter().any(begins) {
        return Layer::Foreign("a page (HTML or XML)", SAVE_AS);
    }
    Layer::Text
}

/// Looks at how a stream begins, and gives it whole again.
pub(super) fn peeked<R: Read>(mut reader: R) -> io::Result<(Layer, impl Read + use<R>)> {
    let mut head = Vec::with_capacity(HEAD);
    reader.by_ref().take(HEAD as u64).read_to_end(&mut head)?;
    Ok((layer(&head), Cursor::new(head).chain(reader)))
}

/// Whether an archive lists more entries than `n_named` names: two of one name, of which a reader by
/// name sees the last. An archive too large for the short list (over 65 534 files) is believed.
pub(super) fn hides_entries(mut archive: impl Read + Seek, n_named: usize) -> io::Result<bool> {
    // The end of the central directory: 22 bytes and a comment of at most 65 535 (APPNOTE 4.3.16).
    const MARK: &[u8] = b"PK\x05\x06";
    const LONGEST: u64 = 22 + 65_535;
    const COUNT_AT: usize = 10;
    let length = archive.seek(SeekFrom::End(0))?;
    archive.seek(SeekFrom::Start(length.saturating_sub(LONGEST)))?;
    let mut tail = Vec::new();
    archive.read_to_end(&mut tail)?;
    let count = memchr::memmem::rfind(&tail, MARK)
        .and_then(|at| tail.get(at + COUNT_AT..at + COUNT_AT + 2))
        .map_or(0, |two| {
            two.iter().rev().fold(0, |n, b| n * 256 + usize::from(*b))
        });
    Ok(count != usize::from(u16::MAX) && count > n_named)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_kind_is_told_by_its_first_bytes() {
        let mut tar = vec![b'a'; TAR_MARK_AT];
        tar.extend_from_slice(b"ustar\x0000");
        let mut ods = b"PK\x03\x04".to_vec();
        ods.resize(MIMETYPE_AT, 0);
        ods.extend_from_slice(b"mimetypeapplication/vnd.oasis.opendocument.spreadsheet");
        let page = "a page (HTML or XML)";
        let cases: &[(&[u8], Option<&str>)] = &[
            (b"Time,Flow\n", None),
            (b"", None),
            (b"<5,ppm\n", None),
            (b"BZh,Flow\n", None),
            (b"\xef\xbb\xbf \r\n<HTML><body>", Some(page)),
            (b"<Table border=0>", Some(page)),
            (b"<?xml version='1.0'?>", Some(page)),
            (
                b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1\0\0",
                Some("an old workbook or document (.xls, .doc)"),
            ),
            (b"SQLite format 3\0\x10", Some("a database")),
            (b"BZh91AY&SY", Some("a bzip2 file")),
            (&tar, Some("a tar archive")),
            (&ods, Some("an OpenDocument file (.ods, .odt)")),
        ];
        for (head, expected) in cases {
            let found = match layer(head) {
                Layer::Foreign(kind, _) => Some(kind),
                Layer::Text => None,
                other => panic!("{other:?}"),
            };
            assert_eq!(found, *expected, "{head:?}");
        }
    }

    #[test]
    fn a_stream_is_whole_after_a_look() {
        let text = "Time,Flow\n".repeat(200);
        let (layer, mut reader) = peeked(text.as_bytes()).unwrap();
        let mut again = String::new();
        reader.read_to_string(&mut again).unwrap();
        assert_eq!((layer, again.as_str()), (Layer::Text, text.as_str()));
    }
}
