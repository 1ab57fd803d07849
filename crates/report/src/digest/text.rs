//! The digest as plain text.

use std::fmt::Write as _;

use super::fresh::{Entry, entries};
use super::open::lines;
use super::{DigestInput, WHERE_ALL, heading, heard};
use crate::cautions::{CAUTION_LINE, CAUTIONS, FIRST_WORD};
use crate::words::sentence;

/// Characters of a line (RFC 5322, 2.1.1, recommends at most 78).
const LINE: usize = 78;

pub(super) fn text(input: &DigestInput<'_>) -> String {
    let mut out = format!("{}\nAs of {} UTC.\n\n", heard(input), input.as_of.minute());
    out.push_str(&wrap(
        &format!("CAUTION: {CAUTION_LINE} {FIRST_WORD} More below."),
        "",
    ));
    if input.new.is_empty() {
        out.push_str("\nNothing new.\n");
    } else {
        let _ = writeln!(out, "\nNEW ({})", input.new.len());
    }
    for entry in entries(input.new) {
        out.push('\n');
        let news = match entry {
            Entry::Full(news) => news,
            Entry::Named(names) => {
                out.push_str(&wrap(&names, ""));
                continue;
            }
        };
        let row = news.finding;
        out.push_str(&wrap(&heading(news), ""));
        out.push_str(&wrap(&sentence(&row.evidence), "  "));
        out.push_str(&wrap(&sentence(&row.action), "  > "));
    }
    if !input.open.is_empty() {
        let _ = writeln!(out, "\nSTILL OPEN ({})\n", input.open.len());
        for line in lines(input.open) {
            out.push_str(&wrap(&format!("[{}] {}", line.severity, line.text), ""));
        }
        out.push_str(&wrap(WHERE_ALL, ""));
    }
    out.push_str("\nCAUTIONS\n\n");
    for (title, text) in CAUTIONS {
        out.push_str(&wrap(&format!("{title}. {text}"), ""));
    }
    out.push_str(&wrap(FIRST_WORD, ""));
    out
}

/// Units that stay on the line of their number.
const UNITS: [&str; 8] = ["%", "ppm", "kPa", "°C", "h", "days", "g/h", "K"];

/// The words of a text; a number and its unit are one.
fn words_of(text: &str) -> Vec<String> {
    let mut words: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        let bare = word.trim_end_matches(['.', ',', ';', ':', ')', '?', '!']);
        let after_number = words
            .last()
            .is_some_and(|last| last.ends_with(|c: char| c.is_ascii_digit()));
        match words.last_mut() {
            Some(last) if after_number && UNITS.contains(&bare) => {
                last.push(' ');
                last.push_str(word);
            }
            _ => words.push(word.to_owned()),
        }
    }
    words
}

/// Words filled into lines, the first begun with the indent, the others with as many blanks.
fn wrap(words: &str, indent: &str) -> String {
    let width = indent.chars().count();
    let mut out = String::new();
    let mut line = indent.to_owned();
    let mut length = width;
    for word in words_of(words) {
        let n = word.chars().count();
        if length > width && length + 1 + n > LINE {
            out.push_str(line.trim_end());
            out.push('\n');
            line = " ".repeat(width);
            length = width;
        } else if length > width {
            line.push(' ');
            length += 1;
        }
        line.push_str(&word);
        length += n;
    }
    out.push_str(line.trim_end());
    out.push('\n');
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn wrapped_lines_keep_their_indent_and_width() {
        let text = wrap(&"word ".repeat(60), "  > ");
        assert!(text.lines().all(|line| line.chars().count() <= LINE));
        assert!(text.starts_with("  > word"));
        assert!(
            text.lines()
                .skip(1)
                .all(|line| line.starts_with("    word"))
        );
    }

    #[test]
    fn a_number_keeps_its_unit() {
        for blanks in 0..12 {
            let text = wrap(
                &format!(
                    "{}passes 17 %, free water 9 %. Now 148 ppm (90 % 49–354) for 120 h",
                    "ab ".repeat(20 + blanks)
                ),
                "",
            );
            assert!(
                text.lines()
                    .all(|line| !["%", "ppm", "h"].iter().any(|unit| line.starts_with(unit))),
                "{text}"
            );
        }
    }

    #[test]
    fn no_word_is_lost_however_long() {
        let long = "x".repeat(200);
        let text = wrap(&format!("a {long} b"), "  ");
        let words: Vec<&str> = text.split_whitespace().collect();
        assert_eq!(words, ["a", long.as_str(), "b"]);
    }
}
