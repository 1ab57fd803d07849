//! The units that exports may state: UCUM codes, the trade's spellings, and the way to a base unit.
//!
//! A code is case-sensitive as UCUM wants it; a spelling is not. Every constant is our own, with
//! its source: general-purpose UCUM libraries were found to take `[in_i'Hg]` for the 60 °F inch.

use std::fmt;

use crate::unit_table::UNITS;

/// What a unit measures. The base unit of each is the one the tables use.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Dimension {
    /// Base kPa; whether absolute or gauge is the business of [`crate::PressureReference`].
    Pressure,
    /// Base °C.
    Temperature,
    /// Base L/min.
    VolumeFlow,
    /// Base kg/h.
    MassFlow,
    /// Water or another substance by mass. Base ppm (mg/kg).
    MassFraction,
    /// Water by volume. Base ppm by volume (µL/L); mass needs densities.
    VolumeFraction,
    /// Water in a volume of oil. Base mg/L; mass needs the oil's density.
    MassConcentration,
    /// A plain share. Base 1 (so 40 % is 0.4).
    Ratio,
    /// Relative saturation of water in oil, the water activity. Base 1.
    Saturation,
    /// Base Hz.
    Frequency,
    /// A rate of change. Base 1/h.
    Rate,
    /// Base kW.
    Power,
    /// Base kW·h.
    Energy,
    /// Base h.
    Time,
    /// Base L.
    Volume,
    /// Base kg.
    Mass,
    /// Base m.
    Length,
    /// Base kV.
    Voltage,
    /// Base A.
    Current,
    /// Base mg KOH per g.
    AcidNumber,
    /// Base mm²/s.
    KinematicViscosity,
    /// Base mPa·s.
    DynamicViscosity,
    /// Gas throughput of a leak. Base Pa·m³/s.
    Throughput,
    /// Base kg/m³.
    Density,
    /// Water in air. Base g/m³.
    AbsoluteHumidity,
    /// Particles in oil. Base 1/mL.
    ParticleCount,
    /// Base mN/m.
    InterfacialTension,
    /// Water content over time. Base ppm·d.
    ContentTime,
}

/// One unit of the table: `base = value · scale + shift`.
#[derive(Clone, Copy, Debug)]
pub struct UnitRow {
    /// UCUM code; where UCUM has none, our own and `source` says so.
    pub code: &'static str,
    /// The trade's spellings, compared without regard to case, blanks and superscripts.
    pub aliases: &'static [&'static str],
    pub dimension: Dimension,
    /// Base units in one of this unit.
    pub scale: f64,
    /// Base value of this unit's zero.
    pub shift: f64,
    /// Where the constant comes from.
    pub source: &'static str,
}

/// A unit of the table.
#[derive(Clone, Copy, Debug)]
pub struct Unit(&'static UnitRow);

impl PartialEq for Unit {
    fn eq(&self, other: &Self) -> bool {
        self.0.code == other.0.code
    }
}

impl Eq for Unit {}

impl fmt::Display for Unit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.0.code)
    }
}

impl Unit {
    /// The unit of a UCUM code or of one of the trade's spellings; None where the table has neither.
    ///
    /// A code must match to the letter (`mPa` is not `MPa`); spellings ignore case and blanks.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        let plain = plain(text);
        if let Some(row) = UNITS.iter().find(|row| row.code == plain) {
            return Some(Self(row));
        }
        let wanted = fold(text);
        UNITS
            .iter()
            .find(|row| row.aliases.iter().any(|alias| fold(alias) == wanted))
            .map(Self)
    }

    /// [`Self::parse`] where it is known what is measured: of a pressure, a micron is one of mercury
    /// (common practice, no source).
    #[must_use]
    pub fn parse_for(text: &str, wanted: Option<Self>) -> Option<Self> {
        let found = Self::parse(text)?;
        let is_mercury = found.dimension() == Dimension::Length
            && fold(text).starts_with("micron")
            && wanted.is_some_and(|wanted| wanted.dimension() == Dimension::Pressure);
        if is_mercury {
            return Self::parse("mTorr");
        }
        Some(found)
    }

    /// UCUM code.
    #[must_use]
    pub const fn code(self) -> &'static str {
        self.0.code
    }

    /// What it measures.
    #[must_use]
    pub const fn dimension(self) -> Dimension {
        self.0.dimension
    }

    /// The table's row.
    #[must_use]
    pub const fn row(self) -> &'static UnitRow {
        self.0
    }

    /// A value of this unit in the base unit of its dimension.
    #[must_use]
    pub fn to_base(self, value: f64) -> f64 {
        value.mul_add(self.0.scale, self.0.shift)
    }

    /// A value of the dimension's base unit in this unit.
    #[must_use]
    pub fn from_base(self, base: f64) -> f64 {
        (base - self.0.shift) / self.0.scale
    }

    /// Whether [`Self::convert`] can go from this unit to `to`.
    #[must_use]
    pub fn converts_to(self, to: Self) -> bool {
        bridge(self.dimension(), to.dimension()).is_some()
    }

    /// A value of this unit in `to`; None where the two measure different things.
    ///
    /// A plain share passes for a saturation and back, and for a share by mass (laboratories write
    /// water as `%`). A saturation never passes for a share by mass, nor a share by volume:
    /// those need the oil's solubility or density (see [`volume_ppm_to_mass_ppm`]).
    #[must_use]
    pub fn convert(self, value: f64, to: Self) -> Option<f64> {
        let factor = bridge(self.dimension(), to.dimension())?;
        if self == to {
            return Some(value);
        }
        Some(to.from_base(self.to_base(value) * factor))
    }
}

