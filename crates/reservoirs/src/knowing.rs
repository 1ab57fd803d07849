//! A filter that knows the nature's hyper-parameters: the best that the same data allow.
//!
//! Particles of the invented nature itself (bootstrap filter; Gordon, Salmond & Smith, IEE Proc. F 140,
//! 1993), told the laws of water, laboratories and sensors with their constants and each site's
//! wetness, and nothing else of the reservoir than its samples, runs and events.

use std::collections::BTreeMap;

use drydown_physics::solubility;
use drydown_quantity::Stamp;
use drydown_runs::Run;
use drydown_runs::history::{Censor, Reservoir, ReservoirAction, ReservoirEvent, Sample};
use drydown_stats::normal;
use drydown_stats::rng::{Pcg64, seeded, standard_normal, uniform};

use crate::nature::{
    Body, Invented, LAB_CV, LEFT, NEW_OIL, People, SENSOR_CV, SWAPPED, WARM_DEGC, lowest_ppm, play,
};

/// Steps of the horizon, days.
const STEP_DAYS: f64 = 0.5;
/// Particles of which the future is played.
const PLAYED: usize = 1000;

/// Its probabilities of one reservoir.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Known {
    pub(crate) p_limit: f64,
    pub(crate) p_free: f64,
}

/// The probabilities of every reservoir, in the register's order, from so many particles each.
pub(crate) fn know(fleet: &Invented, particles: usize) -> Vec<Known> {
    let mut days = Days::default();
    for sample in &fleet.samples {
        let id = sample.reservoir_id.as_ref().map_or("", |id| id.as_str());
        days.at(id, sample.taken_at.unwrap(), fleet.start)
            .samples
            .push(sample);
    }
    for run in &fleet.runs {
        let id = run.reservoir_id.as_ref().map_or("", |id| id.as_str());
        days.at(id, run.started_at, fleet.start).run = Some(run);
    }
    for event in &fleet.registers.reservoir_events {
        // an event is stamped with the end of its day's step, or a repair within it
        let at = event.at.plus_hours(-0.01);
        days.at(event.reservoir_id.as_str(), at, fleet.start)
            .events
            .push(event);
    }
    let all = fleet.registers.reservoirs.iter().zip(&fleet.kinds);
    all.map(|(reservoir, kind)| {
        let id = reservoir.reservoir_id.as_str();
        let mut rng = seeded(11, id);
        let mut cloud = Cloud {
            bodies: (0..particles)
                .map(|_| Body::draw(*kind, &mut rng))
                .collect(),
            weights: vec![1.0; particles],
            rng,
        };
        let n_days = fleet.as_of.hours_after(fleet.start) / 24.0;
        for day in 0..n_days.round() as usize {
            let told = days.0.get(&(id.to_owned(), day));
            cloud.live(told, reservoir, &fleet.laws);
        }
        let oil = fleet.registers.oils.iter();
        let mut oil = oil.filter(|oil| Some(&oil.oil_type) == reservoir.oil_type.as_ref());
        let oil = oil.next().unwrap();
        let cold = reservoir.coldest_oil_degc.unwrap();
        let holds =
            |degc| solubility::ppm(oil.solubility_a.unwrap(), oil.solubility_b_k.unwrap(), degc);
        cloud.ahead(holds(cold) / holds(WARM_DEGC))
    })
    .collect()
}

/// What is told of one reservoir on one day.
#[derive(Default)]
struct Day<'a> {
    samples: Vec<&'a Sample>,
    run: Option<&'a Run>,
    events: Vec<&'a ReservoirEvent>,
}

/// The days on which something is told, by reservoir and day from the start.
#[derive(Default)]
struct Days<'a>(BTreeMap<(String, usize), Day<'a>>);

impl<'a> Days<'a> {
    fn at(&mut self, id: &str, at: Stamp, start: Stamp) -> &mut Day<'a> {
        let day = (at.hours_after(start) / 24.0).floor().max(0.0) as usize;
        self.0.entry((id.to_owned(), day)).or_default()
    }
}

struct Cloud {
    bodies: Vec<Body>,
    weights: Vec<f64>,
    rng: Pcg64,
}

impl Cloud {
    fn live(&mut self, told: Option<&Day<'_>>, reservoir: &Reservoir, laws: &People) {
        let has = |action: ReservoirAction| {
            told.is_some_and(|day| day.events.iter().any(|event| event.action == action))
        };
        let repaired = has(ReservoirAction::LeakRepair);
        let mut likely = Vec::with_capacity(self.bodies.len());
        for body in &mut self.bodies {
            let (_, _, one) = body.step(1.0, Some(repaired), &mut self.rng);
            likely.push(one);
        }
        self.weigh(&likely);
        let Some(day) = told else { return };
        for sample in &day.samples {
            let seen = |body: &Body| sample_likelihood(body, sample, laws);
            let likely: Vec<f64> = self.bodies.iter().map(seen).collect();
            self.weigh(&likely);
        }
        for event in &day.events {
            match event.action {
                ReservoirAction::TopUp => {
                    let share = event.volume_l.unwrap() / reservoir.volume_l.unwrap();
                    let new = NEW_OIL * reservoir.water_limit_ppm.unwrap();
                    self.bodies
                        .iter_mut()
                        .for_each(|body| body.top_up(share, new));
                }
                ReservoirAction::BottomDrain => self.bodies.iter_mut().for_each(Body::drain),
                _ => {}
            }
        }
        if let Some(run) = day.run {
            self.dry(run, laws);
        }
    }

