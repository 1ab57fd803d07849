//! The formulas of drying oil under vacuum: quantities in, quantities out, a source on each.
//!
//! Plain numbers with the unit in the name; temperatures °C, pressures kPa absolute, water content
//! ppm by mass. Out-of-range input gives NaN or the named "no answer" of an enum, never a panic.

pub mod atmosphere;
pub mod drying;
pub mod flow;
pub mod heat;
pub mod lab;
pub mod particles;
pub mod saturation;
pub mod solubility;
pub mod steam;
pub mod vacuum;
pub mod viscosity;

/// Molar gas constant, J/(mol·K) (2019 SI, exact to the digits shown).
pub const GAS_CONSTANT: f64 = 8.314_462_618;
/// Molar mass of water, kg/mol (IAPWS: 18.015268 g/mol, here to the digits the trade uses).
pub const WATER_KG_PER_MOL: f64 = 0.018_015_28;
/// Molar mass of dry air, kg/mol (ISO 2533).
pub const AIR_KG_PER_MOL: f64 = 0.028_964_4;
/// 0 °C in kelvin.
pub const ZERO_DEGC_K: f64 = 273.15;

/// °C to kelvin.
#[must_use]
pub fn kelvin(t_degc: f64) -> f64 {
    t_degc + ZERO_DEGC_K
}
