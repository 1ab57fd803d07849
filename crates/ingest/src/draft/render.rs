//! Writes a proposal as TOML: every reason a comment, every value a valid literal.

use std::fmt::Write as _;

use super::FILL_IN;
use super::proposal::{Proposal, column_key};
use crate::source::{ColumnMap, Layout, OneOrMany, Scalar, TallSpec, UnitOf};

/// The proposal as text.
pub(super) fn to_text(proposal: &Proposal) -> String {
    let mut out = block(proposal);
    if let Some(other) = &proposal.alternative {
        out.push('\n');
        for line in block(other).lines() {
            let _ = writeln!(out, "# {line}");
        }
    }
    out
}

fn block(proposal: &Proposal) -> String {
    let spec = &proposal.spec;
    let mut out = String::new();
    for line in &proposal.first {
        comment(&mut out, line);
    }
    if proposal.has_fill_in() {
        comment(
            &mut out,
            &format!("what is {FILL_IN} stands in no file: write it in before use"),
        );
    }
    out.push_str("[[source]]\n");
    let mut key = |name: &str, value: String| {
        for note in proposal.notes.get(name).into_iter().flatten() {
            comment(&mut out, note);
        }
        let _ = writeln!(out, "{name:<10} = {value}");
    };
    key("name", quoted(&spec.name));
    key("table", quoted(&spec.table));
    key("files", list(&spec.files));
    let layout = match spec.layout {
        Layout::Tall => "tall",
        Layout::Wide => "wide",
        Layout::Transposed => "transposed",
        Layout::Json => "json",
    };
    key("layout", quoted(layout));
    if let Some(sheet) = &spec.sheet {
        key("sheet", quoted(sheet));
    } else {
        key("encoding", quoted(&spec.encoding));
        match &spec.widths {
            Some(widths) => key("widths", format!("{widths:?}")),
            None => key("delimiter", quoted(&spec.delimiter)),
        }
    }
    if let Some(quote) = &spec.quote {
        key("quote", quoted(quote));
    }
    if spec.sheet.is_none() || spec.decimal != "." {
        key("decimal", quoted(&spec.decimal));
    }
    if spec.skip_lines > 0 {
        key("skip_lines", spec.skip_lines.to_string());
    }
    if let Some(pattern) = &spec.skip_until {
        key("skip_until", quoted(pattern));
    }
    if let Some(n) = spec.header_lines {
        key("header_lines", n.to_string());
    }
    if !spec.preamble.is_empty() {
        key("preamble", list(&spec.preamble));
    }
    if !spec.fill_down.is_empty() {
        key("fill_down", list(&spec.fill_down));
    }
    if let Some(names) = &spec.header {
        key("header", list(names));
    }
    if spec.null.len() > 1 {
        key("null", list(&spec.null));
    }
    if let Some(density) = spec.density_kgm3 {
        key("density_kgm3", format!("{density:?}"));
    }
    if let Some(zone) = &spec.timezone {
        key("timezone", quoted(zone));
    }
    if let Some(pattern) = &spec.file_name {
        key("file_name", quoted(pattern));
    }
    if let Some(tall) = &spec.tall {
        write_tall(&mut out, tall, proposal);
    }
    out.push_str("\n[source.columns]\n");
    for name in &proposal.order {
        let Some(map) = spec.columns.get(name) else {
            continue;
        };
        for note in proposal.notes.get(&column_key(name)).into_iter().flatten() {
            comment(&mut out, note);
        }
        let _ = writeln!(out, "{name} = {}", inline(map));
    }
    for line in &proposal.last {
        comment(&mut out, line);
    }
    out
}

fn write_tall(out: &mut String, tall: &TallSpec, proposal: &Proposal) {
    out.push_str("\n[source.tall]\n");
    let mut key = |name: &str, value: String| {
        for note in proposal.notes.get(name).into_iter().flatten() {
            comment(out, note);
        }
        let _ = writeln!(out, "{name:<7} = {value}");
    };
    key("tag", quoted(&tall.tag));
    key("value", quoted(&tall.value));
    if let Some(quality) = &tall.quality {
        key(
            "quality",
            format!(
                "{{ from = {}, good = {} }}",
                quoted(&quality.from),
                list(&quality.good)
            ),
        );
    }
    if let Some(pattern) = &tall.pattern {
        key("pattern", quoted(pattern));
    }
    if !tall.ignore.is_empty() {
        key("ignore", list(&tall.ignore));
    }
}

/// A column's map as an inline table.
fn inline(map: &ColumnMap) -> String {
    let mut parts = Vec::new();
    if let Some(from) = &map.from {
        parts.push(format!("from = {}", one_or_many(from)));
    }
    if let Some(signal) = &map.signal {
        parts.push(format!("signal = {}", one_or_many(signal)));
    }
    if let Some(value) = &map.value {
        let shown = match value {
            Scalar::Text(text) => quoted(text),
            other => other.to_text(),
        };
        parts.push(format!("value = {shown}"));
    }
    if let Some(format) = &map.format {
        parts.push(format!("format = {}", quoted(format)));
    }
    if let Some(unit) = &map.elapsed {
        parts.push(format!("elapsed = {}", quoted(unit)));
    }
    match &map.unit {
        Some(UnitOf::Fixed(unit)) => parts.push(format!("unit = {}", quoted(unit))),
        Some(UnitOf::Column(column)) => {
            parts.push(format!("unit = {{ from = {} }}", quoted(&column.from)))
        }
        None => {}
    }
    if let Some(reference) = map.reference {
        let word = match reference {
            crate::source::PressureWord::Absolute => "absolute",
            crate::source::PressureWord::Gauge => "gauge",
            crate::source::PressureWord::Vacuum => "vacuum",
            crate::source::PressureWord::PercentVacuum => "percent_vacuum",
        };
        parts.push(format!("reference = \"{word}\""));
    }
    if let Some(words) = &map.map {
        let words: Vec<String> = words
            .iter()
            .map(|(from, to)| format!("{} = {}", quoted(from), quoted(to)))
            .collect();
        parts.push(format!("map = {{ {} }}", words.join(", ")));
    }
    format!("{{ {} }}", parts.join(", "))
}

fn one_or_many(names: &OneOrMany) -> String {
    match names {
        OneOrMany::One(name) => quoted(name),
        OneOrMany::Many(names) => list(names),
    }
}

fn list(items: &[String]) -> String {
    let items: Vec<String> = items.iter().map(|item| quoted(item)).collect();
    format!("[{}]", items.join(", "))
}

/// Characters of a comment, at most: a cell that is quoted there may be as long as a file.
const MAX_COMMENT: usize = 2_000;

/// One line of comment; TOML allows no control characters there.
fn comment(out: &mut String, text: &str) {
    let mut plain: String = text
        .chars()
        .take(MAX_COMMENT)
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect();
    if text.chars().nth(MAX_COMMENT).is_some() {
        plain.push('…');
    }
    let _ = writeln!(out, "# {plain}");
}

/// A string of TOML: literal where it holds a backslash and nothing against it, else basic.
pub(super) fn quoted(text: &str) -> String {
    if text.contains('\\') && !text.contains('\'') && !text.chars().any(char::is_control) {
        return format!("'{text}'");
    }
    let mut out = String::from("\"");
    for c in text.chars() {
        match c {
            '"' => out.push_str("\\\""),
            '\\' => out.push_str("\\\\"),
            '\t' => out.push_str("\\t"),
            c if c.is_control() => {
                let _ = write!(out, "\\u{:04X}", u32::from(c));
            }
            c => out.push(c),
        }
    }
    out.push('"');
    out
}
