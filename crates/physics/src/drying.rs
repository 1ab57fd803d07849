//! Drying a well-mixed reservoir in a loop: balance, floor, closed forms, time to a target.
//!
//! Mass balance M·dc/dt = 10⁶·(W − min(ηG·(c − c_eq)·10⁻⁶, capacity)): textbook stripping algebra,
//! c in ppm, M in kg, G in kg/h, W (ingress) in kg/h. The floor c_eq uses the share of water in
//! the chamber gas, which is never 1 late in a job: the gas is then mostly bleed and leak air.

use crate::{GAS_CONSTANT, WATER_KG_PER_MOL, kelvin, saturation};

/// One reservoir on one unit, everything constant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DryingLoop {
    /// Oil in the reservoir, kg.
    pub oil_kg: f64,
    /// Removal per pass times oil flow, kg/h: the part of the flow that leaves as if dried.
    pub dried_flow_kg_per_h: f64,
    /// Water in balance with the chamber gas, ppm.
    pub floor_ppm: f64,
    /// Most water the unit can remove, kg/h; infinite where nothing but transfer limits it.
    pub capacity_kg_per_h: f64,
    /// Water entering the reservoir, kg/h.
    pub ingress_kg_per_h: f64,
}

/// Hours to a target, or why it is never reached.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum DryingTime {
    /// Hours at capacity, then hours of exponential decline.
    Reached { capacity_h: f64, decline_h: f64 },
    /// The loop settles at or above the target.
    SettlesAbove { steady_ppm: f64 },
    /// More water comes in than the unit can remove.
    IngressWins {
        capacity_kg_per_h: f64,
        ingress_kg_per_h: f64,
    },
}

impl DryingTime {
    /// Hours in all; None where the target is not reached.
    #[must_use]
    pub fn hours(self) -> Option<f64> {
        match self {
            Self::Reached {
                capacity_h,
                decline_h,
            } => Some(capacity_h + decline_h),
            Self::SettlesAbove { .. } | Self::IngressWins { .. } => None,
        }
    }
}

impl DryingLoop {
    /// First-order rate k = ηG/M, 1/h.
    #[must_use]
    pub fn rate_per_h(&self) -> f64 {
        self.dried_flow_kg_per_h / self.oil_kg
    }

    /// Where the decline settles, ppm: floor plus ingress over dried flow.
    #[must_use]
    pub fn steady_ppm(&self) -> f64 {
        self.floor_ppm + 1e6 * self.ingress_kg_per_h / self.dried_flow_kg_per_h
    }

    /// Above this content the unit works at its capacity, ppm.
    #[must_use]
    pub fn crossover_ppm(&self) -> f64 {
        self.floor_ppm + 1e6 * self.capacity_kg_per_h / self.dried_flow_kg_per_h
    }

    /// Slope while at capacity, ppm/h (negative: falling).
    fn capacity_slope_ppm_per_h(&self) -> f64 {
        1e6 * (self.ingress_kg_per_h - self.capacity_kg_per_h) / self.oil_kg
    }

    /// Hours from `start_ppm` to `target_ppm`; zero where the start is already there.
    #[must_use]
    pub fn time_to(&self, start_ppm: f64, target_ppm: f64) -> DryingTime {
        if start_ppm <= target_ppm {
            return DryingTime::Reached {
                capacity_h: 0.0,
                decline_h: 0.0,
            };
        }
        let crossover_ppm = self.crossover_ppm();
        if start_ppm > crossover_ppm && self.ingress_kg_per_h >= self.capacity_kg_per_h {
            return DryingTime::IngressWins {
                capacity_kg_per_h: self.capacity_kg_per_h,
                ingress_kg_per_h: self.ingress_kg_per_h,
            };
        }
        let steady_ppm = self.steady_ppm();
        if target_ppm <= steady_ppm {
            return DryingTime::SettlesAbove { steady_ppm };
        }
        let line_to = crossover_ppm.max(target_ppm);
        let capacity_h = if start_ppm > line_to {
            (line_to - start_ppm) / self.capacity_slope_ppm_per_h()
        } else {
            0.0
        };
        let from = start_ppm.min(crossover_ppm);
        let decline_h = if from > target_ppm {
            ((from - steady_ppm) / (target_ppm - steady_ppm)).ln() / self.rate_per_h()
        } else {
            0.0
        };
        DryingTime::Reached {
            capacity_h,
            decline_h,
        }
    }

