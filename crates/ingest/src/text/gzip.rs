//! Gzip: members one behind the other, and zeros behind the last.

use std::io::{BufRead, Read, Result};

use flate2::bufread::GzDecoder;

/// The members of a gzip file as one stream.
///
/// Transfers in blocks of a fixed size fill the last one with zeros; these end the stream. Anything else
/// behind a member is the next one, or damage (RFC 1952, section 2.2).
pub(super) struct GzipMembers<R>(Option<GzDecoder<R>>);

impl<R: BufRead> GzipMembers<R> {
    pub(super) fn new(reader: R) -> Self {
        Self(Some(GzDecoder::new(reader)))
    }
}

impl<R: BufRead> Read for GzipMembers<R> {
    fn read(&mut self, out: &mut [u8]) -> Result<usize> {
        while let (Some(member), false) = (&mut self.0, out.is_empty()) {
            match member.read(out)? {
                0 => {
                    self.0 = self
                        .0
                        .take()
                        .map(GzDecoder::into_inner)
                        .map_or(Ok(None), next)?
                }
                n => return Ok(n),
            }
        }
        Ok(0)
    }
}

/// The member behind one that has ended; None where nothing but zeros stands there.
fn next<R: BufRead>(mut rest: R) -> Result<Option<GzDecoder<R>>> {
    loop {
        let ahead = rest.fill_buf()?;
        let n_zeros = ahead.iter().take_while(|byte| **byte == 0).count();
        match (ahead.is_empty(), n_zeros) {
            (true, _) => return Ok(None),
            (false, 0) => return Ok(Some(GzDecoder::new(rest))),
            (false, n) => rest.consume(n),
        }
    }
}

#[cfg(test)]
mod tests {
    use std::io::Write;

    use super::*;

    fn packed(text: &str) -> Vec<u8> {
        let mut encoder = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
        encoder.write_all(text.as_bytes()).unwrap();
        encoder.finish().unwrap()
    }

    #[test]
    fn members_and_zeros_make_one_stream() {
        let zeros = vec![0; 70_000];
        let cases = [
            ("one", vec![packed("a,b\n")], Some("a,b\n")),
            ("two", vec![packed("a\n"), packed("b\n")], Some("a\nb\n")),
            ("an empty one", vec![packed(""), packed("b\n")], Some("b\n")),
            ("padded", vec![packed("a\n"), zeros.clone()], Some("a\n")),
            (
                "padded, and one more",
                vec![packed("a\n"), zeros, packed("b\n")],
                Some("a\nb\n"),
            ),
            (
                "rubbish behind",
                vec![packed("a\n"), b"rubbish".to_vec()],
                None,
            ),
            ("cut short", vec![packed("a\n")[..15].to_vec()], None),
        ];
        for (name, parts, expected) in cases {
            let bytes = parts.concat();
            let mut text = String::new();
            let read = GzipMembers::new(bytes.as_slice()).read_to_string(&mut text);
            assert_eq!(read.ok().map(|_| text.as_str()), expected, "{name}");
        }
    }
}
