//! The standard atmosphere and the water in its air.
//!
//! Source: ISO 2533 (US Standard Atmosphere 1976), troposphere up to 11 000 m.

use crate::{GAS_CONSTANT, WATER_KG_PER_MOL, kelvin, saturation};

const SEA_LEVEL_KPA: f64 = 101.325;
const SEA_LEVEL_K: f64 = 288.15;
const LAPSE_K_PER_M: f64 = 0.006_5;
/// g·M/(R*·L) with g 9.80665, M 0.0289644, R* 8.31432.
const EXPONENT: f64 = 9.806_65 * 0.028_964_4 / (8.314_32 * LAPSE_K_PER_M);

/// Barometer, kPa, at a geopotential altitude in m. Weather moves it by some ±2 kPa (common practice).
#[must_use]
pub fn barometer_kpa(altitude_m: f64) -> f64 {
    SEA_LEVEL_KPA
        * (1.0 - LAPSE_K_PER_M * altitude_m / SEA_LEVEL_K)
            .max(0.0)
            .powf(EXPONENT)
}

/// Altitude, m, of a standard barometer: the inverse of [`barometer_kpa`].
#[must_use]
pub fn altitude_m(barometer_kpa: f64) -> f64 {
    SEA_LEVEL_K / LAPSE_K_PER_M * (1.0 - (barometer_kpa / SEA_LEVEL_KPA).powf(1.0 / EXPONENT))
}

/// Barometer of the station, kPa, from a value reduced to sea level (as weather services report it).
#[must_use]
pub fn station_kpa(sea_level_kpa: f64, altitude_m: f64) -> f64 {
    sea_level_kpa * barometer_kpa(altitude_m) / SEA_LEVEL_KPA
}

/// Absolute humidity, g/m³: φ·p_sat·M/(R·T). `relative_humidity` 0..1.
#[must_use]
pub fn absolute_humidity_g_per_m3(t_degc: f64, relative_humidity: f64) -> f64 {
    let water_pa = relative_humidity * saturation::pressure_kpa(t_degc) * 1000.0;
    1000.0 * water_pa * WATER_KG_PER_MOL / (GAS_CONSTANT * kelvin(t_degc))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn altitude_and_barometer_are_inverse() {
        for altitude in [-400.0, 0.0, 250.0, 1500.0, 3000.0] {
            assert!((altitude_m(barometer_kpa(altitude)) - altitude).abs() < 1e-6);
        }
        assert!((station_kpa(101.325, 1500.0) - barometer_kpa(1500.0)).abs() < 1e-12);
    }
}