    /// Content after some hours, ppm.
    #[must_use]
    pub fn ppm_after(&self, start_ppm: f64, hours: f64) -> f64 {
        let crossover_ppm = self.crossover_ppm();
        if start_ppm <= crossover_ppm {
            // with more ingress than capacity the content may climb through the crossover
            let settled = step_ppm(start_ppm, self.rate_per_h(), self.steady_ppm(), hours);
            if settled <= crossover_ppm {
                return settled;
            }
            let steady = self.steady_ppm();
            let climb_h =
                ((start_ppm - steady) / (crossover_ppm - steady)).ln() / self.rate_per_h();
            return crossover_ppm + self.capacity_slope_ppm_per_h() * (hours - climb_h);
        }
        let slope = self.capacity_slope_ppm_per_h();
        let line = start_ppm + slope * hours;
        if line >= crossover_ppm {
            return line;
        }
        let line_h = (crossover_ppm - start_ppm) / slope;
        step_ppm(
            crossover_ppm,
            self.rate_per_h(),
            self.steady_ppm(),
            hours - line_h,
        )
    }

    /// Water removal right now, kg/h.
    #[must_use]
    pub fn removal_kg_per_h(&self, water_ppm: f64) -> f64 {
        (1e-6 * self.dried_flow_kg_per_h * (water_ppm - self.floor_ppm)).min(self.capacity_kg_per_h)
    }
}

/// One step of the exponential: exact while rate and steady state stay constant.
#[must_use]
pub fn step_ppm(water_ppm: f64, rate_per_h: f64, steady_ppm: f64, hours: f64) -> f64 {
    steady_ppm + (water_ppm - steady_ppm) * (-rate_per_h * hours).exp()
}

/// Share of the excess water removed after some turnovers: 1 − exp(−η·N).
#[must_use]
pub fn removed_share(removal_per_pass: f64, turnovers: f64) -> f64 {
    -(-removal_per_pass * turnovers).exp_m1()
}

/// Turnovers for a share 0..1 of the excess water: −ln(1 − share)/η.
#[must_use]
pub fn turnovers_for(removal_per_pass: f64, share: f64) -> f64 {
    -(-share).ln_1p() / removal_per_pass
}

/// Removal per pass from samples before and after the chamber: (c_in − c_out)/(c_in − floor).
#[must_use]
pub fn per_pass_from_pair(inlet_ppm: f64, outlet_ppm: f64, floor_ppm: f64) -> f64 {
    (inlet_ppm - outlet_ppm) / (inlet_ppm - floor_ppm)
}

/// Floor, ppm: S·min(1, y·P/p_sat(t)), the content in balance with the chamber gas.
///
/// `vapour_share` is the mole fraction of water in the chamber gas, 0..1; `t_degc` the oil in the chamber.
#[must_use]
pub fn floor_ppm(solubility_ppm: f64, t_degc: f64, chamber_kpa: f64, vapour_share: f64) -> f64 {
    solubility_ppm * saturation::activity(vapour_share * chamber_kpa, t_degc)
}

/// Mole fraction of water in the chamber gas when all of it is bleed air: φ·p_sat(t_air)/P_bar.
#[must_use]
pub fn bleed_vapour_share(relative_humidity: f64, air_degc: f64, ambient_kpa: f64) -> f64 {
    relative_humidity * saturation::pressure_kpa(air_degc) / ambient_kpa
}

/// The vacuum pump seen from the chamber: what it swallows and at which temperature.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PumpInlet {
    pub speed_m3_per_h: f64,
    pub gas_degc: f64,
}

impl PumpInlet {
    /// Water taken per pressure, kg/(s·Pa): M·S/(R·T).
    fn kg_per_s_pa(self) -> f64 {
        WATER_KG_PER_MOL * self.speed_m3_per_h / 3600.0 / (GAS_CONSTANT * kelvin(self.gas_degc))
    }
}

