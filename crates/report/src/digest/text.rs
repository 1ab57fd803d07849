//! The digest as plain text.

use std::fmt::Write as _;

use super::open::lines;
use super::{DigestInput, WHERE_ALL, heard};
use crate::cautions::{CAUTION_LINE, CAUTIONS, FIRST_WORD};
use crate::words::{began, rule_title, sentence};

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
    for row in input.new {
        let onset = began(row.onset_at);
        let onset = if onset.is_empty() {
            onset
        } else {
            format!(" ({onset})")
        };
        out.push('\n');
        out.push_str(&wrap(
            &format!(
                "[{}] {}: {}{onset}",
                row.severity,
                row.subject,
                rule_title(&row.rule)
            ),
            "",
        ));
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

/// Words filled into lines, the first begun with the indent, the others with as many blanks.
fn wrap(words: &str, indent: &str) -> String {
    let width = indent.chars().count();
    let mut out = String::new();
    let mut line = indent.to_owned();
    let mut length = width;
    for word in words.split_whitespace() {
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
        line.push_str(word);
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
    fn no_word_is_lost_however_long() {
        let long = "x".repeat(200);
        let text = wrap(&format!("a {long} b"), "  ");
        let words: Vec<&str> = text.split_whitespace().collect();
        assert_eq!(words, ["a", long.as_str(), "b"]);
    }
}
