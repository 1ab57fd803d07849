//! Records written as JSON objects, one a line or all in one list, as delimited text.
//!
//! The names of all records, in alphabetical order, make the first line; each record is the line of its
//! own number behind it. A name inside a name is `outer.inner`, a list is its own JSON text. What is no
//! object, or has a name twice, becomes a line of one field, which no reader takes for a record.

use std::borrow::Cow;
use std::collections::{BTreeMap, BTreeSet};

use serde::de::{Deserialize, Deserializer, MapAccess, Visitor};
use serde_json::Value;

use super::decode::TextError;
use super::transpose::push_cell;
use crate::cells::DecimalMark;

/// What stands for the names of a text without any object.
pub(crate) const NO_NAMES: &str = "(no names)";

/// Objects inside objects, at most.
const MAX_DEPTH: usize = 8;

/// One record: its names and what they say.
struct Object(BTreeMap<String, Value>);

impl<'de> Deserialize<'de> for Object {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Names;
        impl<'de> Visitor<'de> for Names {
            type Value = Object;

            fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.write_str("an object")
            }

            fn visit_map<A: MapAccess<'de>>(self, mut access: A) -> Result<Object, A::Error> {
                let mut out = BTreeMap::new();
                while let Some((name, value)) = access.next_entry::<String, Value>()? {
                    if out.insert(name.clone(), value).is_some() {
                        let why = format!("the name \"{name}\" stands twice");
                        return Err(serde::de::Error::custom(why));
                    }
                }
                Ok(Object(out))
            }
        }
        deserializer.deserialize_map(Names)
    }
}

/// Whether a text begins as one of JSON does.
pub(crate) fn begins_like_json(text: &str) -> bool {
    let text = text.trim_start();
    let inner = text.strip_prefix('[').map_or(text, str::trim_start);
    inner.starts_with('{')
}

/// The text with a line of names and a line for each record behind it.
///
/// # Errors
/// A list that is not one to its end; a text that would be longer than `limit` bytes.
pub(crate) fn to_delimited(
    text: &str,
    (delimiter, mark): (u8, DecimalMark),
    limit: usize,
) -> Result<String, TextError> {
    let whole = text.trim();
    let records: Vec<Result<Cells, String>> = if whole.starts_with('[') {
        let list: Vec<Object> =
            serde_json::from_str(whole).map_err(|error| TextError::Damaged {
                kind: "JSON",
                why: error.to_string(),
            })?;
        list.into_iter()
            .map(|Object(map)| cells_of(map, mark).ok_or_else(String::new))
            .collect()
    } else {
        text.lines().map(|line| record_of(line, mark)).collect()
    };
    let mut names = Names::new(delimiter, mark);
    for cells in records.iter().flatten() {
        names.add_cells(cells);
    }
    let mut out = names.head();
    let parents = names.parents();
    for record in &records {
        names.push(record, &parents, &mut out);
        if out.len() > limit {
            return Err(TextError::TooLong { limit });
        }
    }
    Ok(out)
}

/// One line as a record; the error is the line.
fn record_of(line: &str, mark: DecimalMark) -> Result<Cells, String> {
    match serde_json::from_str::<Object>(line) {
        _ if line.trim().is_empty() => Ok(Cells::new()),
        Ok(Object(map)) => cells_of(map, mark).ok_or_else(|| line.to_owned()),
        Err(_) => Err(line.to_owned()),
    }
}

/// Why a line of [`to_delimited`] is no record, with the column where it stops being one.
pub(crate) fn why_no_object(line: &str) -> String {
    let Err(error) = serde_json::from_str::<Object>(line) else {
        return "no JSON object that can be read: two names make one".to_owned();
    };
    let rest = line.get(error.column().saturating_sub(1)..).unwrap_or("");
    let rest = rest.strip_prefix('-').unwrap_or(rest);
    let word = ["NaN", "Infinity"]
        .into_iter()
        .find(|word| rest.starts_with(word));
    match word {
        Some(word) => format!("no JSON object: {word} is not JSON ({error})"),
        None => format!("no JSON object: {error}"),
    }
}

type Cells = BTreeMap<String, String>;

