//! Oil flow: hoses, suction limits, pump frequency.

use std::f64::consts::PI;

/// A straight hose.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Hose {
    pub diameter_mm: f64,
    pub length_m: f64,
}

/// Reynolds number of a flow in a hose; laminar below about 2300.
#[must_use]
pub fn reynolds(hose: Hose, flow_lpm: f64, viscosity_mm2s: f64) -> f64 {
    let diameter_m = hose.diameter_mm * 1e-3;
    let flow_m3_s = flow_lpm / 60_000.0;
    4.0 * flow_m3_s / (PI * diameter_m * viscosity_mm2s * 1e-6)
}

/// Pressure drop along a hose, kPa.
///
/// Laminar: 128·μ·L·Q/(π·d⁴) (Hagen-Poiseuille). Above Re 2300 the smooth-pipe friction of Blasius, and
/// never below the laminar value.
#[must_use]
pub fn hose_drop_kpa(hose: Hose, flow_lpm: f64, viscosity_mm2s: f64, density_kgm3: f64) -> f64 {
    let diameter_m = hose.diameter_mm * 1e-3;
    let flow_m3_s = flow_lpm / 60_000.0;
    let viscosity_pa_s = viscosity_mm2s * 1e-6 * density_kgm3;
    let laminar_pa = 128.0 * viscosity_pa_s * hose.length_m * flow_m3_s / (PI * diameter_m.powi(4));
    let reynolds = reynolds(hose, flow_lpm, viscosity_mm2s);
    if reynolds <= 2300.0 {
        return laminar_pa / 1000.0;
    }
    let speed_m_s = 4.0 * flow_m3_s / (PI * diameter_m * diameter_m);
    let friction = 0.3164 / reynolds.powf(0.25);
    let turbulent_pa =
        friction * hose.length_m / diameter_m * density_kgm3 * speed_m_s * speed_m_s / 2.0;
    laminar_pa.max(turbulent_pa) / 1000.0
}

/// Most flow, L/min, that a suction hose passes at an available pressure difference, laminar.
#[must_use]
pub fn suction_limit_lpm(
    hose: Hose,
    available_kpa: f64,
    viscosity_mm2s: f64,
    density_kgm3: f64,
) -> f64 {
    let diameter_m = hose.diameter_mm * 1e-3;
    let viscosity_pa_s = viscosity_mm2s * 1e-6 * density_kgm3;
    let m3_s =
        PI * diameter_m.powi(4) * available_kpa * 1000.0 / (128.0 * viscosity_pa_s * hose.length_m);
    m3_s.max(0.0) * 60_000.0
}

/// Flow, L/min, of a positive-displacement pump below its top frequency: nameplate·f/f_max (common practice).
#[must_use]
pub fn at_frequency_lpm(nameplate_lpm: f64, frequency_hz: f64, top_hz: f64) -> f64 {
    nameplate_lpm * (frequency_hz / top_hz).clamp(0.0, 1.0)
}

/// Usable flow, L/min: the wanted one, or what the suction hose allows.
#[must_use]
pub fn derated_lpm(wanted_lpm: f64, suction_limit_lpm: f64) -> f64 {
    wanted_lpm.min(suction_limit_lpm)
}

#[cfg(test)]
mod tests {
    use super::*;

    const HOSE: Hose = Hose {
        diameter_mm: 38.1,
        length_m: 3.0,
    };

    #[test]
    fn the_limit_is_the_flow_at_that_drop() {
        let limit = suction_limit_lpm(HOSE, 30.0, 1300.0, 890.0);
        assert!((hose_drop_kpa(HOSE, limit, 1300.0, 890.0) - 30.0).abs() < 1e-9);
        assert!(derated_lpm(75.7, limit) <= 75.7);
    }

    #[test]
    fn drop_rises_with_flow_through_the_transition() {
        let mut last = 0.0;
        for flow in 1..400 {
            let now = hose_drop_kpa(HOSE, f64::from(flow), 10.0, 870.0);
            assert!(now > last);
            last = now;
        }
        assert!((at_frequency_lpm(20.0, 45.0, 60.0) - 15.0).abs() < 1e-12);
    }
}
