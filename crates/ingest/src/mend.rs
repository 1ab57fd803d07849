//! The text of a file with the records mended that its source rejected.

use std::collections::BTreeMap;

use crate::source::{Layout, Source};
use crate::text::{Block, Record, Records, TextError, decode_text};

/// One entry of `rejects`, and what should stand there.
#[derive(Clone, Copy, Debug)]
pub struct Mend<'a> {
    /// The line its record starts on.
    pub line: u64,
    /// The table's column; empty: the record as a whole.
    pub column: &'a str,
    /// The text that was rejected.
    pub found: &'a str,
    /// The text for it.
    pub now: &'a str,
}

/// A mended text, and the entries that could not be mended, each with its reason.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct MendedText {
    /// The whole text, mended.
    pub text: String,
    /// How many entries were mended.
    pub n_mended: usize,
    /// Why the others were not, by line.
    pub left: Vec<(u64, String)>,
}

impl Source {
    /// Puts mended records and cells into the text of a file, and leaves all else as it is. What stands
    /// on a line is the rejected text, or nothing is put there.
    ///
    /// # Errors
    /// Bytes that cannot be unpacked.
    pub fn mended(
        &self,
        bytes: &[u8],
        mends: &[Mend<'_>],
        limit: usize,
    ) -> Result<MendedText, TextError> {
        let decoded = decode_text(bytes, &self.text_rule(), limit)?;
        let mut of_line: BTreeMap<u64, Vec<&Mend<'_>>> = BTreeMap::new();
        for mend in mends {
            of_line.entry(mend.line).or_default().push(mend);
        }
        let is_plain = matches!(self.layout, Layout::Wide | Layout::Tall);
        let mut done = MendedText::default();
        if !is_plain || decoded.traits.is_workbook {
            let why = "its lines are not the records: mend the file itself";
            done.left = of_line.keys().map(|line| (*line, why.to_owned())).collect();
            done.text = decoded.text;
            return Ok(done);
        }
        let dialect = self.dialect(decoded.traits);
        let quote = dialect.quote.map(char::from);
        let delimiter = char::from(dialect.delimiter);
        let mut records = Records::new(&decoded.text, &dialect);
        records.skip_lines(self.n_skipped(&decoded.text));
        let mut block = Block::default();
        let mut from = 0;
        while records.read(&mut block, 1) {
            let Some(record) = block.record(0) else { break };
            let Some(wanted) = of_line.remove(&record.line()) else {
                continue;
            };
            // The record lies between what was given out and where the reader is now.
            let passed = decoded.text.get(from..records.position()).unwrap_or("");
            let Some(at) = passed.rfind(record.raw()) else {
                continue;
            };
            done.text.push_str(passed.get(..at).unwrap_or(""));
            from += at + record.raw().len();
            let mut line = record.raw().to_owned();
            for mend in wanted {
                match put(&line, record, mend, (delimiter, quote)) {
                    Ok(with) => {
                        line = with;
                        done.n_mended += 1;
                    }
                    Err(why) => done.left.push((mend.line, why)),
                }
            }
            done.text.push_str(&line);
        }
        done.text.push_str(decoded.text.get(from..).unwrap_or(""));
        let missing = |line: u64| (line, "no record starts on this line".to_owned());
        done.left.extend(of_line.into_keys().map(missing));
        Ok(done)
    }
}

/// A record's text with one entry mended.
fn put(
    line: &str,
    record: Record<'_>,
    mend: &Mend<'_>,
    (delimiter, quote): (char, Option<char>),
) -> Result<String, String> {
    if mend.column.is_empty() {
        return if line.trim() == mend.found.trim() {
            Ok(mend.now.to_owned())
        } else {
            Err("the file has another record there".to_owned())
        };
    }
    let found = mend.found.trim();
    let n_cells = record
        .fields()
        .filter(|field| field.trim() == found)
        .count();
    let n_places = line.matches(found).count();
    if found.is_empty() || n_cells != 1 || n_places != 1 {
        return Err(format!(
            "{n_cells} cells of the record are \"{found}\": mend the file itself"
        ));
    }
    let special = |c: char| c == delimiter || c == '\n' || c == '\r' || Some(c) == quote;
    let cell = match quote {
        _ if !mend.now.contains(special) => mend.now.to_owned(),
        Some(quote) => {
            let doubled = mend.now.replace(quote, &format!("{quote}{quote}"));
            format!("{quote}{doubled}{quote}")
        }
        None => return Err("the new text holds the delimiter: mend the file itself".to_owned()),
    };
    Ok(line.replacen(found, &cell, 1))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mended(text: &str, mends: &[(u64, &str, &str, &str)]) -> MendedText {
        let block = "name = \"x\"\ntable = \"readings\"\nfiles = [\"*\"]\ntimezone = \"UTC\"\n[columns]\nunit_id = { value = \"U-1\" }\nat = { from = \"T\", format = \"%F %T\" }\noil_inlet_degc = { from = \"In\", unit = \"°C\" }\nalarm = { from = \"A\" }\n";
        let spec: crate::source::SourceSpec = toml::from_str(block).unwrap();
        let mends: Vec<Mend<'_>> = mends
            .iter()
            .map(|&(line, column, found, now)| Mend {
                line,
                column,
                found,
                now,
            })
            .collect();
        let source = spec.compile().unwrap();
        source.mended(text.as_bytes(), &mends, 1 << 20).unwrap()
    }

    const TEXT: &str = "T,In,A\r\n\r\n2026-01-05 08:00:00,6l,\"a\r\nb\"\r\nbad,63,\r\n2026-01-05 08:01:00,64,64\r\n";

    #[test]
    fn only_what_was_rejected_changes() {
        let done = mended(
            TEXT,
            &[
                (3, "oil_inlet_degc", "6l", "61"),
                (5, "", "bad,63,", "2026-01-05 08:00:30,63,"),
            ],
        );
        let expected = "T,In,A\r\n\r\n2026-01-05 08:00:00,61,\"a\r\nb\"\r\n2026-01-05 08:00:30,63,\r\n2026-01-05 08:01:00,64,64\r\n";
        assert_eq!((done.text.as_str(), done.n_mended), (expected, 2));
        assert_eq!(done.left, []);
        let quoted = mended(TEXT, &[(3, "oil_inlet_degc", "6l", "6,\"1")]);
        assert!(quoted.text.contains(",\"6,\"\"1\",\"a"), "{}", quoted.text);
    }

    #[test]
    fn what_is_not_certain_is_left_and_said() {
        let done = mended(
            TEXT,
            &[
                (6, "alarm", "64", "65"),
                (5, "", "other,63,", "x"),
                (9, "", "y", "z"),
            ],
        );
        assert_eq!((done.text.as_str(), done.n_mended), (TEXT, 0));
        let lines: Vec<u64> = done.left.iter().map(|(line, _)| *line).collect();
        assert_eq!(lines, [5, 6, 9]);
        assert!(
            done.left[1]
                .1
                .starts_with("2 cells of the record are \"64\"")
        );
    }
}
