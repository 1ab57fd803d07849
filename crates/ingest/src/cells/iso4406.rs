//! Cleanliness codes of ISO 4406: three numbers for particles from 4, 6 and 14 µm(c).
//!
//! "≥" marks a code from fewer than 20 counted particles, ">28" lies above the table and is
//! kept as 29, "-" or "*" stands where a size was not counted. Two numbers are a microscope
//! count (from 5 and 15 µm) and fill the two larger sizes. What a spreadsheet has turned into
//! a date is refused, and so is a class of another standard.

/// A code above the table's last (28).
const ABOVE_TABLE: i64 = 29;

/// One cleanliness code.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) struct Cleanliness {
    /// From 4, 6 and 14 µm(c).
    pub(crate) codes: [Option<i64>; 3],
    /// What the numbers alone do not say; None for nothing.
    pub(crate) note: Option<String>,
}

/// Reads one trimmed, not empty cell; the error says what was expected.
pub(crate) fn parse_cleanliness(text: &str) -> Result<Cleanliness, &'static str> {
    let folded = text.to_uppercase();
    if folded.starts_with("NAS") || folded.starts_with("AS4059") || folded.starts_with("AS 4059") {
        return Err("expected an ISO 4406 code, found a class of another standard");
    }
    let mut body = folded.trim_start_matches("ISO").trim();
    if let Some(rest) = body.strip_prefix("4406") {
        let edition = ["1987", "1999", "2017", "2021"];
        let rest = rest.trim_start_matches(':');
        let rest = edition
            .iter()
            .find_map(|year| rest.strip_prefix(year))
            .unwrap_or(rest);
        body = rest.trim_start().trim_start_matches([':', '-', '–']).trim();
    }
    let slashed = body.replace('\\', "/");
    body = &slashed;
    body = body.trim_end_matches("(C)").trim();
    if looks_like_date(body) {
        return Err("expected an ISO 4406 code, found what looks like a date made of one");
    }
    let parts: Vec<&str> = if body.contains('/') {
        body.split('/').collect()
    } else {
        body.split('-').collect()
    };
    let (first, parts) = match parts[..] {
        [six, fourteen] => (None, [six, six, fourteen]),
        [four, six, fourteen] => (Some(four), [four, six, fourteen]),
        _ => return Err("expected an ISO 4406 code such as 19/17/14"),
    };
    let mut found = Cleanliness::default();
    let mut notes = Vec::new();
    for (idx, part) in parts.into_iter().enumerate() {
        if idx == 0 && first.is_none() {
            notes.push("two numbers: from 5 and 15 um".to_owned());
            continue;
        }
        let (code, few) = parse_code(part.trim())?;
        if few {
            notes.push(format!(
                "{} um: fewer than 20 particles counted",
                [4, 6, 14][idx]
            ));
        }
        if let Some(slot) = found.codes.get_mut(idx) {
            *slot = code;
        }
    }
    check_order(&found.codes)?;
    if found.codes.iter().all(Option::is_none) {
        return Err("expected an ISO 4406 code, found no number");
    }
    found.note = (!notes.is_empty()).then(|| notes.join("; "));
    Ok(found)
}

/// One of the numbers, and whether it is marked as counted from few particles.
fn parse_code(text: &str) -> Result<(Option<i64>, bool), &'static str> {
    if matches!(text, "-" | "--" | "–" | "—" | "*" | "") {
        return Ok((None, false));
    }
    if let Some(rest) = text.strip_prefix('≥').or_else(|| text.strip_prefix(">=")) {
        return Ok((Some(in_table(rest.trim())?), true));
    }
    if let Some(rest) = text.strip_prefix('>') {
        return if rest.trim() == "28" {
            Ok((Some(ABOVE_TABLE), false))
        } else {
            Err("only >28 may stand above a code")
        };
    }
    Ok((Some(in_table(text)?), false))
}

