//! The vacuum side: water through the pump, pump-down, leaks, vents, vapour tolerance.

use std::f64::consts::PI;

use crate::{AIR_KG_PER_MOL, GAS_CONSTANT, WATER_KG_PER_MOL, kelvin, saturation};

/// Water, kg/h, that a pump of this speed takes at a partial pressure of water: M·p·S/(R·T).
#[must_use]
pub fn pump_water_kg_per_h(water_kpa: f64, speed_m3_per_h: f64, gas_degc: f64) -> f64 {
    WATER_KG_PER_MOL * water_kpa * 1000.0 * speed_m3_per_h / (GAS_CONSTANT * kelvin(gas_degc))
}

/// Specific volume of water vapour, m³/kg, as an ideal gas.
#[must_use]
pub fn vapour_m3_per_kg(water_kpa: f64, gas_degc: f64) -> f64 {
    GAS_CONSTANT * kelvin(gas_degc) / (WATER_KG_PER_MOL * water_kpa * 1000.0)
}

/// A chamber being pumped at constant speed: P(t) = base + (start − base)·e^(−S·t/V).
///
/// Textbook; the pump-down method of ISO 21360-1:2020 measures the speed from it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PumpDown {
    pub chamber_m3: f64,
    pub speed_m3_per_h: f64,
    /// Pressure the pump would end at with its leaks, kPa.
    pub base_kpa: f64,
}

impl PumpDown {
    /// Relative speed S/V, 1/s.
    #[must_use]
    pub fn per_s(&self) -> f64 {
        self.speed_m3_per_h / 3600.0 / self.chamber_m3
    }

    /// Pressure, kPa, some seconds after `start_kpa`.
    #[must_use]
    pub fn kpa_after(&self, start_kpa: f64, seconds: f64) -> f64 {
        self.base_kpa + (start_kpa - self.base_kpa) * (-self.per_s() * seconds).exp()
    }

    /// Seconds from one pressure to a lower one; None where it is not reached.
    #[must_use]
    pub fn seconds_between(&self, from_kpa: f64, to_kpa: f64) -> Option<f64> {
        let reached = from_kpa >= to_kpa && to_kpa > self.base_kpa;
        reached.then(|| ((from_kpa - self.base_kpa) / (to_kpa - self.base_kpa)).ln() / self.per_s())
    }
}

/// Pump speed, m³/h, from two pressures (ISO 21360-1): V/Δt · ln((P₁ − base)/(P₂ − base)).
///
/// None where the pressures do not fall towards the base.
#[must_use]
pub fn speed_m3_per_h(
    chamber_m3: f64,
    seconds: f64,
    from_kpa: f64,
    to_kpa: f64,
    base_kpa: f64,
) -> Option<f64> {
    let falling = from_kpa > to_kpa && to_kpa > base_kpa && seconds > 0.0;
    falling
        .then(|| 3600.0 * chamber_m3 / seconds * ((from_kpa - base_kpa) / (to_kpa - base_kpa)).ln())
}

/// Leak of a shut chamber, Pa·m³/s, from its pressure rise: V·ΔP/Δt.
#[must_use]
pub fn rate_of_rise_pa_m3_s(chamber_m3: f64, rise_kpa: f64, seconds: f64) -> f64 {
    chamber_m3 * rise_kpa * 1000.0 / seconds
}

/// Leak in moles per second when temperatures differ: (V/R)·(p₂/T₂ − p₁/T₁)/Δt (US 40 CFR 1065.644).
///
/// Each end is (kPa, °C).
#[must_use]
pub fn decay_leak_mol_per_s(
    volume_m3: f64,
    start: (f64, f64),
    end: (f64, f64),
    seconds: f64,
) -> f64 {
    let density = |point: (f64, f64)| point.0 * 1000.0 / kelvin(point.1);
    volume_m3 / GAS_CONSTANT * (density(end) - density(start)) / seconds
}

/// How far a leak lifts the base pressure, kPa: Q/S.
#[must_use]
pub fn base_lift_kpa(leak_pa_m3_s: f64, speed_m3_per_h: f64) -> f64 {
    leak_pa_m3_s * 3600.0 / speed_m3_per_h / 1000.0
}

/// Air, kg/h, of a throughput in Pa·m³/s at an air temperature.
#[must_use]
pub fn air_kg_per_h(throughput_pa_m3_s: f64, air_degc: f64) -> f64 {
    3600.0 * throughput_pa_m3_s * AIR_KG_PER_MOL / (GAS_CONSTANT * kelvin(air_degc))
}

