//! The oil on its way to the treating temperature.

use drydown_physics::heat::{HeatUp, HeatUpTime, oil_kgm3, oil_kj_per_kg_k};

use crate::config::PlanningConfig;
use crate::draws::{density_15c, derate_at};
use crate::job::{Candidate, Job};

/// Steps of equal temperature. The rates change by a few per cent from one to the next.
const N_STEPS: u32 = 16;
/// Share of the way to where the oil would settle, for a heater that cannot reach the treating
/// temperature: the rest takes for ever.
const REACHED: f64 = 0.95;

/// Stretches of the warm-up, for the volume of the register.
#[derive(Clone, Debug)]
pub(crate) struct WarmUp {
    steps: Vec<Step>,
    /// Width of each, K.
    step_k: f64,
    /// Where it ends: the treating temperature, or what the heater can hold.
    pub(crate) end: Warmth,
}

/// The oil at one temperature.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Warmth {
    pub(crate) degc: f64,
    /// Share of nameplate flow that its viscosity lets pass, 0..1.
    pub(crate) flow_share: f64,
}

/// A stretch of one temperature.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Step {
    pub(crate) hours: f64,
    pub(crate) warmth: Warmth,
}

impl WarmUp {
    /// None at all where the register has no heater, or the oil is warm enough.
    pub(crate) fn of(
        job: &Job<'_>,
        candidate: &Candidate<'_>,
        nameplate_lpm: f64,
        config: &PlanningConfig,
    ) -> Self {
        let warmth = |degc: f64| Warmth {
            degc,
            flow_share: derate_at(job, nameplate_lpm, degc, config),
        };
        let alone = Self {
            steps: Vec::new(),
            step_k: 0.0,
            end: warmth(job.treat_degc),
        };
        let heater_kw = candidate.unit.heater_rated_kw.filter(|kw| *kw > 0.0);
        let (Some(heater_kw), true) = (heater_kw, job.oil_degc < job.treat_degc) else {
            return alone;
        };
        let density_15c = density_15c(job, config);
        let oil_kg = job.volume_l * 1e-3 * density_15c;
        let middle = f64::midpoint(job.oil_degc, job.treat_degc);
        let heat = HeatUp {
            oil_kg,
            kj_per_kg_k: oil_kj_per_kg_k(middle, density_15c * 1e-3),
            heater_kw,
            loss_w_per_k: config.loss_w_per_k_m3 * oil_kg / oil_kgm3(middle, density_15c),
            ambient_degc: job.ambient_degc,
        };
        let most = job.oil_degc + REACHED * (heat.final_degc() - job.oil_degc);
        let end_degc = job.treat_degc.min(most.max(job.oil_degc));
        let at = |step: u32| {
            job.oil_degc + (end_degc - job.oil_degc) * f64::from(step) / f64::from(N_STEPS)
        };
        let steps = (0..N_STEPS)
            .filter_map(|step| match heat.time_to(at(step), at(step + 1)) {
                HeatUpTime::Reached { hours } => Some(Step {
                    hours,
                    warmth: warmth(f64::midpoint(at(step), at(step + 1))),
                }),
                HeatUpTime::EndsBelow { .. } => None,
            })
            .collect();
        Self {
            steps,
            step_k: (end_degc - job.oil_degc) / f64::from(N_STEPS),
            end: warmth(end_degc),
        }
    }

    /// The stretches for another volume: heat stored and heat lost both go with it, and the heater
    /// stays, so that hours go with the volume as far as losses are small. Oil that begins warmer than the job
    /// says skips the first of them; of colder oil the first takes as much longer.
    pub(crate) fn steps(&self, volume_factor: f64, warmer_k: f64) -> impl Iterator<Item = Step> {
        let steps_off = if self.step_k > 0.0 {
            warmer_k / self.step_k
        } else {
            0.0
        };
        self.steps.iter().enumerate().map(move |(idx, step)| {
            let left = (idx + 1) as f64 - steps_off;
            let most = if idx == 0 { f64::INFINITY } else { 1.0 };
            Step {
                hours: step.hours * volume_factor * left.clamp(0.0, most),
                ..*step
            }
        })
    }
}