/// Removal per pass once the pump's limit is felt: η/(1 + Λ), Λ = G·η·k/a (dissolved water, no bleed).
///
/// `oil_kg_per_h` is the flow through the chamber, `solubility_ppm` the oil's at `oil_degc`.
#[must_use]
pub fn coupled_per_pass(
    removal_per_pass: f64,
    oil_kg_per_h: f64,
    oil_degc: f64,
    solubility_ppm: f64,
    pump: PumpInlet,
) -> f64 {
    let henry_per_pa = solubility_ppm * 1e-6 / (saturation::pressure_kpa(oil_degc) * 1000.0);
    let load = oil_kg_per_h / 3600.0 * removal_per_pass * henry_per_pa / pump.kg_per_s_pa();
    removal_per_pass / (1.0 + load)
}

/// Partial pressure of water in the chamber at that balance, kPa: G·η·c/(a + G·η·k).
#[must_use]
pub fn coupled_water_kpa(
    removal_per_pass: f64,
    oil_kg_per_h: f64,
    inlet_ppm: f64,
    henry_ppm_per_kpa: f64,
    pump: PumpInlet,
) -> f64 {
    let pass = oil_kg_per_h / 3600.0 * removal_per_pass;
    let henry_per_pa = henry_ppm_per_kpa * 1e-9;
    pass * inlet_ppm * 1e-6 / (pump.kg_per_s_pa() + pass * henry_per_pa) / 1000.0
}

/// Ingress, g/h, from a rise between two contents: M·Δc/Δt (no drain, no run in between).
#[must_use]
pub fn ingress_g_per_h(oil_kg: f64, rise_ppm: f64, hours: f64) -> f64 {
    oil_kg * rise_ppm * 1e-3 / hours
}

/// Rise, ppm/h, that an ingress in g/h means for a body of oil in kg.
#[must_use]
pub fn rise_ppm_per_h(ingress_g_per_h: f64, oil_kg: f64) -> f64 {
    1e3 * ingress_g_per_h / oil_kg
}

#[cfg(test)]
mod tests {
    use super::*;

    const LOOP: DryingLoop = DryingLoop {
        oil_kg: 3293.31,
        dried_flow_kg_per_h: 3161.6,
        floor_ppm: 30.0,
        capacity_kg_per_h: 2.0,
        ingress_kg_per_h: 0.1,
    };

    #[test]
    fn time_and_content_are_inverse() {
        for (start, target) in [
            (20_000.0, 100.0),
            (20_000.0, 5_000.0),
            (500.0, 100.0),
            (90.0, 100.0),
        ] {
            let hours = LOOP.time_to(start, target).hours().unwrap();
            let expected = f64::min(start, target);
            assert!((LOOP.ppm_after(start, hours) - expected).abs() < 1e-6 * expected);
        }
    }

    #[test]
    fn the_closed_form_follows_the_balance_step_by_step() {
        for start in [5_000.0, 300.0, 10.0] {
            let (mut c, dt_h) = (start, 1e-4);
            for _ in 0..40_000 {
                let middle =
                    c + 0.5 * dt_h * 1e6 * (LOOP.ingress_kg_per_h - LOOP.removal_kg_per_h(c))
                        / LOOP.oil_kg;
                c += dt_h * 1e6 * (LOOP.ingress_kg_per_h - LOOP.removal_kg_per_h(middle))
                    / LOOP.oil_kg;
            }
            assert!(
                (c - LOOP.ppm_after(start, 4.0)).abs() < 1e-2,
                "{start}: {c}"
            );
        }
    }

    #[test]
    fn no_number_where_there_is_none() {
        let wet = DryingLoop {
            ingress_kg_per_h: 3.0,
            ..LOOP
        };
        assert!(matches!(
            wet.time_to(20_000.0, 100.0),
            DryingTime::IngressWins { .. }
        ));
        assert!(matches!(
            wet.time_to(500.0, 100.0),
            DryingTime::SettlesAbove { .. }
        ));
        assert!(wet.ppm_after(500.0, 10.0) > 500.0);
        let twice = wet.ppm_after(wet.ppm_after(500.0, 4.0), 6.0);
        assert!((wet.ppm_after(500.0, 10.0) - twice).abs() < 1e-6);
    }
}
