//! Text to records: RFC 4180 with any one-byte delimiter, and the physical line of each record.
//!
//! A quote (`"` or what the source says) opens only at the start of a field, so `5" hose` is text. A quoted field may
//! hold newlines, but not more than [`MAX_QUOTED_LINES`]: a stray quote must not swallow
//! the rest of a file, so beyond that (or at the end of the text) the quote is read as text.
//! Blank lines are skipped and counted nowhere.

use super::block::Block;
use super::dialect::{Dialect, Widths};
use super::fill::FillDown;
use super::swallowed::holds_records;
use super::widths::split_fixed;

/// A quoted field that runs over more lines than this is taken as a stray quote.
pub(super) const MAX_QUOTED_LINES: u64 = 100;

/// Walks the records of a text.
#[derive(Clone, Debug)]
pub(crate) struct Records<'t> {
    pub(super) text: &'t str,
    pub(super) position: usize,
    pub(super) line: u64,
    pub(super) delimiter: u8,
    pub(super) quote: u8,
    /// Some field may be quoted: asked once of the whole text, not of each line.
    pub(super) has_quotes: bool,
    /// What tells the fields apart by their place in the line; None where a delimiter does.
    pub(super) widths: Option<Widths>,
    pub(super) packed: bool,
    /// Columns whose empty cells say what stands above; None: none.
    pub(super) fill: Option<FillDown>,
}

impl<'t> Records<'t> {
    /// Starts at line 1; a delimiter alone stands for its dialect with the usual quote.
    #[must_use]
    pub(crate) fn new(text: &'t str, dialect: impl Into<Dialect>) -> Self {
        let dialect = dialect.into();
        let quote = dialect.quote.unwrap_or(b'"');
        let may_quote = dialect.quote.is_some() && dialect.widths.is_none();
        Self {
            text,
            position: 0,
            line: 1,
            delimiter: dialect.delimiter,
            quote,
            has_quotes: may_quote && memchr::memchr(quote, text.as_bytes()).is_some(),
            widths: dialect.widths,
            packed: dialect.packed,
            fill: None,
        }
    }

    /// As [`Records::new`] for a text that begins on another line.
    #[must_use]
    pub(crate) fn at_line(text: &'t str, dialect: impl Into<Dialect>, line: u64) -> Self {
        Self {
            line,
            ..Self::new(text, dialect)
        }
    }

    /// Bytes passed so far.
    pub(crate) const fn position(&self) -> usize {
        self.position
    }

    /// The line that comes next.
    pub(crate) const fn line(&self) -> u64 {
        self.line
    }

    /// From here on empty cells of some columns say what stands above them.
    pub(crate) fn fill_down(&mut self, fill: FillDown) {
        self.fill = Some(fill);
    }

    /// What empty cells of the text behind this one say.
    pub(crate) fn filled_down(self) -> Option<FillDown> {
        let text = self.text;
        self.fill.map(|fill| fill.without_text(text))
    }

    /// Passes over physical lines, whatever they hold.
    pub(crate) fn skip_lines(&mut self, n_lines: u64) {
        for _ in 0..n_lines {
            if self.position >= self.text.len() {
                return;
            }
            self.position = self.line_end(self.position).1;
            self.line += 1;
        }
    }

    /// Reads the next records that are not blank, `most` at most, into `block`; false at the end.
    pub(crate) fn read(&mut self, block: &mut Block<'t>, most: usize) -> bool {
        block.clear(self.text);
        if !self.has_quotes && self.widths.is_none() && self.fill.is_none() {
            self.read_unquoted(block, most);
            return block.n_records() > 0;
        }
        while block.n_records() < most && self.position < self.text.len() {
            let start = self.position;
            let (end, next) = self.line_end(start);
            let line_text = self.text.get(start..end).unwrap_or("");
            // Most lines begin with something to be seen, which spares looking at their ends.
            let begins = line_text
                .as_bytes()
                .first()
                .is_some_and(u8::is_ascii_graphic);
            if !begins && line_text.trim().is_empty() {
                self.position = next;
                self.line += 1;
            } else if !self.has_quotes || memchr::memchr(self.quote, line_text.as_bytes()).is_none()
            {
                match &self.widths {
                    None => split_plain(line_text, start, self.delimiter, block),
                    Some(widths) => split_fixed(line_text, start, (widths, self.packed), block),
                }
                block.push_record(self.line, start, end);
                self.position = next;
                self.line += 1;
            } else {
                self.read_quoted(block);
            }
            if let Some(fill) = &mut self.fill {
                block.fill_last(fill);
            }
        }
        block.n_records() > 0
    }

