//! A second invented fleet, of pumps that age by other laws than `world` and than the stage assumes:
//! wear that gains pace, bases that rise faster than speeds fall, exhaust filters that clog slowly,
//! leaks that grow by fits and starts, water that gathers in the oil and is cooked out again; cold
//! pumps are slow, gauges drift, chambers give off vapour, loads come in jobs, logs jitter. One
//! pump may have two faults at once. Pressures kPa, speeds m³/h, days since the first.

use drydown_physics::saturation;
use drydown_physics::vacuum::pump_water_kg_per_h;
use drydown_quantity::{RunId, Stamp};
use drydown_runs::history::{BarometerBasis, Maintenance, MaintenanceAction, PumpKind, Unit};
use drydown_runs::{Run, StartCurve};
use drydown_stats::rng::{Pcg64, seeded, standard_normal, student_t, uniform};

use super::world::{day_between, day_zero, run, unit, work};
use crate::{Cause, PumpStart, PumpsConfig, fit_start};

pub(super) const DAYS: f64 = 600.0;
/// Runs whose mean vapour is the recent load.
const RECENT_RUNS: usize = 8;

/// What ails a pump from its onset on; any of them together.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Faults {
    pub(super) onset: f64,
    /// ln speed lost per day at day 100 of the fault, and the pace: loss as (day/100)^pace.
    wear: Option<(f64, f64)>,
    /// Base goes as speed to minus this while it wears.
    leak_back: f64,
    /// Gas load in kPa·m³/h after 100 days; comes in steps of some weeks or steadily (pace).
    leak: Option<(f64, f64)>,
    /// ln speed lost per day to a clogging exhaust filter, or at once (days = 0).
    restriction: Option<(f64, bool)>,
    /// How fast water gathers in the pump's oil, share of saturation per day.
    wet: Option<f64>,
}

impl Faults {
    /// Causes at work.
    pub(super) fn causes(&self) -> Vec<Cause> {
        [
            (self.wear.is_some(), Cause::Wear),
            (self.leak.is_some(), Cause::Leak),
            (self.restriction.is_some(), Cause::Restriction),
            (self.wet.is_some(), Cause::WetOil),
        ]
        .into_iter()
        .filter(|(is, _)| *is)
        .map(|(_, cause)| cause)
        .collect()
    }

    /// One fault or two of a pump of a kind; none for two pumps in three.
    fn draw(number: usize, kind: PumpKind, rng: &mut Pcg64) -> Self {
        let mut faults = Self {
            onset: 90.0 + 200.0 * uniform(rng),
            leak_back: 1.0 + 2.0 * uniform(rng),
            ..Self::default()
        };
        let which = uniform(rng);
        let (a, b, c) = (uniform(rng), uniform(rng), uniform(rng));
        if !number.is_multiple_of(3) {
            return faults;
        }
        let wear = Some((0.0035 + 0.006 * a, [1.0, 1.4, 2.0][(3.0 * b) as usize]));
        let leak = Some((120.0 + 400.0 * b, if c < 0.5 { 0.3 } else { 1.0 }));
        let wet = Some(0.015 + 0.03 * c).filter(|_| kind == PumpKind::RotaryVane);
        let restriction = Some((0.2 + 0.2 * a, c < 0.5));
        // Single causes in six of ten, pairs in the rest.
        match (which * 10.0) as usize {
            0 | 1 => faults.wear = wear,
            2 | 3 => faults.leak = leak,
            4 => faults.restriction = restriction,
            5 => (faults.wet, faults.leak) = (wet, leak.filter(|_| wet.is_none())),
            6 | 7 => (faults.wear, faults.leak) = (wear, leak),
            8 => (faults.wear, faults.wet) = (wear, wet),
            _ => (faults.restriction, faults.leak) = (restriction, leak),
        }
        faults
    }

    /// ln speed lost to wear and to what stands in the way, and the leak, on a day.
    fn on(&self, day: f64) -> (f64, f64, f64) {
        let since = day - self.onset;
        if since < 0.0 {
            return (0.0, 0.0, 0.0);
        }
        let worn = self.wear.map_or(0.0, |(per_day, pace)| {
            100.0 * per_day * (since / 100.0).powf(pace)
        });
        let held = self.restriction.map_or(0.0, |(loss, at_once)| {
            loss * if at_once {
                1.0
            } else {
                (since / 60.0).min(4.0)
            }
        });
        let leak = self.leak.map_or(0.0, |(load, pace)| {
            // By fits and starts: every three weeks, or with the days.
            let days = if pace < 1.0 {
                21.0 * (since / 21.0).floor() + 10.0
            } else {
                since
            };
            load * (days / 100.0).powf(pace)
        });
        (worn, held, leak)
    }
}

