//! What stands outside the table: the unit in the file's name or above the header, the zone of the clock.

use regex::Regex;

use super::shape::Shape;
use super::words::{meanings, tokens};

/// Words before a number in a file's name that name no unit.
const NO_UNIT: &[&str] = &[
    "part", "file", "export", "log", "data", "page", "sheet", "v", "rev", "week", "kw", "q", "hist",
];

/// A pattern for the last part of a path whose `unit_id` is what looks like a machine's name, and that name.
pub(super) fn unit_in_name(path: &str) -> Option<(String, String)> {
    let base = path.rsplit('/').next().unwrap_or(path);
    let looks = Regex::new(r"(?:^|[_ ])([A-Za-z]{1,6}-?\d{1,3})(?:[_ .]|$)").ok()?;
    let found = looks.captures(base)?.get(1)?.as_str();
    let letters = found
        .trim_end_matches(|c: char| c.is_ascii_digit() || c == '-')
        .to_lowercase();
    if NO_UNIT.contains(&letters.as_str()) {
        return None;
    }
    let start = if base.starts_with(found) { "^" } else { "[_ ]" };
    let pattern = format!(r"{start}(?<unit_id>[A-Za-z]+-?\d+)(?:[_ .]|$)");
    let fits = Regex::new(&pattern)
        .ok()?
        .captures(base)?
        .name("unit_id")?
        .as_str()
        == found;
    fits.then(|| (pattern, found.to_owned()))
}

/// The unit that the lines above the header name (`Anlage;VD-01`).
pub(super) fn unit_in_preamble(shape: &Shape) -> Option<String> {
    shape.preamble.iter().find_map(|line| {
        let joined: Vec<&str> = line
            .iter()
            .flat_map(|field| field.split([':', '=']))
            .map(str::trim)
            .collect();
        joined.windows(2).find_map(|pair| match pair {
            [name, value] => {
                let is_unit = tokens(name).len() <= 2
                    && tokens(name)
                        .iter()
                        .flat_map(|word| meanings(word))
                        .any(|meaning| meaning == "machine");
                let looks_like_id = !value.is_empty()
                    && value.len() <= 24
                    && value.chars().any(|c| c.is_ascii_digit());
                (is_unit && looks_like_id).then(|| (*value).to_owned())
            }
            _ => None,
        })
    })
}

/// The zone of the clock, where the file names it, or what it says that a zone can be told from.
pub(super) enum ZoneHint {
    Stated(&'static str),
    Said(&'static str),
    Nothing,
}

/// Looks for a zone in the headers and above them.
pub(super) fn zone_hint(shape: &Shape) -> ZoneHint {
    const SAID: &[(&[&str], &str)] = &[
        (
            &["mez", "mesz", "cet", "cest"],
            "it says MEZ or CET: Europe/Berlin or another city of that zone, or \"Etc/GMT-1\" where the clock never changes",
        ),
        (
            &["est", "edt"],
            "it says EST or EDT: America/New_York, or \"Etc/GMT+5\" where the clock never changes",
        ),
        (
            &["cst", "cdt"],
            "it says CST or CDT: America/Chicago, or \"Etc/GMT+6\" where the clock never changes",
        ),
        (
            &["mst", "mdt"],
            "it says MST or MDT: America/Denver, or America/Phoenix where the clock never changes",
        ),
        (
            &["pst", "pdt"],
            "it says PST or PDT: America/Los_Angeles, or \"Etc/GMT+8\" where the clock never changes",
        ),
        (
            &["ist"],
            "it says IST: Asia/Kolkata, or another zone of that name",
        ),
        (&["jst"], "it says JST: Asia/Tokyo"),
    ];
    let times = shape.header.iter().filter(|head| {
        tokens(head)
            .iter()
            .flat_map(|word| meanings(word))
            .any(|meaning| matches!(meaning, "time" | "date" | "taken"))
    });
    let words: Vec<String> = times
        .chain(shape.preamble.iter().flatten())
        .flat_map(|text| tokens(text))
        .collect();
    let has = |word: &str| words.iter().any(|other| other == word);
    if has("utc") || has("gmt") || has("zulu") {
        return ZoneHint::Stated("UTC");
    }
    SAID.iter()
        .find(|(zones, _)| zones.iter().any(|zone| has(zone)))
        .map_or(ZoneHint::Nothing, |(_, said)| ZoneHint::Said(said))
}
