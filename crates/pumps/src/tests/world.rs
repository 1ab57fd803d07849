//! An invented fleet of pumps: speeds, bases, weather and loads known; curves as a gauge would log them.
//!
//! Noise is correlated in time and seasonal. Some restarts find a warm chamber whose vapour lifts
//! the base; seal water limits liquid-ring pumps; leak-back grows with sound wear; oil is changed
//! every few months; a third of the units is moved to a higher site.

use drydown_quantity::{RunId, SiteId, Stamp, UnitId};
use drydown_runs::history::{
    BarometerBasis, Maintenance, MaintenanceAction, PumpKind, Registers, Unit,
};
use drydown_runs::{Run, StartCurve};
use drydown_stats::rng::{Pcg64, seeded, standard_normal, student_t, uniform};

pub(super) use super::faults::Fault;
use super::faults::state_on;
use super::gaining::opened_kpa;
use crate::{PumpStart, PumpsConfig, fit_start};

pub(super) const RATED_M3H: f64 = 30.0;
pub(super) const CHAMBER_L: f64 = 150.0;
pub(super) const DAYS: f64 = 540.0;

pub(super) fn day_zero() -> Stamp {
    "2025-01-10".parse().unwrap()
}

/// One unit with all its rows.
pub(super) struct Simulated {
    pub(super) unit: Unit,
    pub(super) starts: Vec<PumpStart>,
    pub(super) runs: Vec<Run>,
    pub(super) maintenance: Vec<Maintenance>,
    pub(super) fault: Fault,
    /// Exponent with which the base grows while wear lowers the speed.
    pub(super) leak_back: f64,
    path: Vec<Passed>,
}

/// One run in truth.
#[derive(Clone, Copy, Debug)]
pub(super) struct Passed {
    pub(super) day: f64,
    /// ln of speed over rated, and base apart from any leak.
    pub(super) ln_speed: f64,
    pub(super) tight_kpa: f64,
    /// Vapour, kg/h.
    pub(super) vapour: f64,
}

/// Runs whose mean vapour makes the load.
pub(super) const RECENT_RUNS: usize = 5;
/// Standard deviation of the logarithm of a run's vapour load about 1 kg/h.
pub(super) const VAPOUR_SD: f64 = 0.3;

impl Simulated {
    /// The last run before a day, and those before it; the first run where there is none.
    pub(super) fn passed(&self, day: f64) -> &[Passed] {
        let n = self.path.partition_point(|run| run.day <= day);
        &self.path[..n.max(1)]
    }

    /// First day on which the pump could not hold a pressure under the load of its recent runs, vent
    /// shut: it gets there between two runs.
    pub(super) fn crossing(&self, limit_kpa: f64) -> Option<f64> {
        let held = |n: usize| {
            let leak = state_on(self.fault, self.path[n - 1].day).1;
            held_kpa(&self.path[..n], leak)
        };
        let n = (1..=self.path.len()).find(|n| held(*n) > limit_kpa)?;
        if n == 1 {
            return Some(self.path[0].day);
        }
        let between = (self.path[n - 2].day, held(n - 1));
        Some(day_between(
            between,
            (self.path[n - 1].day, held(n)),
            limit_kpa,
        ))
    }
}

/// What the pump holds at the last of some runs under the load of the recent ones and a leak, kPa.
pub(super) fn held_kpa(runs: &[Passed], leak: f64) -> f64 {
    let last = runs[runs.len() - 1];
    last.tight_kpa + (leak + recent_load(runs)) / (RATED_M3H * last.ln_speed.exp())
}

/// Day on which a pressure known on two days passes one between them.
pub(super) fn day_between(before: (f64, f64), after: (f64, f64), kpa: f64) -> f64 {
    let share = (kpa - before.1) / (after.1 - before.1);
    before.0 + share.clamp(0.0, 1.0) * (after.0 - before.0)
}

/// Gas of the mean vapour of the last runs of some, kPa·m³/h.
pub(super) fn recent_load(runs: &[Passed]) -> f64 {
    let last = runs.iter().rev().take(RECENT_RUNS);
    load_of(last.clone().map(|run| run.vapour).sum::<f64>() / last.count() as f64)
}

