//! Viscosity index (ASTM D2270, twin ISO 2909).

use super::index_table::{H_MM2S, L_MM2S, Y_MM2S};

/// A viscosity index as computed and as the standard reports it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ViscosityIndex {
    /// Before rounding.
    pub exact: f64,
    /// To the whole number, halves to even (ASTM E29).
    pub reported: i32,
}

/// L and H, mm²/s at 40 °C, for a viscosity at 100 °C.
///
/// By linear interpolation in table 1 up to 70 mm²/s, by the standard's quadratics above; None below 2.
#[must_use]
pub fn reference_viscosities(viscosity_100c_mm2s: f64) -> Option<(f64, f64)> {
    let y = viscosity_100c_mm2s;
    if !(y >= 2.0 && y.is_finite()) {
        return None;
    }
    if y > 70.0 {
        return Some((
            0.8353 * y * y + 14.67 * y - 216.0,
            0.1684 * y * y + 11.85 * y - 97.0,
        ));
    }
    let above = Y_MM2S.partition_point(|entry| *entry < y).max(1);
    let at = |table: &[f64]| {
        let (x0, x1) = (Y_MM2S.get(above - 1)?, Y_MM2S.get(above)?);
        let (f0, f1) = (table.get(above - 1)?, table.get(above)?);
        Some(f0 + (f1 - f0) * (y - x0) / (x1 - x0))
    };
    Some((at(&L_MM2S)?, at(&H_MM2S)?))
}

/// Viscosity index from the kinematic viscosities at 40 and 100 °C, mm²/s.
///
/// Procedure A, and B where A gives more than 100. None below 2 mm²/s at 100 °C.
#[must_use]
pub fn index(viscosity_40c_mm2s: f64, viscosity_100c_mm2s: f64) -> Option<ViscosityIndex> {
    let (low, high) = reference_viscosities(viscosity_100c_mm2s)?;
    let u = viscosity_40c_mm2s;
    if !(u > viscosity_100c_mm2s && u.is_finite()) {
        return None;
    }
    let mut exact = 100.0 * (low - u) / (low - high);
    if exact > 100.0 {
        let n = (high.log10() - u.log10()) / viscosity_100c_mm2s.log10();
        exact = (10f64.powf(n) - 1.0) / 0.007_15 + 100.0;
    }
    Some(ViscosityIndex {
        exact,
        reported: exact.round_ties_even() as i32,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_table_rises_and_its_ends_are_reached() {
        assert!(Y_MM2S.is_sorted() && L_MM2S.is_sorted() && H_MM2S.is_sorted());
        let near = |a: Option<(f64, f64)>, b: (f64, f64)| {
            let (low, high) = a.unwrap();
            (low - b.0).abs() < 1e-9 && (high - b.1).abs() < 1e-9
        };
        assert!(near(reference_viscosities(2.0), (7.994, 6.394)));
        let end = (*L_MM2S.last().unwrap(), *H_MM2S.last().unwrap());
        assert!(near(reference_viscosities(70.0), end));
        assert!(reference_viscosities(1.9).is_none() && index(30.0, f64::NAN).is_none());
    }

    #[test]
    fn the_formula_above_70_joins_the_table() {
        let (low, high) = reference_viscosities(70.0).unwrap();
        let (low_above, high_above) = reference_viscosities(70.0 + 1e-9).unwrap();
        assert!((low_above / low - 1.0).abs() < 1e-3 && (high_above / high - 1.0).abs() < 1e-3);
    }
}
