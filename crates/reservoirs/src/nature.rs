//! An invented nature for trials: what water in a reservoir may do beyond what the estimators assume.
//!
//! Oil that exchanges water with the air (both ways, drier air in winter), settles what it cannot
//! hold, and gains water by a usual ingress with season, wander and leaks that come, go and are
//! repaired, of which a part runs straight to the bottom; oil of paper-insulated equipment, which
//! follows its paper. Samples come more often where it is wet, from two laboratories with a bias, with
//! bounds; a few carry another reservoir's label. Units are sent to the wettest; one in four has no
//! sensor, the others have an offset of their own.

use drydown_physics::solubility;
use drydown_quantity::{OilType, ReservoirId, SiteId, Stamp};
use drydown_runs::Run;
use drydown_runs::history::{
    Censor, Oil, Registers, Reservoir, ReservoirAction, ReservoirEvent, Sample, Site,
};
use drydown_stats::rng::{Pcg64, index, seeded, standard_normal, uniform};

use crate::world::{oil, plain_reservoir, run, sample};

/// Steps of a day.
const PER_DAY: usize = 4;
const DT: f64 = 1.0 / PER_DAY as f64;
pub(crate) const HORIZON_DAYS: usize = 60;

/// What is true of one reservoir from as_of on if no unit is sent.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Future {
    pub(crate) is_paper: bool,
    pub(crate) passes_limit: bool,
    pub(crate) passes_free: bool,
    pub(crate) level_ppm: f64,
}

/// A fleet, what is known of it, and what will be.
#[derive(Debug)]
pub(crate) struct Invented {
    pub(crate) registers: Registers,
    pub(crate) samples: Vec<Sample>,
    pub(crate) runs: Vec<Run>,
    pub(crate) as_of: Stamp,
    /// In the register's order.
    pub(crate) futures: Vec<Future>,
}

/// One reservoir as nature has it.
struct Body {
    is_paper: bool,
    /// ppm a day.
    usual: f64,
    season: f64,
    wander_sd: f64,
    wander_days: f64,
    /// Exchange with the air or the paper, 1/d, and the content in balance, ppm.
    exchange: f64,
    balance: f64,
    solubility: f64,
    limit: f64,
    mid: f64,
    settled: f64,
    wander: f64,
    /// Factor, last day, whether the repair is written down.
    leak: Option<(f64, f64, bool)>,
    day: f64,
}

fn lognormal(median: f64, sd: f64, rng: &mut Pcg64) -> f64 {
    median * (sd * standard_normal(rng)).exp()
}

impl Body {
    fn oil(limit: f64, solubility: f64, (site, open): (f64, bool), rng: &mut Pcg64) -> Self {
        Self {
            is_paper: false,
            usual: lognormal(limit / 400.0, 0.9, rng) * site,
            season: 0.1 + 0.3 * uniform(rng),
            wander_sd: lognormal(0.3, 0.3, rng),
            wander_days: lognormal(12.0, 0.6, rng),
            exchange: if open {
                lognormal(0.003, 0.6, rng)
            } else {
                0.0
            },
            // 60 % of saturation in air at 25 °C over oil at 45 °C is a fifth of saturation there
            balance: lognormal(0.2 * solubility, 0.3, rng),
            solubility,
            limit,
            mid: lognormal(0.45 * limit, 0.4, rng),
            settled: 0.0,
            wander: standard_normal(rng),
            leak: None,
            day: 0.0,
        }
    }

    fn paper(limit: f64, solubility: f64, rng: &mut Pcg64) -> Self {
        let balance = lognormal(0.55 * limit, 0.4, rng);
        Self {
            is_paper: true,
            usual: lognormal(limit / 600.0, 0.5, rng),
            season: 0.15 + 0.25 * uniform(rng),
            wander_sd: 0.08,
            wander_days: 10.0,
            exchange: 1.0 / lognormal(14.0, 0.4, rng),
            balance,
            mid: balance,
            ..Self::oil(limit, solubility, (1.0, false), rng)
        }
    }

    /// −1 in mid winter, +1 in mid summer.
    fn summer(&self) -> f64 {
        -(self.day / 365.25 * std::f64::consts::TAU).cos()
    }

