//! The few laws of nature that the invented fleet obeys, in the shape the simulation wants them.

pub(crate) use drydown_physics::atmosphere::barometer_kpa;
pub(crate) use drydown_physics::solubility::ppm as solubility_ppm;
pub(crate) use drydown_physics::vacuum::pump_water_kg_per_h as vapour_kg_per_h;

use drydown_physics::heat::oil_kj_per_kg_k;

/// Saturation pressure of water, kPa. Below freezing that at 0 °C: the formula ends there, and
/// frosty air brings next to no water either way.
pub(crate) fn saturation_kpa(degc: f64) -> f64 {
    drydown_physics::saturation::pressure_kpa(degc.clamp(0.0, 200.0))
}

/// Specific heat of an oil by its density, kJ/(kg·K).
pub(crate) fn oil_heat_kj_per_kg_k(density_kgm3: f64, degc: f64) -> f64 {
    oil_kj_per_kg_k(degc, density_kgm3 / 999.0)
}
