//! How figures are written for people: units, digits, intervals, times.

use drydown_quantity::pressure::gauge_inhg;
use drydown_quantity::{DisplayUnits, Shown, Stamp};
use jiff::tz::TimeZone;

/// How to show things.
#[derive(Clone, Debug)]
pub struct Display {
    /// Units of flows, temperatures and pressures.
    pub units: DisplayUnits,
    /// Zone in which times are shown.
    pub zone: TimeZone,
}

/// What stands where there is no number.
pub(crate) const NONE: &str = "–";

impl Display {
    /// A flow, with its unit.
    pub(crate) fn flow(&self, lpm: Option<f64>) -> String {
        with_unit(lpm.map(|v| self.units.flow(v)), 1)
    }

    /// A volume, with its unit.
    pub(crate) fn volume(&self, litres: Option<f64>) -> String {
        with_unit(litres.map(|v| self.units.volume(v)), 0)
    }

    /// A time to the minute in the zone people read.
    pub(crate) fn time(&self, at: Stamp) -> String {
        match jiff::Timestamp::from_microsecond(at.micros()) {
            Ok(time) => time
                .to_zoned_datetime(self.zone.clone())
                .strftime("%Y-%m-%d %H:%M")
                .to_string(),
            Err(_) => at.rfc3339(),
        }
    }

    /// The zone of `time`, as its name or "the configured zone".
    pub(crate) fn zone_name(&self) -> &str {
        self.zone.iana_name().unwrap_or("the configured zone")
    }
}

fn with_unit(shown: Option<Shown>, decimals: usize) -> String {
    shown.map_or_else(
        || NONE.to_owned(),
        |shown| format!("{} {}", digits(shown.value, decimals), shown.unit),
    )
}

/// A number with so many decimals and a true minus; what rounds to zero has no sign.
fn digits(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    match text.strip_prefix('-') {
        None => text,
        Some(size) if size.chars().all(|c| c == '0' || c == '.') => size.to_owned(),
        Some(size) => format!("−{size}"),
    }
}

/// Absolute pressure and, where a barometer is known, what the gauge shows: `15.2 (24.7)`. The
/// units, kPa absolute and inHg on the gauge, stand in the table's heading.
pub(crate) fn vacuum_pair(kpa: Option<f64>, ambient_kpa: Option<f64>) -> String {
    match (kpa, ambient_kpa) {
        (None, _) => NONE.to_owned(),
        (Some(kpa), None) => format!("{} ({NONE})", digits(kpa, 1)),
        (Some(kpa), Some(ambient)) => {
            format!(
                "{} ({})",
                digits(kpa, 1),
                digits(gauge_inhg(kpa, ambient), 1)
            )
        }
    }
}

/// A number with so many decimals, or a dash.
pub(crate) fn number(value: Option<f64>, decimals: usize) -> String {
    value.map_or_else(|| NONE.to_owned(), |v| digits(v, decimals))
}

/// `0.42 to 0.61`, or a dash; an open end is said.
pub(crate) fn range(lower: Option<f64>, upper: Option<f64>, decimals: usize) -> String {
    let shown = |value| digits(value, decimals);
    match (lower, upper) {
        (Some(lower), Some(upper)) => format!("{} to {}", shown(lower), shown(upper)),
        (Some(lower), None) => format!("from {}, no upper end", shown(lower)),
        (None, Some(upper)) => format!("up to {}", shown(upper)),
        (None, None) => NONE.to_owned(),
    }
}

/// `0.52 (0.42 to 0.61)`; one dash where there is nothing, and what is missing said where there is something.
pub(crate) fn with_range(
    value: Option<f64>,
    lower: Option<f64>,
    upper: Option<f64>,
    decimals: usize,
) -> String {
    match (value, lower, upper) {
        (None, None, None) => NONE.to_owned(),
        (None, lower, upper) => range(lower, upper, decimals),
        (Some(value), None, None) => format!("{} (no interval)", digits(value, decimals)),
        (Some(value), lower, upper) => {
            format!(
                "{} ({})",
                digits(value, decimals),
                range(lower, upper, decimals)
            )
        }
    }
}

