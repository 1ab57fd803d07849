//! A long text cut into pieces of whole records, so that memory does not grow with the file.

use std::io::{BufReader, Cursor, Read};

use encoding_rs::{CoderResult, Decoder};
use regex::Regex;

use super::block::Block;
use super::decode::{
    TextError, TextRule, Traits, Unpacked, damaged, open_zip, read_bounded, settle_marks,
};
use super::dialect::Dialect;
use super::gzip::GzipMembers;
use super::json::Names;
use super::layer::{Layer, peeked};
use super::records::{MAX_QUOTED_LINES, Records};

const BLOCK: usize = 1 << 18;
/// Lines before a header that is looked for, at most.
const MAX_BEFORE: u64 = 10_000;
/// Room made for a piece before it is known, bytes.
const MOST_ROOM: usize = 16 << 20;

/// Some records of a file, in its order.
#[derive(Debug, Default)]
pub struct Piece {
    pub(crate) text: String,
    /// Line of the file that the text starts on, 1-based.
    pub(crate) first_line: u64,
    pub(crate) traits: Traits,
    pub(crate) is_last: bool,
}

impl Piece {
    /// Whether the file ends with it.
    #[must_use]
    pub const fn is_last(&self) -> bool {
        self.is_last
    }

    /// Bytes of text in it.
    #[must_use]
    pub const fn n_bytes(&self) -> usize {
        self.text.len()
    }

    /// This piece and the one after it as one.
    #[must_use]
    pub fn joined(mut self, next: &Self) -> Self {
        self.text.push_str(&next.text);
        self.traits.malformed |= next.traits.malformed;
        self.is_last = next.is_last;
        self
    }
}

/// Unpacks, decodes and cuts what a reader gives.
pub struct Pieces<'r> {
    bytes: Box<dyn Read + Send + 'r>,
    decoder: Decoder,
    block: Vec<u8>,
    /// Decoded and not yet given out.
    text: String,
    first_line: u64,
    /// Lines at the head of the file that are no records.
    skip_lines: u64,
    /// The line that ends them, where it is looked for.
    skip_until: Option<Regex>,
    dialect: Dialect,
    traits: Traits,
    /// Bytes of text in a piece, about.
    aim: usize,
    n_text: usize,
    limit: usize,
    /// Only carriage returns end lines; known after the first block.
    lone_returns: Option<bool>,
    ended: bool,
    given_last: bool,
    /// The names of all its objects, where they are to become lines of fields.
    names: Option<Names>,
}

impl std::fmt::Debug for Pieces<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Pieces")
            .field("first_line", &self.first_line)
            .finish_non_exhaustive()
    }
}

/// How a text is to be cut.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Cut<'a> {
    pub(crate) rule: TextRule<'a>,
    /// Of text that is no sheet of a workbook.
    pub(crate) dialect: &'a Dialect,
    pub(crate) skip_lines: u64,
    /// The first line of the header, where files have more or fewer lines before it.
    pub(crate) skip_until: Option<&'a Regex>,
    /// Bytes of text in a piece, about.
    pub(crate) aim: usize,
    /// Longest text of the whole file.
    pub(crate) limit: usize,
}

impl<'r> Pieces<'r> {
    pub(crate) fn new(reader: impl Read + Send + 'r, cut: Cut<'_>) -> Result<Self, TextError> {
        let (bytes, traits) = unpacked(reader, &cut.rule, cut.limit)?;
        let (encoding, dialect) = if traits.is_workbook {
            (encoding_rs::UTF_8, Dialect::from(cut.rule.delimiter))
        } else {
            (cut.rule.encoding, cut.dialect.clone())
        };
        Ok(Self {
            bytes,
            decoder: encoding.new_decoder(),
            block: vec![0; BLOCK],
            text: String::new(),
            first_line: 1,
            skip_lines: cut.skip_lines,
            skip_until: cut.skip_until.cloned(),
            dialect,
            traits,
            aim: cut.aim,
            n_text: 0,
            limit: cut.limit,
            lone_returns: None,
            ended: false,
            given_last: false,
            names: None,
        })
    }

    /// Makes lines of fields of a text of objects, whose names are these.
    #[must_use]
    pub fn named(mut self, names: Option<Names>) -> Self {
        self.names = names;
        self
    }

    /// The next piece; None after the last.
    ///
    /// # Errors
    /// Bytes that do not unpack; a text longer than was allowed.
    pub fn read(&mut self) -> Result<Option<Piece>, TextError> {
        if self.given_last {
            return Ok(None);
        }
        let mut wanted = self.aim;
        let end = loop {
            while !self.ended && self.text.len() < wanted {
                self.fill()?;
            }
            if self.ended {
                break self.text.len();
            }
            match self.cut() {
                Some(end) => break end,
                // One record longer than the piece: take more.
                None => wanted = self.text.len() + self.aim,
            }
        };
        // Room for the whole of the next piece at once.
        let room = if self.ended {
            0
        } else {
            self.aim.min(MOST_ROOM) + 4 * BLOCK
        };
        let mut rest = String::with_capacity(room);
        rest.push_str(self.text.get(end..).unwrap_or(""));
        self.text.truncate(end);
        let text = std::mem::replace(&mut self.text, rest);
        self.given_last = self.ended && self.text.is_empty();
        let mut piece = Piece {
            first_line: self.first_line,
            traits: self.traits,
            is_last: self.given_last,
            text,
        };
        let n_lines = memchr::memchr_iter(b'\n', piece.text.as_bytes()).count();
        self.first_line += n_lines as u64;
        self.skip_lines = self.skip_lines.saturating_sub(n_lines as u64);
        if let Some(names) = &self.names {
            piece.text = names.to_lines(&piece.text, piece.first_line == 1);
        }
        Ok(Some(piece))
    }

