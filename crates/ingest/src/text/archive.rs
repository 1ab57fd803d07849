//! An archive of several files: each of them is a file of its own.
//!
//! A workbook is no archive of files, and an archive of one file is read as that file.

use std::io::{Read, Seek};

use zip::ZipArchive;

use super::decode::{TextError, damaged, is_shadow, read_bounded};
use super::layer::{Layer, hides_entries, layer};
use super::workbook;

/// Endings of archives, which are not read inside an archive.
const ARCHIVES: [&str; 6] = [".zip", ".7z", ".rar", ".tar", ".tgz", ".tar.gz"];

/// One file in an archive.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Member {
    /// Its path inside.
    pub name: String,
    /// Bytes it unpacks to, as the archive says.
    pub n_bytes: u64,
    index: usize,
}

impl Member {
    fn is_archive(&self) -> bool {
        let lower = self.name.to_lowercase();
        ARCHIVES.iter().any(|ending| lower.ends_with(ending))
    }
}

/// What a file holds.
#[derive(Debug)]
pub struct Content {
    /// The bytes; as packed, where they cannot be unpacked.
    pub bytes: Vec<u8>,
    /// Why they cannot be read as they are.
    pub error: Option<TextError>,
}

/// The files of an archive of several, in its order; None for what is to be read as one file.
#[must_use]
pub fn archive_members(reader: impl Read + Seek) -> Option<Vec<Member>> {
    members(reader).filter(|members| members.len() > 1)
}

/// The path inside of the only file of an archive, which is read as that file.
#[must_use]
pub fn lone_member(reader: impl Read + Seek) -> Option<String> {
    let mut members = members(reader)?;
    let only = members.pop()?;
    members.is_empty().then_some(only.name)
}

/// The files of an archive; None for what is none, and for a workbook.
fn members(mut reader: impl Read + Seek) -> Option<Vec<Member>> {
    let mut mark = [0; 4];
    reader.read_exact(&mut mark).ok()?;
    if layer(&mark) != Layer::Zip {
        return None;
    }
    reader.rewind().ok()?;
    let archive = ZipArchive::new(&mut reader).ok()?;
    let mut members = Vec::new();
    for index in 0..archive.len() {
        let entry = archive.by_index_data(index).ok()?;
        let name = String::from_utf8_lossy(entry.name_raw()).into_owned();
        if name.starts_with(workbook::FOLDER) {
            return None;
        }
        if entry.is_file() && !is_shadow(&name) {
            members.push(Member {
                name,
                n_bytes: entry.size(),
                index,
            });
        }
    }
    let n_named = archive.len();
    drop(archive);
    // Read as one file, it is rejected: a file that is not listed must not be lost in silence.
    if hides_entries(reader, n_named).ok()? {
        return None;
    }
    Some(members)
}

/// Unpacks one file of an archive, `limit` bytes at most.
pub fn read_member(reader: impl Read + Seek, member: &Member, limit: usize) -> Content {
    match unpack(reader, member, limit) {
        Ok(content) => content,
        // Not even packed bytes: the name tells it from others of the archive.
        Err(error) => Content {
            bytes: member.name.clone().into_bytes(),
            error: Some(error),
        },
    }
}

/// Gives one file of an archive as a reader that unpacks it. What it stumbles over it says as it is
/// read; [`read_member`] tells then what the ledger knows the file by.
///
/// # Errors
/// A damaged archive; an archive inside it.
pub fn with_member<T>(
    reader: impl Read + Seek + Send,
    member: &Member,
    take: impl FnOnce(&mut (dyn Read + Send)) -> T,
) -> Result<T, TextError> {
    let mut archive = ZipArchive::new(reader).map_err(|e| damaged("zip", &e))?;
    if member.is_archive() {
        return Err(TextError::Nested);
    }
    let entry = archive.by_index(member.index);
    let mut entry = entry.map_err(|e| damaged("zip", &e))?;
    Ok(take(&mut entry))
}

fn unpack(reader: impl Read + Seek, member: &Member, limit: usize) -> Result<Content, TextError> {
    let mut archive = ZipArchive::new(reader).map_err(|e| damaged("zip", &e))?;
    let unpacked = if member.is_archive() {
        Err(TextError::Nested)
    } else {
        archive
            .by_index(member.index)
            .map_err(|e| damaged("zip", &e))
            .and_then(|entry| read_bounded(entry, limit, "zip"))
    };
    match unpacked {
        Ok(bytes) => Ok(Content { bytes, error: None }),
        // The packed bytes tell the file from others.
        Err(error) => {
            let entry = archive
                .by_index_raw(member.index)
                .map_err(|e| damaged("zip", &e))?;
            Ok(Content {
                bytes: read_bounded(entry, limit, "zip")?,
                error: Some(error),
            })
        }
    }
}