    /// As [`Self::read`] in a text without quotes: delimiters and line ends are found in one pass.
    fn read_unquoted(&mut self, block: &mut Block<'t>, most: usize) {
        let bytes = self.text.as_bytes();
        let mut line = Line {
            start: self.position,
            from: self.position,
        };
        let mut at = self.position;
        // Eight bytes at a time: fields of run logs are shorter than what searching by vectors pays for.
        while let Some(word) = bytes.get(at..).and_then(<[u8]>::first_chunk::<8>) {
            let word = u64::from_le_bytes(*word);
            let mut hits = equal_bytes(word, self.delimiter) | equal_bytes(word, b'\n');
            while hits != 0 {
                let place = at + hits.trailing_zeros() as usize / 8;
                hits &= hits - 1;
                if self.hit(place, &mut line, block) && block.n_records() >= most {
                    return;
                }
            }
            at += 8;
        }
        for place in at..bytes.len() {
            let is_hit = bytes
                .get(place)
                .is_some_and(|byte| *byte == self.delimiter || *byte == b'\n');
            if is_hit && self.hit(place, &mut line, block) && block.n_records() >= most {
                return;
            }
        }
        if line.start < bytes.len() {
            self.end_line(bytes.len(), &mut line, block);
        }
    }

    /// A delimiter or a line end; whether it was a line end.
    #[inline]
    fn hit(&mut self, place: usize, line: &mut Line, block: &mut Block<'t>) -> bool {
        if self.text.as_bytes().get(place) == Some(&b'\n') {
            self.end_line(place, line, block);
            return true;
        }
        block.push_field(line.from, place);
        line.from = place + 1;
        false
    }

    /// The line's end, before its newline or at the end of the text.
    fn end_line(&mut self, newline: usize, line: &mut Line, block: &mut Block<'t>) {
        let bytes = self.text.as_bytes();
        let has_cr = newline > line.start && bytes.get(newline - 1) == Some(&b'\r');
        let end = if has_cr { newline - 1 } else { newline };
        // Most lines begin with something to be seen, which spares looking at their ends.
        let begins = bytes.get(line.start).is_some_and(u8::is_ascii_graphic);
        let is_blank = !begins
            && self
                .text
                .get(line.start..end)
                .unwrap_or("")
                .trim()
                .is_empty();
        if is_blank {
            block.drop_fields();
        } else {
            block.push_field(line.from, end);
            block.push_record(self.line, line.start, end);
        }
        self.line += 1;
        self.position = (newline + 1).min(bytes.len());
        *line = Line {
            start: self.position,
            from: self.position,
        };
    }

    /// End of the line that starts at `from` (without its line end), and start of the next.
    fn line_end(&self, from: usize) -> (usize, usize) {
        let bytes = self.text.as_bytes();
        let rest = bytes.get(from..).unwrap_or(&[]);
        let newline = memchr::memchr(b'\n', rest).map_or(bytes.len(), |n| from + n);
        let next = (newline + 1).min(bytes.len());
        let has_cr = newline > from && bytes.get(newline - 1) == Some(&b'\r');
        (if has_cr { newline - 1 } else { newline }, next)
    }

    /// A record with a quote somewhere in its first line.
    pub(super) fn read_quoted(&mut self, block: &mut Block<'t>) {
        let start = self.position;
        let mut at = start;
        loop {
            let stop = self.read_field(at, block);
            if self.text.as_bytes().get(stop) == Some(&self.delimiter) {
                at = stop + 1;
                continue;
            }
            // `stop` is the line end (or the end of the text).
            let (end, next) = self.line_end(stop);
            block.push_record(self.line, start, end.max(start));
            let passed = self.text.as_bytes().get(start..next).unwrap_or(&[]);
            self.line += memchr::memchr_iter(b'\n', passed).count().max(1) as u64;
            self.position = next;
            return;
        }
    }

    /// One field from `at`; gives where it stops: at a delimiter, a line end or the end.
    fn read_field(&self, at: usize, block: &mut Block<'t>) -> usize {
        let quoted = self.text.as_bytes().get(at) == Some(&self.quote);
        match quoted.then(|| self.quoted_field(at)).flatten() {
            Some(found) if found.doubled => {
                block.push_doubled(at + 1, found.close, self.quote);
                found.stop
            }
            Some(found) => {
                block.push_field(at + 1, found.close);
                found.stop
            }
            None => {
                let stop = self.plain_stop(at);
                block.push_field(at, stop);
                stop
            }
        }
    }