    /// A step of rest; a leak that ends with a written repair is told.
    fn step(&mut self, rng: &mut Pcg64) -> bool {
        self.day += DT;
        let keep = (-DT / self.wander_days).exp();
        self.wander = keep * self.wander + (1.0 - keep * keep).sqrt() * standard_normal(rng);
        let moved = (self.season * self.summer() + self.wander_sd * self.wander).exp();
        let share = 1.0 - (-self.exchange * DT).exp();
        let ended = self.leak.is_some_and(|(_, until, _)| until <= self.day);
        let written = ended && self.leak.is_some_and(|(_, _, written)| written);
        if ended {
            self.leak = None;
        }
        if self.leak.is_none() && uniform(rng) < 0.35 * DT / 365.25 {
            let until = self.day + 10.0 + 60.0 * uniform(rng);
            self.leak = Some((lognormal(7.0, 0.6, rng), until, uniform(rng) < 0.7));
        }
        let leak = self.leak.map_or(1.0, |(factor, _, _)| factor);
        if self.is_paper {
            // the paper takes up what usually comes in; a leak is more than it can at once
            let leaked = self.usual * (leak - 1.0) * DT;
            self.mid += leaked + (self.balance * moved - self.mid) * share;
            return written;
        }
        let gained = self.usual * moved * leak * DT;
        let sinks = if leak > 1.0 { 0.4 } else { 0.0 };
        let air = self.balance * (1.0 + 0.3 * self.summer());
        self.mid += gained * (1.0 - sinks) + (air - self.mid) * share;
        self.settled += gained * sinks;
        let above = (self.mid - self.solubility).max(0.0);
        let dropped = 0.7 * above;
        let dry = (1.0 - self.mid / self.solubility).max(0.0);
        let dissolved = self.settled * dry * (1.0 - (-0.08 * DT).exp());
        self.mid += dissolved - dropped;
        self.settled += dropped - dissolved;
        written
    }
}

/// The people around one reservoir.
struct Habits {
    lab: usize,
    /// Mean days between samples.
    every_days: f64,
    /// First day with a sample.
    from_day: f64,
}

fn insulating_oil() -> Oil {
    Oil {
        oil_type: OilType::from("INS"),
        family: Some("mineral_insulating".to_owned()),
        // a mineral insulating oil; from memory
        solubility_a: Some(7.09),
        solubility_b_k: Some(1567.0),
        ..oil()
    }
}

struct Making<'a> {
    rng: &'a mut Pcg64,
    start: Stamp,
    days: usize,
    lab_bias: [f64; 2],
    sensor_offset: Vec<f64>,
    fleet: &'a mut Invented,
}

/// A fleet of `n` reservoirs.
pub(crate) fn invent(seed: u64, n: usize) -> Invented {
    let mut rng = seeded(seed, "nature");
    let start: Stamp = "2025-01-01".parse().unwrap();
    let days = 300 + index(&mut rng, 240);
    let mut fleet = Invented {
        registers: Registers {
            oils: vec![oil(), insulating_oil()],
            ..Registers::default()
        },
        samples: Vec::new(),
        runs: Vec::new(),
        as_of: start.plus_days(days as f64),
        futures: Vec::new(),
    };
    let sites: Vec<f64> = (0..6).map(|_| lognormal(1.0, 0.3, &mut rng)).collect();
    for site in 0..sites.len() {
        fleet.registers.sites.push(Site {
            site_id: SiteId::from(format!("S-{site}")),
            name: None,
            altitude_m: None,
            timezone: None,
        });
    }
    let lab_bias = [0.05, 0.05].map(|sd| sd * standard_normal(&mut rng));
    let sensor_offset = (0..12).map(|_| 0.012 * standard_normal(&mut rng)).collect();
    let mut making = Making {
        rng: &mut rng,
        start,
        days,
        lab_bias,
        sensor_offset,
        fleet: &mut fleet,
    };
    for idx in 0..n {
        let site = idx % sites.len();
        let future = making.live(&format!("R-{idx:03}"), (site, sites[site]));
        making.fleet.futures.push(future);
    }
    making.swap_labels();
    fleet
}