#[cfg(test)]
mod tests {
    use std::io::{Cursor, Write as _};

    use super::*;

    const LIMIT: usize = 1 << 20;

    /// Names and bytes.
    type Files<'f> = &'f [(&'f str, &'f [u8])];

    fn archive(files: Files<'_>) -> Vec<u8> {
        let mut out = zip::ZipWriter::new(Cursor::new(Vec::new()));
        for (name, bytes) in files {
            out.start_file(*name, zip::write::SimpleFileOptions::default())
                .unwrap();
            out.write_all(bytes).unwrap();
        }
        out.finish().unwrap().into_inner()
    }

    fn names(bytes: &[u8]) -> Option<Vec<String>> {
        let members = archive_members(Cursor::new(bytes))?;
        Some(members.into_iter().map(|member| member.name).collect())
    }

    #[test]
    fn an_archive_of_several_files_is_its_files() {
        let cases: &[(Files<'_>, Option<&[&str]>)] = &[
            (
                &[
                    ("b.csv", b"1"),
                    ("2026/a.csv", b"2"),
                    ("__MACOSX/._b.csv", b"x"),
                ],
                Some(&["b.csv", "2026/a.csv"]),
            ),
            (&[("b.csv", b"1")], None),
            (&[("b.csv", b"1"), ("._b.csv", b"x")], None),
            (
                &[("xl/workbook.xml", b"1"), ("docProps/app.xml", b"2")],
                None,
            ),
            (&[], None),
        ];
        for (files, expected) in cases {
            let found = names(&archive(files));
            let found: Option<Vec<&str>> = found
                .as_ref()
                .map(|names| names.iter().map(String::as_str).collect());
            assert_eq!(found.as_deref(), *expected, "{files:?}");
        }
        let lone = |files: Files<'_>| lone_member(Cursor::new(archive(files)));
        let (own, shadow) = (
            ("U-1/log.csv", b"1".as_slice()),
            ("._b.csv", b"x".as_slice()),
        );
        assert_eq!(lone(&[own, shadow]).as_deref(), Some("U-1/log.csv"));
        assert_eq!(lone(&[own, ("b.csv", b"2")]), None);
        assert_eq!(lone(&[("xl/workbook.xml", b"1")]), None);
        assert_eq!(lone(&[]), None);
        let whole = archive(&[("a.csv", b"1"), ("b.csv", b"2")]);
        assert_eq!(names(b"Time,Flow\n"), None);
        assert_eq!(names(b""), None);
        assert_eq!(names(&whole[..whole.len() - 5]), None);
    }

    #[test]
    fn a_member_is_unpacked_or_says_why_not() {
        let text = "Time,Flow\n".repeat(50);
        let whole = archive(&[
            ("a.csv", text.as_bytes()),
            ("old/b.ZIP", b"PK"),
            ("c.csv", text.as_bytes()),
        ]);
        let members = archive_members(Cursor::new(&whole)).unwrap();
        assert_eq!(members[0].n_bytes, 500);
        let content =
            |bytes: &[u8], n: usize, limit| read_member(Cursor::new(bytes), &members[n], limit);
        let streamed = |bytes: &[u8], n: usize| {
            let mut text = Vec::new();
            let read = |entry: &mut (dyn Read + Send)| entry.read_to_end(&mut text);
            match with_member(Cursor::new(bytes), &members[n], read) {
                Ok(Ok(_)) => Ok(text),
                Ok(Err(error)) => Err(error.to_string()),
                Err(error) => Err(error.to_string()),
            }
        };
        assert_eq!(streamed(&whole, 0).as_deref(), Ok(text.as_bytes()));
        assert!(streamed(&whole, 1).unwrap_err().contains("inside"));
        let good = content(&whole, 0, LIMIT);
        assert!(good.error.is_none() && good.bytes == text.as_bytes());
        let nested = content(&whole, 1, LIMIT);
        assert_eq!(
            nested.error.unwrap().to_string(),
            "an archive inside an archive is not read: unpack it"
        );
        assert!(matches!(
            content(&whole, 0, 100).error,
            Some(TextError::TooLong { .. })
        ));
        // A damaged member: the others read as they did, and its packed bytes tell it from them.
        let mut damaged = whole.clone();
        damaged[45] ^= 0x55;
        let bad = content(&damaged, 0, LIMIT);
        assert!(streamed(&damaged, 0).is_err());
        assert!(matches!(bad.error, Some(TextError::Damaged { .. })) && !bad.bytes.is_empty());
        assert!(content(&damaged, 2, LIMIT).error.is_none());
        for n in 0..whole.len() {
            let mut bytes = whole.clone();
            bytes[n] ^= 0x55;
            for member in archive_members(Cursor::new(&bytes)).unwrap_or_default() {
                let _ = read_member(Cursor::new(&bytes), &member, LIMIT);
            }
        }
    }
}
