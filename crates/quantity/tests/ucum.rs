//! The unit table against the definitions of UCUM, by computation.
//!
//! Each code is composed here of UCUM's own definitions (The Unified Code for Units of Measure,
//! version 2.1: `[in_i]` is 2.54 cm, `[lb_av]` 7000 grains of 64.79891 mg, `[gal_us]` 231 cubic
//! inches, `m[Hg]` 133.3220 kPa, `m[H2O]` 9.80665 kPa, `[Btu_IT]` 1.05505585262 kJ), and the table's
//! constant must be the same number in the base of its dimension.

use drydown_quantity::{Dimension, all_units};

/// A code and what one of it is in SI: Pa, m3/s, kg/s, W, J, s, m3, kg, m, …; 1 for shares.
fn definitions() -> Vec<(&'static str, f64)> {
    let gram_per_grain = 0.064_798_91;
    let pound = 7_000.0 * gram_per_grain / 1_000.0;
    let inch = 0.025_4;
    let foot = 12.0 * inch;
    let gallon = 231.0 * inch * inch * inch;
    let litre = 1e-3;
    let (minute, hour, day) = (60.0, 3_600.0, 86_400.0);
    let gravity = 9.806_65;
    let pound_force = pound * gravity;
    let (mercury, water) = (133_322.0, 9_806.65);
    let btu = 1_055.055_852_62;
    vec![
        ("kPa", 1e3),
        ("Pa", 1.0),
        ("hPa", 1e2),
        ("MPa", 1e6),
        ("bar", 1e5),
        ("mbar", 1e2),
        ("[psi]", pound_force / (inch * inch)),
        ("[in_i'Hg]", mercury * inch),
        ("mm[Hg]", mercury * 1e-3),
        ("atm", 101_325.0),
        ("[in_i'H2O]", water * inch),
        ("m[H2O]", water),
        ("kgf/cm2", gravity * 1e4),
        ("L/min", litre / minute),
        ("L/h", litre / hour),
        ("L/s", litre),
        ("m3/h", 1.0 / hour),
        ("m3/min", 1.0 / minute),
        ("m3/s", 1.0),
        ("[gal_us]/min", gallon / minute),
        ("[gal_us]/h", gallon / hour),
        ("[gal_br]/min", 4.546_09 * litre / minute),
        ("[cft_i]/min", foot.powi(3) / minute),
        ("kg/h", 1.0 / hour),
        ("g/h", 1e-3 / hour),
        ("g/d", 1e-3 / day),
        ("kg/d", 1.0 / day),
        ("kg/s", 1.0),
        ("[lb_av]/h", pound / hour),
        ("Hz", 1.0),
        ("kHz", 1e3),
        ("/h", 1.0 / hour),
        ("/min", 1.0 / minute),
        ("/s", 1.0),
        ("/d", 1.0 / day),
        ("/a", 1.0 / (365.25 * day)),
        ("kW", 1e3),
        ("W", 1.0),
        ("MW", 1e6),
        ("[HP]", 550.0 * foot * pound_force),
        ("[Btu_IT]/h", btu / hour),
        ("kW.h", 1e3 * hour),
        ("W.h", hour),
        ("MJ", 1e6),
        ("kJ", 1e3),
        ("[Btu_IT]", btu),
        ("h", hour),
        ("min", minute),
        ("s", 1.0),
        ("ms", 1e-3),
        ("d", day),
        ("wk", 7.0 * day),
        ("a", 365.25 * day),
        ("L", litre),
        ("l", litre),
        ("mL", 1e-3 * litre),
        ("m3", 1.0),
        ("[gal_us]", gallon),
        ("[gal_br]", 4.546_09 * litre),
        ("[cft_i]", foot.powi(3)),
        ("[bbl_us]", 42.0 * gallon),
        ("[qt_us]", gallon / 4.0),
        ("kg", 1.0),
        ("g", 1e-3),
        ("t", 1e3),
        ("[lb_av]", pound),
        ("m", 1.0),
        ("km", 1e3),
        ("mm", 1e-3),
        ("cm", 1e-2),
        ("um", 1e-6),
        ("[ft_i]", foot),
        ("[in_i]", inch),
        ("kV", 1e3),
        ("V", 1.0),
        ("A", 1.0),
        ("mA", 1e-3),
        ("mm2/s", 1e-6),
        ("St", 1e-4),
        ("m2/s", 1.0),
        ("mPa.s", 1e-3),
        ("Pa.s", 1.0),
        ("kg/m3", 1.0),
        ("g/cm3", 1e3),
        ("g/mL", 1e3),
        ("[lb_av]/[gal_us]", pound / gallon),
        ("mN/m", 1e-3),
        ("/mL", 1e6),
        ("/(100.mL)", 1e4),
        ("Pa.m3/s", 1.0),
        ("mbar.L/s", 1e2 * litre),
        ("g/m3", 1e-3),
        ("mg/kg", 1e-6),
        ("ug/kg", 1e-9),
        ("uL/L", 1e-6),
        ("mL/L", 1e-3),
        ("1", 1.0),
        ("%", 1e-2),
    ]
}

/// Codes with an annotation of ours, or none in UCUM, or whose zero is not nothing.
const NOT_COMPOSED: [&str; 16] = [
    "[in_i'Hg]{conv}",
    "[in_i'Hg]{60degF}",
    "Torr",
    "Cel",
    "[degF]",
    "K",
    "[ppm]",
    "%{m/m}",
    "%{v/v}",
    "1{RS}",
    "%{RS}",
    "{rev}/min",
    "mg{KOH}/g",
    "cm3{0Cel,101.325kPa}/min",
    "[ppm].d",
    "g/kg",
];

/// SI units in one of a dimension's base.
fn base_in_si(dimension: Dimension) -> f64 {
    let code = dimension.base_code();
    definitions()
        .into_iter()
        .find(|(known, _)| *known == code)
        .map_or_else(|| panic!("no definition of {code}"), |(_, si)| si)
}

#[test]
fn every_code_is_what_ucum_makes_of_it() {
    let known = definitions();
    let mut missing = Vec::new();
    for row in all_units() {
        let Some((_, si)) = known.iter().find(|(code, _)| *code == row.code) else {
            if !NOT_COMPOSED.contains(&row.code) {
                missing.push(row.code);
            }
            continue;
        };
        let expected = si / base_in_si(row.dimension);
        // The inch of mercury is that of NIST SP 811 (3386.38 Pa at 0 °C, six digits), which UCUM's
        // metre of mercury gives with two more: 3386.3788 Pa. The inch of water has seven digits.
        let tolerance = match row.code {
            "[in_i'Hg]" => 4e-7,
            "[in_i'H2O]" => 1e-7,
            _ => 1e-12,
        };
        let off = row.scale / expected - 1.0;
        assert!(
            off.abs() < tolerance,
            "{}: {} for {expected}",
            row.code,
            row.scale
        );
    }
    assert_eq!(missing, Vec::<&str>::new());
    let stale: Vec<&&str> = NOT_COMPOSED
        .iter()
        .filter(|code| !all_units().iter().any(|row| row.code == **code))
        .collect();
    assert_eq!(stale, Vec::<&&str>::new());
}
