//! A simulated fleet for trials, and the makers of its rows.

use drydown_quantity::{OilType, ReservoirId, RunId, SiteId, Stamp, UnitId};
use drydown_runs::Run;
use drydown_runs::history::{
    Censor, Oil, Registers, Reservoir, ReservoirAction, ReservoirEvent, Sample, SamplePoint, Site,
    VolumeBasis,
};
use drydown_stats::rng::{Pcg64, seeded, standard_normal, uniform};

use crate::{ReservoirRisk, ReservoirsConfig, assess, histories};

pub(crate) fn config() -> ReservoirsConfig {
    ReservoirsConfig {
        rank_draws: 100,
        ..ReservoirsConfig::documented()
    }
}

pub(crate) fn plain_reservoir(id: &str) -> Reservoir {
    Reservoir {
        reservoir_id: ReservoirId::from(id),
        site_id: Some(SiteId::from("S-1")),
        service: Some("hydraulic".to_owned()),
        oil_type: Some(OilType::from("HLP")),
        volume_l: Some(4000.0),
        volume_basis: Some(VolumeBasis::Dip),
        water_limit_ppm: Some(250.0),
        cleanliness_limit: None,
        acid_limit_mgkoh_g: None,
        coldest_oil_degc: Some(25.0),
        max_oil_degc: Some(65.0),
        criticality: None,
        paper_insulated: None,
        energised: None,
        pcb_status: None,
        breather: None,
    }
}

pub(crate) fn oil() -> Oil {
    Oil {
        oil_type: OilType::from("HLP"),
        family: Some("mineral".to_owned()),
        iso_vg: Some(46.0),
        viscosity_40c_mm2s: Some(46.0),
        viscosity_100c_mm2s: Some(6.8),
        density_15c_kgm3: Some(870.0),
        // several times a base oil's solubility: additives (315 ppm at 25 °C, 870 at 50 °C)
        solubility_a: Some(8.2),
        solubility_b_k: Some(1700.0),
        flash_degc: Some(210.0),
    }
}

pub(crate) fn sample(id: &ReservoirId, n: usize, at: Stamp, ppm: f64) -> Sample {
    Sample {
        lab: "L-1".to_owned(),
        sample_id: format!("{id}-{n}"),
        reservoir_id: Some(id.clone()),
        unit_id: None,
        taken_at: Some(at),
        reported_at: None,
        sample_point: Some(SamplePoint::ReservoirMid),
        sample_degc: Some(50.0),
        water_ppm: Some(ppm),
        water_censor: Some(Censor::Exact),
        iso4406_4um: None,
        iso4406_6um: None,
        iso4406_14um: None,
        iso4406_note: None,
        viscosity_40c_mm2s: None,
        acid_mgkoh_g: None,
        breakdown_kv: None,
    }
}

pub(crate) fn run(id: &ReservoirId, n: usize, span: (Stamp, Stamp), ppm: (f64, f64)) -> Run {
    Run {
        run_id: RunId::from(format!("U-1@{id}-{n}")),
        unit_id: UnitId::from("U-1"),
        reservoir_id: Some(id.clone()),
        oil_type: Some(OilType::from("HLP")),
        started_at: span.0,
        ended_at: span.1,
        hours: span.1.hours_after(span.0),
        flow_lpm: None,
        oil_degc: None,
        chamber_kpa: None,
        ambient_kpa: None,
        vacuum_pump_degc: None,
        vent_open_pct: None,
        water_first_ppm: Some(ppm.0),
        water_last_ppm: Some(ppm.1),
        water_removed_kg: None,
        pumpdown_speed_m3h: None,
        pumpdown_base_kpa: None,
        steady_kpa: None,
        n_readings: 100,
        n_samples: 0,
        alarms: 0,
        flags: Vec::new(),
    }
}