    /// The delimiter or line end that comes next.
    fn plain_stop(&self, at: usize) -> usize {
        let (end, _) = self.line_end(at);
        let rest = self.text.as_bytes().get(at..end).unwrap_or(&[]);
        memchr::memchr(self.delimiter, rest).map_or(end, |n| at + n)
    }

    /// A field whose first byte is a quote; None where the quote turns out to be text.
    fn quoted_field(&self, at: usize) -> Option<Quoted> {
        let bytes = self.text.as_bytes();
        let mut from = at + 1;
        let mut doubled = false;
        let close = loop {
            let quote = from + memchr::memchr(self.quote, bytes.get(from..)?)?;
            if bytes.get(quote + 1) != Some(&self.quote) {
                break quote;
            }
            doubled = true;
            from = quote + 2;
        };
        let inner = self.text.get(at + 1..close)?;
        if memchr::memchr_iter(b'\n', inner.as_bytes()).count() as u64 > MAX_QUOTED_LINES {
            return None;
        }
        // Between the closing quote and the delimiter only blanks may stand.
        let stop = self.plain_stop(close + 1);
        if !self.text.get(close + 1..stop)?.trim().is_empty() {
            return None;
        }
        if inner.contains('\n')
            && holds_records(self.text, (self.position, at, close), self.delimiter)
        {
            return None;
        }
        Some(Quoted {
            close,
            stop,
            doubled,
        })
    }
}

/// The line in the making: where it starts, and where its field does.
struct Line {
    start: usize,
    from: usize,
}

/// Where a quoted field ends.
struct Quoted {
    /// The closing quote.
    close: usize,
    /// The delimiter or line end behind it.
    stop: usize,
    /// Some quotes inside are doubled.
    doubled: bool,
}

/// Cuts a line that begins at `start` of the text.
pub(super) fn split_plain(line: &str, start: usize, delimiter: u8, block: &mut Block<'_>) {
    let mut from = start;
    let mut cut = |stop: usize| {
        block.push_field(from, stop);
        from = stop + 1;
    };
    // Eight bytes at a time: fields of run logs are shorter than what searching by vectors pays for.
    let (words, rest) = line.as_bytes().as_chunks::<8>();
    let mut at = start;
    for word in words {
        let mut hits = equal_bytes(u64::from_le_bytes(*word), delimiter);
        while hits != 0 {
            cut(at + hits.trailing_zeros() as usize / 8);
            hits &= hits - 1;
        }
        at += 8;
    }
    for (place, byte) in rest.iter().enumerate() {
        if *byte == delimiter {
            cut(at + place);
        }
    }
    cut(start + line.len());
}

