//! Numbers as loggers and laboratories write them, with either decimal mark.
//!
//! The mark that is not the decimal mark, a blank (also U+00A0, U+202F and U+2009) and an
//! apostrophe may separate thousands, but only in whole groups of three: with a decimal
//! point `1,234` is 1234 and `1,2` is refused rather than guessed. A sign may stand behind the digits
//! (`12.5-`), an exponent after a `D` that a sign and two digits follow (`1.2D+03`), as older programs
//! print them.

/// The decimal mark of a source.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum DecimalMark {
    Point,
    Comma,
}

/// A finite number; None where the text is not one. The text is trimmed by the caller.
pub(crate) fn parse_number(text: &str, mark: DecimalMark) -> Option<f64> {
    if mark == DecimalMark::Point && is_plain(text) {
        return text
            .parse()
            .ok()
            .filter(|value: &f64| value.is_finite())
            .map(no_minus_zero);
    }
    let cleaned = to_plain(text, mark)?;
    cleaned
        .parse()
        .ok()
        .filter(|value: &f64| value.is_finite())
        .map(no_minus_zero)
}

/// Hours of `1234:30` or `1234:30:15`; None for another text.
pub(crate) fn parse_hours(text: &str) -> Option<f64> {
    let mut parts = text.split(':');
    let (hours, minutes, seconds) = (parts.next()?, parts.next()?, parts.next());
    let digits = |part: &str| !part.is_empty() && part.bytes().all(|b| b.is_ascii_digit());
    let sixtieth = |part: &str| {
        let value = (part.len() == 2 && digits(part)).then(|| part.parse::<f64>().ok());
        value.flatten().filter(|value| *value < 60.0)
    };
    if parts.next().is_some() || !digits(hours) || hours.len() > 7 {
        return None;
    }
    let seconds = seconds.map_or(Some(0.0), sixtieth)?;
    let minutes = sixtieth(minutes)?;
    Some(hours.parse::<f64>().ok()? + (minutes + seconds / 60.0) / 60.0)
}

/// `-0` and `0` are one number and must compare as one.
fn no_minus_zero(value: f64) -> f64 {
    value + 0.0
}

/// Digits, one sign and points only: what `f64` reads without more ado.
fn is_plain(text: &str) -> bool {
    let body = text.strip_prefix('-').unwrap_or(text);
    !body.is_empty() && body.bytes().all(|b| b.is_ascii_digit() || b == b'.')
}

/// The number in Rust's own notation; None where it cannot be one.
fn to_plain(text: &str, mark: DecimalMark) -> Option<String> {
    let (decimal, other) = match mark {
        DecimalMark::Point => ('.', ','),
        DecimalMark::Comma => (',', '.'),
    };
    let turned = text
        .strip_suffix('-')
        .filter(|body| body.ends_with(|c: char| c.is_ascii_digit()))
        .filter(|body| {
            body.starts_with(|c: char| c.is_ascii_digit()) && !body.contains(char::is_alphabetic)
        })
        .map(|body| format!("-{body}"));
    let text = turned.as_deref().unwrap_or(text);
    let mut chars = text.chars().peekable();
    let mut out = String::with_capacity(text.len());
    match chars.peek() {
        Some('-' | '−' | '–') => {
            out.push('-');
            chars.next();
        }
        Some('+') => {
            chars.next();
        }
        _ => {}
    }
    let rest: String = chars.collect();
    let at_exponent = rest.find(['e', 'E']).or_else(|| {
        let at = rest.find(['d', 'D'])?;
        let (sign, digits) = rest.get(at + 1..)?.split_at_checked(1)?;
        let is_exponent = matches!(sign, "+" | "-")
            && (2..=3).contains(&digits.len())
            && digits.bytes().all(|b| b.is_ascii_digit());
        is_exponent.then_some(at)
    });
    let (mantissa, exponent) = match at_exponent {
        Some(at) => (rest.get(..at)?, Some(rest.get(at + 1..)?)),
        None => (rest.as_str(), None),
    };
    let (whole, fraction) = match mantissa.split_once(decimal) {
        Some((whole, fraction)) => (whole, Some(fraction)),
        None => (mantissa, None),
    };
    // A lone sign or nothing at all is no number, least of all zero.
    if whole.is_empty() && fraction.is_none_or(str::is_empty) {
        return None;
    }
    push_whole(whole, other, &mut out)?;
    if let Some(fraction) = fraction {
        if !fraction.bytes().all(|b| b.is_ascii_digit()) {
            return None;
        }
        out.push('.');
        out.push_str(fraction);
    }
    if let Some(exponent) = exponent {
        let power: i32 = exponent.parse().ok()?;
        out.push('e');
        out.push_str(&power.to_string());
    }
    Some(out)
}