/// A simulated fleet, its as_of and what truly was and came.
pub(crate) struct World {
    pub(crate) registers: Registers,
    pub(crate) samples: Vec<Sample>,
    pub(crate) runs: Vec<Run>,
    pub(crate) as_of: Stamp,
    /// Ingress of the last 30 days g/h, level now, whether the limit was passed within 60 days; by reservoir.
    pub(crate) truth: Vec<(f64, f64, bool)>,
}

/// How one fleet is made.
#[derive(Clone, Copy)]
pub(crate) struct Making {
    pub(crate) seed: u64,
    pub(crate) n: usize,
    /// Unrest relative to the daily rise, per root day.
    pub(crate) unrest: f64,
    /// Samples are likelier when the oil is wet.
    pub(crate) informative: bool,
    /// Whether ingress wanders, follows the season, and leaks come and go.
    pub(crate) moving: bool,
}

/// Steps of the path per day.
const PER_DAY: usize = 8;

pub(crate) fn world(making: Making) -> World {
    let mut rng = seeded(making.seed, "world");
    let start: Stamp = "2025-06-01".parse().unwrap();
    let history_days = 420;
    let as_of = start.plus_days(f64::from(history_days));
    let mut registers = Registers {
        oils: vec![oil()],
        ..Registers::default()
    };
    let (mut samples, mut runs, mut truth) = (Vec::new(), Vec::new(), Vec::new());
    let site_effects: Vec<f64> = (0..6).map(|_| 0.5 * standard_normal(&mut rng)).collect();
    for site in 0..6 {
        registers.sites.push(Site {
            site_id: SiteId::from(format!("S-{site}")),
            name: None,
            altitude_m: None,
            timezone: None,
        });
    }
    for idx in 0..making.n {
        let site = idx % 6;
        let mut reservoir = plain_reservoir(&format!("R-{idx:03}"));
        reservoir.site_id = Some(SiteId::from(format!("S-{site}")));
        reservoir.volume_l = Some(1000.0 + 9000.0 * uniform(&mut rng));
        let true_kg = reservoir.volume_l.unwrap() * 0.87 * (0.05 * standard_normal(&mut rng)).exp();
        let ln_g = -1.4
            + site_effects[site]
            + 0.6 * standard_normal(&mut rng)
            + 0.5 * (true_kg / 4000.0).ln();
        let mut path = Path {
            id: reservoir.reservoir_id.clone(),
            per_day: 24_000.0 * ln_g.exp() / true_kg,
            day: 0.0,
            wander: standard_normal(&mut rng),
            leak: None,
            repairs: Vec::new(),
            gains: Vec::new(),
        };
        let mut level = 60.0 + 60.0 * uniform(&mut rng);
        path.live(
            &mut level,
            (start, history_days),
            making,
            &mut rng,
            (&mut samples, &mut runs),
        );
        let month: f64 = path.gains.iter().rev().take(30 * PER_DAY).sum::<f64>() / 30.0;
        let repairs = std::mem::take(&mut path.repairs);
        let passed = path.passes(level, 250.0, 60, making, &mut rng);
        truth.push((month.max(0.0) * true_kg / 24_000.0, level, passed));
        for day in repairs {
            registers.reservoir_events.push(ReservoirEvent {
                reservoir_id: reservoir.reservoir_id.clone(),
                at: start.plus_days(day),
                action: ReservoirAction::LeakRepair,
                volume_l: None,
                oil_type: None,
                water_ppm: None,
                note: None,
            });
        }
        registers.reservoirs.push(reservoir);
    }
    World {
        registers,
        samples,
        runs,
        as_of,
        truth,
    }
}

struct Path {
    id: ReservoirId,
    /// Usual rise, ppm a day.
    per_day: f64,
    day: f64,
    wander: f64,
    /// Factor of a leak, its last day, whether its repair will be written down.
    leak: Option<(f64, f64, bool)>,
    /// Days of written repairs.
    repairs: Vec<f64>,
    /// What came in with each step, ppm.
    gains: Vec<f64>,
}