impl Unit {
    /// Whether only the oil's density makes a value in `to` of one in this unit: water by volume, or
    /// in a volume, as water by mass.
    #[must_use]
    pub const fn needs_density(self, to: Self) -> bool {
        use Dimension::{MassConcentration, MassFraction, VolumeFraction};
        matches!(
            (self.dimension(), to.dimension()),
            (VolumeFraction | MassConcentration, MassFraction)
        )
    }

    /// A value of this unit in `to`, by the densities of water and oil (kg/m³, at one temperature);
    /// None where [`Self::needs_density`] does not hold.
    #[must_use]
    pub fn convert_by_density(
        self,
        value: f64,
        to: Self,
        water_kgm3: f64,
        oil_kgm3: f64,
    ) -> Option<f64> {
        if !self.needs_density(to) {
            return None;
        }
        let base = self.to_base(value);
        let by_mass = if self.dimension() == Dimension::VolumeFraction {
            volume_ppm_to_mass_ppm(base, water_kgm3, oil_kgm3)
        } else {
            // mg/L over kg/L.
            base * 1000.0 / oil_kgm3
        };
        Some(to.from_base(by_mass))
    }
}

/// Factor between the base units of two dimensions that may stand for each other.
fn bridge(from: Dimension, to: Dimension) -> Option<f64> {
    use Dimension::{MassFraction, Ratio, Saturation};
    match (from, to) {
        (a, b) if a == b => Some(1.0),
        (Ratio, Saturation) | (Saturation, Ratio) => Some(1.0),
        (Ratio, MassFraction) => Some(1e6),
        _ => None,
    }
}

/// Every unit of the table, for `schema units` and for messages.
#[must_use]
pub fn all_units() -> &'static [UnitRow] {
    &UNITS
}

impl Dimension {
    /// UCUM code of the base unit.
    #[must_use]
    pub const fn base_code(self) -> &'static str {
        match self {
            Self::Pressure => "kPa",
            Self::Temperature => "Cel",
            Self::VolumeFlow => "L/min",
            Self::MassFlow => "kg/h",
            Self::MassFraction => "mg/kg",
            Self::VolumeFraction => "uL/L",
            Self::MassConcentration => "mg/L",
            Self::Ratio => "1",
            Self::Saturation => "1{RS}",
            Self::Frequency => "Hz",
            Self::Rate => "/h",
            Self::Power => "kW",
            Self::Energy => "kW.h",
            Self::Time => "h",
            Self::Volume => "L",
            Self::Mass => "kg",
            Self::Length => "m",
            Self::Voltage => "kV",
            Self::Current => "A",
            Self::AcidNumber => "mg{KOH}/g",
            Self::KinematicViscosity => "mm2/s",
            Self::DynamicViscosity => "mPa.s",
            Self::Throughput => "Pa.m3/s",
            Self::Density => "kg/m3",
            Self::AbsoluteHumidity => "g/m3",
            Self::ParticleCount => "/mL",
            Self::InterfacialTension => "mN/m",
            Self::ContentTime => "[ppm].d",
        }
    }
}

/// Water by mass (ppm) from water by volume (ppm v/v): times water's density over the oil's.
///
/// Densities in the same unit, at the same temperature.
#[must_use]
pub fn volume_ppm_to_mass_ppm(volume_ppm: f64, water_kgm3: f64, oil_kgm3: f64) -> f64 {
    volume_ppm * water_kgm3 / oil_kgm3
}

/// A text without blanks and typographic variants; `m^3` is `m3`.
fn plain(text: &str) -> String {
    text.chars()
        .filter(|c| !c.is_whitespace() && *c != '^')
        .map(|c| match c {
            '²' => '2',
            '³' => '3',
            '·' | '⋅' | '*' => '.',
            'º' | '˚' => '°',
            'μ' | 'µ' => 'u',
            '’' | '′' => '\'',
            other => other,
        })
        .collect()
}

