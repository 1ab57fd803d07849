//! The unit table against the definitions of UCUM, by computation.
//!
//! Each code is composed here of UCUM's own definitions (the Unified Code for Units of Measure, from
//! memory: `[in_i]` is 2.54 cm, `[lb_av]` 7000 grains of 64.79891 mg, `[gal_us]` 231 cubic
//! inches, `m[Hg]` 133.3220 kPa, `m[H2O]` 9.80665 kPa, `[Btu_IT]` 1.05505585262 kJ), and the table's
//! constant must be the same number in the base of its dimension.

use drydown_quantity::{Dimension, all_units};

const INCH: f64 = 0.025_4;
const FOOT: f64 = 12.0 * INCH;
/// 7000 grains.
const POUND: f64 = 7_000.0 * 0.064_798_91 / 1_000.0;
const GRAVITY: f64 = 9.806_65;
const GALLON: f64 = 231.0 * INCH * INCH * INCH;
const LITRE: f64 = 1e-3;
const MINUTE: f64 = 60.0;
const HOUR: f64 = 3_600.0;
const DAY: f64 = 86_400.0;
/// A metre of mercury and of water, Pa.
const MERCURY: f64 = 133_322.0;
const WATER: f64 = 9_806.65;
const BTU: f64 = 1_055.055_852_62;

/// A code and what one of it is in SI: Pa, m3/s, kg/s, W, J, s, m3, kg, m, …; 1 for shares.
type Defined = (&'static str, f64);

const PRESSURES: &[Defined] = &[
    ("kPa", 1e3),
    ("Pa", 1.0),
    ("hPa", 1e2),
    ("MPa", 1e6),
    ("bar", 1e5),
    ("mbar", 1e2),
    ("[psi]", POUND * GRAVITY / (INCH * INCH)),
    ("[in_i'Hg]", MERCURY * INCH),
    ("mm[Hg]", MERCURY * 1e-3),
    ("cm[Hg]", MERCURY * 1e-2),
    ("atm", 101_325.0),
    ("[in_i'H2O]", WATER * INCH),
    ("m[H2O]", WATER),
    ("kgf/cm2", GRAVITY * 1e4),
];

const FLOWS: &[Defined] = &[
    ("L/min", LITRE / MINUTE),
    ("L/h", LITRE / HOUR),
    ("L/s", LITRE),
    ("m3/h", 1.0 / HOUR),
    ("m3/min", 1.0 / MINUTE),
    ("m3/s", 1.0),
    ("[gal_us]/min", GALLON / MINUTE),
    ("[gal_us]/h", GALLON / HOUR),
    ("[gal_br]/min", 4.546_09 * LITRE / MINUTE),
    ("[cft_i]/min", FOOT * FOOT * FOOT / MINUTE),
    ("kg/h", 1.0 / HOUR),
    ("g/h", 1e-3 / HOUR),
    ("g/d", 1e-3 / DAY),
    ("kg/d", 1.0 / DAY),
    ("kg/s", 1.0),
    ("[lb_av]/h", POUND / HOUR),
];

const RATES_AND_ENERGIES: &[Defined] = &[
    ("Hz", 1.0),
    ("kHz", 1e3),
    ("/h", 1.0 / HOUR),
    ("/min", 1.0 / MINUTE),
    ("/s", 1.0),
    ("/d", 1.0 / DAY),
    ("/a", 1.0 / (365.25 * DAY)),
    ("kW", 1e3),
    ("W", 1.0),
    ("MW", 1e6),
    ("[HP]", 550.0 * FOOT * POUND * GRAVITY),
    ("[Btu_IT]/h", BTU / HOUR),
    ("kW.h", 1e3 * HOUR),
    ("W.h", HOUR),
    ("MJ", 1e6),
    ("kJ", 1e3),
    ("[Btu_IT]", BTU),
    ("h", HOUR),
    ("min", MINUTE),
    ("s", 1.0),
    ("ms", 1e-3),
    ("d", DAY),
    ("wk", 7.0 * DAY),
    ("a", 365.25 * DAY),
];

const MATTER: &[Defined] = &[
    ("L", LITRE),
    ("l", LITRE),
    ("mL", 1e-3 * LITRE),
    ("m3", 1.0),
    ("[gal_us]", GALLON),
    ("[gal_br]", 4.546_09 * LITRE),
    ("[cft_i]", FOOT * FOOT * FOOT),
    ("[bbl_us]", 42.0 * GALLON),
    ("[qt_us]", GALLON / 4.0),
    ("kg", 1.0),
    ("g", 1e-3),
    ("t", 1e3),
    ("[lb_av]", POUND),
    ("m", 1.0),
    ("km", 1e3),
    ("mm", 1e-3),
    ("cm", 1e-2),
    ("um", 1e-6),
    ("[ft_i]", FOOT),
    ("[in_i]", INCH),
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
    ("[lb_av]/[gal_us]", POUND / GALLON),
    ("mN/m", 1e-3),
    ("/mL", 1e6),
    ("/(100.mL)", 1e4),
    ("Pa.m3/s", 1.0),
    ("mbar.L/s", 1e2 * LITRE),
    ("g/m3", 1e-3),
    ("mg/L", 1e-6 / LITRE),
    ("ug/L", 1e-9 / LITRE),
    ("mg/kg", 1e-6),
    ("ug/kg", 1e-9),
    ("uL/L", 1e-6),
    ("mL/L", 1e-3),
    ("1", 1.0),
    ("%", 1e-2),
    ("[ppth]", 1e-3),
];

fn definition(code: &str) -> Option<f64> {
    [PRESSURES, FLOWS, RATES_AND_ENERGIES, MATTER]
        .concat()
        .into_iter()
        .find(|(known, _)| *known == code)
        .map(|(_, si)| si)
}

/// Codes with an annotation of ours, or none in UCUM, or whose zero is not nothing.
const NOT_COMPOSED: [&str; 17] = [
    "[in_i'Hg]{conv}",
    "[in_i'Hg]{60degF}",
    "Torr",
    "mTorr",
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

/// SI units in one of a dimension's base; no number where that is not composed.
fn base_in_si(dimension: Dimension) -> f64 {
    definition(dimension.base_code()).unwrap_or(f64::NAN)
}

#[test]
fn every_code_is_what_ucum_makes_of_it() {
    let mut missing = Vec::new();
    for row in all_units() {
        let Some(si) = definition(row.code) else {
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