/// What water in a pump's oil adds to its base on a day, kPa.
fn wet_kpa(fault: Fault, day: f64, pump_degc: f64) -> f64 {
    match fault {
        Fault::WetOil(from, days, share) if day >= from && day < from + days => {
            share * drydown_physics::saturation::pressure_kpa(pump_degc)
        }
        _ => 0.0,
    }
}

/// Air and vapour of a run, kPa·m³/h: vapour in kg/h at 40 °C, half the air in 75 L/min.
pub(super) fn load_of(vapour: f64) -> f64 {
    vapour / drydown_physics::vacuum::pump_water_kg_per_h(1.0, 1.0, 40.0)
        + 75.0 * 0.06 * 0.09 * 101.325 * 0.5
}

pub(super) fn unit(id: &str, kind: PumpKind) -> Unit {
    Unit {
        unit_id: id.into(),
        size_class: None,
        nameplate_flow_lpm: Some(75.0),
        heater_rated_kw: None,
        vacuum_pump_m3h: Some(RATED_M3H),
        vacuum_pump_kind: Some(kind),
        chamber_volume_l: Some(CHAMBER_L),
        commissioned_on: None,
        home_site_id: Some(SiteId::from("S")),
        water_sensor_place: None,
        oil_families_allowed: Vec::new(),
        insulating_oil_ready: None,
    }
}

/// What a unit is like, apart from its fault.
struct Nature {
    own: f64,
    base_kpa: f64,
    /// Barometer of the altitude, kPa, and whether it is measured.
    barometer_kpa: f64,
    measured: bool,
    heavy: bool,
    step_s: f64,
    drift: f64,
    kind: PumpKind,
}

impl Nature {
    fn draw(number: usize, rng: &mut Pcg64) -> Self {
        let own = -0.05 + 0.08 * standard_normal(rng);
        let (kind, typical_kpa) = match number % 6 {
            5 => (PumpKind::LiquidRing, 5.5),
            3 => (PumpKind::Dry, 3.5),
            _ => (PumpKind::RotaryVane, 2.0 + 2.0 * uniform(rng)),
        };
        Self {
            own,
            base_kpa: (typical_kpa + 0.4 * standard_normal(rng)).max(0.8),
            barometer_kpa: 101.325 - 16.0 * uniform(rng),
            measured: number.is_multiple_of(2),
            heavy: number.is_multiple_of(4),
            step_s: if number.is_multiple_of(5) { 10.0 } else { 5.0 },
            drift: 2e-4 * (0.4 * standard_normal(rng)).exp(),
            kind,
        }
    }

    /// Scatter of ln speed from start to start.
    fn start_noise(&self, rng: &mut Pcg64) -> f64 {
        if self.heavy {
            0.018 * student_t(rng, 5.0)
        } else {
            0.02 * standard_normal(rng)
        }
    }

    /// What seal water at a pump's temperature adds to the base, kPa.
    fn seal_kpa(&self, pump_degc: f64) -> f64 {
        match self.kind {
            PumpKind::LiquidRing => {
                0.3 * (drydown_physics::saturation::pressure_kpa(pump_degc) - 2.3)
            }
            _ => 0.0,
        }
    }
}

/// One start in truth.
#[derive(Clone, Copy)]
struct Truth {
    at: Stamp,
    speed_m3h: f64,
    base_kpa: f64,
    air_degc: f64,
    pump_degc: f64,
    /// Barometer by the site's altitude, and the weather around it, kPa.
    altitude_kpa: f64,
    weather_kpa: f64,
    idle_h: f64,
}

/// Plays one unit through eighteen months, logged every five or ten seconds.
pub(super) fn play(seed: u64, number: usize, fault: Fault, config: &PumpsConfig) -> Simulated {
    play_logged(seed, number, fault, None, config)
}