impl Making<'_> {
    fn live(&mut self, id: &str, (site, wet): (usize, f64)) -> Future {
        let rng = &mut *self.rng;
        let is_paper = uniform(rng) < 0.2;
        let mut reservoir = plain_reservoir(id);
        reservoir.site_id = Some(SiteId::from(format!("S-{site}")));
        reservoir.volume_l = Some(lognormal(4000.0, 0.7, rng));
        let at_45 = if is_paper {
            reservoir.service = Some("transformer".to_owned());
            reservoir.oil_type = Some(OilType::from("INS"));
            reservoir.paper_insulated = Some(true);
            reservoir.coldest_oil_degc = Some(10.0 + 8.0 * uniform(rng));
            reservoir.water_limit_ppm = Some([20.0, 30.0, 40.0][index(rng, 3)]);
            solubility::ppm(7.09, 1567.0, 45.0)
        } else {
            reservoir.coldest_oil_degc = Some(15.0 + 20.0 * uniform(rng));
            reservoir.water_limit_ppm = Some([150.0, 250.0, 400.0][index(rng, 3)]);
            solubility::ppm(8.2, 1700.0, 45.0)
        };
        let limit = reservoir.water_limit_ppm.unwrap();
        let open = uniform(rng) < 0.5;
        reservoir.breather = Some(if open { "open" } else { "desiccant" }.to_owned());
        let mut body = if is_paper {
            Body::paper(limit, at_45, rng)
        } else {
            Body::oil(limit, at_45, (wet, open), rng)
        };
        let few = uniform(rng) < 0.2;
        let habits = Habits {
            lab: index(rng, 2),
            every_days: if few {
                250.0
            } else {
                lognormal(30.0, 0.4, rng)
            },
            from_day: 100.0 * uniform(rng),
        };
        for day in 0..self.days {
            for _ in 0..PER_DAY {
                if body.step(self.rng) {
                    self.event(&reservoir, body.day, ReservoirAction::LeakRepair, None);
                }
            }
            self.day(&reservoir, &mut body, &habits, day);
        }
        let cold = reservoir.coldest_oil_degc.unwrap();
        // an oil in use is not quite the register's
        let off = lognormal(1.0, 0.08, self.rng);
        let free = off
            * if is_paper {
                solubility::ppm(7.09, 1567.0, cold)
            } else {
                solubility::ppm(8.2, 1700.0, cold)
            };
        self.fleet.registers.reservoirs.push(reservoir);
        self.play(body, free)
    }

    /// The horizon without a unit.
    fn play(&mut self, mut body: Body, free: f64) -> Future {
        let mut future = Future {
            is_paper: body.is_paper,
            passes_limit: body.mid > body.limit,
            passes_free: body.mid + body.settled > free,
            level_ppm: body.mid,
        };
        for _ in 0..HORIZON_DAYS * PER_DAY {
            body.step(self.rng);
            future.passes_limit |= body.mid > body.limit;
            future.passes_free |= body.mid + body.settled > free;
        }
        future
    }

    fn event(
        &mut self,
        reservoir: &Reservoir,
        day: f64,
        action: ReservoirAction,
        volume_l: Option<f64>,
    ) {
        self.fleet.registers.reservoir_events.push(ReservoirEvent {
            reservoir_id: reservoir.reservoir_id.clone(),
            at: self.start.plus_days(day),
            action,
            volume_l,
            oil_type: None,
            water_ppm: None,
            note: None,
        });
    }

    /// What people do on one day.
    fn day(&mut self, reservoir: &Reservoir, body: &mut Body, habits: &Habits, day: usize) {
        let id = &reservoir.reservoir_id;
        let wet = (body.mid + body.settled) / body.limit;
        let at = self.start.plus_days(body.day).plus_hours(-2.3);
        let eager = if wet > 0.8 { 2.5 } else { 1.0 };
        let due = uniform(self.rng) < eager / habits.every_days;
        if due && body.day > habits.from_day {
            self.sample(id, body, habits, at);
        }
        if uniform(self.rng) < 1.0 / 120.0 {
            let share = 0.005 + 0.015 * uniform(self.rng);
            body.mid += share * (0.4 * body.limit - body.mid);
            let volume = reservoir.volume_l.map(|v| share * v);
            self.event(reservoir, body.day, ReservoirAction::TopUp, volume);
        }
        let comes = uniform(self.rng) < 0.004 * wet.clamp(0.05, 6.0).powi(2);
        if comes && day + 5 < self.days {
            self.unit(id, body, at);
        }
    }

    fn sample(&mut self, id: &ReservoirId, body: &Body, habits: &Habits, at: Stamp) {
        let rng = &mut *self.rng;
        let lab = if uniform(rng) < 0.1 {
            1 - habits.lab
        } else {
            habits.lab
        };
        let cv = [0.08, 0.12][lab];
        let seen = body.mid * (cv * standard_normal(rng) + self.lab_bias[lab]).exp();
        let lowest = if body.is_paper { 6.0 } else { 25.0 };
        let n = self.fleet.samples.len();
        let mut row = sample(id, n, at, seen.max(lowest).round());
        row.lab = format!("L-{lab}");
        row.sample_degc = Some((45.0 + 2.0 * standard_normal(rng)).round());
        if seen < lowest {
            row.water_censor = Some(Censor::Below);
        }
        self.fleet.samples.push(row);
    }

    /// A unit dries for two or three days.
    fn unit(&mut self, id: &ReservoirId, body: &mut Body, at: Stamp) {
        let rng = &mut *self.rng;
        let unit = index(rng, 12);
        let left = 0.15 + 0.3 * uniform(rng);
        let offset = self.sensor_offset[unit] * 1.6 * body.solubility;
        let mut shown = |ppm: f64| (ppm * (1.0 + 0.04 * standard_normal(rng)) + offset).max(0.0);
        let (first, last) = (shown(body.mid), shown(left * body.mid));
        body.mid *= left;
        body.settled *= left;
        let n = self.fleet.runs.len();
        let span = (at.plus_hours(1.0), at.plus_hours(2.0));
        let mut row = run(id, n, span, (first, last));
        if unit.is_multiple_of(4) {
            (row.water_first_ppm, row.water_last_ppm) = (None, None);
        }
        self.fleet.runs.push(row);
    }

    /// A few labels carry the name of another reservoir.
    fn swap_labels(&mut self) {
        let n = self.fleet.registers.reservoirs.len();
        for row in &mut self.fleet.samples {
            if uniform(self.rng) < 0.004 {
                let other = &self.fleet.registers.reservoirs[index(self.rng, n)];
                row.reservoir_id = Some(other.reservoir_id.clone());
            }
        }
        let key = |event: &ReservoirEvent| (event.reservoir_id.clone(), event.at);
        self.fleet.registers.reservoir_events.sort_by_key(key);
    }
}
