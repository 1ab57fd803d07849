//! Records out of the order of their file: each with its instant, its line and its own text.
//!
//! A record that was cut once is cut again by itself: what follows it now is not what followed it in
//! the file, and a quote that closes nowhere must not close in a stranger.

use std::io::{Error, ErrorKind, Result};

use super::block::Block;
use super::records::{Records, split_plain};
use super::widths::split_fixed;

/// How hard packed records are compressed: more costs time and saves little.
const LEVEL: i32 = 1;

/// Where a record stands in its text, and what orders it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct LooseRecord {
    /// The instant it belongs to, microseconds since 1970.
    pub(crate) at: i64,
    /// Line of the file.
    pub(crate) line: u64,
    /// Begin and end in the text.
    pub(crate) span: (usize, usize),
}

/// Records and the text they stand in.
#[derive(Debug, Default)]
pub(crate) struct Loose {
    pub(crate) text: String,
    pub(crate) records: Vec<LooseRecord>,
}

impl Loose {
    /// Adds a record of another text.
    pub(crate) fn push(&mut self, text: &str, record: LooseRecord) {
        let start = self.text.len();
        self.text
            .push_str(text.get(record.span.0..record.span.1).unwrap_or(""));
        let span = (start, self.text.len());
        self.records.push(LooseRecord { span, ..record });
    }

    /// In the order of time, and of the file within an instant.
    pub(crate) fn sort(&mut self) {
        self.records.sort_by_key(|record| (record.at, record.line));
    }
}

impl<'t> Records<'t> {
    /// Reads records whose places in the text are known into `block`.
    pub(crate) fn read_loose(&self, records: &[LooseRecord], block: &mut Block<'t>) {
        block.clear(self.text);
        for LooseRecord { line, span, .. } in records {
            let (start, end) = *span;
            let raw = self.text.get(start..end).unwrap_or("");
            if let Some(widths) = &self.widths {
                split_fixed(raw, start, (widths, self.packed), block);
            } else if self.has_quotes && memchr::memchr(self.quote, raw.as_bytes()).is_some() {
                let mut alone = Self {
                    text: self.text.get(..end).unwrap_or(""),
                    position: start,
                    line: *line,
                    ..self.clone()
                };
                alone.read_quoted(block);
                continue;
            } else {
                split_plain(raw, start, self.delimiter, block);
            }
            block.push_record(*line, start, end);
        }
    }
}

/// Records in few bytes.
pub(crate) fn pack(text: &str, records: &[LooseRecord]) -> Result<Vec<u8>> {
    let mut bytes = Vec::new();
    put_number(&mut bytes, records.len() as u64);
    let (mut at, mut line) = (0, 0);
    for record in records {
        put_number(&mut bytes, zigzag(record.at.wrapping_sub(at)));
        put_number(
            &mut bytes,
            zigzag(record.line.wrapping_sub(line).cast_signed()),
        );
        put_number(&mut bytes, (record.span.1 - record.span.0) as u64);
        (at, line) = (record.at, record.line);
    }
    for record in records {
        let own = text.get(record.span.0..record.span.1).unwrap_or("");
        bytes.extend_from_slice(own.as_bytes());
    }
    zstd::bulk::compress(&bytes, LEVEL).map(|packed| {
        let mut out = Vec::with_capacity(packed.len() + 8);
        put_number(&mut out, bytes.len() as u64);
        out.extend(packed);
        out
    })
}

/// What [`pack`] packed.
pub(crate) fn unpack(packed: &[u8]) -> Result<Loose> {
    let mut rest = packed;
    let length = whole(take_number(&mut rest)?)?;
    let bytes = zstd::bulk::decompress(rest, length)?;
    let mut rest = bytes.as_slice();
    let n_records = whole(take_number(&mut rest)?)?;
    let mut records = Vec::with_capacity(n_records.min(bytes.len()));
    let (mut at, mut line, mut end) = (0_i64, 0_u64, 0_usize);
    for _ in 0..n_records {
        at = at.wrapping_add(unzigzag(take_number(&mut rest)?));
        line = line.wrapping_add(unzigzag(take_number(&mut rest)?).cast_unsigned());
        let start = end;
        end = start
            .checked_add(whole(take_number(&mut rest)?)?)
            .ok_or_else(damaged)?;
        let span = (start, end);
        records.push(LooseRecord { at, line, span });
    }
    if end != rest.len() {
        return Err(damaged());
    }
    let text = std::str::from_utf8(rest).map_err(|_| damaged())?.to_owned();
    Ok(Loose { text, records })
}

