//! What a steady pressure that rose says of the cause, by the balance of the chamber.
//!
//! At work the pump holds its base and what its gas load adds, `p = b + Q/S`. A leak and what wear lets back
//! lift the base at work by what they lift it at a start; water in what seals the pump by more, for the pump
//! is warmer then, but by no more than its saturation pressure; lost speed adds to the load's part and to that
//! of the base which leaks in. Where starts show the base, its rise is what is expected of the steady pressure. Where
//! none does, how large such a rise is for each cause is all that is known (common practice, no source), and
//! whether it came at once or day by day. A vent that holds a set pressure hides a part of either.

use drydown_stats::normal;

use crate::Cause;
use crate::base_path::SATURATED_SEAL_KPA;
use crate::shift::Shift;

/// What is known of the steady pressure since an onset.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Steady {
    /// Shift of ln steady pressure.
    pub(crate) shift: Option<Shift>,
    /// Steady and base pressure of the sound pump, kPa.
    pub(crate) sound_kpa: Option<f64>,
    pub(crate) sound_base_kpa: Option<f64>,
    /// How far the base at starts has risen, kPa, and its standard error.
    pub(crate) base_rise: Option<(f64, f64)>,
    /// ln speed lost, where starts show the speed.
    pub(crate) lost: Option<f64>,
    /// Log odds of a step over a ramp of the steady pressure, where it alone tells of the change.
    pub(crate) ln_step_odds: Option<f64>,
    /// Saturation pressure in the run over that at the starts.
    pub(crate) warmer: f64,
    /// Whether it is the runs alone that tell of the change, beside starts that show none.
    pub(crate) at_work: bool,
}

/// Rise of the base at work where no start shows it, kPa: median, and standard deviation of its logarithm (common
/// practice). Seal water from 15 to 30 °C adds 2.5 kPa, to 40 °C 5.7 (IAPWS-IF97).
const LEAK: (f64, f64) = (6.0, 1.0);
const WET_OIL: (f64, f64) = (5.0, 0.7);
const SEAL_WATER: (f64, f64) = (3.0, 0.6);
const GAUGE: (f64, f64) = (2.0, 0.7);
const LEAK_BACK: (f64, f64) = (3.0, 1.2);
/// ln speed lost where no start shows it: median, and standard deviation of its logarithm (common practice).
const LOST: (f64, f64) = (0.4, 0.7);
/// Saturation pressure at 60 °C, a warm pump's (IAPWS-IF97), kPa: no more than that comes from water.
const SATURATED_KPA: f64 = 19.95;
/// How likely each comes at once (common practice).
const STEPS: [(Cause, f64); 6] = [
    (Cause::Wear, 0.1),
    (Cause::Leak, 0.5),
    (Cause::WetOil, 0.3),
    (Cause::SealWater, 0.5),
    (Cause::Restriction, 0.6),
    (Cause::Gauge, 0.5),
];
/// Runs of a pump differ by so much of their pressure for reasons of their own (common practice).
const RUNS_SD: f64 = 0.15;
/// Nodes of a standard normal, and of a share between none and all.
const NODES: [f64; 7] = [-2.0, -1.33, -0.67, 0.0, 0.67, 1.33, 2.0];
const SHARES: [f64; 3] = [0.1, 0.5, 0.9];
/// Probability density of a rise that fits no shape, per kPa: a witness far from all of them decides nothing.
const ANY: f64 = 1e-4;

impl Steady {
    /// Whether starts show that nothing lifts the base: it lies below its level.
    pub(crate) fn base_fell(&self) -> bool {
        self.base_rise.is_some_and(|(rise, _)| rise <= 0.0)
    }

    /// Rise of the base at starts, or of the steady pressure where no start shows one: kPa, and its standard error.
    pub(crate) fn rise_kpa(&self) -> Option<(f64, f64)> {
        self.base_rise.or_else(|| {
            let (shift, sound) = self.shift.zip(self.sound_kpa)?;
            let by = shift.recent.exp();
            Some((sound * (by - 1.0), sound * by * shift.se))
        })
    }

