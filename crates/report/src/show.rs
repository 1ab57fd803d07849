//! How figures are written for people: units, digits, intervals, times.

use drydown_quantity::{DisplayUnits, Shown, Stamp, render_vacuum};
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

    /// An absolute pressure, and what the gauge at that barometer shows.
    pub(crate) fn vacuum(&self, kpa: Option<f64>, ambient_kpa: Option<f64>) -> String {
        kpa.map_or_else(|| NONE.to_owned(), |kpa| render_vacuum(kpa, ambient_kpa))
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
}

fn with_unit(shown: Option<Shown>, digits: usize) -> String {
    shown.map_or_else(
        || NONE.to_owned(),
        |shown| format!("{:.digits$} {}", shown.value, shown.unit),
    )
}

/// A number with so many digits, or a dash.
pub(crate) fn number(value: Option<f64>, digits: usize) -> String {
    value.map_or_else(|| NONE.to_owned(), |v| format!("{v:.digits$}"))
}

/// `0.42 to 0.61`, or a dash; an open end is said.
pub(crate) fn range(lower: Option<f64>, upper: Option<f64>, digits: usize) -> String {
    match (lower, upper) {
        (Some(lower), Some(upper)) => format!("{lower:.digits$} to {upper:.digits$}"),
        (Some(lower), None) => format!("from {lower:.digits$}, no upper end"),
        (None, Some(upper)) => format!("up to {upper:.digits$}"),
        (None, None) => NONE.to_owned(),
    }
}

/// A probability in words of per cent; never 0 or 100 unless it is.
pub(crate) fn chance(p: Option<f64>) -> String {
    match p {
        None => NONE.to_owned(),
        Some(p) if p > 0.0 && p < 0.01 => "under 1 %".to_owned(),
        Some(p) if p > 0.99 && p < 1.0 => "over 99 %".to_owned(),
        Some(p) => format!("{:.0} %", p * 100.0),
    }
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pressure_shows_absolute_and_gauge() {
        let display = Display {
            units: DisplayUnits::Us,
            zone: TimeZone::UTC,
        };
        // domain check: 26 inHg below 101.325 kPa is 13.279 kPa absolute.
        assert_eq!(
            display.vacuum(Some(13.279), Some(101.325)),
            "13.3 kPa abs (26.0 inHg on the gauge at this site)"
        );
        assert_eq!(display.vacuum(None, None), NONE);
    }

    #[test]
    fn counts_and_chances_read_well() {
        assert_eq!(count(1_234_567), "1\u{202f}234\u{202f}567");
        assert_eq!(chance(Some(0.004)), "under 1 %");
        assert_eq!(chance(Some(1.0)), "100 %");
        assert_eq!(range(Some(0.2), None, 2), "from 0.20, no upper end");
    }
}