    /// Reads and decodes one block.
    fn fill(&mut self) -> Result<(), TextError> {
        let n = self
            .bytes
            .read(&mut self.block)
            .map_err(|error| damaged("packed", &error))?;
        self.ended = n == 0;
        let from = self.text.len();
        let mut source = self.block.get(..n).unwrap_or(&[]);
        loop {
            let room = self
                .decoder
                .max_utf8_buffer_length(source.len())
                .unwrap_or(4 * BLOCK);
            self.text.reserve(room);
            let (result, used, malformed) =
                self.decoder
                    .decode_to_string(source, &mut self.text, self.ended);
            self.traits.malformed |= malformed;
            source = source.get(used..).unwrap_or(&[]);
            if result == CoderResult::InputEmpty {
                break;
            }
        }
        self.settle_line_ends(from);
        settle_marks(&mut self.text, from, self.ended);
        self.n_text += self.text.len() - from;
        if self.n_text > self.limit {
            return Err(TextError::TooLong { limit: self.limit });
        }
        Ok(())
    }

    /// A lone carriage return ends a line only in files that know no line feed.
    fn settle_line_ends(&mut self, from: usize) {
        // A return that ended the last block is looked at again.
        let ended = self.text.get(..from).unwrap_or("").ends_with('\r');
        let from = if ended && self.lone_returns.is_none() {
            from - 1
        } else {
            from
        };
        let new = self.text.as_bytes().get(from..).unwrap_or(&[]);
        let lone = match self.lone_returns {
            Some(lone) => lone,
            None if memchr::memchr(b'\n', new).is_some() => {
                self.lone_returns = Some(false);
                false
            }
            // Without any line end so far nothing is known yet; at the end of a block a
            // return may be half of a pair.
            None => match memchr::memchr(b'\r', new) {
                Some(at) if at + 1 < new.len() || self.ended => {
                    self.lone_returns = Some(true);
                    true
                }
                _ => false,
            },
        };
        if lone && memchr::memchr(b'\r', new).is_some() {
            let mended = self.text.split_off(from).replace('\r', "\n");
            self.text.push_str(&mended);
        }
    }

    /// Where the last record that is surely whole ends; None where there is none.
    fn cut(&mut self) -> Option<usize> {
        if let Some(until) = &self.skip_until {
            self.skip_lines = lines_before(&self.text, (self.skip_lines, Some(until)), false)?;
            self.skip_until = None;
        }
        let bytes = self.text.as_bytes();
        let quote = self.dialect.quote.filter(|_| self.dialect.widths.is_none());
        if quote.is_none_or(|quote| memchr::memchr(quote, bytes).is_none()) {
            return memchr::memrchr(b'\n', bytes).map(|at| at + 1);
        }
        // Whether a quote is a stray one shows only after so many lines.
        let guard = memchr::memrchr_iter(b'\n', bytes)
            .nth(usize::try_from(MAX_QUOTED_LINES).unwrap_or(usize::MAX) + 1)?;
        let mut records = Records::new(&self.text, &self.dialect);
        records.skip_lines(self.skip_lines);
        let mut block = Block::default();
        let mut end = None;
        while records.position() <= guard && records.read(&mut block, 1) {
            if records.position() > guard {
                break;
            }
            end = Some(records.position());
        }
        end
    }
}

/// Lines of a text that stand before its header: those up to the line that is looked for; where no line
/// is, so many.
///
/// The text is the head of one, unless `is_whole`; None where what follows may tell.
pub(crate) fn lines_before(
    text: &str,
    (least, until): (u64, Option<&Regex>),
    is_whole: bool,
) -> Option<u64> {
    let Some(until) = until else {
        return Some(least);
    };
    let known = if is_whole {
        text
    } else {
        text.get(..text.rfind('\n')?)?
    };
    let mut n_lines = 0;
    for (line, at) in known.split('\n').zip(0..MAX_BEFORE) {
        n_lines = at + 1;
        if at >= least && until.is_match(line.trim_end_matches('\r')) {
            return Some(at);
        }
    }
    (is_whole || n_lines == MAX_BEFORE).then_some(least)
}