    /// Log likelihood of the shift by a fault of the speed and one of the base.
    pub(crate) fn ln_likelihood(&self, first: Option<Cause>, second: Option<Cause>) -> f64 {
        let Some(shift) = self.shift else {
            return 0.0;
        };
        let sound = self.sound_kpa.unwrap_or(15.0).max(0.5);
        let rise = sound * shift.recent.exp_m1();
        let se = sound * shift.recent.exp() * shift.se;
        let (mut density, mut total) = (0.0, 0.0);
        for (by_base, base_weight) in self.by_base(first, second) {
            for (by_speed, speed_weight) in self.by_speed(first, sound) {
                let mean = by_base + by_speed;
                let sd = se.hypot(RUNS_SD * (sound + mean));
                let weight = base_weight * speed_weight;
                density += weight * (normal::ln_pdf((rise - mean) / sd).exp() / sd);
                total += weight;
            }
        }
        (density / total + ANY).ln() + self.shape(first, second)
    }

    /// What lifts the base adds at work, kPa, with weights.
    fn by_base(&self, first: Option<Cause>, second: Option<Cause>) -> Vec<(f64, f64)> {
        let water = matches!(second, Some(Cause::WetOil | Cause::SealWater));
        // What stands in the way lifts the part of the base that leaks in, as far as starts show one.
        let lifts = match first {
            Some(Cause::Wear) => true,
            Some(Cause::Restriction) => self.base_rise.is_some(),
            _ => false,
        };
        if second.is_none() && !lifts {
            return vec![(0.0, 1.0)];
        }
        let most = if second == Some(Cause::SealWater) {
            SATURATED_SEAL_KPA
        } else {
            SATURATED_KPA
        };
        let capped = |kpa: f64, weight: f64| {
            let beyond = if water { (kpa - most).max(0.0) } else { 0.0 };
            (kpa, weight * (-0.5 * beyond * beyond).exp())
        };
        let weight = |z: f64| (-0.5 * z * z).exp();
        // A start says nothing of the water that the warm pump boils off, nor of gaps that only tell at depth.
        let unseen = (water || first == Some(Cause::Wear)) && self.at_work;
        let Some((rise, se)) = self.base_rise.filter(|_| !unseen) else {
            let (median, sd) = match (second, self.lost) {
                (Some(Cause::Leak), _) => LEAK,
                (Some(Cause::WetOil), _) => WET_OIL,
                (Some(Cause::SealWater), _) => SEAL_WATER,
                (Some(Cause::Gauge), _) => GAUGE,
                // Clearances let back the more, the more speed they take.
                (_, Some(lost)) => (LEAK_BACK.0 * (lost / LOST.0).clamp(0.1, 3.0), LEAK_BACK.1),
                _ => LEAK_BACK,
            };
            let node = |z: f64| (median * (sd * z).exp(), weight(z));
            return NODES.map(node).map(|(kpa, w)| capped(kpa, w)).to_vec();
        };
        // Wet oil may be as warm at a start as in the run, where it is not the logged temperature's.
        let warmer = if water { self.warmer.max(1.0) } else { 1.0 };
        let nodes = NODES.iter().flat_map(|z| {
            let kpa = (rise + se * z).max(0.0);
            SHARES.map(|share| capped(kpa * warmer.powf(share), weight(*z)))
        });
        nodes.collect()
    }

    /// What lost speed adds to the load's part, kPa, with weights; a vent may have hidden some of it.
    fn by_speed(&self, first: Option<Cause>, sound: f64) -> Vec<(f64, f64)> {
        if first.is_none() {
            return vec![(0.0, 1.0)];
        }
        let base = self.sound_base_kpa.unwrap_or(0.3 * sound);
        let load = (sound - base).max(0.1 * sound);
        if let Some(lost) = self.lost {
            return SHARES
                .map(|share| (share * load * lost.max(0.0).exp_m1(), 1.0))
                .to_vec();
        }
        let (median, sd) = LOST;
        let node = |z: &f64| {
            let lost = median * (sd * z).exp();
            SHARES.map(|share| (share * load * lost.exp_m1(), (-0.5 * z * z).exp()))
        };
        NODES.iter().flat_map(node).collect()
    }

    /// Log likelihood of step or ramp, relative to the ramp's.
    fn shape(&self, first: Option<Cause>, second: Option<Cause>) -> f64 {
        let Some(odds) = self.ln_step_odds else {
            return 0.0;
        };
        let steps = |cause: Option<Cause>| {
            STEPS
                .iter()
                .find(|row| Some(row.0) == cause)
                .map(|row| row.1)
        };
        let (a, b) = (steps(first), steps(second));
        let share = match (a, b) {
            (Some(a), Some(b)) => 0.5 * (a + b),
            _ => a.or(b).unwrap_or(0.5),
        };
        normal::ln_add_exp(share.ln() + odds.clamp(-8.0, 8.0), (1.0 - share).ln())
    }
}
