//! Water solubility in oils: log10 S = A − B/T, S in ppm by mass, T in kelvin, base ten.
//!
//! Pairs A, B come from the oil register; [`MINERAL_INSULATING`] and [`hydrocarbon`] are for oils
//! without one. Additives and ageing raise S: a measured pair always wins.

use crate::{ZERO_DEGC_K, kelvin};

/// The constants of one oil.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Solubility {
    pub a: f64,
    pub b_k: f64,
}

/// New mineral insulating oil, the default pair of public code bases (attributed to Griffin et al. and
/// IEEE C57.106 from memory).
pub const MINERAL_INSULATING: Solubility = Solubility {
    a: 7.0895,
    b_k: 1567.0,
};
/// Mineral insulating oil, the second public pair (attributed to Oommen from memory).
pub const MINERAL_INSULATING_SECOND: Solubility = Solubility {
    a: 7.42,
    b_k: 1670.0,
};
/// Natural ester (from memory; near 1000 ppm at 20 °C).
pub const NATURAL_ESTER: Solubility = Solubility {
    a: 5.3318,
    b_k: 684.0,
};
/// Synthetic pentaerythritol ester (from memory, weak: 25 % below the value usually quoted at 23 °C).
pub const SYNTHETIC_ESTER: Solubility = Solubility {
    a: 5.416,
    b_k: 629.5,
};

/// Solubility of water, ppm by mass, at an oil temperature.
#[must_use]
pub fn ppm(a: f64, b_k: f64, t_degc: f64) -> f64 {
    10f64.powf(a - b_k / kelvin(t_degc))
}

/// Water activity (relative saturation) of dissolved water, 0..1; 1 once there is free water.
#[must_use]
pub fn activity(water_ppm: f64, a: f64, b_k: f64, t_degc: f64) -> f64 {
    (water_ppm / ppm(a, b_k, t_degc)).clamp(0.0, 1.0)
}

/// Water, ppm by mass, from a relative saturation 0..1 and the temperature where it was measured.
#[must_use]
pub fn ppm_from_activity(activity: f64, a: f64, b_k: f64, t_degc: f64) -> f64 {
    activity * ppm(a, b_k, t_degc)
}

/// Temperature, °C, below which dissolved water drops out: B/(A − log10 c).
///
/// NaN where no temperature keeps that much water in solution or there is no water.
#[must_use]
pub fn cloud_degc(water_ppm: f64, a: f64, b_k: f64) -> f64 {
    let denominator = a - water_ppm.log10();
    if water_ppm > 0.0 && denominator > 0.0 {
        b_k / denominator - ZERO_DEGC_K
    } else {
        f64::NAN
    }
}

/// The pair from two measured points (ppm, relative saturation 0..1, °C).
///
/// None where the temperatures are the same or a value is not above zero.
#[must_use]
pub fn from_two_points(first: (f64, f64, f64), second: (f64, f64, f64)) -> Option<Solubility> {
    let log_s = |point: (f64, f64, f64)| (point.0 / point.1).log10();
    let (t1, t2) = (kelvin(first.2), kelvin(second.2));
    let b_k = (log_s(second) - log_s(first)) / (1.0 / t1 - 1.0 / t2);
    let pair = Solubility {
        a: log_s(first) + b_k / t1,
        b_k,
    };
    (pair.a.is_finite() && pair.b_k.is_finite()).then_some(pair)
}

/// Mole percent of water that a non-olefinic hydrocarbon dissolves (NACA RM E52D24, 1952).
///
/// log10 X = −(4200·H/C + 1050)·(1/T − 0.0016) + 2, H/C by weight.
#[must_use]
pub fn hydrocarbon_mole_percent(h_to_c_weight: f64, t_degc: f64) -> f64 {
    let b_k = 4200.0 * h_to_c_weight + 1050.0;
    10f64.powf(2.0 - b_k * (1.0 / kelvin(t_degc) - 0.0016))
}

/// The pair of a base oil from its hydrogen-to-carbon weight ratio and molar mass, g/mol.
///
/// Our algebra on NACA RM E52D24: B = 4200·H/C + 1050, A = 2 + 0.0016·B + log10(10⁴·18.015/M).
/// No additives: finished oils dissolve more.
#[must_use]
pub fn hydrocarbon(h_to_c_weight: f64, g_per_mol: f64) -> Solubility {
    let b_k = 4200.0 * h_to_c_weight + 1050.0;
    Solubility {
        a: 2.0 + 0.0016 * b_k + (1e4 * 18.015 / g_per_mol).log10(),
        b_k,
    }
}

/// Solubility in aged mineral insulating oil, ppm (as public code credits it to CIGRE TB 741).
///
/// exp(16.2822 − 3698.27/T + 0.02589·Ar + 2.0991·AN): aromatics in percent, acid in mg KOH/g.
#[must_use]
pub fn aged_mineral_ppm(t_degc: f64, aromatic_pct: f64, acid_mgkoh_g: f64) -> f64 {
    (16.2822 - 3698.27 / kelvin(t_degc) + 0.02589 * aromatic_pct + 2.0991 * acid_mgkoh_g).exp()
}

/// Factor on S from acids formed in service, relative to the oil at `new_acid_mgkoh_g` (same source).
#[must_use]
pub fn ageing_factor(acid_mgkoh_g: f64, new_acid_mgkoh_g: f64) -> f64 {
    (2.0991 * (acid_mgkoh_g - new_acid_mgkoh_g).max(0.0)).exp()
}

/// Water, ppm, that oil left in contact with air settles at: the air's humidity times S.
///
/// The air's own temperature matters: φ·p_sat(t_air)/p_sat(t_oil) is the activity in the oil.
#[must_use]
pub fn air_equilibrium_ppm(
    pair: Solubility,
    oil_degc: f64,
    air_degc: f64,
    relative_humidity: f64,
) -> f64 {
    let water_kpa = relative_humidity * crate::saturation::pressure_kpa(air_degc);
    crate::saturation::activity(water_kpa, oil_degc) * ppm(pair.a, pair.b_k, oil_degc)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn warming_the_oil_lowers_its_activity_but_not_its_water() {
        let Solubility { a, b_k } = MINERAL_INSULATING;
        assert!(activity(50.0, a, b_k, 40.0) > activity(50.0, a, b_k, 66.0));
        let back = ppm_from_activity(activity(50.0, a, b_k, 40.0), a, b_k, 40.0);
        assert!((back - 50.0).abs() < 1e-9);
        assert!((activity(5000.0, a, b_k, 40.0) - 1.0).abs() < 1e-12);
    }

    #[test]
    fn the_cloud_point_is_where_the_activity_is_one() {
        let Solubility { a, b_k } = MINERAL_INSULATING;
        for water in [10.0, 100.0, 400.0] {
            assert!((ppm(a, b_k, cloud_degc(water, a, b_k)) - water).abs() < 1e-6);
        }
        assert!(cloud_degc(0.0, a, b_k).is_nan());
        assert!(cloud_degc(1e9, a, b_k).is_nan());
    }

    #[test]
    fn two_points_give_the_pair_back() {
        let point = |t: f64, activity: f64| (activity * ppm(7.3, 1630.0, t), activity, t);
        let pair = from_two_points(point(25.0, 0.3), point(60.0, 0.2)).unwrap();
        assert!((pair.a - 7.3).abs() < 1e-9 && (pair.b_k - 1630.0).abs() < 1e-6);
        assert!(from_two_points(point(25.0, 0.3), point(25.0, 0.3)).is_none());
    }
}