fn in_table(text: &str) -> Result<i64, &'static str> {
    let digits = !text.is_empty() && text.len() <= 2 && text.bytes().all(|b| b.is_ascii_digit());
    let number = text.trim_end_matches(|c: char| !c.is_ascii_digit());
    if !digits && number.len() < text.len() && in_table(number).is_ok() {
        return Err("expected a code, found a mark such as * or a letter behind its number");
    }
    let code = if digits { text.parse().ok() } else { None };
    code.filter(|code| (0..=ABOVE_TABLE).contains(code))
        .ok_or("expected codes from 0 to 29")
}

/// Larger particles are fewer, so the codes fall (ISO 4406:2021).
fn check_order(codes: &[Option<i64>; 3]) -> Result<(), &'static str> {
    let known: Vec<i64> = codes.iter().flatten().copied().collect();
    if known.is_sorted_by(|a, b| a >= b) {
        Ok(())
    } else {
        Err("expected codes that fall with size")
    }
}

/// Whether a spreadsheet may have made this from a code: `10-AUG-06`, `2012-10-09`, `12/10/09`, `41191`.
fn looks_like_date(text: &str) -> bool {
    let parts: Vec<&str> = text.split(['/', '-', '.']).map(str::trim).collect();
    if let [serial] = parts[..] {
        return serial.len() == 5 && serial.bytes().all(|b| b.is_ascii_digit());
    }
    if let [a, b] = parts[..] {
        // `12/10` as a day of this year: `12-Oct`.
        let is_month = |part: &str| part.len() >= 3 && part.chars().all(char::is_alphabetic);
        return is_month(a) || is_month(b);
    }
    let [a, b, c] = parts[..] else { return false };
    if [a, b, c]
        .iter()
        .any(|p| p.len() >= 3 && p.chars().all(char::is_alphanumeric))
    {
        return true;
    }
    let number = |p: &str| p.parse::<u32>().ok();
    let (Some(x), Some(y), Some(_)) = (number(a), number(b), number(c)) else {
        return false;
    };
    // A leading zero is no way to write a code; with a month and a day before it, it is a date.
    let padded = [a, b, c].iter().any(|p| p.len() == 2 && p.starts_with('0'));
    padded && x.min(y) <= 12 && x.max(y) <= 31
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_and_what_is_refused() {
        let cases = [
            ("19/17/14", "19/17/14"),
            ("19-17-14", "19/17/14"),
            ("ISO 19/17/14", "19/17/14"),
            ("19/17/14 (c)", "19/17/14"),
            (">28/26/21", "29/26/21"),
            ("-/17/14", "-/17/14"),
            ("*/17/14", "-/17/14"),
            ("18/14/09", "18/14/9"),
            ("12/10/9", "12/10/9"),
            ("17/14", "-/17/14 (two numbers: from 5 and 15 um)"),
            (
                "14/12/≥7",
                "14/12/7 (14 um: fewer than 20 particles counted)",
            ),
            ("12/10/09", "refused"),
            ("10-Aug-06", "refused"),
            ("2012-10-09", "refused"),
            ("41191", "refused"),
            ("NAS 6", "refused"),
            ("6B", "refused"),
            ("14/17/19", "refused"),
            ("40/17/14", "refused"),
            (">20/17/14", "refused"),
            ("-/-/-", "refused"),
            ("7B/6C/5D", "refused"),
        ];
        for (text, expected) in cases {
            let shown = parse_cleanliness(text).map_or_else(
                |_| "refused".to_owned(),
                |found| {
                    let codes = found
                        .codes
                        .map(|c| c.map_or("-".to_owned(), |c| c.to_string()));
                    let note = found
                        .note
                        .map_or_else(String::new, |note| format!(" ({note})"));
                    format!("{}{note}", codes.join("/"))
                },
            );
            assert_eq!(shown, expected, "{text}");
        }
    }

    proptest::proptest! {
        #[test]
        fn no_text_panics(text in "\\PC{1,12}") {
            let _ = parse_cleanliness(&text);
        }
    }
}
