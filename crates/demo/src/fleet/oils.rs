//! Oils: what the register says and what is true.

use crate::catalogue::{OILS, OilSpec};
use crate::draw::Draw;
use crate::nature::solubility_ppm;
use drydown_physics::viscosity::Walther;

/// Standard deviation of the oil effect on log dried flow.
const EFFECT_SD: f64 = 0.35;

/// An oil type with its truth.
#[derive(Clone, Debug)]
pub(crate) struct Oil {
    pub(crate) spec: OilSpec,
    /// True solubility constants; the register's are off by some percent.
    pub(crate) true_a: f64,
    pub(crate) true_b_k: f64,
    /// Effect on log dried flow.
    pub(crate) effect: f64,
    walther: Option<Walther>,
    /// Viscosity at 65 °C, mm²/s.
    pub(crate) viscosity_65c_mm2s: f64,
}

impl Oil {
    /// True solubility, ppm.
    pub(crate) fn solubility_ppm(&self, degc: f64) -> f64 {
        solubility_ppm(self.true_a, self.true_b_k, degc)
    }

    /// Solubility by the register's constants, as an instrument is set up with, ppm.
    pub(crate) fn register_solubility_ppm(&self, degc: f64) -> f64 {
        solubility_ppm(self.spec.solubility.0, self.spec.solubility.1, degc)
    }

    pub(crate) fn viscosity_mm2s(&self, degc: f64) -> f64 {
        self.walther
            .map_or(self.spec.viscosity_mm2s.0, |line| line.mm2s(degc))
    }
}

/// Every oil of the catalogue.
pub(super) fn make_oils(seed: u64) -> Vec<Oil> {
    OILS.iter()
        .map(|spec| {
            let mut draw = Draw::of(seed, &format!("oil {}", spec.word));
            let (a, b_k) = spec.solubility;
            let off_b = draw.gauss(30.0);
            // Tilted about 320 K, so that an error of the slope leaves the level in use alone.
            let off_a = draw.gauss(0.035) + off_b / 320.0;
            let (nu40, nu100) = spec.viscosity_mm2s;
            let walther = Walther::from_two_points((40.0, nu40), (100.0, nu100));
            Oil {
                walther,
                spec: *spec,
                true_a: a + off_a,
                true_b_k: b_k + off_b,
                effect: (draw.normal() * EFFECT_SD).clamp(-0.75, 0.75),
                viscosity_65c_mm2s: walther.map_or(nu40, |line| line.mm2s(65.0)),
            }
        })
        .collect()
}