impl Path {
    fn step(&mut self, level: &mut f64, making: Making, rng: &mut Pcg64) {
        let dt = 1.0 / PER_DAY as f64;
        self.day += dt;
        let rate = self.per_day * self.factor(making, dt, rng);
        let bursts = making.unrest * rate * dt.sqrt() * standard_normal(rng);
        let own = 1.5 * dt.sqrt() * standard_normal(rng);
        self.gains.push(rate * dt + bursts);
        *level = (*level + rate * dt + bursts + own).max(5.0);
    }

    fn factor(&mut self, making: Making, dt: f64, rng: &mut Pcg64) -> f64 {
        if !making.moving {
            return 1.0;
        }
        let keep = (-dt / 15.0_f64).exp();
        self.wander = keep * self.wander + (1.0 - keep * keep).sqrt() * standard_normal(rng);
        if self.leak.is_some_and(|(_, until, _)| until <= self.day) {
            if self.leak.is_some_and(|(_, _, written)| written) {
                self.repairs.push(self.day);
            }
            self.leak = None;
        }
        if self.leak.is_none() && uniform(rng) < 0.4 * dt / 365.25 {
            let until = self.day + 10.0 + 60.0 * uniform(rng);
            let factor = (2.0 + 0.5 * standard_normal(rng)).exp();
            self.leak = Some((factor, until, uniform(rng) < 0.7));
        }
        let season = 0.25 * (self.day / 365.25 * std::f64::consts::TAU).cos();
        let leak = self.leak.map_or(1.0, |(factor, _, _)| factor);
        leak * (season + 0.3 * self.wander).exp()
    }

    fn live(
        &mut self,
        level: &mut f64,
        (start, days): (Stamp, i32),
        making: Making,
        rng: &mut Pcg64,
        (samples, runs): (&mut Vec<Sample>, &mut Vec<Run>),
    ) {
        let mut n = 0;
        for day in 0..days {
            for _ in 0..PER_DAY {
                self.step(level, making, rng);
            }
            let at = start
                .plus_days(f64::from(day) + 1.0)
                .plus_hours(-1.0 - 0.01 * f64::from(day % 7));
            let odds = if making.informative {
                1.0 / 60.0 * (*level / 150.0).powi(2)
            } else {
                1.0 / 45.0
            };
            if uniform(rng) < odds {
                let seen = *level * (1.0 + 0.1 * standard_normal(rng)) + 5.0 * standard_normal(rng);
                samples.push(sample(&self.id, n, at, seen.max(1.0)));
                n += 1;
            }
            // a unit comes for the wettest, now and then
            if *level > 220.0 && uniform(rng) < 0.03 && day + 3 < days {
                let noisy = |level: f64, rng: &mut Pcg64| {
                    (level * (1.0 + 0.12 * standard_normal(rng)) + 17.0 * standard_normal(rng))
                        .max(1.0)
                };
                let dried = 40.0 + 30.0 * uniform(rng);
                let ends = (noisy(*level, rng), noisy(dried, rng));
                let span = (at.plus_hours(0.2), at.plus_hours(0.8));
                runs.push(run(&self.id, n, span, ends));
                *level = dried;
                n += 1;
            }
        }
    }

    fn passes(
        &mut self,
        mut level: f64,
        limit: f64,
        days: usize,
        making: Making,
        rng: &mut Pcg64,
    ) -> bool {
        for _ in 0..days * PER_DAY {
            if level > limit {
                return true;
            }
            self.step(&mut level, making, rng);
        }
        level > limit
    }
}

impl World {
    pub(crate) fn rows(&self) -> Vec<ReservoirRisk> {
        let histories = histories(
            &self.registers,
            &self.samples,
            &self.runs,
            &[],
            &[],
            self.as_of,
        );
        let mut rows = assess(&histories, self.as_of, &config());
        rows.sort_by(|a, b| a.reservoir_id.cmp(&b.reservoir_id));
        rows
    }
}
