//! What stands outside the table: the unit in the file's name or above the header, the zone of the clock.

use regex::Regex;

use super::shape::Shape;
use super::words::{meanings, tokens};
use crate::stamps::{Clock, StampFormat};

/// Words before a number in a file's name that name no unit.
const NO_UNIT: &[&str] = &[
    "part", "file", "export", "log", "data", "page", "sheet", "v", "rev", "week", "kw", "q", "hist",
];

/// Words before a number in a folder's name that name no unit, beside those.
const NO_FOLDER: &[&str] = &[
    "site", "y", "fy", "year", "month", "day", "quarter", "backup", "batch", "set", "dir", "tmp",
    "lab", "usb", "disk", "old", "new", "yard", "plant", "werk",
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

/// As [`unit_in_name`], by the archive or the folder that the file stands in: the nearest that looks
/// like a machine's name.
pub(super) fn unit_in_folder(path: &str) -> Option<(String, String)> {
    let looks = Regex::new(r"^([A-Za-z]{1,6}-?\d{1,3})(\.[A-Za-z]+)?$").ok()?;
    let mut folders = path.split('/').rev();
    folders.next()?;
    folders.find_map(|folder| {
        let parts = looks.captures(folder)?;
        let unit = parts.get(1)?.as_str();
        let letters = unit
            .trim_end_matches(|c: char| c.is_ascii_digit() || c == '-')
            .to_lowercase();
        if NO_UNIT.contains(&letters.as_str()) || NO_FOLDER.contains(&letters.as_str()) {
            return None;
        }
        let ending = parts.get(2).map_or("", |ending| ending.as_str());
        let pattern = format!(
            r"(?:^|/)(?<unit_id>[A-Za-z]+-?\d+){}/",
            regex::escape(ending)
        );
        let found = Regex::new(&pattern).ok()?;
        let fits = found.captures(path)?.name("unit_id")?.as_str() == unit;
        fits.then(|| (pattern, unit.to_owned()))
    })
}

/// A day in the last part of a path.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct DayInName {
    /// As it stands there.
    pub(super) day: String,
    /// How it is written.
    pub(super) format: &'static str,
    /// Captures it as `day`, and the unit where one was found.
    pub(super) pattern: String,
}

/// The day that a file's name tells, and a pattern for it; `with_unit`: the unit is to be taken from the
/// name too, where it stands there.
pub(super) fn day_in_name(path: &str, with_unit: bool) -> Option<DayInName> {
    const DAYS: [(&str, &str); 4] = [
        (r"20\d\d-\d\d-\d\d", "%Y-%m-%d"),
        (r"20\d\d_\d\d_\d\d", "%Y_%m_%d"),
        (r"\d\d\.\d\d\.20\d\d", "%d.%m.%Y"),
        (r"20\d{6}", "%Y%m%d"),
    ];
    DAYS.iter().find_map(|(digits, format)| {
        let (day, pattern) = part_in_name(path, with_unit, digits, "day")?;
        Some(DayInName {
            day,
            format,
            pattern,
        })
    })
}

/// As [`day_in_name`], of a day and a time of it, captured as `start`.
pub(super) fn start_in_name(path: &str, with_unit: bool) -> Option<DayInName> {
    const STARTS: [(&str, &str); 8] = [
        (r"20\d{6}_\d{6}", "%Y%m%d_%H%M%S"),
        (r"20\d{6}T\d{6}", "%Y%m%dT%H%M%S"),
        (r"20\d{6}-\d{6}", "%Y%m%d-%H%M%S"),
        (r"20\d\d-\d\d-\d\d_\d\d-\d\d-\d\d", "%Y-%m-%d_%H-%M-%S"),
        (r"20\d\d-\d\d-\d\d_\d{6}", "%Y-%m-%d_%H%M%S"),
        (r"20\d{6}_\d{4}", "%Y%m%d_%H%M"),
        (r"20\d\d-\d\d-\d\d_\d\d-\d\d", "%Y-%m-%d_%H-%M"),
        (r"20\d{12}", "%Y%m%d%H%M%S"),
    ];
    STARTS.iter().find_map(|(digits, format)| {
        let (day, pattern) = part_in_name(path, with_unit, digits, "start")?;
        // What the pattern lets through must be a time.
        let reads = StampFormat::parse(format).is_ok_and(|format| format.read(&day).is_some());
        reads.then_some(DayInName {
            day,
            format,
            pattern,
        })
    })
}