/// One unit with all its rows.
pub(super) struct Simulated {
    pub(super) unit: Unit,
    pub(super) starts: Vec<PumpStart>,
    pub(super) runs: Vec<Run>,
    pub(super) maintenance: Vec<Maintenance>,
    pub(super) faults: Faults,
    /// Day on which the limit is first passed under the recent load, vent shut; not by wet oil.
    pub(super) crossing: Option<f64>,
}

struct Nature {
    rated_m3h: f64,
    chamber_l: f64,
    ln_speed: f64,
    ageing: f64,
    base_kpa: f64,
    altitude_kpa: f64,
    measured: bool,
    logs_pump_temperature: bool,
    step_s: f64,
    gauge_noise: f64,
    mean_vapour: f64,
    kind: PumpKind,
}

impl Nature {
    fn draw(number: usize, step_s: f64, rng: &mut Pcg64) -> Self {
        let size = [18.0, 30.0, 60.0, 100.0][number % 4];
        Self {
            rated_m3h: size,
            chamber_l: size * (3.5 + 4.0 * uniform(rng)),
            ln_speed: -0.1 + 0.1 * standard_normal(rng),
            ageing: 1.5e-4 + 1.5e-4 * uniform(rng),
            base_kpa: 1.2 + 2.5 * uniform(rng),
            altitude_kpa: 101.325 - 20.0 * uniform(rng).powi(2),
            measured: uniform(rng) < 0.6,
            logs_pump_temperature: uniform(rng) < 0.7,
            step_s,
            gauge_noise: 0.08 + 0.2 * uniform(rng),
            mean_vapour: size / 30.0 * (0.4 * standard_normal(rng)).exp(),
            kind: match number % 10 {
                7 => PumpKind::LiquidRing,
                3 | 6 => PumpKind::Dry,
                _ => PumpKind::RotaryVane,
            },
        }
    }
}

/// What a start finds.
struct Truth {
    at: Stamp,
    speed_m3h: f64,
    base_kpa: f64,
    air_kpa: f64,
    pump_degc: f64,
    ambient_degc: f64,
    idle_h: f64,
    gauge_off_kpa: f64,
    vapour_kpa: f64,
}

/// What changes from run to run beside the faults.
struct Course {
    shared: f64,
    weather_kpa: f64,
    gauge_off_kpa: f64,
    /// Share of saturation in the pump's oil.
    wet: f64,
    job_vapour: f64,
    job_left: usize,
    vapours: Vec<f64>,
}

impl Course {
    fn advance(&mut self, days: f64, rng: &mut Pcg64) {
        let phi: f64 = 0.6f64.powf(days);
        self.shared = phi * self.shared + 0.02 * (1.0 - phi * phi).sqrt() * standard_normal(rng);
        let phi: f64 = 0.7f64.powf(days);
        let news = (1.0 - phi * phi).sqrt() * standard_normal(rng);
        self.weather_kpa = phi * self.weather_kpa + 0.9 * news;
        self.gauge_off_kpa += 0.006 * days.sqrt() * standard_normal(rng);
    }

    /// Wet oils bring water; a long hot run cooks some of it out again.
    fn gather(&mut self, rate: f64, days: f64, hours: f64, rng: &mut Pcg64) {
        let dried = if hours > 60.0 { 0.5 } else { 1.0 };
        self.wet = (self.wet * dried + rate * days * 2.0 * uniform(rng)).min(0.9);
    }

    /// Vapour of the next run, kg/h: jobs of a few runs have their own.
    fn next_vapour(&mut self, mean: f64, rng: &mut Pcg64) -> f64 {
        if self.job_left == 0 {
            self.job_left = 1 + (6.0 * uniform(rng)) as usize;
            self.job_vapour = mean * (0.35 * standard_normal(rng)).exp();
        }
        self.job_left -= 1;
        let vapour = self.job_vapour * (0.2 * standard_normal(rng)).exp();
        self.vapours.push(vapour);
        vapour
    }

    fn recent_vapour(&self) -> f64 {
        let recent = self.vapours.iter().rev().take(RECENT_RUNS);
        recent.clone().sum::<f64>() / recent.len() as f64
    }
}

/// The pump on one day: ln of speed over rated, base of what is tight, leak.
#[derive(Clone, Copy)]
struct Pump {
    ln_speed: f64,
    tight_kpa: f64,
    leak: f64,
}