    fn dry(&mut self, run: &Run, laws: &People) {
        let unit: usize = run
            .unit_id
            .as_str()
            .trim_start_matches("U-")
            .parse()
            .unwrap();
        let ends = run.water_first_ppm.zip(run.water_last_ppm);
        let mut likely = Vec::with_capacity(self.bodies.len());
        for body in &mut self.bodies {
            let rng = &mut self.rng;
            let usual = LEFT.0 + (LEFT.1 - LEFT.0) * uniform(rng);
            let Some((first, last)) = ends else {
                body.dry(usual);
                likely.push(1.0);
                continue;
            };
            let offset = laws.offset_ppm(unit, body.solubility);
            let sd = SENSOR_CV * body.mid;
            let seen = normal::pdf((first - offset - body.mid) / sd) / sd;
            // the end as the sensor has it, with its own error, within what a run may leave
            let end = (last - offset) / (1.0 + SENSOR_CV * standard_normal(rng));
            let left = (end / body.mid).clamp(LEFT.0, LEFT.1);
            let off = (last - offset - left * body.mid) / (SENSOR_CV * left * body.mid);
            body.dry(left);
            likely.push(seen * (-0.5 * (off.abs() - 2.0).max(0.0).powi(2)).exp());
        }
        self.weigh(&likely);
    }

    /// Weights by a likelihood; resampled where few particles carry most of the weight.
    fn weigh(&mut self, likely: &[f64]) {
        let before: f64 = self.weights.iter().sum();
        let new: Vec<f64> = self
            .weights
            .iter()
            .zip(likely)
            .map(|(w, l)| w * l)
            .collect();
        let total: f64 = new.iter().sum();
        // what no particle can explain tells nothing
        if total.is_nan() || total <= 1e-12 * before {
            return;
        }
        let n = self.bodies.len() as f64;
        self.weights = new.iter().map(|w| w / total * n).collect();
        let effective = n * n / self.weights.iter().map(|w| w * w).sum::<f64>();
        if effective < 0.5 * n {
            self.resample(self.bodies.len());
        }
    }

    /// Systematic resampling to so many particles of equal weight.
    fn resample(&mut self, n: usize) {
        let total: f64 = self.weights.iter().sum();
        let step = total / n as f64;
        let mut at = step * uniform(&mut self.rng);
        let mut sum = 0.0;
        let mut kept = Vec::with_capacity(n);
        for (body, weight) in self.bodies.iter().zip(&self.weights) {
            sum += weight;
            while at < sum && kept.len() < n {
                kept.push(*body);
                at += step;
            }
        }
        self.weights = vec![1.0; kept.len()];
        self.bodies = kept;
    }

    /// The horizon of some particles; `cold`: solubility where it is coldest over where it is warm.
    fn ahead(mut self, cold: f64) -> Known {
        self.resample(PLAYED.min(self.bodies.len()));
        let n = self.bodies.len() as f64;
        let (mut limit, mut free) = (0.0, 0.0);
        for body in &self.bodies {
            let passage = play(*body, cold * body.solubility, STEP_DAYS, &mut self.rng);
            limit += f64::from(u8::from(passage.limit_days.is_some())) / n;
            free += f64::from(u8::from(passage.free)) / n;
        }
        Known {
            p_limit: limit,
            p_free: free,
        }
    }
}

fn sample_likelihood(body: &Body, sample: &Sample, laws: &People) -> f64 {
    let lab: usize = sample.lab.trim_start_matches("L-").parse().unwrap();
    let ppm = sample.water_ppm.unwrap();
    let z = |ppm: f64| (ppm.ln() - body.mid.max(0.1).ln() - laws.lab_bias[lab]) / LAB_CV[lab];
    // a bottle of another reservoir reads about half of some limit
    let other = |ppm: f64| (ppm / (0.5 * body.limit)).ln() / 1.2;
    let (own, others) = match sample.water_censor {
        Some(Censor::Below) => {
            let below = lowest_ppm(body.is_paper);
            (normal::cdf(z(below)), normal::cdf(other(below)))
        }
        _ => (
            normal::pdf(z(ppm)) / (LAB_CV[lab] * ppm),
            normal::pdf(other(ppm)) / (1.2 * ppm),
        ),
    };
    (1.0 - SWAPPED) * own + SWAPPED * others
}
