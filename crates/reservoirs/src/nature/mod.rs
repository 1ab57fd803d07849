//! An invented nature for trials: what water in a reservoir may do beyond what the estimators assume.
//!
//! Oil that exchanges water with the air (both ways, drier air in winter), settles what it cannot
//! hold at once or keeps it emulsified for weeks, is saturated below or above its limit, and gains water by a usual ingress with season, wander and leaks that come, go and are
//! repaired, of which a part runs straight to the bottom; oil of paper-insulated equipment, which
//! follows its paper. Samples come more often where it is wet, from two laboratories with a bias, with
//! bounds; a few carry another reservoir's label. Units are sent to the wettest; one in four has no
//! sensor, the others have an offset of their own.

use drydown_physics::solubility;
use drydown_quantity::{OilType, ReservoirId, SiteId, Stamp, UnitId};
use drydown_runs::Run;
use drydown_runs::history::{
    Censor, Oil, Registers, Reservoir, ReservoirAction, ReservoirEvent, Sample, Site,
};
use drydown_stats::rng::{Pcg64, index, seeded, standard_normal, uniform};

use crate::world::{oil, plain_reservoir, run, sample};

mod body;

pub(crate) use body::{Body, Kind, lognormal};

/// Steps of a day.
const PER_DAY: usize = 4;
const DT: f64 = 1.0 / PER_DAY as f64;
pub(crate) const HORIZON_DAYS: usize = 60;
/// Days over which the recent ingress is summed.
const RECENT_DAYS: usize = 30;

/// What is true of one reservoir from as_of on if no unit is sent.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Future {
    pub(crate) is_paper: bool,
    /// Whether a sample of saturated oil reads less than the limit.
    pub(crate) saturates: bool,
    pub(crate) passes_limit: bool,
    /// Days until then; the horizon where it never does.
    pub(crate) days_to_limit: f64,
    pub(crate) passes_free: bool,
    pub(crate) level_ppm: f64,
    /// What came in over the last thirty days net of what the air took, g/h.
    pub(crate) ingress_g_per_h: f64,
}

/// A fleet, what is known of it, and what will be.
#[derive(Debug)]
pub(crate) struct Invented {
    pub(crate) registers: Registers,
    pub(crate) samples: Vec<Sample>,
    pub(crate) runs: Vec<Run>,
    pub(crate) as_of: Stamp,
    pub(crate) start: Stamp,
    /// In the register's order.
    pub(crate) futures: Vec<Future>,
    /// The same order: what a filter that knows the nature is told.
    pub(crate) kinds: Vec<Kind>,
    pub(crate) laws: People,
}

/// What is constant about laboratories and sensors.
#[derive(Clone, Debug, Default)]
pub(crate) struct People {
    /// ln of each laboratory's bias.
    pub(crate) lab_bias: [f64; 2],
    /// What the sensor of each unit is off, in activity of warm oil.
    pub(crate) sensor_offset: Vec<f64>,
}

/// Coefficient of variation of each laboratory.
pub(crate) const LAB_CV: [f64; 2] = [0.08, 0.12];
/// Coefficient of variation of a sensor.
pub(crate) const SENSOR_CV: f64 = 0.04;
/// What a run leaves of the water, equally likely.
pub(crate) const LEFT: (f64, f64) = (0.15, 0.45);
/// Share of samples that carry another reservoir's label.
pub(crate) const SWAPPED: f64 = 0.004;
/// Water of new oil over the limit.
pub(crate) const NEW_OIL: f64 = 0.4;

type InventedOil = (&'static str, &'static str, f64, f64, bool, [f64; 3]);

/// The oils: name, family, constants of solubility, whether it emulsifies, limits; the last is insulating.
/// A turbine oil is saturated near its limit; constants from memory or made up, within what such oils have.
const OILS: [InventedOil; 4] = [
    (
        "HLP",
        "mineral_hydraulic",
        8.2,
        1700.0,
        true,
        [150.0, 250.0, 400.0],
    ),
    (
        "TUR",
        "mineral_turbine",
        7.70,
        1713.6,
        false,
        [100.0, 150.0, 250.0],
    ),
    (
        "GER",
        "mineral_gear",
        8.05,
        1709.0,
        true,
        [250.0, 400.0, 600.0],
    ),
    (
        "INS",
        "mineral_insulating",
        7.09,
        1567.0,
        false,
        [20.0, 30.0, 40.0],
    ),
];

/// The people around one reservoir.
struct Habits {
    lab: usize,
    /// Mean days between samples.
    every_days: f64,
    /// First day with a sample.
    from_day: f64,
    /// The last result, or what a unit left; before any, what is usual.
    last_ppm: f64,
}

fn register_oil((name, family, a, b_k, _, _): InventedOil) -> Oil {
    Oil {
        oil_type: OilType::from(name),
        family: Some(family.to_owned()),
        solubility_a: Some(a),
        solubility_b_k: Some(b_k),
        ..oil()
    }
}

