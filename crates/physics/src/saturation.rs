//! Saturation pressure and temperature of water: IAPWS-IF97, region 4.
//!
//! Source: IAPWS R7-97(2012), equations 29 to 31 and table 34. Valid 273.15 to 647.096 K
//! (611.213 Pa to 22.064 MPa); NaN outside.

use crate::ZERO_DEGC_K;

const N1: f64 = 1_167.052_145_276_7;
const N2: f64 = -724_213.167_032_06;
const N3: f64 = -17.073_846_940_092;
const N4: f64 = 12_020.824_702_47;
const N5: f64 = -3_232_555.032_233_3;
const N6: f64 = 14.915_108_613_53;
const N7: f64 = -4_823.265_736_159_1;
const N8: f64 = 405_113.405_420_57;
const N9: f64 = -0.238_555_575_678_49;
const N10: f64 = 650.175_348_447_98;

const T_MIN_K: f64 = 273.15;
const T_MAX_K: f64 = 647.096;
const P_MIN_MPA: f64 = 611.212_677e-6;
const P_MAX_MPA: f64 = 22.064;

/// Saturation pressure, kPa, at a temperature in °C (0 to 373.9; NaN outside).
#[must_use]
pub fn pressure_kpa(t_degc: f64) -> f64 {
    let t_k = t_degc + ZERO_DEGC_K;
    if !(T_MIN_K..=T_MAX_K).contains(&t_k) {
        return f64::NAN;
    }
    let theta = t_k + N9 / (t_k - N10);
    let a = theta * theta + N1 * theta + N2;
    let b = N3 * theta * theta + N4 * theta + N5;
    let c = N6 * theta * theta + N7 * theta + N8;
    let root = 2.0 * c / ((b * b - 4.0 * a * c).sqrt() - b);
    1000.0 * root.powi(4)
}

/// Saturation (boiling) temperature, °C, at an absolute pressure in kPa (0.6112 to 22064; NaN outside).
#[must_use]
pub fn temperature_degc(p_kpa: f64) -> f64 {
    let p_mpa = p_kpa / 1000.0;
    if !(P_MIN_MPA..=P_MAX_MPA).contains(&p_mpa) {
        return f64::NAN;
    }
    let beta = p_mpa.powf(0.25);
    let e = beta * beta + N3 * beta + N6;
    let f = N1 * beta * beta + N4 * beta + N7;
    let g = N2 * beta * beta + N5 * beta + N8;
    let d = 2.0 * g / (-f - (f * f - 4.0 * e * g).sqrt());
    let sum = N10 + d;
    0.5 * (sum - (sum * sum - 4.0 * (N9 + N10 * d)).sqrt()) - ZERO_DEGC_K
}

/// Water activity of air over oil: partial pressure of water over saturation pressure, 0..1.
#[must_use]
pub fn activity(water_kpa: f64, t_degc: f64) -> f64 {
    (water_kpa / pressure_kpa(t_degc)).clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_ways_meet() {
        for t in 1..200 {
            let t_degc = f64::from(t);
            assert!((temperature_degc(pressure_kpa(t_degc)) - t_degc).abs() < 1e-6);
        }
    }

    #[test]
    fn pressure_rises_with_temperature_and_ends_at_the_range() {
        let mut last = 0.0;
        for t in 0..370 {
            let now = pressure_kpa(f64::from(t));
            assert!(now > last);
            last = now;
        }
        assert!(pressure_kpa(-0.1).is_nan() && pressure_kpa(400.0).is_nan());
        assert!(temperature_degc(0.5).is_nan() && temperature_degc(f64::NAN).is_nan());
    }
}
