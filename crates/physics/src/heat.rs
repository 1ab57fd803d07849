//! Heating oil: heat capacity, density, warm-up, flash cooling.

use crate::steam;

/// Specific heat of oil, kJ/(kg·K): (1.685 + 0.0034·t)/√SG (Cragoe, NBS Misc. Publ. 97, 1929).
///
/// `specific_gravity` is density at 15 °C over 1000 kg/m³.
#[must_use]
pub fn oil_kj_per_kg_k(t_degc: f64, specific_gravity: f64) -> f64 {
    (1.685 + 0.0034 * t_degc) / specific_gravity.sqrt()
}

/// Density of a lubricating oil, kg/m³, at a temperature, from its density at 15 °C.
///
/// ρ15·exp(−αΔ(1 + 0.8αΔ)), α = 0.6278/ρ15 (API MPMS 11.1, ASTM D1250-80 table 54D; constants from memory).
#[must_use]
pub fn oil_kgm3(t_degc: f64, density_15c_kgm3: f64) -> f64 {
    let expansion = 0.6278 / density_15c_kgm3 * (t_degc - 15.0);
    density_15c_kgm3 * (-expansion * (1.0 + 0.8 * expansion)).exp()
}

/// A body of oil being heated, losing heat to the air.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HeatUp {
    pub oil_kg: f64,
    /// Heat capacity at the middle of the span, kJ/(kg·K).
    pub kj_per_kg_k: f64,
    pub heater_kw: f64,
    /// Heat loss per kelvin, W/K; zero where lagged or unknown.
    pub loss_w_per_k: f64,
    pub ambient_degc: f64,
}

/// Hours to a temperature, or where the warming ends.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum HeatUpTime {
    Reached {
        hours: f64,
    },
    /// The heater balances the losses below the set point.
    EndsBelow {
        final_degc: f64,
    },
}

impl HeatUp {
    /// Where heater and losses balance, °C; infinite without losses.
    #[must_use]
    pub fn final_degc(&self) -> f64 {
        if self.loss_w_per_k > 0.0 {
            self.ambient_degc + 1000.0 * self.heater_kw / self.loss_w_per_k
        } else {
            f64::INFINITY
        }
    }

    /// Hours from one temperature to another; zero where already there.
    #[must_use]
    pub fn time_to(&self, from_degc: f64, to_degc: f64) -> HeatUpTime {
        if from_degc >= to_degc {
            return HeatUpTime::Reached { hours: 0.0 };
        }
        let capacity_kj_per_k = self.oil_kg * self.kj_per_kg_k;
        let final_degc = self.final_degc();
        if self.heater_kw <= 0.0 || final_degc <= to_degc {
            return HeatUpTime::EndsBelow {
                final_degc: final_degc.min(to_degc),
            };
        }
        let hours = if final_degc.is_finite() {
            let constant_h = capacity_kj_per_k / (self.loss_w_per_k * 3.6);
            constant_h * ((final_degc - from_degc) / (final_degc - to_degc)).ln()
        } else {
            capacity_kj_per_k * (to_degc - from_degc) / (self.heater_kw * 3600.0)
        };
        HeatUpTime::Reached { hours }
    }

    /// Energy, kW·h, to lift the oil from one temperature to another, losses left out.
    #[must_use]
    pub fn energy_kwh(&self, from_degc: f64, to_degc: f64) -> f64 {
        self.oil_kg * self.kj_per_kg_k * (to_degc - from_degc) / 3600.0
    }
}

/// Temperature rise in one pass through the heater, K: P/(G·c_p).
#[must_use]
pub fn pass_rise_k(heater_kw: f64, oil_kg_per_h: f64, kj_per_kg_k: f64) -> f64 {
    heater_kw * 3600.0 / (oil_kg_per_h * kj_per_kg_k)
}

/// How much evaporating water cools the oil, K: x·h_fg/c_p. `evaporated_share` by mass of the oil, 0..1.
#[must_use]
pub fn flash_cooling_k(evaporated_share: f64, latent_kj_per_kg: f64, kj_per_kg_k: f64) -> f64 {
    evaporated_share * latent_kj_per_kg / kj_per_kg_k
}

/// Most water, kg/h, that a heater can evaporate at a temperature once the oil is warm: P/h_fg.
#[must_use]
pub fn heater_water_kg_per_h(heater_kw: f64, t_degc: f64) -> f64 {
    heater_kw * 3600.0 / steam::latent_kj_per_kg(t_degc)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn losses_make_it_slower_and_may_end_it() {
        let lagged = HeatUp {
            oil_kg: 3293.31,
            kj_per_kg_k: 1.963_25,
            heater_kw: 24.0,
            loss_w_per_k: 0.0,
            ambient_degc: 20.0,
        };
        let bare = HeatUp {
            loss_w_per_k: 120.0,
            ..lagged
        };
        let hours = |time: HeatUpTime| match time {
            HeatUpTime::Reached { hours } => hours,
            HeatUpTime::EndsBelow { .. } => f64::INFINITY,
        };
        assert!(hours(bare.time_to(20.0, 66.0)) > hours(lagged.time_to(20.0, 66.0)));
        assert!((hours(lagged.time_to(20.0, 66.0)) - 3.442).abs() < 0.001);
        let cold = HeatUp {
            loss_w_per_k: 600.0,
            ..lagged
        };
        assert_eq!(
            cold.time_to(20.0, 66.0),
            HeatUpTime::EndsBelow { final_degc: 60.0 }
        );
        assert_eq!(bare.time_to(70.0, 66.0), HeatUpTime::Reached { hours: 0.0 });
    }
}
