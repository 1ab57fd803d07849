//! What is to be said of a file as a whole, before anything of it is stored.

use std::collections::HashMap;

use crate::rows::{Body, FileRows, Reject};
use crate::texts::NULL;

impl FileRows {
    /// Rows that would change a value of an earlier row of the same file, because both have one key:
    /// stamps written without their seconds, a missing column of the key, or corrections.
    ///
    /// Rows that say the same again do not count.
    #[must_use]
    pub fn n_changing_their_own(&self) -> usize {
        let key_of = |row: usize| -> Vec<u64> {
            self.keys
                .iter()
                .filter_map(|column| column.get(row))
                .copied()
                .collect()
        };
        // The last cell of each key and column of the table.
        let mut last: HashMap<(Vec<u64>, usize), u64> = HashMap::new();
        let mut changes = |key: &[u64], column: usize, cell: u64| {
            cell != NULL
                && last
                    .insert((key.to_vec(), column), cell)
                    .is_some_and(|before| before != cell)
        };
        match &self.body {
            Body::Wide { columns } => {
                // Few rows share a key: cells are held against each other only there.
                let mut seen: HashMap<Vec<u64>, usize> = HashMap::new();
                let differ = |row: usize, before: usize| {
                    columns.iter().any(|(_, cells)| {
                        let (here, there) = (cells.get(row), cells.get(before));
                        here.is_some_and(|cell| *cell != NULL) && here != there
                    })
                };
                (0..self.n_rows())
                    .filter(|row| {
                        seen.insert(key_of(*row), *row)
                            .is_some_and(|before| differ(*row, before))
                    })
                    .count()
            }
            Body::Tall {
                ends,
                columns,
                cells,
            } => {
                let mut start = 0;
                let mut n_changing = 0;
                for (row, end) in ends.iter().enumerate() {
                    let key = key_of(row);
                    let spoken = columns.get(start..*end).unwrap_or(&[]);
                    let values = cells.get(start..*end).unwrap_or(&[]);
                    let mut is_change = false;
                    for (column, cell) in spoken.iter().zip(values) {
                        is_change |= changes(&key, usize::from(*column), *cell);
                    }
                    n_changing += usize::from(is_change);
                    start = *end;
                }
                n_changing
            }
        }
    }
}

impl Reject {
    /// Its column and reason without what only this entry holds, so that entries can be counted.
    #[must_use]
    pub fn kind(&self) -> String {
        let place = if self.column.is_empty() {
            "whole rows"
        } else {
            &self.column
        };
        format!("{place}: {}", without_particulars(&self.reason))
    }
}

/// A reason without the text that was found, and without the number that it begins with.
fn without_particulars(reason: &str) -> String {
    let mut out = String::new();
    let mut rest = reason;
    while let Some((before, after)) = rest.split_once("found \"") {
        out.push_str(before);
        out.push_str("found …");
        // The text found may hold quotes of its own: what follows it is a colon or the end.
        rest = match after.find("\": ") {
            Some(end) => after.get(end + 1..).unwrap_or(""),
            None => after.rsplit_once('"').map_or("", |(_, rest)| rest),
        };
    }
    out.push_str(rest);
    let (head, tail) = match out.rsplit_once(": ") {
        Some((head, tail)) => (format!("{head}: "), tail.to_owned()),
        None => (String::new(), out),
    };
    match tail.split_once(' ') {
        Some((number, words)) if number.parse::<f64>().is_ok() => format!("{head}… {words}"),
        _ => format!("{head}{tail}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reader::FileInput;
    use crate::site::SiteContext;
    use crate::source::SourceSpec;

    fn n_changing(block: &str, text: &str) -> usize {
        let spec: SourceSpec = toml::from_str(block).unwrap();
        let input = FileInput {
            name: "x.csv",
            bytes: text.as_bytes(),
            loaded_at: "2026-12-01".parse().unwrap(),
            max_text: 1 << 20,
        };
        let rows = spec
            .compile()
            .unwrap()
            .read_file(&input, &SiteContext::default());
        rows.n_changing_their_own()
    }

    #[test]
    fn rows_that_change_their_own_file() {
        let wide = "name = \"x\"\ntable = \"readings\"\nfiles = [\"*\"]\ntimezone = \"UTC\"\n[columns]\nunit_id = { from = \"U\" }\nat = { from = \"T\", format = \"%F %H:%MZ\" }\noil_flow_lpm = { from = \"Q\" }\nheater_kw = { from = \"P\" }\n";
        let tall = "name = \"x\"\ntable = \"readings\"\nfiles = [\"*\"]\ntimezone = \"UTC\"\nlayout = \"tall\"\n[tall]\ntag = \"G\"\nvalue = \"V\"\n[columns]\nunit_id = { from = \"U\" }\nat = { from = \"T\", format = \"%F %H:%MZ\" }\noil_flow_lpm = { signal = \"Q\" }\nheater_kw = { signal = \"P\" }\n";
        let cases = [
            (
                "none",
                wide,
                "U,T,Q,P\nA,2026-03-01 00:00Z,1,2\nA,2026-03-01 00:01Z,1,2\nB,2026-03-01 00:00Z,3,4\n",
                0,
            ),
            (
                "the same again",
                wide,
                "U,T,Q,P\nA,2026-03-01 00:00Z,1,2\nA,2026-03-01 00:00Z,1,2\n",
                0,
            ),
            (
                "minute stamps",
                wide,
                "U,T,Q,P\nA,2026-03-01 00:00Z,1,2\nA,2026-03-01 00:00Z,1,3\nA,2026-03-01 00:00Z,1,4\n",
                2,
            ),
            (
                "the other cell alone",
                wide,
                "U,T,Q,P\nA,2026-03-01 00:00Z,1,2\nA,2026-03-01 00:00Z,,2\n",
                0,
            ),
            (
                "tags of one moment",
                tall,
                "U,T,G,V\nA,2026-03-01 00:00Z,Q,1\nA,2026-03-01 00:00Z,P,2\n",
                0,
            ),
            (
                "a tag twice",
                tall,
                "U,T,G,V\nA,2026-03-01 00:00Z,Q,1\nA,2026-03-01 00:00Z,P,2\nA,2026-03-01 00:00Z,Q,3\n",
                1,
            ),
        ];
        for (what, block, text, expected) in cases {
            assert_eq!(n_changing(block, text), expected, "{what}");
        }
    }

    #[test]
    fn kinds_of_rejects() {
        let cases = [
            (
                "column \"Vac\": found \"ab\": expected a number in kPa",
                "column \"Vac\": found …: expected a number in kPa",
            ),
            (
                "column \"Vac\": found \"a\"b\": expected a number",
                "column \"Vac\": found …: expected a number",
            ),
            (
                "-3.2 kPa lies outside 0 to 115",
                "… kPa lies outside 0 to 115",
            ),
            (
                "column \"W\": found \"7\": 7 kPa lies outside 0 to 5",
                "column \"W\": found …: … kPa lies outside 0 to 5",
            ),
            ("found 3 fields, expected 4", "found 3 fields, expected 4"),
            ("the quality is \"BAD\"", "the quality is \"BAD\""),
        ];
        for (reason, expected) in cases {
            assert_eq!(without_particulars(reason), expected, "{reason}");
        }
    }
}
