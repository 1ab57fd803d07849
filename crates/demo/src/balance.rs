//! Water in one reservoir while no unit works on it.

use crate::calendar::season_angle;
use crate::fleet::{Oil, Reservoir};

/// The water of a reservoir, ppm by mass of its oil.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Water {
    /// Dissolved and finely dispersed: what a mid-stream sample shows.
    pub(crate) mid_ppm: f64,
    /// Settled on the bottom.
    pub(crate) settled_ppm: f64,
}

/// Share of the water above saturation that settles in an hour at rest.
const SETTLES_PER_H: f64 = 0.05;
/// Share of the settled water that dissolves again in an hour under dry oil.
const DISSOLVES_PER_H: f64 = 0.004;
/// How fast the oil follows its paper, 1/h.
const PAPER_PER_H: f64 = 0.003;

impl Water {
    /// Settled water included, ppm.
    pub(crate) const fn all_ppm(self) -> f64 {
        self.mid_ppm + self.settled_ppm
    }

    /// Rest for some hours at an oil temperature, with water coming in at `ingress_g_per_h`.
    pub(crate) fn rest(&mut self, place: &Rest<'_>, hours: f64, ingress_g_per_h: f64) {
        let gained = ingress_g_per_h * hours * 1e3 / place.reservoir.mass_kg;
        self.mid_ppm += gained * (1.0 - place.sinking_share);
        self.settled_ppm += gained * place.sinking_share;
        let saturation = place.oil.solubility_ppm(place.oil_degc);
        if self.mid_ppm > saturation {
            let moved = (self.mid_ppm - saturation) * (1.0 - (-SETTLES_PER_H * hours).exp());
            self.mid_ppm -= moved;
            self.settled_ppm += moved;
        } else if self.settled_ppm > 0.0 {
            let dry = 1.0 - self.mid_ppm / saturation;
            let moved = self.settled_ppm * (1.0 - (-DISSOLVES_PER_H * hours).exp()) * dry;
            self.mid_ppm += moved;
            self.settled_ppm -= moved;
        }
        if place.reservoir.paper_insulated {
            let balance = place.reservoir.start_ppm * (0.35 * place.season).exp();
            let share = 1.0 - (-PAPER_PER_H * hours).exp();
            self.mid_ppm += (balance - self.mid_ppm) * share;
        }
    }
}

/// Where the oil rests.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Rest<'a> {
    pub(crate) reservoir: &'a Reservoir,
    pub(crate) oil: &'a Oil,
    pub(crate) oil_degc: f64,
    /// −1 in mid winter, +1 in mid summer.
    pub(crate) season: f64,
    /// Share of the water coming in that goes straight to the bottom.
    pub(crate) sinking_share: f64,
}

impl<'a> Rest<'a> {
    /// The reservoir in its service at a time.
    pub(crate) fn at(reservoir: &'a Reservoir, oil: &'a Oil, at: i64) -> Self {
        let season = -season_angle(at).cos();
        Self {
            reservoir,
            oil,
            oil_degc: reservoir.service_degc + 3.0 * season,
            season,
            sinking_share: reservoir.sinking_share(at),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::DemoConfig;
    use crate::fleet::Fleet;

    #[test]
    fn rest_keeps_every_gram_and_settles_what_the_oil_cannot_hold() {
        let fleet = Fleet::new(&DemoConfig::standard(8, 1, 1));
        let reservoir = fleet
            .reservoirs
            .iter()
            .find(|r| !r.paper_insulated)
            .unwrap();
        let oil = &fleet.oils[reservoir.oil];
        let place = Rest::at(reservoir, oil, fleet.calendar.start);
        let saturation = oil.solubility_ppm(place.oil_degc);
        let mut water = Water {
            mid_ppm: 3.0 * saturation,
            settled_ppm: 0.0,
        };
        let before = water.all_ppm();
        for _ in 0..240 {
            water.rest(&place, 1.0, 0.05);
        }
        let gained = 0.05 * 240.0 * 1e3 / reservoir.mass_kg;
        assert!((water.all_ppm() - before - gained).abs() < 1e-6 * before);
        assert!(
            (water.mid_ppm / saturation - 1.0).abs() < 0.02,
            "{}",
            water.mid_ppm
        );
        let mut dry = Water {
            mid_ppm: 0.2 * saturation,
            settled_ppm: saturation,
        };
        dry.rest(&place, 100.0, 0.0);
        assert!(dry.settled_ppm < saturation && dry.mid_ppm > 0.2 * saturation);
    }
}