struct Making<'a> {
    rng: &'a mut Pcg64,
    start: Stamp,
    days: usize,
    fleet: &'a mut Invented,
}

/// A fleet of `n` reservoirs.
pub(crate) fn invent(seed: u64, n: usize) -> Invented {
    let mut rng = seeded(seed, "nature");
    let start: Stamp = "2025-01-01".parse().unwrap();
    let days = 300 + index(&mut rng, 240);
    let mut fleet = Invented {
        registers: Registers {
            oils: OILS.map(register_oil).to_vec(),
            ..Registers::default()
        },
        samples: Vec::new(),
        runs: Vec::new(),
        as_of: start.plus_days(days as f64),
        start,
        futures: Vec::new(),
        kinds: Vec::new(),
        laws: People {
            lab_bias: [0.05, 0.05].map(|sd| sd * standard_normal(&mut rng)),
            sensor_offset: (0..12).map(|_| 0.012 * standard_normal(&mut rng)).collect(),
        },
    };
    let sites: Vec<f64> = (0..6).map(|_| lognormal(1.0, 0.3, &mut rng)).collect();
    fleet
        .registers
        .oils
        .sort_by(|a, b| a.oil_type.cmp(&b.oil_type));
    for site in 0..sites.len() {
        fleet.registers.sites.push(Site {
            site_id: SiteId::from(format!("S-{site}")),
            name: None,
            altitude_m: None,
            timezone: None,
        });
    }
    let mut making = Making {
        rng: &mut rng,
        start,
        days,
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
        let oil = if uniform(rng) < 0.2 {
            OILS.len() - 1
        } else {
            index(rng, OILS.len() - 1)
        };
        let (name, _, a, b_k, emulsifies, limits) = OILS[oil];
        let is_paper = name == "INS";
        let mut reservoir = plain_reservoir(id);
        reservoir.site_id = Some(SiteId::from(format!("S-{site}")));
        reservoir.oil_type = Some(OilType::from(name));
        reservoir.volume_l = Some(lognormal(4000.0, 0.7, rng));
        if is_paper {
            reservoir.service = Some("transformer".to_owned());
            reservoir.paper_insulated = Some(true);
            reservoir.coldest_oil_degc = Some(10.0 + 8.0 * uniform(rng));
        } else {
            reservoir.service = Some(["hydraulic", "turbine", "gear"][oil].to_owned());
            reservoir.coldest_oil_degc = Some(15.0 + 20.0 * uniform(rng));
        }
        reservoir.water_limit_ppm = Some(limits[index(rng, 3)]);
        let open = uniform(rng) < 0.5;
        reservoir.breather = Some(if open { "open" } else { "desiccant" }.to_owned());
        let kind = Kind {
            is_paper,
            emulsifies,
            open: open && !is_paper,
            limit: reservoir.water_limit_ppm.unwrap(),
            solubility: solubility::ppm(a, b_k, WARM_DEGC),
            site: wet,
        };
        let mut body = Body::draw(kind, rng);
        let few = uniform(rng) < 0.2;
        let mut habits = Habits {
            lab: index(rng, 2),
            every_days: if few {
                250.0
            } else {
                lognormal(30.0, 0.4, rng)
            },
            from_day: 100.0 * uniform(rng),
            last_ppm: 0.45 * kind.limit,
        };
        let mut recent = 0.0;
        for day in 0..self.days {
            for _ in 0..PER_DAY {
                let (written, gained, _) = body.step(DT, None, self.rng);
                if day + RECENT_DAYS >= self.days {
                    recent += gained / RECENT_DAYS as f64;
                }
                if written {
                    self.event(&reservoir, body.day, ReservoirAction::LeakRepair, None);
                }
            }
            self.day(&reservoir, &mut body, &mut habits, day);
        }
        let oil_kg = 0.87 * reservoir.volume_l.unwrap() * lognormal(1.0, 0.05, self.rng);
        let cold = reservoir.coldest_oil_degc.unwrap();
        let cold = solubility::ppm(a, b_k, cold) / kind.solubility * body.solubility;
        self.fleet.registers.reservoirs.push(reservoir);
        self.fleet.kinds.push(kind);
        let passage = play(body, cold, DT, self.rng);
        Future {
            is_paper,
            saturates: !is_paper && body.solubility < body.limit,
            passes_limit: passage.limit_days.is_some(),
            days_to_limit: passage.limit_days.unwrap_or(HORIZON_DAYS as f64),
            passes_free: passage.free,
            level_ppm: body.mid,
            ingress_g_per_h: recent * oil_kg / 24_000.0,
        }
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
    fn day(&mut self, reservoir: &Reservoir, body: &mut Body, habits: &mut Habits, day: usize) {
        let id = &reservoir.reservoir_id;
        // people go by the last result as much as by what they see
        let true_wet = (body.mid + body.settled) / body.limit;
        let wet = 0.5 * (true_wet + habits.last_ppm / body.limit);
        let at = self.start.plus_days(body.day).plus_hours(-2.3);
        let eager = if wet > 0.8 { 2.5 } else { 1.0 };
        let due = uniform(self.rng) < eager / habits.every_days;
        if due && body.day > habits.from_day {
            habits.last_ppm = self.sample(id, body, habits, at);
        }
        if uniform(self.rng) < 1.0 / 120.0 {
            let share = 0.005 + 0.015 * uniform(self.rng);
            body.top_up(share, NEW_OIL * body.limit);
            let volume = reservoir.volume_l.map(|v| share * v);
            self.event(reservoir, body.day, ReservoirAction::TopUp, volume);
        }
        if !body.is_paper && uniform(self.rng) < 1.0 / 250.0 {
            body.drain();
            self.event(reservoir, body.day, ReservoirAction::BottomDrain, None);
        }
        let comes = uniform(self.rng) < 0.004 * wet.clamp(0.05, 6.0).powi(2);
        if comes && day + 5 < self.days {
            self.unit(id, body, at);
            habits.last_ppm = body.mid;
        }
    }

    fn sample(&mut self, id: &ReservoirId, body: &Body, habits: &Habits, at: Stamp) -> f64 {
        let rng = &mut *self.rng;
        let lab = if uniform(rng) < 0.1 {
            1 - habits.lab
        } else {
            habits.lab
        };
        let bias = self.fleet.laws.lab_bias[lab];
        let seen = body.mid * (LAB_CV[lab] * standard_normal(rng) + bias).exp();
        let lowest = lowest_ppm(body.is_paper);
        let n = self.fleet.samples.len();
        let mut row = sample(id, n, at, seen.max(lowest).round());
        row.lab = format!("L-{lab}");
        row.sample_degc = Some((WARM_DEGC + 2.0 * standard_normal(rng)).round());
        if seen < lowest {
            row.water_censor = Some(Censor::Below);
        }
        self.fleet.samples.push(row);
        seen
    }

    /// A unit dries for two or three days.
    fn unit(&mut self, id: &ReservoirId, body: &mut Body, at: Stamp) {
        let rng = &mut *self.rng;
        let unit = index(rng, 12);
        let left = LEFT.0 + (LEFT.1 - LEFT.0) * uniform(rng);
        let offset = self.fleet.laws.offset_ppm(unit, body.solubility);
        let mut shown =
            |ppm: f64| (ppm * (1.0 + SENSOR_CV * standard_normal(rng)) + offset).max(0.0);
        let (first, last) = (shown(body.mid), shown(left * body.mid));
        body.dry(left);
        let n = self.fleet.runs.len();
        let span = (at.plus_hours(1.0), at.plus_hours(2.0));
        let mut row = run(id, n, span, (first, last));
        row.unit_id = UnitId::from(format!("U-{unit}"));
        if unit.is_multiple_of(4) {
            (row.water_first_ppm, row.water_last_ppm) = (None, None);
        }
        self.fleet.runs.push(row);
    }

    /// A few labels carry the name of another reservoir.
    fn swap_labels(&mut self) {
        let n = self.fleet.registers.reservoirs.len();
        for row in &mut self.fleet.samples {
            if uniform(self.rng) < SWAPPED {
                let other = &self.fleet.registers.reservoirs[index(self.rng, n)];
                row.reservoir_id = Some(other.reservoir_id.clone());
            }
        }
        let key = |event: &ReservoirEvent| (event.reservoir_id.clone(), event.at);
        self.fleet.registers.reservoir_events.sort_by_key(key);
    }
}

/// Whether and when a reservoir passes its limit, and whether water drops out at its coldest.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Passage {
    pub(crate) limit_days: Option<f64>,
    pub(crate) free: bool,
}

/// The horizon without a unit, in steps of some days; `cold`: what the oil holds where it is coldest.
pub(crate) fn play(mut body: Body, cold: f64, dt: f64, rng: &mut Pcg64) -> Passage {
    let mut limit_days = (body.mid > body.limit).then_some(0.0);
    let mut free = body.mid + body.settled > cold;
    let steps = (HORIZON_DAYS as f64 / dt).round() as usize;
    for step in 0..steps {
        body.step(dt, None, rng);
        if limit_days.is_none() && body.mid > body.limit {
            limit_days = Some((step + 1) as f64 * dt);
        }
        free |= body.mid + body.settled > cold;
    }
    Passage { limit_days, free }
}

impl People {
    /// What a unit's sensor is off in oil at work, ppm; `solubility` of the oil where it is warm.
    pub(crate) fn offset_ppm(&self, unit: usize, solubility: f64) -> f64 {
        self.sensor_offset[unit] * 1.6 * solubility
    }
}

/// What a laboratory calls "less than".
pub(crate) fn lowest_ppm(is_paper: bool) -> f64 {
    if is_paper { 6.0 } else { 25.0 }
}

/// Temperature of oil in service, °C.
pub(crate) const WARM_DEGC: f64 = 45.0;