/// A spelling without case either.
fn fold(text: &str) -> String {
    plain(text).to_lowercase()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn base(text: &str, value: f64) -> f64 {
        Unit::parse(text).unwrap().to_base(value)
    }

    #[test]
    fn no_code_or_spelling_stands_for_two_units() {
        let mut seen = std::collections::BTreeMap::new();
        for row in all_units() {
            for name in row.aliases.iter().map(|alias| fold(alias)) {
                let before = seen.insert(name.clone(), row.code);
                assert!(before.is_none(), "{name}: {before:?} and {}", row.code);
            }
            assert_eq!(
                all_units()
                    .iter()
                    .filter(|other| other.code == row.code)
                    .count(),
                1
            );
            // a spelling that equals another unit's code would never be reached
            for alias in row.aliases {
                let hit = Unit::parse(alias).unwrap();
                assert_eq!(hit.code(), row.code, "{alias}");
            }
        }
    }

    #[test]
    fn every_base_code_is_in_the_table_and_is_the_identity() {
        for row in all_units() {
            let base = Unit::parse(row.dimension.base_code()).unwrap();
            assert_eq!(base.dimension(), row.dimension);
            assert!((base.to_base(12.5) - 12.5).abs() < 1e-12);
        }
    }

    #[test]
    fn there_and_back_is_where_we_were() {
        for row in all_units() {
            for value in [-40.0, 0.0, 1.0, 66.0, 20_000.0] {
                let back = Unit(row).from_base(Unit(row).to_base(value));
                assert!(
                    (back - value).abs() < 1e-9 * (1.0 + value.abs()),
                    "{}",
                    row.code
                );
            }
        }
    }

    #[test]
    fn the_trade_spellings_of_the_contract_are_known() {
        let spellings = [
            "inHg",
            "psi",
            "gpm",
            "°F",
            "°C",
            "Torr",
            "mbar",
            "cSt",
            "%RS",
            "kPa",
            "bar",
            "L/min",
            "m3/h",
            "m³/h",
            "ppm",
            "mg/kg",
            "%",
            "Hz",
            "kW",
            "h",
            "L",
            "gal",
            "m3",
            "kV",
            "mg{KOH}/g",
            "mgKOH/g",
            "mm2/s",
            "mm²/s",
            "A",
            "Pa.m3/s",
            "m",
            "ft",
            "[in_i'Hg]",
            "in Hg",
            "INHG",
            "deg F",
            "lpm",
            "g/kg",
            "vol%",
            "ppm v/v",
            "% (m/m)",
            "cfm",
            "mmHg",
            "kWh",
        ];
        for text in spellings {
            assert!(Unit::parse(text).is_some(), "{text}");
        }
        // Each found in an export, with what it must be.
        for (text, code) in [
            ("l/h", "L/h"),
            ("l/s", "L/s"),
            ("L / min", "L/min"),
            ("litres/min", "L/min"),
            ("dm3/min", "L/min"),
            ("dm³/min", "L/min"),
            ("l/mn", "L/min"),
            ("m^3/h", "m3/h"),
            ("m^3/min", "m3/min"),
            ("KPA", "kPa"),
            ("kpa", "kPa"),
            ("Bar", "bar"),
            ("MBAR", "mbar"),
            ("mbar abs.", "mbar"),
            ("mmHg abs", "mm[Hg]"),
            ("cm Hg", "cm[Hg]"),
            ("Torr abs", "Torr"),
            ("mTorr", "mTorr"),
            ("ata", "kgf/cm2"),
            ("mg/Kg", "mg/kg"),
            ("µl/l", "uL/L"),
            ("wt-%", "%{m/m}"),
            ("Gew.-%", "%{m/m}"),
            ("% masse", "%{m/m}"),
            ("Vol.-%", "%{v/v}"),
            ("‰", "[ppth]"),
            ("permille", "[ppth]"),
            ("mg/L", "mg/L"),
            ("Grad C", "Cel"),
            ("kw", "kW"),
        ] {
            let found = Unit::parse(text).map(Unit::code);
            assert_eq!(found, Some(code), "{text}");
        }
        assert!(Unit::parse("furlong").is_none());
        assert!(
            Unit::parse("mPa").is_none(),
            "a millipascal must not pass for a megapascal"
        );
        assert!(Unit::parse("").is_none());
    }

    #[test]
    fn a_share_passes_for_what_it_can_mean_and_no_more() {
        let unit = |text: &str| Unit::parse(text).unwrap();
        let to = |from: &str, value: f64, to: &str| unit(from).convert(value, unit(to));
        assert!((to("%", 0.05, "mg/kg").unwrap() - 500.0).abs() < 1e-9);
        assert!((to("%RS", 40.0, "1").unwrap() - 0.4).abs() < 1e-12);
        assert!((to("%", 40.0, "%").unwrap() - 40.0).abs() < 1e-12);
        assert_eq!(to("%RS", 40.0, "mg/kg"), None);
        assert_eq!(to("vol%", 0.05, "mg/kg"), None);
        assert_eq!(to("psi", 1.0, "L/min"), None);
        assert!((base("K", 273.15)).abs() < 1e-12);
        assert!((base("°F", 212.0) - 100.0).abs() < 1e-9);
    }
}