/// Downstream-to-upstream pressure ratio below which flow through an orifice is choked, (2/2.4)^3.5.
pub const CHOKED_RATIO: f64 = 0.528_281_787_717_174_6;

/// Throughput, Pa·m³/s, of air through a choked orifice, at the upstream temperature.
///
/// C_d·A·P·√(γRT/M)·(2/(γ+1))^((γ+1)/(2(γ−1))), γ = 1.4: textbook compressible flow; 198.6 m/s at 20 °C.
/// Holds while the chamber is below [`CHOKED_RATIO`] × ambient.
#[must_use]
pub fn choked_vent_pa_m3_s(
    diameter_mm: f64,
    discharge: f64,
    ambient_kpa: f64,
    air_degc: f64,
) -> f64 {
    let area_m2 = PI * (diameter_mm * 1e-3).powi(2) / 4.0;
    let sound_m_s = (1.4 * GAS_CONSTANT * kelvin(air_degc) / AIR_KG_PER_MOL).sqrt();
    discharge * area_m2 * ambient_kpa * 1000.0 * sound_m_s * (1.0f64 / 1.2).powi(3)
}

/// The gas-ballast conditions of an oil-sealed pump.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GasBallast {
    pub ballast_m3_per_h: f64,
    pub speed_m3_per_h: f64,
    pub exhaust_degc: f64,
    pub ambient_kpa: f64,
    /// Water in the ballast air, kPa.
    pub ambient_water_kpa: f64,
    /// Exhaust-valve overpressure factor, about 1.1.
    pub overpressure: f64,
}

/// Water-vapour tolerance, kPa: the most water vapour at the inlet that leaves without condensing.
///
/// q_B·(p_S − p_a)/(S·(α·p₀ − p_S)) with q_B = ballast flow × p₀ (vacuum handbook; method DIN 28426, test ISO 21360-2).
/// Infinite once the exhaust is so hot that vapour cannot condense; zero where the ballast air is too wet.
#[must_use]
pub fn water_vapour_tolerance_kpa(pump: &GasBallast) -> f64 {
    let exhaust_kpa = saturation::pressure_kpa(pump.exhaust_degc);
    let margin_kpa = pump.overpressure * pump.ambient_kpa - exhaust_kpa;
    if margin_kpa <= 0.0 {
        return f64::INFINITY;
    }
    let throughput = pump.ballast_m3_per_h * pump.ambient_kpa;
    (throughput * (exhaust_kpa - pump.ambient_water_kpa) / (pump.speed_m3_per_h * margin_kpa))
        .max(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_speed_comes_back_from_two_pressures() {
        let curve = PumpDown {
            chamber_m3: 0.15,
            speed_m3_per_h: 30.0,
            base_kpa: 2.0,
        };
        let (p1, p2) = (
            curve.kpa_after(101.325, 5.0),
            curve.kpa_after(101.325, 20.0),
        );
        assert!((speed_m3_per_h(0.15, 15.0, p1, p2, 2.0).unwrap() - 30.0).abs() < 1e-9);
        assert!(speed_m3_per_h(0.15, 15.0, p2, p1, 2.0).is_none());
        assert!((curve.seconds_between(p1, p2).unwrap() - 15.0).abs() < 1e-9);
        assert!(curve.seconds_between(101.325, 1.0).is_none());
    }

    #[test]
    fn a_ratio_window_hardly_feels_the_altitude() {
        let curve = PumpDown {
            chamber_m3: 0.15,
            speed_m3_per_h: 30.0,
            base_kpa: 2.0,
        };
        let window = |barometer: f64| {
            curve
                .seconds_between(0.8 * barometer, 0.4 * barometer)
                .unwrap()
        };
        assert!((window(101.325) - 12.94).abs() < 0.01 && (window(84.556) - 13.03).abs() < 0.01);
    }

    #[test]
    fn a_hot_exhaust_tolerates_more_vapour() {
        let pump = GasBallast {
            ballast_m3_per_h: 3.0,
            speed_m3_per_h: 60.0,
            exhaust_degc: 70.0,
            ambient_kpa: 101.325,
            ambient_water_kpa: 0.5 * saturation::pressure_kpa(20.0),
            overpressure: 1.1,
        };
        assert!((water_vapour_tolerance_kpa(&pump) - 1.896).abs() < 0.001);
        let hot = GasBallast {
            exhaust_degc: 110.0,
            ..pump
        };
        assert!(water_vapour_tolerance_kpa(&hot).is_infinite());
    }
}