/// None where two names make one.
fn cells_of(map: BTreeMap<String, Value>, mark: DecimalMark) -> Option<Cells> {
    let mut out = Cells::new();
    push_object(map, "", (mark, MAX_DEPTH), &mut out).then_some(out)
}

fn push_object(
    map: BTreeMap<String, Value>,
    before: &str,
    (mark, depth): (DecimalMark, usize),
    out: &mut Cells,
) -> bool {
    map.into_iter().all(|(name, value)| {
        let name = format!("{before}{name}");
        let text = match value {
            Value::Null => String::new(),
            Value::Bool(value) => value.to_string(),
            Value::Number(number) => match mark {
                DecimalMark::Point => number.to_string(),
                DecimalMark::Comma => number.to_string().replace('.', ","),
            },
            Value::String(text) => text,
            Value::Object(inner) if depth > 0 => {
                let inner = inner.into_iter().collect();
                return push_object(inner, &format!("{name}."), (mark, depth - 1), out);
            }
            other => other.to_string(),
        };
        out.insert(name, text).is_none()
    })
}

/// What stands under a name that is an object here and a value elsewhere: its parts, by their whole names.
/// A column that is mapped from the name must not pass for empty.
fn parts_of(cells: &Cells, name: &str) -> Option<String> {
    let inside = format!("{name}.");
    let parts = cells
        .range(inside.clone()..)
        .take_while(|(part, _)| part.starts_with(&inside))
        .map(|(part, text)| (part.as_str(), text.as_str()));
    let parts = object_of(parts);
    (parts != "{}").then_some(parts)
}

/// Names and their texts as a JSON object; names without a text are left out.
pub(crate) fn object_of<'c>(cells: impl Iterator<Item = (&'c str, &'c str)>) -> String {
    let quoted = |text: &str| Value::String(text.to_owned()).to_string();
    let parts: Vec<String> = cells
        .filter(|(_, text)| !text.is_empty())
        .map(|(name, text)| format!("{}: {}", quoted(name), quoted(text)))
        .collect();
    format!("{{{}}}", parts.join(", "))
}

/// Whether a cell holds what [`object_of`] writes.
pub(crate) fn is_object(text: &str) -> bool {
    text.starts_with("{\"") && text.ends_with("\"}")
}

/// The names of all records of a text, by which each of them becomes a line.
#[derive(Clone, Debug)]
pub struct Names {
    all: BTreeSet<String>,
    delimiter: char,
    mark: DecimalMark,
}

impl Names {
    /// None yet.
    pub(crate) const fn new(delimiter: u8, mark: DecimalMark) -> Self {
        Self {
            all: BTreeSet::new(),
            delimiter: delimiter as char,
            mark,
        }
    }

    /// Adds those of some lines.
    pub(crate) fn add(&mut self, lines: &str) {
        for line in lines.lines() {
            if let Ok(cells) = record_of(line, self.mark) {
                self.add_cells(&cells);
            }
        }
    }

    fn add_cells(&mut self, cells: &Cells) {
        for name in cells.keys() {
            if !self.all.contains(name) {
                self.all.insert(name.clone());
            }
        }
    }

    /// Some lines of objects as lines of fields; before the first ones stands the line of names.
    pub(super) fn to_lines(&self, lines: &str, is_first: bool) -> String {
        let mut out = if is_first { self.head() } else { String::new() };
        out.reserve(lines.len());
        let parents = self.parents();
        for line in lines.lines() {
            self.push(&record_of(line, self.mark), &parents, &mut out);
        }
        out
    }

    fn head(&self) -> String {
        let mut out = String::new();
        if self.all.is_empty() {
            // No record has a name; the lines must not pass for a header.
            out.push_str(NO_NAMES);
            out.push('\n');
        } else {
            self.push_all(self.all.iter().map(String::as_str), &mut out);
        }
        out
    }

    /// Names that hold a value in some records and further names in others.
    fn parents(&self) -> BTreeSet<&str> {
        let mut parents = BTreeSet::new();
        for name in &self.all {
            for (at, _) in name.match_indices('.') {
                let outer = name.get(..at).and_then(|outer| self.all.get(outer));
                parents.extend(outer.map(String::as_str));
            }
        }
        parents
    }