/// The highest bit of every byte of the word that equals `byte` (Warren, Hacker's Delight, section 6-1).
const fn equal_bytes(word: u64, byte: u8) -> u64 {
    const LOW_BITS: u64 = u64::from_ne_bytes([0x7f; 8]);
    let other = word ^ u64::from_ne_bytes([byte; 8]);
    !(((other & LOW_BITS) + LOW_BITS) | other | LOW_BITS)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::text::Record;

    /// Each record as `line: field|field`, joined by " / ".
    fn shown(text: &str, skip: u64) -> String {
        let mut records = Records::new(text, b',');
        records.skip_lines(skip);
        let mut block = Block::default();
        let mut out = Vec::new();
        while records.read(&mut block, 2) {
            out.extend(block.records().map(|record| {
                let fields: Vec<&str> = record.fields().collect();
                format!("{}: {}", record.line(), fields.join("|"))
            }));
        }
        out.join(" / ")
    }

    #[test]
    fn records_and_their_lines() {
        let cases = [
            ("plain", "a,b\n1,2\n", "1: a|b / 2: 1|2"),
            ("no newline at the end", "a,b\n1,2", "1: a|b / 2: 1|2"),
            ("carriage returns", "a,b\r\n1,2\r\n", "1: a|b / 2: 1|2"),
            (
                "blank lines are skipped and counted",
                "a\n\n \t\n1\n",
                "1: a / 4: 1",
            ),
            ("empty fields", "a,,\n,,\n", "1: a|| / 2: ||"),
            ("quoted delimiter", "\"a,b\",c\n1,2\n", "1: a,b|c / 2: 1|2"),
            ("quoted newline", "\"a\nb\",c\n1,2\n", "1: a\nb|c / 3: 1|2"),
            (
                "doubled quotes",
                "\"say \"\"no\"\"\",c\n",
                "1: say \"no\"|c",
            ),
            (
                "quote inside a field is text",
                "5\" hose,c\nx,y\n",
                "1: 5\" hose|c / 2: x|y",
            ),
            (
                "blank after the closing quote",
                "\"a\" ,c\r\n1,2\n",
                "1: a|c / 2: 1|2",
            ),
            (
                "text after the closing quote",
                "\"a\"b,c\n1,2\n",
                "1: \"a\"b|c / 2: 1|2",
            ),
            (
                "quote that never closes",
                "\"a,b\n1,2\n",
                "1: \"a|b / 2: 1|2",
            ),
            ("empty quoted field", "\"\",x\n", "1: |x"),
            ("quoted last field at the end", "x,\"y\"", "1: x|y"),
            ("empty text", "", ""),
        ];
        for (name, text, expected) in cases {
            assert_eq!(shown(text, 0), expected, "{name}");
        }
        assert_eq!(
            shown("title\n\"x\na,b\n1,2\n", 2),
            "3: a|b / 4: 1|2",
            "skipped lines are lines"
        );
        assert_eq!(shown("a\n", 5), "", "more skipped than there are");
    }

    #[test]
    fn a_stray_quote_does_not_swallow_the_file() {
        let mut text = String::from("\"start,1\n");
        for n in 0..300 {
            text.push_str(&format!("row,{n}\n"));
        }
        text.push_str("x,\"end\"\n");
        let mut records = Records::new(&text, b',');
        let mut block = Block::default();
        let mut n_records = 0;
        while records.read(&mut block, 7) {
            for record in block.records() {
                n_records += 1;
                assert_eq!(record.line(), n_records);
            }
        }
        assert_eq!(n_records, 302);
    }

    proptest::proptest! {
        #[test]
        /// A text without quotes is read as by the way of one that has them: a quote far behind
        /// changes nothing of what stands before it.
        #[test]
        fn one_pass_finds_what_line_by_line_is_found(
            text in "[a-c, ;\n\r\t\u{e9}\u{2003}]{0,80}",
            delimiter in proptest::sample::select(vec![b',', b';', b'\t', b' ']),
            most in 1_usize..5,
        ) {
            let shown = |text: &str, drop_last: bool| {
                let mut records = Records::new(text, delimiter);
                let mut block = Block::default();
                let mut out = Vec::new();
                while records.read(&mut block, most) {
                    out.extend(block.records().map(|record| {
                        let fields: Vec<&str> = record.fields().collect();
                        format!("{}: {:?} {:?}", record.line(), fields, record.raw())
                    }));
                }
                if drop_last {
                    out.pop();
                }
                out
            };
            let quoted = format!("{text}\n\"");
            proptest::prop_assert_eq!(shown(&text, false), shown(&quoted, true));
        }

        #[test]
        fn fields_are_those_of_a_plain_split(line in "[a-c,;\\-\u{1}\u{e9}\u{2c00}]{0,40}", semicolon: bool) {
            let delimiter = if semicolon { b';' } else { b',' };
            let mut block = Block::default();
            block.clear(&line);
            split_plain(&line, 0, delimiter, &mut block);
            block.push_record(1, 0, line.len());
            let fields: Vec<&str> = block.records().flat_map(Record::fields).collect();
            let expected: Vec<&str> = line.split(char::from(delimiter)).collect();
            proptest::prop_assert_eq!(fields, expected);
        }

        /// Every line that is not blank belongs to exactly one record, whatever the text.
        #[test]
        fn records_cover_the_text(text in "[a-c,\"\n\r ]{0,80}", most in 1_usize..5) {
            let mut records = Records::new(&text, b',');
            let mut block = Block::default();
            let mut last_line = 0;
            let mut covered = 0;
            while records.read(&mut block, most) {
                for record in block.records() {
                    proptest::prop_assert!(record.line() > last_line);
                    last_line = record.line() + record.raw().matches('\n').count() as u64;
                    covered += record.raw().chars().filter(|c| !c.is_whitespace()).count();
                }
            }
            proptest::prop_assert_eq!(covered, text.chars().filter(|c| !c.is_whitespace()).count());
        }
    }
}
