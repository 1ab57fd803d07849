//! Where in the text of `drydown.toml` a key stands.

use std::path::Path;

use toml::de::{DeTable, DeValue};

use super::ConfigError;

/// `file:line, key "a.b"`; without the line where the key is not in the file.
pub(super) fn place(file: &Path, text: &str, path: &[&str], source_idx: Option<usize>) -> String {
    let mut full = Vec::new();
    if source_idx.is_some() {
        full.push("source");
    }
    full.extend_from_slice(path);
    let key = full.join(".");
    match offset_of(text, path, source_idx) {
        Some(offset) => format!(
            "{}:{}, key \"{key}\"",
            file.display(),
            line_at(text, offset)
        ),
        None => format!("{}, key \"{key}\"", file.display()),
    }
}

/// A parse error with its line, and the nearest known key where a key is unknown.
pub(super) fn parse_error(file: &Path, text: &str, error: &toml::de::Error) -> ConfigError {
    let line = error.span().map_or(1, |span| line_at(text, span.start));
    let message = error.message().trim().to_owned();
    let problem = match nearest_known(&message) {
        Some(hint) => format!("{message}\nhint: did you mean \"{hint}\"?"),
        None => message,
    };
    ConfigError {
        place: format!("{}:{line}", file.display()),
        problem,
    }
}

fn line_at(text: &str, offset: usize) -> usize {
    text.bytes()
        .take(offset)
        .filter(|byte| *byte == b'\n')
        .count()
        + 1
}

/// Serde says "unknown field `x`, expected one of `a`, `b`": the quoted word nearest to the first.
fn nearest_known(message: &str) -> Option<String> {
    let rest = message
        .strip_prefix("unknown field ")
        .or_else(|| message.strip_prefix("unknown variant "))?;
    let mut words = rest.split('`').skip(1).step_by(2);
    let unknown = words.next()?;
    words
        .map(|word| (strsim::damerau_levenshtein(unknown, word), word))
        .min()
        .filter(|(distance, word)| *distance <= word.len().max(3) / 2 + 1)
        .map(|(_, word)| word.to_owned())
}

/// Byte offset of the deepest part of `path` that is in the text.
fn offset_of(text: &str, path: &[&str], source_idx: Option<usize>) -> Option<usize> {
    let root = DeTable::parse(text).ok()?;
    let root_span = root.span();
    let root = root.into_inner();
    let mut found = None;
    let mut table = &root;
    if let Some(idx) = source_idx {
        let list = table.get("source")?;
        let DeValue::Array(blocks) = list.get_ref() else {
            return None;
        };
        let block = blocks.get(idx)?;
        found = Some(block.span().start);
        let DeValue::Table(inner) = block.get_ref() else {
            return found;
        };
        table = inner;
    }
    for (depth, part) in path.iter().enumerate() {
        let Some((key, value)) = table.iter().find(|(key, _)| key.get_ref() == part) else {
            break;
        };
        found = Some(key.span().start);
        match value.get_ref() {
            DeValue::Table(inner) if depth + 1 < path.len() => table = inner,
            _ => break,
        }
    }
    found.or(Some(root_span.start))
}