/// The whole part without its separators; they must all be one kind, in groups of three.
fn push_whole(whole: &str, other: char, out: &mut String) -> Option<()> {
    let separator = whole.chars().find(|c| !c.is_ascii_digit());
    match separator {
        // No thousands begin with 0: `0,500` is a decimal of the other mark, which is refused, not guessed.
        Some(_) if whole.starts_with('0') => return None,
        None => out.push_str(if whole.is_empty() { "0" } else { whole }),
        Some(separator) => {
            let known = separator == other
                || matches!(
                    separator,
                    ' ' | '\u{a0}' | '\u{202f}' | '\u{2009}' | '\'' | '’'
                );
            if !known {
                return None;
            }
            for (idx, group) in whole.split(separator).enumerate() {
                let digits = group.bytes().all(|b| b.is_ascii_digit());
                let length_fits = if idx == 0 {
                    (1..=3).contains(&group.len())
                } else {
                    group.len() == 3
                };
                if !digits || !length_fits {
                    return None;
                }
                out.push_str(group);
            }
        }
    }
    Some(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_with_a_point() {
        let cases = [
            ("0", Some(0.0)),
            ("-12.5", Some(-12.5)),
            ("+3", Some(3.0)),
            (".5", Some(0.5)),
            ("5.", Some(5.0)),
            ("1,234", Some(1234.0)),
            ("1,234,567.5", Some(1_234_567.5)),
            ("12 345", Some(12_345.0)),
            ("12\u{202f}345.25", Some(12_345.25)),
            ("1'234", Some(1234.0)),
            ("1.2E-3", Some(0.0012)),
            ("−4", Some(-4.0)),
            ("1.2D-03", Some(0.0012)),
            ("5d+001", Some(50.0)),
            ("5D1", None),
            ("5D", None),
            ("12.5-", Some(-12.5)),
            ("1,234-", Some(-1234.0)),
            ("0-", Some(0.0)),
            ("12.5 -", None),
            ("-12.5-", None),
            ("+12.5-", None),
            ("1e5-", None),
            ("12.-", None),
            ("--", None),
            ("0,500", None),
            ("012,345", None),
            ("1,2", None),
            ("1,23,456", None),
            ("1234,567", None),
            (".", None),
            ("", None),
            ("-", None),
            ("nan", None),
            ("inf", None),
            ("1e999", None),
            ("1.2.3", None),
            ("0x10", None),
            ("1e", None),
            ("#VALUE!", None),
        ];
        for (text, expected) in cases {
            assert_eq!(parse_number(text, DecimalMark::Point), expected, "{text}");
        }
    }

    #[test]
    fn numbers_with_a_comma() {
        let cases = [
            ("0,05", Some(0.05)),
            ("1.234,5", Some(1234.5)),
            ("1.234", Some(1234.0)),
            ("66,1", Some(66.1)),
            ("-12", Some(-12.0)),
            ("1.2", None),
            ("1.234.5", None),
        ];
        for (text, expected) in cases {
            assert_eq!(parse_number(text, DecimalMark::Comma), expected, "{text}");
        }
    }

    #[test]
    fn hours_of_a_counter() {
        let cases = [
            ("1234:30", Some(1234.5)),
            ("0:06:00", Some(0.1)),
            ("36:00:00", Some(36.0)),
            ("12:60", None),
            ("12:5", None),
            ("1,234:30", None),
            (":30", None),
            ("12", None),
            ("1:02:03:04", None),
        ];
        for (text, expected) in cases {
            assert_eq!(parse_hours(text), expected, "{text}");
        }
    }

    proptest::proptest! {
        /// What Rust prints, both marks read back to the same bits.
        #[test]
        fn printed_numbers_come_back(value in -1e12..1e12_f64) {
            let point = value.to_string();
            proptest::prop_assert_eq!(parse_number(&point, DecimalMark::Point), Some(value));
            let comma = point.replace('.', ",");
            proptest::prop_assert_eq!(parse_number(&comma, DecimalMark::Comma), Some(value));
        }

        #[test]
        fn no_text_panics(text in "\\PC{0,12}") {
            let _ = parse_number(&text, DecimalMark::Point);
            let _ = parse_number(&text, DecimalMark::Comma);
        }
    }
}