/// Plays one unit through eighteen months; its starts are logged every so many seconds. What
/// happens is the same at every step of the log.
pub(super) fn play_logged(
    seed: u64,
    number: usize,
    fault: Fault,
    step_s: Option<f64>,
    config: &PumpsConfig,
) -> Simulated {
    let id = format!("U-{number:03}");
    let mut rng = seeded(seed, &id);
    let mut gauge = seeded(seed, &format!("{id} gauge"));
    let mut nature = Nature::draw(number, &mut rng);
    nature.step_s = step_s.unwrap_or(nature.step_s);
    let unit = unit(&id, nature.kind);
    let mut out = Simulated {
        unit,
        starts: Vec::new(),
        runs: Vec::new(),
        maintenance: Vec::new(),
        fault,
        leak_back: 1.0 + 0.6 * uniform(&mut seeded(seed, &format!("{id} leak-back"))),
        path: Vec::new(),
    };
    let mut day = 3.0 * uniform(&mut rng);
    let (mut shared, mut weather, mut wander) = (0.0, 0.0, 0.0);
    let mut step = 2.0;
    let mut oil_day = 60.0 + 90.0 * uniform(&mut rng);
    while day < DAYS {
        if day > oil_day {
            let change = work(&id, day - 0.1, MaintenanceAction::PumpOil, None);
            out.maintenance.push(change);
            oil_day = day + 60.0 + 90.0 * uniform(&mut rng);
        }
        shared = correlated(shared, 0.015, 0.4f64.powf(step), &mut rng);
        weather = correlated(weather, 1.0, 0.75f64.powf(step), &mut rng);
        wander += 0.0015 * step.sqrt() * standard_normal(&mut rng);
        let season = (std::f64::consts::TAU * (day - 100.0) / 365.0).sin();
        let (loss, leak) = state_on(fault, day);
        let air_degc = 12.0 + 10.0 * season;
        let sound = nature.own - nature.drift * day + wander;
        let steady_ln_speed = sound - loss + shared - 0.001 * (air_degc - 15.0);
        // Leak-back opens with clearances, by sound wear and by failing.
        let worn = loss * f64::from(u8::from(fault.is_wear()));
        let aged = (out.leak_back * (worn + nature.drift * day)).exp();
        let tight = nature.base_kpa * aged + opened_kpa(fault, day);
        let at = day_zero().plus_days(day);
        let run_id = RunId::from(format!("{id}@{}", at.compact()));
        let hours = 20.0 + 60.0 * uniform(&mut rng);
        let mut start = |at: Stamp, idle_h: f64, rng: &mut Pcg64| {
            let speed_m3h = RATED_M3H * (steady_ln_speed + nature.start_noise(rng)).exp();
            let warm = (-idle_h / 1.5).exp();
            let pump_degc = air_degc + 3.0 + 30.0 * warm;
            // Vapour of a chamber that did not cool, about 1 kPa where it had no time at all.
            let vapour_kpa = 1.2 * warm * (0.2 * standard_normal(rng)).exp();
            let truth = Truth {
                at,
                speed_m3h,
                base_kpa: tight
                    + leak / speed_m3h
                    + nature.seal_kpa(pump_degc)
                    + wet_kpa(fault, day, pump_degc)
                    + vapour_kpa
                    + 0.12 * standard_normal(rng),
                air_degc,
                pump_degc,
                altitude_kpa: nature.barometer_kpa - moved_kpa(number, day),
                weather_kpa: weather,
                idle_h,
            };
            let curve = curve(&nature, &out.unit, &run_id, &truth, &mut gauge);
            out.starts.push(fit_start(&curve, Some(&out.unit), config));
            truth
        };
        let first = start(at, 24.0 * (step - 0.4).max(0.3), &mut rng);
        let mut later = 0.3 * hours;
        while uniform(&mut rng) < 0.5 && later < 0.9 * hours {
            let idle_h = rest_h(&mut rng);
            start(at.plus_hours(later), idle_h, &mut rng);
            later += 0.2 * hours;
        }
        let vapour = (VAPOUR_SD * standard_normal(&mut rng)).exp();
        let load = load_of(vapour);
        out.path.push(Passed {
            day,
            ln_speed: sound - loss,
            tight_kpa: tight,
            vapour,
        });
        let warm_kpa = wet_kpa(fault, day, 60.0);
        let steady = (tight + warm_kpa + (leak + load) / first.speed_m3h + 6.0)
            * (0.08 * standard_normal(&mut rng)).exp();
        out.runs.push(Run {
            ambient_kpa: Some(first.altitude_kpa + first.weather_kpa),
            water_removed_kg: Some(vapour * hours),
            ..run(&out.unit.unit_id, run_id, at, hours, steady)
        });
        step = hours / 24.0 + 0.5 + 4.0 * uniform(&mut rng);
        day += step;
    }
    out
}