    fn push(&self, record: &Result<Cells, String>, parents: &BTreeSet<&str>, out: &mut String) {
        match record {
            Ok(cells) if cells.is_empty() => out.push('\n'),
            Ok(cells) => {
                let of_name = |name: &String| match cells.get(name) {
                    Some(text) => Cow::Borrowed(text.as_str()),
                    None if parents.contains(name.as_str()) => {
                        parts_of(cells, name).map_or(Cow::Borrowed(""), Cow::Owned)
                    }
                    None => Cow::Borrowed(""),
                };
                self.push_all(self.all.iter().map(of_name), out);
            }
            Err(raw) => {
                push_cell(raw, self.delimiter, out);
                // A field too many where the names are one, else some too few.
                if self.all.len() == 1 {
                    out.push(self.delimiter);
                }
                out.push('\n');
            }
        }
    }

    fn push_all<C: AsRef<str>>(&self, cells: impl Iterator<Item = C>, out: &mut String) {
        for (at, cell) in cells.enumerate() {
            if at > 0 {
                out.push(self.delimiter);
            }
            push_cell(cell.as_ref(), self.delimiter, out);
        }
        out.push('\n');
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_that_is_no_record_says_why() {
        for (line, expected) in [
            (
                "{\"a\": NaN}",
                "no JSON object: NaN is not JSON (expected value at line 1 column 7)",
            ),
            (
                "{\"a\": -Infinity}",
                "no JSON object: Infinity is not JSON (invalid number at line 1 column 8)",
            ),
            (
                "{\"a\": 1",
                "no JSON object: EOF while parsing an object at line 1 column 7",
            ),
            (
                "{\"a.b\": 1, \"a\": {\"b\": 2}}",
                "no JSON object that can be read: two names make one",
            ),
        ] {
            assert_eq!(why_no_object(line), expected, "{line}");
        }
    }

    #[test]
    fn records_become_lines() {
        let cases = [
            (
                "lines",
                "{\"b\": 1.50, \"a\": \"x\"}\n\n{\"a\": null, \"c\": {\"d\": true, \"e\": [1, 2]}}\n",
                "a,b,c.d,c.e\nx,1.5,,\n\n,,true,\"[1,2]\"\n",
            ),
            (
                "a list",
                "[{\"a\": \"x, \\\"y\\\"\\nz\"},\n {\"a\": -0.5}]",
                "a\n\"x, \"\"y\"\" z\"\n-0.5\n",
            ),
            (
                "what is none",
                "{\"a\": 1, \"b\": 2}\n{\"a\": 1, \"a\": 2}\n{\"a\n{\"a.b\": 1, \"a\": {\"b\": 2}}\n",
                "a,b\n1,2\n\"{\"\"a\"\": 1, \"\"a\"\": 2}\"\n\"{\"\"a\"\n\"{\"\"a.b\"\": 1, \"\"a\"\": {\"\"b\"\": 2}}\"\n",
            ),
            ("one name", "{\"a\": 1}\nx\n", "a\n1\nx,\n"),
            (
                "an object where elsewhere a value stands",
                "{\"w\": 1}\n{\"w\": {\"u\": \"ppm\", \"v\": 5}}\n{\"w\": {}}\n",
                "w,w.u,w.v\n1,,\n\"{\"\"w.u\"\": \"\"ppm\"\", \"\"w.v\"\": \"\"5\"\"}\",ppm,5\n\n",
            ),
            ("none at all", "x\n", "(no names)\nx\n"),
        ];
        for (name, text, expected) in cases {
            let found = to_delimited(text, (b',', DecimalMark::Point), 1 << 10).unwrap();
            assert_eq!(found, expected, "{name}");
        }
        let comma = to_delimited("{\"a\": 1.5}", (b';', DecimalMark::Comma), 1 << 10).unwrap();
        assert_eq!(comma, "a\n1,5\n");
        for text in ["[{\"a\": 1}, 2]", "[{\"a\": 1}", "[{\"a\": 1, \"a\": 2}]"] {
            assert!(
                to_delimited(text, (b',', DecimalMark::Point), 1 << 10).is_err(),
                "{text}"
            );
        }
    }
}