fn damaged() -> Error {
    Error::new(
        ErrorKind::InvalidData,
        "the records written aside come back damaged",
    )
}

fn whole(number: u64) -> Result<usize> {
    usize::try_from(number).map_err(|_| damaged())
}

/// Seven bits a byte, the lowest first; the highest bit says that more follow.
fn put_number(bytes: &mut Vec<u8>, mut number: u64) {
    while number >= 0x80 {
        bytes.push((number & 0x7f) as u8 | 0x80);
        number >>= 7;
    }
    bytes.push(number as u8);
}

fn take_number(rest: &mut &[u8]) -> Result<u64> {
    let mut number = 0;
    for shift in (0..64).step_by(7) {
        let (byte, left) = rest.split_first().ok_or_else(damaged)?;
        *rest = left;
        number |= u64::from(byte & 0x7f) << shift;
        if byte & 0x80 == 0 {
            return Ok(number);
        }
    }
    Err(damaged())
}

/// Small numbers of either sign as small numbers.
const fn zigzag(number: i64) -> u64 {
    ((number << 1) ^ (number >> 63)).cast_unsigned()
}

const fn unzigzag(number: u64) -> i64 {
    (number >> 1).cast_signed() ^ -((number & 1).cast_signed())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::text::Dialect;

    /// Every record of a block, as `line: fields`.
    fn shown(block: &Block<'_>) -> Vec<String> {
        let one = |record: crate::text::Record<'_>| {
            let fields: Vec<&str> = record.fields().map(str::trim).collect();
            format!("{}: {}", record.line(), fields.join("|"))
        };
        block.records().map(one).collect()
    }

    proptest::proptest! {
        #[test]
        fn records_come_back_and_are_cut_alone_as_in_their_file(
            text in "[a-c,\"\n\r ]{0,300}",
            ats in proptest::collection::vec(proptest::num::i64::ANY, 300),
            widths in 0..3_u8,
        ) {
            let mut dialect = Dialect::from(b',');
            match widths {
                1 => dialect.widths = Some([2, 3, 4].as_slice().into()),
                2 => dialect.quote = None,
                _ => {}
            }
            let mut records = Records::new(&text, &dialect);
            let mut block = Block::default();
            let mut expected = Vec::new();
            let mut loose = Loose::default();
            while records.read(&mut block, 1) {
                let record = block.record(0).unwrap();
                let at = ats[loose.records.len()];
                expected.extend(shown(&block).into_iter().map(|text| (text, at)));
                let known = LooseRecord { at, line: record.line(), span: record.span() };
                loose.push(&text, known);
            }
            // Backwards: what follows a record is not what followed it.
            let mut order = Loose::default();
            for record in loose.records.iter().rev() {
                order.push(&loose.text, *record);
            }
            let back = unpack(&pack(&order.text, &order.records).unwrap()).unwrap();
            let mut block = Block::default();
            Records::new(&back.text, &dialect).read_loose(&back.records, &mut block);
            let mut found: Vec<_> = shown(&block)
                .into_iter()
                .zip(back.records.iter().map(|record| record.at))
                .collect();
            found.reverse();
            proptest::prop_assert_eq!(found, expected);
        }
    }

    #[test]
    fn damage_is_an_error() {
        let mut loose = Loose::default();
        let record = LooseRecord {
            at: 1,
            line: 2,
            span: (0, 5),
        };
        loose.push("a,b,c", record);
        let packed = pack(&loose.text, &loose.records).unwrap();
        assert!(unpack(&packed).is_ok());
        assert!(unpack(&packed[..packed.len() - 3]).is_err());
        assert!(unpack(&[]).is_err());
    }
}
