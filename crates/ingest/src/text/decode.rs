//! Bytes as found to text: compression by content, then the character encoding.
//!
//! Gzip, zstd and zip are recognised by their first bytes, never by the file's name. A
//! byte-order mark wins over the encoding that the source states. The size of the
//! unpacked text is bounded, because a small archive can unpack to anything.

use std::io::{Cursor, Read};

use encoding_rs::Encoding;

/// Why the bytes of a file could not be turned into text.
#[derive(Debug, thiserror::Error)]
pub enum TextError {
    /// The compressed stream is damaged or ends early.
    #[error("the {kind} stream cannot be unpacked: {why}")]
    Damaged {
        /// `gzip`, `zstd` or `zip`.
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
    /// More text than the caller allows.
    #[error("the unpacked text is longer than {limit} bytes")]
    TooLong {
        /// The limit that was passed.
        limit: usize,
    },
}

/// The text of a file.
#[derive(Debug)]
pub(crate) struct Decoded {
    /// The text, without its byte-order mark.
    pub(crate) text: String,
    /// Whether bytes that the encoding does not know became U+FFFD.
    pub(crate) malformed: bool,
}

/// Unpacks and decodes the bytes of one file.
///
/// # Errors
/// Damaged archives, archives that do not hold exactly one file, text over `limit` bytes.
pub(crate) fn decode_text(
    bytes: &[u8],
    encoding: &'static Encoding,
    limit: usize,
) -> Result<Decoded, TextError> {
    let plain = unpack(bytes, limit)?;
    let plain: &[u8] = plain.as_deref().unwrap_or(bytes);
    if plain.len() > limit {
        return Err(TextError::TooLong { limit });
    }
    let (text, _, malformed) = encoding.decode(plain);
    let mut text = text.into_owned();
    // A lone carriage return ends a line only in files that know no line feed.
    if memchr::memchr(b'\n', text.as_bytes()).is_none() && text.contains('\r') {
        text = text.replace('\r', "\n");
    }
    Ok(Decoded { text, malformed })
}

/// The unpacked bytes; None where the bytes are not compressed.
pub(super) fn unpack(bytes: &[u8], limit: usize) -> Result<Option<Vec<u8>>, TextError> {
    if bytes.starts_with(&[0x1f, 0x8b]) {
        let reader = flate2::read::MultiGzDecoder::new(bytes);
        return read_bounded(reader, limit, "gzip").map(Some);
    }
    if bytes.starts_with(&[0x28, 0xb5, 0x2f, 0xfd]) {
        let reader = zstd::stream::read::Decoder::new(bytes).map_err(|e| damaged("zstd", &e))?;
        return read_bounded(reader, limit, "zstd").map(Some);
    }
    if bytes.starts_with(b"PK\x03\x04") || bytes.starts_with(b"PK\x05\x06") {
        return unpack_zip(bytes, limit).map(Some);
    }
    Ok(None)
}

fn unpack_zip(bytes: &[u8], limit: usize) -> Result<Vec<u8>, TextError> {
    let mut archive = zip::ZipArchive::new(Cursor::new(bytes)).map_err(|e| damaged("zip", &e))?;
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
fn is_shadow(name: &str) -> bool {
    let base = name.rsplit('/').next().unwrap_or(name);
    name.starts_with("__MACOSX/") || base.starts_with("._")
}

fn read_bounded(reader: impl Read, limit: usize, kind: &'static str) -> Result<Vec<u8>, TextError> {
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

    fn text_of(bytes: &[u8], label: &str) -> String {
        let encoding = Encoding::for_label(label.as_bytes()).unwrap();
        decode_text(bytes, encoding, LIMIT).unwrap().text
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
        let utf8 = encoding_rs::UTF_8;
        assert!(decode_text(b"Oil \xb0F", utf8, LIMIT).unwrap().malformed);
        assert!(!decode_text(b"Oil F", utf8, LIMIT).unwrap().malformed);
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
            decode_text(&gz[..gz.len() - 9], encoding_rs::UTF_8, LIMIT),
            Err(TextError::Damaged { kind: "gzip", .. })
        ));
        assert!(matches!(
            decode_text(&gz, encoding_rs::UTF_8, 100),
            Err(TextError::TooLong { limit: 100 })
        ));
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
            let found = decode_text(&archive(names), encoding_rs::UTF_8, LIMIT);
            assert!(matches!(found, Err(TextError::Members { found }) if found == names.len()));
        }
    }
}