impl Nature {
    fn pump_on(&self, day: f64, faults: &Faults) -> Pump {
        let (worn, held, leak) = faults.on(day);
        let aged = self.ageing * day;
        Pump {
            ln_speed: self.ln_speed - aged - worn - held,
            tight_kpa: self.base_kpa * (faults.leak_back * worn + 1.5 * aged).exp(),
            leak,
        }
    }

    fn flow_lpm(&self) -> f64 {
        2.5 * self.rated_m3h
    }

    /// Gas of a vapour in kg/h and half the air of the oil, kPa·m³/h.
    fn gas(&self, vapour: f64) -> f64 {
        vapour / pump_water_kg_per_h(1.0, 1.0, 40.0) + self.flow_lpm() * 0.06 * 0.09 * 101.325 * 0.5
    }

    /// What a start finds after so many hours of rest.
    fn start(
        &self,
        (at, idle_h): (Stamp, f64),
        ambient_degc: f64,
        pump: Pump,
        course: &Course,
        rng: &mut Pcg64,
    ) -> Truth {
        let warm = (-idle_h / 2.5).exp();
        let pump_degc = ambient_degc + 4.0 + 45.0 * warm;
        // Cold oil is stiff: two thousandths of the speed for each degree below 50 °C.
        let cold = 0.002 * (50.0 - pump_degc).max(0.0);
        let noise = 0.02 * student_t(rng, 5.0);
        let speed_m3h = self.rated_m3h * (pump.ln_speed + course.shared - cold + noise).exp();
        let seal = if self.kind == PumpKind::LiquidRing {
            0.6 * saturation::pressure_kpa(pump_degc.min(35.0))
        } else {
            0.0
        };
        let oil = course.wet * saturation::pressure_kpa(pump_degc);
        Truth {
            at,
            speed_m3h,
            // Water in the oil holds the pump at its own vapour's pressure.
            base_kpa: pump.tight_kpa.hypot(oil) + seal + pump.leak / speed_m3h,
            air_kpa: self.altitude_kpa + course.weather_kpa,
            pump_degc,
            ambient_degc,
            idle_h,
            gauge_off_kpa: course.gauge_off_kpa,
            vapour_kpa: 2.0 * warm * uniform(rng),
        }
    }
}

/// Plays one unit through its days, logged every so many seconds; what happens is the same at every
/// step of the log.
pub(super) fn play(seed: u64, number: usize, step_s: f64, config: &PumpsConfig) -> Simulated {
    let id = format!("W-{number:03}");
    let mut rng = seeded(seed, &id);
    let mut gauge = seeded(seed, &format!("{id} gauge"));
    let nature = Nature::draw(number, step_s, &mut rng);
    let mut lots = seeded(seed, &format!("{id} faults"));
    let faults = Faults::draw(number, nature.kind, &mut lots);
    let unit = Unit {
        vacuum_pump_m3h: Some(nature.rated_m3h),
        chamber_volume_l: Some(nature.chamber_l),
        ..unit(&id, nature.kind)
    };
    let mut out = Simulated {
        unit,
        starts: Vec::new(),
        runs: Vec::new(),
        maintenance: Vec::new(),
        faults,
        crossing: None,
    };
    let mut day = 4.0 * uniform(&mut rng);
    let mut course = Course {
        shared: 0.0,
        weather_kpa: 0.0,
        gauge_off_kpa: 0.0,
        wet: 0.0,
        job_vapour: nature.mean_vapour,
        job_left: 0,
        vapours: Vec::new(),
    };
    let mut oil_day = 70.0 + 110.0 * uniform(&mut rng);
    let mut rest_days = 2.0;
    let mut before: Option<(f64, f64)> = None;
    let vent_pct = if number.is_multiple_of(2) { 0.0 } else { 4.0 };
    while day < DAYS {
        if day > oil_day {
            let change = work(&id, day - 0.2, MaintenanceAction::PumpOil, None);
            out.maintenance.push(change);
            oil_day = day + 70.0 + 110.0 * uniform(&mut rng);
            course.wet = 0.0;
        }
        let hours = 10.0 + 90.0 * uniform(&mut rng).powi(2);
        course.advance(rest_days, &mut rng);
        let season = (std::f64::consts::TAU * (day - 110.0) / 365.25).sin();
        let ambient_degc = 11.0 + 9.0 * season + 2.0 * standard_normal(&mut rng);
        let pump = nature.pump_on(day, &faults);
        let at = day_zero().plus_days(day);
        let run_id = RunId::from(format!("{id}@{}", at.compact()));
        if let Some(rate) = faults.wet.filter(|_| day > faults.onset) {
            course.gather(rate, rest_days, hours, &mut rng);
        }
        let mut start = |at: Stamp, idle_h: f64, rng: &mut Pcg64| {
            let truth = nature.start((at, idle_h), ambient_degc, pump, &course, rng);
            let curve = curve(&nature, &out.unit, &run_id, &truth, &mut gauge);
            out.starts.push(fit_start(&curve, Some(&out.unit), config));
        };
        start(at, (24.0 * rest_days - 10.0).max(1.0), &mut rng);
        if uniform(&mut rng) < 0.6 {
            let idle_h = 0.2 + 8.0 * uniform(&mut rng).powi(2);
            start(at.plus_hours(0.5 * hours), idle_h, &mut rng);
        }
        let vapour = course.next_vapour(nature.mean_vapour, &mut rng);
        let hot = course.wet * saturation::pressure_kpa(60.0);
        let speed = nature.rated_m3h * (pump.ln_speed + course.shared).exp();
        let gas = (pump.leak + nature.gas(vapour)) / speed;
        let steady = (pump.tight_kpa.hypot(hot) + gas + vent_pct + 1.0)
            * (0.06 * standard_normal(&mut rng)).exp()
            + course.gauge_off_kpa;
        let removed = vapour * hours * (0.05 * standard_normal(&mut rng)).exp();
        out.runs.push(Run {
            flow_lpm: Some(nature.flow_lpm()),
            ambient_kpa: Some(nature.altitude_kpa + course.weather_kpa),
            water_removed_kg: Some(removed),
            vent_open_pct: Some(vent_pct),
            ..run(&out.unit.unit_id, run_id, at, hours, steady.max(1.0))
        });
        let gas = pump.leak + nature.gas(course.recent_vapour());
        let held = pump.tight_kpa + gas / (nature.rated_m3h * pump.ln_speed.exp());
        if out.crossing.is_none() && held > config.limit_kpa {
            let earlier = before.unwrap_or((day, held));
            out.crossing = Some(day_between(earlier, (day, held), config.limit_kpa));
        }
        before = Some((day, held));
        rest_days = hours / 24.0 + 0.4 + 5.0 * uniform(&mut rng).powi(2);
        day += rest_days;
    }
    out
}

