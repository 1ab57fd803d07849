//! Numbers for people, in US or metric units. Pressures under vacuum always say both.

use crate::pressure::gauge_inhg;
use crate::words;

words! {
    /// The `display.units` of the configuration.
    DisplayUnits { Us = "us", Metric = "metric" }
}

/// A number with the unit to print after it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shown {
    pub value: f64,
    pub unit: &'static str,
}

impl DisplayUnits {
    /// Chamber pressure: inHg on the gauge, or kPa absolute.
    #[must_use]
    pub fn chamber(self, absolute_kpa: f64, ambient_kpa: f64) -> Shown {
        match self {
            Self::Us => Shown {
                value: gauge_inhg(absolute_kpa, ambient_kpa),
                unit: "inHg",
            },
            Self::Metric => Shown {
                value: absolute_kpa,
                unit: "kPa abs",
            },
        }
    }

    /// Temperature: °F or °C.
    #[must_use]
    pub fn temperature(self, degc: f64) -> Shown {
        match self {
            Self::Us => Shown {
                value: degc * 1.8 + 32.0,
                unit: "°F",
            },
            Self::Metric => Shown {
                value: degc,
                unit: "°C",
            },
        }
    }

    /// Oil flow: US gal/min or L/min.
    #[must_use]
    pub fn flow(self, lpm: f64) -> Shown {
        match self {
            Self::Us => Shown {
                value: lpm / LITRES_PER_GALLON,
                unit: "gal/min",
            },
            Self::Metric => Shown {
                value: lpm,
                unit: "L/min",
            },
        }
    }

    /// Volume: US gal or L.
    #[must_use]
    pub fn volume(self, litres: f64) -> Shown {
        match self {
            Self::Us => Shown {
                value: litres / LITRES_PER_GALLON,
                unit: "gal",
            },
            Self::Metric => Shown {
                value: litres,
                unit: "L",
            },
        }
    }

    /// Gauge pressure of a line: psi or kPa.
    #[must_use]
    pub fn line_pressure(self, kpa_gauge: f64) -> Shown {
        match self {
            Self::Us => Shown {
                value: kpa_gauge / KPA_PER_PSI,
                unit: "psi",
            },
            Self::Metric => Shown {
                value: kpa_gauge,
                unit: "kPa",
            },
        }
    }
}

const LITRES_PER_GALLON: f64 = 3.785_411_784;
const KPA_PER_PSI: f64 = 6.894_757_293_168;

/// `40.4 kPa abs (18.0 inHg on the gauge at this site)`; without a barometer only the first part.
#[must_use]
pub fn render_vacuum(absolute_kpa: f64, ambient_kpa: Option<f64>) -> String {
    match ambient_kpa {
        Some(ambient) => format!(
            "{absolute_kpa:.1} kPa abs ({:.1} inHg on the gauge at this site)",
            gauge_inhg(absolute_kpa, ambient)
        ),
        None => format!("{absolute_kpa:.1} kPa abs"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_vacuum_says_both() {
        assert_eq!(
            render_vacuum(40.37, Some(101.325)),
            "40.4 kPa abs (18.0 inHg on the gauge at this site)"
        );
        assert_eq!(render_vacuum(40.37, None), "40.4 kPa abs");
    }

    #[test]
    fn us_and_metric_agree() {
        let us = DisplayUnits::Us;
        assert!((us.flow(75.708_235_68).value - 20.0).abs() < 1e-9);
        assert!((us.temperature(65.555_555_6).value - 150.0).abs() < 1e-6);
        assert!((us.line_pressure(137.895_145_9).value - 20.0).abs() < 1e-6);
        assert!((us.volume(3_785.411_784).value - 1000.0).abs() < 1e-9);
        assert_eq!(us.chamber(13.0, 101.325).unit, "inHg");
        assert_eq!(
            DisplayUnits::Metric.flow(10.0),
            Shown {
                value: 10.0,
                unit: "L/min"
            }
        );
    }
}
