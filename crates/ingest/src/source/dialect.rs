//! How the text of a source becomes records: quotes, widths, lines of the header, what stands above it.

use std::sync::Arc;

use regex::Regex;

use super::compile::Compiler;
use super::spec::Layout;
use crate::text::{Dialect, Widths};

/// A column may be so wide, in characters.
const MAX_WIDTH: usize = 1 << 16;

impl Compiler<'_> {
    pub(super) fn dialect(&mut self, delimiter: u8) -> Option<Dialect> {
        let quote = self.quote(delimiter)?;
        let widths = self.widths();
        self.check_packed();
        Some(Dialect {
            delimiter,
            quote,
            widths,
            packed: self.spec.packed,
        })
    }

    /// Whether what says that columns stand without blanks between them has columns to speak of.
    fn check_packed(&mut self) {
        if self.spec.packed && self.spec.widths.is_none() {
            self.problem(
                &["packed"],
                "speaks of columns of fixed width, and there are no widths",
            );
        }
    }

    fn quote(&mut self, delimiter: u8) -> Option<Option<u8>> {
        let Some(text) = &self.spec.quote else {
            return Some(Some(b'"'));
        };
        match text.as_bytes() {
            [] => Some(None),
            [byte] if byte.is_ascii_punctuation() && *byte != delimiter => Some(Some(*byte)),
            _ => {
                let what = format!("found {text:?}, expected one mark such as ' or nothing");
                self.problem(&["quote"], what);
                None
            }
        }
    }

    fn widths(&mut self) -> Option<Widths> {
        let widths = self.spec.widths.as_ref()?;
        if widths.len() < 2 || widths.iter().any(|width| !(1..=MAX_WIDTH).contains(width)) {
            self.problem(
                &["widths"],
                "expected the width of each column in characters, of two columns at least",
            );
        }
        Some(Arc::from(widths.as_slice()))
    }

    pub(super) fn header_lines(&mut self) -> usize {
        let n = self.spec.header_lines.unwrap_or(1);
        if self.spec.header_lines.is_some() && self.spec.header.is_some() {
            self.problem(
                &["header_lines"],
                "`header` gives the names, and the file's own are not looked at: pass over its lines with skip_lines",
            );
        } else if self.spec.layout == Layout::Json
            && (self.spec.header.is_some() || self.spec.header_lines.is_some())
        {
            self.problem(
                &["header"],
                "a record in JSON names its columns itself: there is no header",
            );
        } else if !(1..=9).contains(&n) {
            self.problem(&["header_lines"], format!("found {n}, expected 1 to 9"));
        }
        n
    }

    pub(super) fn fill_down(&mut self) -> Vec<String> {
        if self.spec.layout == Layout::Transposed && !self.spec.fill_down.is_empty() {
            self.problem(
                &["fill_down"],
                "in a transposed file records stand side by side, and none above another",
            );
        }
        self.spec.fill_down.clone()
    }

    /// The patterns for the lines before the header.
    pub(super) fn preamble(&mut self) -> Vec<Regex> {
        let spec = self.spec;
        if spec.skip_lines == 0 && spec.skip_until.is_none() && !spec.preamble.is_empty() {
            self.problem(
                &["preamble"],
                "looks at the lines that skip_lines or skip_until passes over, which are none",
            );
        }
        let mut patterns = Vec::new();
        for text in &spec.preamble {
            let Some(pattern) = self.pattern(&["preamble"], Some(text)) else {
                continue;
            };
            if pattern.capture_names().flatten().next().is_none() {
                let what = format!("found '{text}', expected a named part such as (?<unit_id>…)");
                self.problem(&["preamble"], what);
            }
            patterns.push(pattern);
        }
        patterns
    }
}

#[cfg(test)]
mod tests {
    use crate::source::SourceSpec;

    const HEAD: &str = "name = \"s\"\ntable = \"readings\"\nfiles = [\"*\"]\ntimezone = \"UTC\"\n";
    const COLUMNS: &str =
        "[columns]\nunit_id = { value = \"U-1\" }\nat = { from = \"T\", format = \"%F %T\" }\n";

    /// The keys that a block is faulted for, and part of what is said of the first.
    fn check(head: &str, columns: &str, key: &str, said: &str) {
        let text = format!("{HEAD}{head}\n{columns}");
        let spec: SourceSpec = toml::from_str(&text).unwrap();
        let problems = spec.compile().expect_err(&text);
        let first = problems.first().unwrap();
        assert_eq!(first.key.join("."), key, "{text}: {problems:?}");
        assert!(first.to_string().contains(said), "{text}: {first}");
    }

    #[test]
    fn what_is_wrong_with_a_shape_is_said() {
        let cases = [
            ("quote = \"ab\"", "quote", "one mark"),
            ("quote = \",\"", "quote", "one mark"),
            ("widths = [3]", "widths", "two columns at least"),
            ("widths = [3, 0]", "widths", "width of each column"),
            ("packed = true", "packed", "no widths"),
            ("header_lines = 0", "header_lines", "1 to 9"),
            (
                "header_lines = 2\nheader = [\"T\"]",
                "header_lines",
                "skip_lines",
            ),
            (
                "layout = \"json\"\nheader_lines = 2",
                "header",
                "there is no header",
            ),
            (
                "layout = \"transposed\"\nfill_down = [\"T\"]",
                "fill_down",
                "side by side",
            ),
            ("preamble = ['(?<unit_id>.)']", "preamble", "which are none"),
            (
                "skip_lines = 1\npreamble = ['x']",
                "preamble",
                "a named part",
            ),
            ("skip_until = '('", "skip_until", "no pattern"),
        ];
        for (head, key, said) in cases {
            check(head, COLUMNS, key, said);
        }
        let at =
            |map: &str| format!("[columns]\nunit_id = {{ value = \"U-1\" }}\nat = {{ {map} }}\n");
        let cases = [
            (
                "from = [\"D\", \"T\"], format = \"%F\", elapsed = \"weeks\"",
                "columns.at.elapsed",
                "h:min:s",
            ),
            (
                "from = \"T\", format = \"%F\", elapsed = \"s\"",
                "columns.at.elapsed",
                "the last of `from`",
            ),
            (
                "from = [\"preamble:start\", \"T\"], format = \"%F\", elapsed = \"s\"",
                "columns.at.from",
                "no part of preamble",
            ),
        ];
        for (map, key, said) in cases {
            check("", &at(map), key, said);
        }
        let flow =
            format!("{COLUMNS}oil_flow_lpm = {{ from = [\"A\", \"B\"], elapsed = \"s\" }}\n");
        check("", &flow, "columns.oil_flow_lpm.elapsed", "only times");
    }
}