/// The unpacked bytes, by content, and what is known of their text before it is read.
fn unpacked<'r>(
    reader: impl Read + Send + 'r,
    rule: &TextRule<'_>,
    limit: usize,
) -> Result<(Box<dyn Read + Send + 'r>, Traits), TextError> {
    let packed = |error: std::io::Error| damaged("packed", &error);
    let (outer, reader) = peeked(reader).map_err(packed)?;
    let inner: Box<dyn Read + Send + 'r> = match outer {
        Layer::Gzip => {
            let reader = BufReader::with_capacity(BLOCK, reader);
            Box::new(GzipMembers::new(reader))
        }
        Layer::Zstd => {
            let reader = BufReader::with_capacity(BLOCK, reader);
            let decoder = zstd::stream::read::Decoder::with_buffer(reader)
                .map_err(|error| damaged("zstd", &error))?;
            Box::new(decoder)
        }
        // The list of an archive's files stands at its end.
        Layer::Zip => {
            let whole = read_bounded(reader, usize::MAX - 1, "zip")?;
            return open_zip(&whole, rule, limit, false).map(opened);
        }
        Layer::Foreign(..) | Layer::Text => {
            let stream: Box<dyn Read + Send + 'r> = Box::new(reader);
            let given = (stream, Traits::default());
            return outer.refused(false).map_or(Ok(given), Err);
        }
    };
    let (within, reader) = peeked(inner).map_err(packed)?;
    if within == Layer::Zip {
        let whole = read_bounded(reader, limit, "zip")?;
        return open_zip(&whole, rule, limit, true).map(opened);
    }
    let stream: Box<dyn Read + Send + 'r> = Box::new(reader);
    let given = (stream, Traits::default());
    within.refused(true).map_or(Ok(given), Err)
}

fn opened<'r>(unpacked: Unpacked) -> (Box<dyn Read + Send + 'r>, Traits) {
    match unpacked {
        Unpacked::Sheet(sheet) => {
            let traits = sheet.traits();
            (Box::new(Cursor::new(sheet.text)), traits)
        }
        Unpacked::Bytes(bytes) => (Box::new(Cursor::new(bytes)), Traits::default()),
    }
}

#[cfg(test)]
mod tests {
    use encoding_rs::Encoding;

    use super::*;
    use crate::text::decode_text;

    fn pieces_of(bytes: &[u8], label: &str, aim: usize) -> Vec<Piece> {
        let cut = Cut {
            rule: TextRule::of(Encoding::for_label(label.as_bytes()).unwrap()),
            dialect: &Dialect::from(b','),
            skip_lines: 0,
            skip_until: None,
            aim,
            limit: 1 << 24,
        };
        let mut pieces = Pieces::new(bytes, cut).unwrap();
        let mut all = Vec::new();
        while let Some(piece) = pieces.read().unwrap() {
            all.push(piece);
        }
        all
    }

    /// Every record of a text, as `line: fields`.
    fn shown(text: &str, first_line: u64) -> Vec<String> {
        let mut records = Records::at_line(text, b',', first_line);
        let mut block = Block::default();
        let mut out = Vec::new();
        while records.read(&mut block, 3) {
            out.extend(block.records().map(|record| {
                let fields: Vec<&str> = record.fields().collect();
                format!("{}: {}", record.line(), fields.join("|"))
            }));
        }
        out
    }

    fn check(bytes: &[u8], label: &str, aim: usize) {
        let encoding = Encoding::for_label(label.as_bytes()).unwrap();
        let whole = decode_text(bytes, &TextRule::of(encoding), 1 << 24).unwrap();
        let pieces = pieces_of(bytes, label, aim);
        let joined: Vec<String> = pieces
            .iter()
            .flat_map(|piece| shown(&piece.text, piece.first_line))
            .collect();
        assert_eq!(joined, shown(&whole.text, 1), "{label}, {aim}");
        assert_eq!(pieces.iter().filter(|piece| piece.is_last).count(), 1);
        assert!(pieces.last().unwrap().is_last);
    }

    #[test]
    fn pieces_hold_the_records_of_the_whole() {
        let mut text = String::from("Time,Note\n");
        for n in 0..3_000 {
            text.push_str(&match n % 500 {
                7 => format!("{n},\"two\nlines, and a comma\"\n"),
                99 => format!("{n},\"never closed\n"),
                _ => format!("{n},22.5 °C\n"),
            });
        }
        let gz = {
            use std::io::Write;
            let mut gz = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
            gz.write_all(text.as_bytes()).unwrap();
            gz.finish().unwrap()
        };
        let utf16: Vec<u8> = text.encode_utf16().flat_map(u16::to_le_bytes).collect();
        for aim in [1, 100, 4_096, 1 << 20] {
            check(text.as_bytes(), "utf-8", aim);
            check(&gz, "utf-8", aim);
            check(&utf16, "utf-16le", aim);
            check(text.replace('\n', "\r\n").as_bytes(), "utf-8", aim);
        }
        check(
            text.replace('"', "").replace('\n', "\r").as_bytes(),
            "utf-8",
            4_096,
        );
        check(b"", "utf-8", 10);
    }

    proptest::proptest! {
        #[test]
        fn any_text_in_any_pieces(text in "[a-c,\"\n\r \u{feff}\u{1a}]{0,200}", aim in 1_usize..60) {
            check(text.as_bytes(), "utf-8", aim);
        }
    }
}
