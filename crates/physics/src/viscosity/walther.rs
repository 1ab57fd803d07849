//! Viscosity against temperature (ASTM D341) and the ISO 3448 grades.

use crate::kelvin;

/// The line log10 log10 Z = A − B·log10 T of one oil (ASTM D341, Walther/MacCoull).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Walther {
    pub a: f64,
    pub b: f64,
}

impl Walther {
    /// The line through two points (°C, mm²/s).
    ///
    /// None where the temperatures are equal or a viscosity lies outside 0.21 mm²/s and up.
    #[must_use]
    pub fn from_two_points(first: (f64, f64), second: (f64, f64)) -> Option<Self> {
        let (y1, y2) = (double_log(first.1)?, double_log(second.1)?);
        let (x1, x2) = (kelvin(first.0).log10(), kelvin(second.0).log10());
        let b = (y1 - y2) / (x2 - x1);
        b.is_finite().then_some(Self { a: y1 + b * x1, b })
    }

    /// Kinematic viscosity, mm²/s, at a temperature. Not below the oil's cloud point.
    #[must_use]
    pub fn mm2s(self, t_degc: f64) -> f64 {
        let z = 10f64.powf(10f64.powf(self.a - self.b * kelvin(t_degc).log10()));
        if z >= 2.7 {
            return z - 0.7;
        }
        let y = z - 0.7;
        y - (-0.7487 - 3.295 * y + 0.6119 * y * y - 0.3193 * y * y * y).exp()
    }

    /// Temperature, °C, at which the oil has this viscosity; None below 0.21 mm²/s.
    #[must_use]
    pub fn degc_at(self, mm2s: f64) -> Option<f64> {
        let y = double_log(mm2s)?;
        Some(10f64.powf((self.a - y) / self.b) - crate::ZERO_DEGC_K)
    }
}

/// The line of an oil of which only the viscosity at 40 °C is known.
///
/// Slope B = 4.3275 − 0.1686·ln(ν40), our fit to six oils of catalogue class (index near 100, see the
/// test); within 0.5 % of their B between 9.5 and 320 mm²/s.
#[must_use]
pub fn typical_walther(viscosity_40c_mm2s: f64) -> Option<Walther> {
    let y = double_log(viscosity_40c_mm2s)?;
    let b = 4.3275 - 0.1686 * viscosity_40c_mm2s.ln();
    Some(Walther {
        a: y + b * kelvin(40.0).log10(),
        b,
    })
}

/// log10 log10 Z of a viscosity.
fn double_log(mm2s: f64) -> Option<f64> {
    if !(0.21..=2e7).contains(&mm2s) {
        return None;
    }
    let low = if mm2s < 2.0 {
        (-1.47 - 1.84 * mm2s - 0.51 * mm2s * mm2s).exp()
    } else {
        0.0
    };
    Some((mm2s + 0.7 + low).log10().log10())
}

/// Mid-points of ISO 3448, mm²/s at 40 °C, with the grade's name.
const GRADES: [(u32, f64); 18] = [
    (2, 2.2),
    (3, 3.2),
    (5, 4.6),
    (7, 6.8),
    (10, 10.0),
    (15, 15.0),
    (22, 22.0),
    (32, 32.0),
    (46, 46.0),
    (68, 68.0),
    (100, 100.0),
    (150, 150.0),
    (220, 220.0),
    (320, 320.0),
    (460, 460.0),
    (680, 680.0),
    (1000, 1000.0),
    (1500, 1500.0),
];

/// The ISO 3448 viscosity grade: ±10 % of its mid-point at 40 °C, ends included.
///
/// None between the grades: a used oil at 38 mm²/s has no grade.
#[must_use]
pub fn grade_of(viscosity_40c_mm2s: f64) -> Option<u32> {
    let within = |mid: f64| (viscosity_40c_mm2s - mid).abs() <= 0.1 * mid + 1e-9;
    GRADES
        .iter()
        .find(|(_, mid)| within(*mid))
        .map(|(grade, _)| *grade)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_line_passes_its_points_and_falls_with_temperature() {
        let oil = Walther::from_two_points((40.0, 46.0), (100.0, 6.8)).unwrap();
        assert!((oil.mm2s(40.0) - 46.0).abs() < 1e-9 && (oil.mm2s(100.0) - 6.8).abs() < 1e-9);
        assert!(oil.mm2s(20.0) > oil.mm2s(21.0));
        assert!((oil.degc_at(46.0).unwrap() - 40.0).abs() < 1e-9);
        assert!(Walther::from_two_points((40.0, 46.0), (40.0, 46.0)).is_none());
        assert!(Walther::from_two_points((40.0, f64::NAN), (100.0, 6.8)).is_none());
    }

    #[test]
    fn thin_oils_use_the_low_range_of_the_standard() {
        let oil = Walther::from_two_points((40.0, 1.5), (100.0, 0.8)).unwrap();
        assert!((oil.mm2s(40.0) - 1.5).abs() < 0.002 && (oil.mm2s(100.0) - 0.8).abs() < 0.002);
    }

    #[test]
    fn a_typical_slope_is_near_the_catalogue_oils() {
        let cases = [
            (9.5, 3.9445),
            (32.0, 3.74658),
            (46.0, 3.68444),
            (68.0, 3.6244),
            (220.0, 3.41611),
            (320.0, 3.35135),
        ];
        for (v40, b) in cases {
            let typical = typical_walther(v40).unwrap();
            assert!(
                (typical.b / b - 1.0).abs() < 0.005,
                "{v40}: {} {b}",
                typical.b
            );
            assert!((typical.mm2s(40.0) / v40 - 1.0).abs() < 1e-9);
        }
    }
}
