//! What the words of a header mean: whole words, and German compounds of them.

use super::dictionary::MEANINGS;

/// Words that say nothing about the meaning.
const FILLERS: &[&str] = &[
    "iso",
    "avg",
    "mean",
    "mittel",
    "mittelwert",
    "motor",
    "speed",
    "content",
    "gehalt",
    "of",
    "the",
    "der",
    "die",
    "das",
    "at",
    "actual",
    "ist",
    "local",
    "utc",
    "gmt",
    "m",
    "pct",
    "percent",
    "abs",
    "rel",
];

/// Letters that may join the parts of a German compound.
const LINKS: &[&str] = &["", "s", "n", "en", "es"];

/// The words of a text: runs of letters and digits in lower case, `%` by itself, camel case apart.
pub(super) fn tokens(text: &str) -> Vec<String> {
    let mut out: Vec<String> = vec![String::new()];
    let mut was_lower = false;
    for c in text.chars() {
        if !c.is_alphanumeric() {
            out.push(if c == '%' {
                "%".to_owned()
            } else {
                String::new()
            });
            if c == '%' {
                out.push(String::new());
            }
            was_lower = false;
            continue;
        }
        if c.is_uppercase() && was_lower {
            out.push(String::new());
        }
        was_lower = c.is_lowercase();
        if let Some(last) = out.last_mut() {
            last.extend(c.to_lowercase());
        }
    }
    out.retain(|token| !token.is_empty());
    out
}

/// The meaning of one whole word.
fn meaning_of(word: &str) -> Option<&'static str> {
    MEANINGS
        .iter()
        .find(|(_, words)| words.split_whitespace().any(|known| known == word))
        .map(|(meaning, _)| *meaning)
}

/// The meanings of a token: of the whole word, or of every part of a compound; empty if unknown.
pub(super) fn meanings(token: &str) -> Vec<&'static str> {
    if let Some(found) = meaning_of(token) {
        return vec![found];
    }
    if token == "vp" {
        return vec!["vacuum", "pump"];
    }
    // Numbered or joined to an abbreviation: `Temp1`, `Flow2`.
    let bare = token.trim_end_matches(|c: char| c.is_ascii_digit());
    if bare != token
        && bare.len() > 2
        && let Some(found) = meaning_of(bare)
    {
        return vec![found];
    }
    compound(token, 3).unwrap_or_default()
}

/// A word that consists of known words of three letters and more (and `öl`) from end to end.
fn compound(word: &str, most: usize) -> Option<Vec<&'static str>> {
    if word.is_empty() {
        return Some(Vec::new());
    }
    if most == 0 {
        return None;
    }
    // The longest known start first, so that `durchfluss` does not end as something shorter.
    let mut ends: Vec<usize> = word.char_indices().map(|(at, _)| at).skip(2).collect();
    ends.push(word.len());
    for end in ends.into_iter().rev() {
        let (Some(head), Some(rest)) = (word.get(..end), word.get(end..)) else {
            continue;
        };
        if head.chars().count() < 3 && head != "öl" {
            continue;
        }
        let Some(first) = meaning_of(head) else {
            continue;
        };
        for link in LINKS {
            if let Some(left) = rest.strip_prefix(link)
                && (link.is_empty() || !left.is_empty())
                && let Some(mut found) = compound(left, most - 1)
            {
                found.insert(0, first);
                return Some(found);
            }
        }
    }
    None
}

/// The size in µm from which a column counts particles: `ISO 4`, `>6um(c)`, `14 µm`.
pub(super) fn size_of_particles(text: &str) -> Option<u32> {
    let words = tokens(text);
    let is_micron = |word: &str| matches!(word, "um" | "µm" | "μm" | "micron" | "microns");
    let names_it = words.iter().any(|word| {
        matches!(
            word.as_str(),
            "iso" | "iso4406" | "4406" | "particles" | "partikel"
        ) || is_micron(word)
            || is_micron(word.trim_start_matches(|c: char| c.is_ascii_digit()))
    });
    let sizes: Vec<u32> = words
        .iter()
        .filter_map(|word| {
            word.trim_end_matches(|c: char| !c.is_ascii_digit())
                .parse()
                .ok()
        })
        .filter(|size| matches!(size, 4 | 6 | 14))
        .collect();
    match sizes[..] {
        [size] if names_it => Some(size),
        _ => None,
    }
}

/// Whether a token carries no meaning of its own.
pub(super) fn is_filler(token: &str) -> bool {
    FILLERS.contains(&token) || token.chars().all(|c| c.is_ascii_digit())
}
