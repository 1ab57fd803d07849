//! What a pressure is measured against, and the way to absolute pressure and back.

use crate::words;

words! {
    /// The reference of a pressure in an export.
    PressureReference {
        /// Above perfect vacuum.
        Absolute = "absolute",
        /// Above the local atmosphere; negative below it.
        Gauge = "gauge",
        /// Below the local atmosphere, positive.
        Vacuum = "vacuum",
        /// Share of the local atmosphere that was removed.
        PercentVacuum = "percent_vacuum",
    }
}

/// Barometer at sea level in the standard atmosphere, kPa (ISO 2533).
pub const SEA_LEVEL_KPA: f64 = 101.325;

/// Absolute pressure, kPa, of a stated value.
///
/// `value` is kPa, but for `PercentVacuum` a share 0..1 (the base of `%`). `ambient_kpa` is the
/// local barometer, not reduced to sea level. The result may be below zero: such a reading is
/// impossible at that barometer and the caller rejects it (see [`is_possible_kpa`]).
#[must_use]
pub fn absolute_kpa(value: f64, reference: PressureReference, ambient_kpa: f64) -> f64 {
    match reference {
        PressureReference::Absolute => value,
        PressureReference::Gauge => ambient_kpa + value,
        PressureReference::Vacuum => ambient_kpa - value,
        PressureReference::PercentVacuum => ambient_kpa * (1.0 - value),
    }
}

/// The inverse of [`absolute_kpa`].
#[must_use]
pub fn referenced_value(absolute_kpa: f64, reference: PressureReference, ambient_kpa: f64) -> f64 {
    match reference {
        PressureReference::Absolute => absolute_kpa,
        PressureReference::Gauge => absolute_kpa - ambient_kpa,
        PressureReference::Vacuum => ambient_kpa - absolute_kpa,
        PressureReference::PercentVacuum => 1.0 - absolute_kpa / ambient_kpa,
    }
}

/// Whether a chamber can hold this absolute pressure: above zero and at most 1.05 × the barometer.
#[must_use]
pub fn is_possible_kpa(absolute_kpa: f64, ambient_kpa: f64) -> bool {
    (0.0..=1.05 * ambient_kpa).contains(&absolute_kpa)
}

/// kPa in one inch of mercury as gauges in this trade mean it (`[in_i'Hg]`, NIST SP 811 at 32 °F).
pub const KPA_PER_INHG: f64 = 3.386_38;

/// What a vacuum gauge shows, inHg below the local atmosphere.
#[must_use]
pub fn gauge_inhg(absolute_kpa: f64, ambient_kpa: f64) -> f64 {
    (ambient_kpa - absolute_kpa) / KPA_PER_INHG
}

/// Absolute pressure, kPa, of a vacuum gauge's reading in inHg.
#[must_use]
pub fn gauge_inhg_to_kpa(gauge_inhg: f64, ambient_kpa: f64) -> f64 {
    ambient_kpa - gauge_inhg * KPA_PER_INHG
}

/// The reference that a unit's spelling itself tells (`psig`, `bara`, `inHgV`), where it does.
#[must_use]
pub fn hinted_reference(text: &str) -> Option<PressureReference> {
    let folded: String = text
        .chars()
        .filter(|c| c.is_ascii_alphanumeric() || *c == '%')
        .collect::<String>()
        .to_lowercase();
    if folded.contains("vac") || folded == "inhgv" {
        let percent = folded.contains('%');
        return Some(if percent {
            PressureReference::PercentVacuum
        } else {
            PressureReference::Vacuum
        });
    }
    let stem = |suffix: &str| folded.strip_suffix(suffix).map(str::to_owned);
    let is_pressure = |stem: &str| {
        matches!(
            stem,
            "psi"
                | "bar"
                | "mbar"
                | "kpa"
                | "hpa"
                | "pa"
                | "at"
                | "inhg"
                | "mmhg"
                | "cmhg"
                | "torr"
        )
    };
    if let Some(head) = stem("abs").or_else(|| stem("a"))
        && is_pressure(&head)
    {
        return Some(PressureReference::Absolute);
    }
    if let Some(head) = stem("gauge").or_else(|| stem("g"))
        && is_pressure(&head)
    {
        return Some(PressureReference::Gauge);
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Unit;

    #[test]
    fn one_constant_for_the_inch_of_mercury() {
        let unit = Unit::parse("inHg").unwrap();
        assert!((unit.to_base(1.0) - KPA_PER_INHG).abs() < 1e-15);
    }

    #[test]
    fn every_reference_goes_there_and_back() {
        for reference in PressureReference::ALL {
            for absolute in [0.5, 13.3, 40.37, 84.0] {
                let shown = referenced_value(absolute, *reference, 84.556);
                assert!((absolute_kpa(shown, *reference, 84.556) - absolute).abs() < 1e-12);
            }
        }
        let back = gauge_inhg_to_kpa(gauge_inhg(13.0, 101.325), 101.325);
        assert!((back - 13.0).abs() < 1e-12);
    }

    #[test]
    fn more_vacuum_than_the_barometer_has_is_impossible() {
        assert!(!is_possible_kpa(gauge_inhg_to_kpa(25.0, 84.556), 84.556));
        assert!(is_possible_kpa(gauge_inhg_to_kpa(24.0, 84.556), 84.556));
        assert!(!is_possible_kpa(f64::NAN, 84.556));
    }

    #[test]
    fn a_spelling_may_tell_its_reference() {
        let hint = |text| hinted_reference(text);
        assert_eq!(hint("psig"), Some(PressureReference::Gauge));
        assert_eq!(hint("bar(a)"), Some(PressureReference::Absolute));
        assert_eq!(hint("mbar abs"), Some(PressureReference::Absolute));
        assert_eq!(hint("Torr abs."), Some(PressureReference::Absolute));
        assert_eq!(hint("ata"), Some(PressureReference::Absolute));
        assert_eq!(hint("hPa"), None);
        assert_eq!(hint("Pa"), None);
        assert_eq!(hint("inHgV"), Some(PressureReference::Vacuum));
        assert_eq!(hint("% vac"), Some(PressureReference::PercentVacuum));
        assert_eq!(hint("inHg"), None);
        assert_eq!(hint("kPa"), None);
        assert_eq!(hint("°F"), None);
    }
}