/// What fits a pattern in the last part of a path, and a pattern that captures it under a name.
fn part_in_name(path: &str, with_unit: bool, digits: &str, name: &str) -> Option<(String, String)> {
    let base = path.rsplit('/').next().unwrap_or(path);
    let looks = Regex::new(&format!(r"(?:^|\D)({digits})(?:\D|$)")).ok()?;
    let found = looks.captures(base)?.get(1)?;
    let part = format!("(?<{name}>{digits})");
    let unit = unit_in_name(path).filter(|_| with_unit);
    let mut patterns = Vec::new();
    if let Some((of_unit, _)) = &unit {
        patterns.push(format!("{of_unit}.*?{part}"));
        patterns.push(format!("{part}.*?{of_unit}"));
        // The mark behind the unit may be the one before the part.
        let open = of_unit.trim_end_matches("(?:[_ .]|$)");
        patterns.push(format!("{open}[_ .]{part}"));
    }
    if unit.is_none() {
        patterns.push(part);
    }
    let fits = |pattern: &String| {
        let parts = Regex::new(pattern).ok()?.captures(base)?;
        let is_part = parts.name(name)?.as_str() == found.as_str();
        let is_unit = match &unit {
            Some((_, unit)) => parts.name("unit_id")?.as_str() == unit,
            None => true,
        };
        (is_part && is_unit).then(|| pattern.clone())
    };
    let pattern = patterns.iter().find_map(fits)?;
    Some((found.as_str().to_owned(), pattern))
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
    Stated(String),
    Said(&'static str),
    Nothing,
}

/// Letters of clocks, a zone that has them, and what they leave open.
const LETTERS: &[(&[&str], &str, &str)] = &[
    (
        &["mez", "mesz", "cet", "cest"],
        "Europe/Berlin",
        "it says MEZ or CET: Europe/Berlin or another city of that zone, or \"Etc/GMT-1\" where the clock never changes",
    ),
    (
        &["est", "edt"],
        "America/New_York",
        "it says EST or EDT: America/New_York, or \"Etc/GMT+5\" where the clock never changes",
    ),
    (
        &["cst", "cdt"],
        "America/Chicago",
        "it says CST or CDT: America/Chicago, or \"Etc/GMT+6\" where the clock never changes",
    ),
    (
        &["mst", "mdt"],
        "America/Denver",
        "it says MST or MDT: America/Denver, or America/Phoenix where the clock never changes",
    ),
    (
        &["pst", "pdt"],
        "America/Los_Angeles",
        "it says PST or PDT: America/Los_Angeles, or \"Etc/GMT+8\" where the clock never changes",
    ),
    (
        &["aest", "aedt"],
        "Australia/Sydney",
        "it says AEST or AEDT: Australia/Sydney, Melbourne or Hobart, or Australia/Brisbane where the clock never changes",
    ),
    (
        &["acst", "acdt"],
        "Australia/Adelaide",
        "it says ACST or ACDT: Australia/Adelaide, or Australia/Darwin where the clock never changes",
    ),
    (
        &["awst"],
        "Australia/Perth",
        "it says AWST: Australia/Perth",
    ),
    (
        &["nzst", "nzdt"],
        "Pacific/Auckland",
        "it says NZST or NZDT: Pacific/Auckland",
    ),
    (
        &["ist"],
        "Asia/Kolkata",
        "it says IST: Asia/Kolkata, or another zone of that name",
    ),
    (&["jst"], "Asia/Tokyo", "it says JST: Asia/Tokyo"),
];

/// Words of the headers of times and of the lines above the header.
fn zone_words(shape: &Shape) -> Vec<String> {
    let times = shape.header.iter().filter(|head| {
        tokens(head)
            .iter()
            .flat_map(|word| meanings(word))
            .any(|meaning| matches!(meaning, "time" | "date" | "taken"))
    });
    times
        .chain(shape.preamble.iter().flatten())
        .flat_map(|text| tokens(text))
        .collect()
}

/// The IANA names that stand above the header or in it (`Europe/Berlin`).
fn stated_zones(shape: &Shape) -> Vec<String> {
    let Ok(looks) = Regex::new(r"[A-Z][A-Za-z]+/[A-Z][A-Za-z_]+(?:/[A-Z][A-Za-z_]+)?") else {
        return Vec::new();
    };
    let header = shape.header.join(" ");
    let mut found: Vec<String> = [shape.head_text.as_str(), header.as_str()]
        .iter()
        .flat_map(|text| looks.find_iter(text))
        .map(|name| name.as_str().to_owned())
        .filter(|name| Clock::parse(name).is_some())
        .collect();
    found.sort();
    found.dedup();
    found
}

/// The zones that a file names, or one that has the letters it writes.
pub(super) fn zones_of(shape: &Shape) -> Vec<String> {
    let stated = stated_zones(shape);
    if !stated.is_empty() {
        return stated;
    }
    let words = zone_words(shape);
    let said = LETTERS.iter().find(|(letters, _, _)| {
        letters
            .iter()
            .any(|zone| words.iter().any(|word| word == zone))
    });
    said.map(|(_, zone, _)| (*zone).to_owned())
        .into_iter()
        .collect()
}

/// Looks for a zone in the headers and above them.
pub(super) fn zone_hint(shape: &Shape) -> ZoneHint {
    if let [zone] = &stated_zones(shape)[..] {
        return ZoneHint::Stated(zone.clone());
    }
    let words = zone_words(shape);
    let has = |word: &str| words.iter().any(|other| other == word);
    if has("utc") || has("gmt") || has("zulu") {
        return ZoneHint::Stated("UTC".to_owned());
    }
    LETTERS
        .iter()
        .find(|(letters, _, _)| letters.iter().any(|zone| has(zone)))
        .map_or(ZoneHint::Nothing, |(_, _, said)| ZoneHint::Said(said))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn days_in_names() {
        let cases = [
            (
                "logs/log_U-1_20260314.csv",
                true,
                Some(("20260314", "%Y%m%d", "U-1")),
            ),
            (
                "2026-03-14_VD07.csv",
                true,
                Some(("2026-03-14", "%Y-%m-%d", "VD07")),
            ),
            (
                "yard 14.03.2026.csv",
                true,
                Some(("14.03.2026", "%d.%m.%Y", "")),
            ),
            (
                "log_U-1_20260314.csv",
                false,
                Some(("20260314", "%Y%m%d", "")),
            ),
            ("log_U-1_120260314.csv", true, None),
            ("log_U-1.csv", true, None),
        ];
        for (path, with_unit, expected) in cases {
            let found = day_in_name(path, with_unit);
            let shown = found.as_ref().map(|found| {
                let base = path.rsplit('/').next().unwrap();
                let pattern = Regex::new(&found.pattern).unwrap();
                let parts = pattern.captures(base).unwrap();
                assert_eq!(&parts["day"], found.day);
                let unit = parts.name("unit_id").map_or("", |unit| unit.as_str());
                (found.day.as_str(), found.format, unit)
            });
            assert_eq!(shown, expected, "{path}");
        }
    }
}
