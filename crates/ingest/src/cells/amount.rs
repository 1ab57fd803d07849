//! What a laboratory writes where a number belongs: `<20`, `>1%`, `TNTC`, `N/D`, `45 kV`, `QNS`.
//!
//! "Not detected" is a value below an unstated limit, never zero; "too many to count" is one
//! above an unstated limit; "not reported" is no value. The notation is common practice of
//! laboratories, no source.

use drydown_quantity::Unit;

use super::number::{DecimalMark, parse_number};

/// On which side of the stated number the value lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Censor {
    Exact,
    Below,
    Above,
}

impl Censor {
    /// The word of a `censor` column.
    pub(crate) const fn as_str(self) -> &'static str {
        match self {
            Self::Exact => "=",
            Self::Below => "<",
            Self::Above => ">",
        }
    }
}

/// One laboratory cell.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Amount {
    /// A value or a limit; `unit` where the cell itself states one.
    Stated {
        censor: Censor,
        value: Option<f64>,
        unit: Option<Unit>,
    },
    /// No value, and why.
    Missing(&'static str),
    /// Neither; why.
    Unreadable(&'static str),
}

/// Reads one trimmed, not empty cell.
pub(crate) fn parse_amount(text: &str, mark: DecimalMark) -> Amount {
    if let Some(value) = parse_number(text, mark) {
        return exact(value);
    }
    if let Some(word) = word_of(text) {
        return word;
    }
    let (censor, rest) = split_qualifier(text);
    if let Some(limit) = bracketed_limit(rest) {
        return stated(Censor::Below, limit, mark);
    }
    let rest = if censor == Censor::Exact {
        without_estimate(rest)
    } else {
        rest
    };
    stated(censor, rest, mark)
}

fn exact(value: f64) -> Amount {
    Amount::Stated {
        censor: Censor::Exact,
        value: Some(value),
        unit: None,
    }
}

/// Words that stand for a whole cell.
fn word_of(text: &str) -> Option<Amount> {
    let folded: String = text
        .chars()
        .filter(|c| !c.is_whitespace() && *c != '.')
        .flat_map(char::to_lowercase)
        .collect();
    let unlimited = |censor| Amount::Stated {
        censor,
        value: None,
        unit: None,
    };
    Some(match folded.as_str() {
        "bdl" | "nd" | "n/d" | "none" | "nil" | "neg" | "negative" | "notdetected" | "<dl"
        | "<lod" | "<loq" | "<mdl" => unlimited(Censor::Below),
        // German, common practice, no source: nicht nachweisbar, unter (der) Bestimmungs- oder
        // Nachweisgrenze, kleiner als sie.
        "nn"
        | "nichtnachweisbar"
        | "nichtnachgewiesen"
        | "<ng"
        | "<bg"
        | "unterng"
        | "unterbg"
        | "udb"
        | "udng"
        | "udbg"
        | "unternachweisgrenze"
        | "unterbestimmungsgrenze"
        | "unterdernachweisgrenze"
        | "unterderbestimmungsgrenze"
        | "kleinerng"
        | "kleinerbg" => unlimited(Censor::Below),
        // French, Spanish and Italian, common practice, no source: not detected, below the limit.
        "nondétecté" | "nondetecte" | "nodetectado" | "nonrilevato" | "<ld" | "<lq" => {
            unlimited(Censor::Below)
        }
        // German, common practice, no source: nicht bestimmt, nicht bestimmbar.
        "nb" | "nichtbestimmt" | "nichtbestimmbar" => Amount::Missing("not_reported"),
        "tntc" | "*" | "over" | "overrange" | "sat" | "saturated" | ">max" => {
            unlimited(Censor::Above)
        }
        "n/a" | "na" | "nr" | "-" | "--" | "---" | "–" | "—" | "notreported" => {
            Amount::Missing("not_reported")
        }
        "qns" | "ins" | "insufficient" | "insufficientsample" => {
            Amount::Missing("quantity_not_sufficient")
        }
        "notrequested" | "nottested" | "nt" => Amount::Missing("not_requested"),
        // "Spuren", "traces": common practice, no source.
        "trace" | "tr" | "traces" | "spuren" => {
            Amount::Unreadable("a trace is neither a number nor a limit")
        }
        _ => return None,
    })
}

fn split_qualifier(text: &str) -> (Censor, &str) {
    // "kleiner", "größer" and the others: common practice, no source.
    let below = [
        "<=",
        "=<",
        "<",
        "≤",
        "less than",
        "kleiner als",
        "kleiner",
        "unter ",
    ];
    let above = [
        ">=",
        "=>",
        ">",
        "≥",
        "greater than",
        "größer als",
        "größer",
        "über ",
    ];
    for (marks, censor) in [(&below, Censor::Below), (&above, Censor::Above)] {
        for mark in marks {
            if let Some(rest) = text.strip_prefix(mark) {
                return (censor, rest.trim_start());
            }
        }
    }
    (
        Censor::Exact,
        text.strip_prefix('=').unwrap_or(text).trim_start(),
    )
}

/// The limit in `BDL(20)` or `ND (<5 ppm)`.
fn bracketed_limit(text: &str) -> Option<&str> {
    let (head, tail) = text.split_once('(')?;
    let inside = tail.trim_end().strip_suffix(')')?;
    let is_word = matches!(
        head.trim().to_lowercase().as_str(),
        "bdl"
            | "nd"
            | "n/d"
            | "n.d."
            | "n.n."
            | "nn"
            | "<lod"
            | "<loq"
            | "<dl"
            | "<ng"
            | "<bg"
            | "lod"
            | "loq"
            | "ng"
            | "bg"
    );
    is_word.then(|| inside.trim().trim_start_matches(['<', '≤']).trim())
}

/// Whether the laboratory calls the number its own estimate: `~50`, `50 est`, `ca. 50`.
pub(crate) fn is_estimate(text: &str) -> bool {
    without_estimate(text.trim()) != text.trim()
}

/// The number of an estimate: the tables know exact values and limits and have no sign for it, so it
/// stands as a value, and whoever reads the file is told of it.
fn without_estimate(text: &str) -> &str {
    let marks = ["~", "≈", "approx.", "approx", "ca.", "circa"];
    let text = marks
        .iter()
        .find_map(|mark| text.strip_prefix(mark))
        .unwrap_or(text)
        .trim_start();
    let text = text
        .strip_suffix("est.")
        .or_else(|| text.strip_suffix("est"))
        .unwrap_or(text);
    text.trim_end()
}

/// A number, then perhaps a unit.
fn stated(censor: Censor, text: &str, mark: DecimalMark) -> Amount {
    if let Some(value) = parse_number(text, mark) {
        return Amount::Stated {
            censor,
            value: Some(value),
            unit: None,
        };
    }
    let Some((number, unit_text)) = split_unit(text) else {
        return Amount::Unreadable("expected a number");
    };
    match (parse_number(number, mark), Unit::parse(unit_text)) {
        (Some(value), Some(unit)) => Amount::Stated {
            censor,
            value: Some(value),
            unit: Some(unit),
        },
        (Some(_), None) => Amount::Unreadable("expected a number, or a number and a known unit"),
        (None, _) => Amount::Unreadable("expected a number"),
    }
}

/// `0.05 %` to (`0.05`, `%`): the split is after the last digit or decimal mark of the head.
fn split_unit(text: &str) -> Option<(&str, &str)> {
    let is_number_part = |c: char| {
        c.is_ascii_digit()
            || matches!(
                c,
                '.' | ',' | '+' | '-' | '−' | '\'' | ' ' | '\u{a0}' | '\u{202f}'
            )
    };
    let at = text.find(|c: char| !is_number_part(c))?;
    let (head, tail) = (text.get(..at)?.trim(), text.get(at..)?.trim());
    (!head.is_empty() && !tail.is_empty()).then_some((head, tail))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shown(text: &str, mark: DecimalMark) -> String {
        match parse_amount(text, mark) {
            Amount::Stated {
                censor,
                value,
                unit,
            } => {
                let value = value.map_or_else(|| "null".to_owned(), |v| v.to_string());
                let unit = unit.map_or_else(String::new, |u| format!(" {u}"));
                format!("{} {value}{unit}", censor.as_str())
            }
            Amount::Missing(reason) => format!("missing {reason}"),
            Amount::Unreadable(_) => "unreadable".to_owned(),
        }
    }

    #[test]
    fn notation_of_laboratories() {
        let cases = [
            ("12.5", "= 12.5"),
            ("<20", "< 20"),
            ("< 20", "< 20"),
            ("≤20", "< 20"),
            ("BDL(20)", "< 20"),
            ("ND (<5 ppm)", "< 5 mg/kg"),
            ("bdl", "< null"),
            ("n.n.", "< null"),
            ("n. n.", "< null"),
            ("nicht nachweisbar", "< null"),
            ("<NG", "< null"),
            ("unter BG", "< null"),
            ("u.d.B.", "< null"),
            ("n.b.", "missing not_reported"),
            ("Spuren", "unreadable"),
            ("kleiner", "unreadable"),
            ("kleiner 5", "< 5"),
            ("kleiner als 5 mg/kg", "< 5 mg/kg"),
            ("<LOD(5)", "< 5"),
            ("n.n. (<5)", "< 5"),
            ("N/D", "< null"),
            ("n.d.", "< null"),
            ("nil", "< null"),
            ("neg", "< null"),
            (">10000", "> 10000"),
            (">1%", "> 1 %"),
            ("> 75 kV", "> 75 kV"),
            ("TNTC", "> null"),
            ("*", "> null"),
            ("OVER", "> null"),
            ("~50", "= 50"),
            ("50 est", "= 50"),
            ("ca. 50 ppm", "= 50 mg/kg"),
            ("approx 50", "= 50"),
            ("0.05%", "= 0.05 %"),
            ("500 ppm", "= 500 mg/kg"),
            ("0.5 g/kg", "= 0.5 g/kg"),
            ("45 kV", "= 45 kV"),
            ("72F", "= 72 [degF]"),
            ("22 °C", "= 22 Cel"),
            ("1 234", "= 1234"),
            ("QNS", "missing quantity_not_sufficient"),
            ("N/A", "missing not_reported"),
            ("-", "missing not_reported"),
            ("trace", "unreadable"),
            ("#VALUE!", "unreadable"),
            ("45 (2.5mm)", "unreadable"),
            ("<", "unreadable"),
            ("12 furlongs", "unreadable"),
        ];
        for (text, expected) in cases {
            assert_eq!(shown(text, DecimalMark::Point), expected, "{text}");
        }
        assert_eq!(shown("0,05 %", DecimalMark::Comma), "= 0.05 %");
        assert_eq!(shown("<0,5", DecimalMark::Comma), "< 0.5");
    }

    proptest::proptest! {
        #[test]
        fn no_text_panics(text in "\\PC{1,12}") {
            let _ = parse_amount(&text, DecimalMark::Comma);
        }
    }
}