/// A third of the fleet is moved to a site a thousand metres higher half-way.
fn moved_kpa(number: usize, day: f64) -> f64 {
    if number % 3 == 1 && day > 0.5 * DAYS {
        11.0
    } else {
        0.0
    }
}

/// Hours of rest before a restart within a run.
fn rest_h(rng: &mut Pcg64) -> f64 {
    if uniform(rng) < 0.6 {
        0.2 + 1.3 * uniform(rng)
    } else {
        3.0 + 9.0 * uniform(rng)
    }
}

fn correlated(now: f64, sd: f64, phi: f64, rng: &mut Pcg64) -> f64 {
    phi * now + sd * (1.0 - phi * phi).sqrt() * standard_normal(rng)
}

fn curve(
    nature: &Nature,
    unit: &Unit,
    run_id: &RunId,
    truth: &Truth,
    rng: &mut Pcg64,
) -> StartCurve {
    let per_s = truth.speed_m3h / 3.6 / CHAMBER_L;
    let base = truth.base_kpa;
    let air_kpa = truth.altitude_kpa + truth.weather_kpa;
    // A gauge knows the difference to the air outside; the log adds the barometer it believes in.
    let believed = if nature.measured {
        air_kpa
    } else {
        truth.altitude_kpa
    };
    let (seconds, begins_s) = clock(nature.step_s, rng);
    let chamber_kpa = seconds
        .iter()
        .map(|t| base + (air_kpa - base) * (-per_s * (t - begins_s).max(0.0)).exp())
        .map(|kpa| kpa - air_kpa + believed + 0.15 * standard_normal(rng))
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
        vacuum_pump_degc: Some(truth.pump_degc),
        ambient_degc: Some(truth.air_degc),
        step_s: nature.step_s,
        idle_h: Some(truth.idle_h),
    }
}

/// Seconds of a start's readings, and when the fall begins. A fast log begins with the start and is
/// done after five minutes. A slow one is kept from its last reading at rest until oil flows, ten
/// minutes after the start, which lies anywhere between two readings.
fn clock(step_s: f64, rng: &mut Pcg64) -> (Vec<f64>, f64) {
    if step_s <= 10.0 {
        let n = (300.0 / step_s) as usize;
        let seconds = (0..n).map(|k| k as f64 * step_s).collect();
        return (seconds, 4.0 * uniform(rng));
    }
    let before_s = step_s * uniform(rng);
    let n = ((600.0 - before_s) / step_s) as usize + 1;
    let seconds = (0..=n).map(|k| (k as f64 - 1.0) * step_s).collect();
    (seconds, -before_s)
}

pub(super) fn run(unit: &UnitId, run_id: RunId, at: Stamp, hours: f64, steady_kpa: f64) -> Run {
    Run {
        run_id,
        unit_id: unit.clone(),
        reservoir_id: None,
        oil_type: None,
        started_at: at,
        ended_at: at.plus_hours(hours),
        hours,
        flow_lpm: Some(75.0),
        oil_degc: Some(65.0),
        chamber_kpa: Some(steady_kpa),
        water_first_ppm: Some(300.0),
        water_last_ppm: Some(100.0),
        water_removed_kg: Some(hours),
        pumpdown_speed_m3h: None,
        pumpdown_base_kpa: None,
        steady_kpa: Some(steady_kpa),
        ambient_kpa: None,
        vent_open_pct: None,
        vacuum_pump_degc: Some(60.0),
        n_readings: 1000,
        n_samples: 0,
        alarms: 0,
        flags: Vec::new(),
    }
}

pub(super) fn registers(fleet: &[Simulated], maintenance: Vec<Maintenance>) -> Registers {
    let mut units: Vec<Unit> = fleet.iter().map(|one| one.unit.clone()).collect();
    units.sort_by(|a, b| a.unit_id.cmp(&b.unit_id));
    Registers {
        units,
        maintenance,
        ..Registers::default()
    }
}

pub(super) fn work(
    unit: &str,
    day: f64,
    action: MaintenanceAction,
    serial: Option<&str>,
) -> Maintenance {
    Maintenance {
        unit_id: unit.into(),
        at: day_zero().plus_days(day),
        action,
        note: None,
        serial: serial.map(str::to_owned),
        hours_meter: None,
    }
}