fn curve(
    nature: &Nature,
    unit: &Unit,
    run_id: &RunId,
    truth: &Truth,
    rng: &mut Pcg64,
) -> StartCurve {
    let per_s = truth.speed_m3h / 3.6 / nature.chamber_l;
    let believed = if nature.measured {
        truth.air_kpa
    } else {
        nature.altitude_kpa
    };
    let fast = nature.step_s <= 15.0;
    let before_s = if fast {
        0.0
    } else {
        nature.step_s * uniform(rng)
    };
    let until_s = if fast {
        280.0 + 300.0 * uniform(rng)
    } else {
        600.0
    };
    let n = ((until_s - before_s) / nature.step_s) as usize + if fast { 1 } else { 2 };
    let dead_s = if fast { 6.0 * uniform(rng) } else { -before_s };
    let first = if fast { 0.0 } else { -1.0 };
    let seconds: Vec<f64> = (0..n)
        .map(|k| (k as f64 + first) * nature.step_s + 0.02 * nature.step_s * uniform(rng))
        .collect();
    let base = truth.base_kpa;
    let chamber_kpa = seconds
        .iter()
        .map(|t| {
            let since = (t - dead_s).max(0.0);
            // A wet chamber dries while it is pumped.
            let vapour = truth.vapour_kpa * (-since / 200.0).exp();
            let fall = base + vapour + (truth.air_kpa - base - vapour) * (-per_s * since).exp();
            let noise = nature.gauge_noise * standard_normal(rng);
            fall + noise + truth.gauge_off_kpa - truth.air_kpa + believed
        })
        .collect();
    let basis = if nature.measured {
        BarometerBasis::Measured
    } else {
        BarometerBasis::Altitude
    };
    StartCurve {
        unit_id: unit.unit_id.clone(),
        run_id: run_id.clone(),
        started_at: truth.at,
        seconds,
        chamber_kpa,
        ambient_kpa: Some(believed),
        barometer_basis: Some(basis),
        oil_flow_from_s: None,
        vent_open_from_s: None,
        vent_logged: true,
        oil_degc: None,
        vacuum_pump_degc: Some(truth.pump_degc).filter(|_| nature.logs_pump_temperature),
        ambient_degc: Some(truth.ambient_degc),
        step_s: nature.step_s,
        idle_h: Some(truth.idle_h),
    }
}