/// An estimated probability in per cent. Never 0 or 100: an estimate from records is never certain.
pub(crate) fn chance(p: Option<f64>) -> String {
    match p {
        None => NONE.to_owned(),
        Some(p) if p < 0.01 => "under 1 %".to_owned(),
        Some(p) if p > 0.99 => "over 99 %".to_owned(),
        Some(p) => format!("{:.0} %", p * 100.0),
    }
}

/// A share of what was counted, in per cent: 0 and 100 are possible here.
pub(crate) fn share(share: Option<f64>) -> String {
    share.map_or_else(|| NONE.to_owned(), |v| format!("{:.0} %", v * 100.0))
}

/// `12 345` with a thin space every three digits.
pub(crate) fn count(n: i64) -> String {
    let digits = n.unsigned_abs().to_string();
    let mut text = String::new();
    for (idx, c) in digits.chars().enumerate() {
        if idx > 0 && (digits.len() - idx).is_multiple_of(3) {
            text.push('\u{202f}');
        }
        text.push(c);
    }
    if n < 0 { format!("−{text}") } else { text }
}

/// `1 run`, `12 345 runs`.
pub(crate) fn counted(n: usize, one: &str, many: &str) -> String {
    let shown = count(i64::try_from(n).unwrap_or(i64::MAX));
    format!("{shown} {}", if n == 1 { one } else { many })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pressure_shows_absolute_and_gauge() {
        // 26 inHg below 101.325 kPa is 13.279 kPa absolute, with 3.38638 kPa to the inch of
        // mercury at 0 °C (NIST SP 811, appendix B.8: conventional inch of mercury).
        assert_eq!(vacuum_pair(Some(13.279), Some(101.325)), "13.3 (26.0)");
        assert_eq!(vacuum_pair(Some(13.279), None), "13.3 (–)");
        assert_eq!(vacuum_pair(None, Some(101.3)), NONE);
    }

    #[test]
    fn what_rounds_to_zero_has_no_sign() {
        for (value, decimals, expected) in [
            (-0.04, 1, "0.0"),
            (-0.4, 0, "0"),
            (-0.06, 1, "−0.1"),
            (0.0, 2, "0.00"),
            (-12.5, 1, "−12.5"),
        ] {
            assert_eq!(number(Some(value), decimals), expected);
        }
    }

    #[test]
    fn an_interval_says_what_is_open_or_missing() {
        for (value, lower, upper, expected) in [
            (None, None, None, "–"),
            (Some(0.5), Some(0.4), Some(0.6), "0.50 (0.40 to 0.60)"),
            (Some(0.5), Some(0.4), None, "0.50 (from 0.40, no upper end)"),
            (None, None, Some(0.6), "up to 0.60"),
            (Some(0.5), None, None, "0.50 (no interval)"),
            (
                Some(-0.5),
                Some(-0.6),
                Some(-0.001),
                "−0.50 (−0.60 to 0.00)",
            ),
        ] {
            assert_eq!(with_range(value, lower, upper, 2), expected);
        }
    }

    #[test]
    fn an_estimate_is_never_certain_and_a_count_may_be() {
        for (p, expected) in [
            (0.0, "under 1 %"),
            (0.004, "under 1 %"),
            (0.01, "1 %"),
            (0.99, "99 %"),
            (0.996, "over 99 %"),
            (1.0, "over 99 %"),
        ] {
            assert_eq!(chance(Some(p)), expected);
        }
        assert_eq!(chance(None), NONE);
        assert_eq!(share(Some(1.0)), "100 %");
        assert_eq!(share(None), NONE);
    }

    #[test]
    fn counts_read_well() {
        assert_eq!(count(1_234_567), "1\u{202f}234\u{202f}567");
        assert_eq!(count(-1234), "−1\u{202f}234");
        assert_eq!(counted(1, "run", "runs"), "1 run");
        assert_eq!(counted(0, "run", "runs"), "0 runs");
    }
}
