//! One run of the invented fleet, minute by minute, and what its logger and the laboratories make of it.

use drydown_physics::heat::oil_kj_per_kg_k;
use drydown_physics::vacuum::pump_water_kg_per_h;
use drydown_physics::{saturation, solubility};
use drydown_quantity::{RunId, Stamp};
use drydown_runs::history::{Censor, Sample, SamplePoint, SensorPlace};
use drydown_runs::{Phase, Run, SeriesPoint};
use drydown_stats::rng::{Pcg64, standard_normal, uniform};

use crate::world::{
    Machine, PER_KELVIN, PER_LOG_FLOW, PER_LOG_PRESSURE, REFERENCE_DEGC, REFERENCE_KPA, SDS, Tank,
    TrueOil, per_pass,
};

const STEP_H: f64 = 1.0 / 60.0;
const BIN_MIN: usize = 10;
/// Share of the free water that one pass takes out.
const FREE_PER_PASS: f64 = 0.9;
/// Share of the chamber's gas that may be vapour where the pump limits.
const VAPOUR_CAP: f64 = 0.6;

/// Who dries what where.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Place<'a> {
    pub(crate) machine: &'a Machine,
    pub(crate) oil: &'a TrueOil,
    pub(crate) tank: &'a Tank,
    /// Log of transfer units at reference conditions.
    pub(crate) ln_ntu: f64,
    pub(crate) start: Stamp,
    pub(crate) lab_bias: f64,
    /// Which thing spoils the run: 0 the sensor sticks, 1 another reservoir's name, 2 wet oil is filled in.
    pub(crate) spoil: Option<usize>,
    pub(crate) other: &'a Tank,
}

/// A run as the stages before the fit hand it over, and what is true of it.
#[derive(Clone, Debug)]
pub(crate) struct Job {
    pub(crate) run: Run,
    pub(crate) series: Vec<SeriesPoint>,
    pub(crate) samples: Vec<Sample>,
    /// True dried flow where the water fell, L/min; floor at its end (the gas alone, without ingress), ppm.
    pub(crate) dried_flow_lpm: f64,
    pub(crate) floor_ppm: f64,
    pub(crate) badly_mixed: bool,
    pub(crate) settled: bool,
    pub(crate) spoiled: bool,
    pub(crate) volume_l: f64,
}

struct State {
    /// Water in the loop and in the rest, ppm.
    water: f64,
    rest: f64,
    /// Settled water, ppm of the oil.
    pool: f64,
    tank_degc: f64,
    inlet_degc: f64,
    chamber_kpa: f64,
    outlet_ppm: f64,
    vapour_kg_h: f64,
}

struct Minute {
    inlet_degc: f64,
    chamber_kpa: f64,
    flow_lpm: f64,
    heater_kw: f64,
    water: f64,
    outlet: f64,
    sensor: Option<(f64, bool)>,
}

/// How the operator sets a run up, and what is peculiar to it.
struct Setting {
    flow_lpm: f64,
    setpoint_degc: f64,
    vented_kpa: f64,
    vent_opens_h: f64,
    run_effect: f64,
    vapour_share: f64,
    warm_degc: f64,
    saturated_ppm: f64,
    start_ppm: f64,
    pool_ppm: f64,
    hours: f64,
}

impl Setting {
    fn draw(place: &Place<'_>, rng: &mut Pcg64) -> Self {
        let flow_share = [0.75, 0.85, 0.95, 1.0, 1.0][drydown_stats::rng::index(rng, 5)];
        let flow_lpm = place.machine.flow_lpm * flow_share;
        let setpoint_degc = 60.0 + 8.0 * uniform(rng);
        let vented_kpa = 11.0 + 14.0 * uniform(rng);
        let vent_opens_h = 0.3 + uniform(rng);
        let run_effect = SDS[3] * standard_normal(rng);
        let vapour_share = place.machine.vapour_share * (0.25 * standard_normal(rng)).exp();
        let wet = uniform(rng) < 0.15;
        let warm_degc = 42.0 + 8.0 * uniform(rng);
        let saturated_ppm = solubility::ppm(place.oil.a, place.oil.b_k, warm_degc);
        let start_ppm = if wet {
            saturated_ppm * (1.2 + 2.0 * uniform(rng))
        } else {
            saturated_ppm * (0.30 + 0.60 * uniform(rng))
        };
        // Over settled water oil at rest is about saturated.
        let (start_ppm, pool_ppm) = match place.tank.settled {
            Some((usual, _)) => (
                saturated_ppm * (0.85 + 0.15 * uniform(rng)),
                usual * (0.5 * standard_normal(rng)).exp(),
            ),
            None => (start_ppm, 0.0),
        };
        let nominal = per_pass(place.ln_ntu) * flow_lpm * 60.0 / place.tank.volume_l;
        Self {
            flow_lpm,
            setpoint_degc,
            vented_kpa,
            vent_opens_h,
            run_effect,
            vapour_share,
            warm_degc,
            saturated_ppm,
            start_ppm,
            pool_ppm,
            hours: ((1.0 + 3.0 * uniform(rng)) / nominal).clamp(3.0, 60.0),
        }
    }
}

/// Plays one run.
pub(crate) fn dry(place: &Place<'_>, rng: &mut Pcg64) -> Job {
    let tank = place.tank;
    let setting = Setting::draw(place, rng);
    let mut state = State {
        water: setting.start_ppm,
        rest: setting.start_ppm,
        pool: setting.pool_ppm,
        tank_degc: setting.warm_degc,
        inlet_degc: setting.warm_degc,
        chamber_kpa: 100.0,
        outlet_ppm: setting.start_ppm,
        vapour_kg_h: 0.0,
    };
    let n = (setting.hours / STEP_H) as usize;
    let mut within = |least: f64, span: f64| (n as f64 * (least + span * uniform(rng))) as usize;
    let sticks_at = (place.spoil == Some(0)).then(|| within(0.1, 0.5));
    let fills_at = (place.spoil == Some(2)).then(|| within(0.2, 0.5));
    let mut wander = standard_normal(rng);
    let mut stuck: Option<f64> = None;
    let mut minutes: Vec<Minute> = Vec::with_capacity(n);
    let (mut weighted, mut fall, mut floor_ppm) = (0.0, 0.0, f64::NAN);
    for minute in 0..n {
        if fills_at == Some(minute) {
            let share = 0.1 + 0.2 * uniform(rng);
            state.water += share * (setting.saturated_ppm * 0.9 - state.water).max(50.0);
            state.rest = state.water;
        }
        let done = step(place, &mut state, &setting, minute);
        weighted += done.dried_lpm * done.removed_ppm.max(0.0);
        fall += done.removed_ppm.max(0.0);
        floor_ppm = done.floor_ppm;
        wander = 0.983 * wander + 0.1836 * standard_normal(rng);
        let sensor = sense(place, &state, wander, rng).map(|(ppm, top)| {
            if sticks_at.is_some_and(|at| minute >= at) {
                (*stuck.get_or_insert(ppm), top)
            } else {
                (ppm, top)
            }
        });
        minutes.push(Minute {
            inlet_degc: state.inlet_degc + 0.25 * standard_normal(rng),
            chamber_kpa: (state.chamber_kpa + 0.15 * standard_normal(rng)).max(0.1),
            flow_lpm: done.flow_lpm * (1.0 + 0.008 * standard_normal(rng)),
            heater_kw: done.heater_kw,
            water: state.water,
            outlet: state.outlet_ppm,
            sensor,
        });
    }
    let wrong_name = place.spoil == Some(1);
    let named = if wrong_name { place.other } else { tank };
    let series = bins(place, &minutes, setting.setpoint_degc);
    let run = to_run(place, &series, setting.hours, named);
    let mut samples = samples(place, &minutes, &state, &setting, rng);
    samples.retain(|sample| !wrong_name || sample.unit_id.is_some());
    Job {
        series,
        samples,
        dried_flow_lpm: if fall > 0.0 {
            weighted / fall
        } else {
            f64::NAN
        },
        floor_ppm,
        badly_mixed: tank.mixing.is_some(),
        settled: tank.settled.is_some(),
        spoiled: place.spoil.is_some(),
        volume_l: tank.volume_l,
        run,
    }
}

/// What one minute did.
struct Done {
    flow_lpm: f64,
    dried_lpm: f64,
    floor_ppm: f64,
    heater_kw: f64,
    /// Fall of the whole reservoir's water.
    removed_ppm: f64,
}

/// One minute of work.
fn step(place: &Place<'_>, state: &mut State, setting: &Setting, minute: usize) -> Done {
    let (machine, tank) = (place.machine, place.tank);
    let flow = if minute < 8 { 0.0 } else { setting.flow_lpm };
    let vent_kpa = if (minute as f64) * STEP_H < setting.vent_opens_h {
        2.0
    } else {
        setting.vented_kpa
    };
    let heat = (flow / 60e3 * 870.0 * oil_kj_per_kg_k(state.tank_degc, 0.87)).max(1e-6);
    let heater_kw =
        ((setting.setpoint_degc - state.tank_degc).max(0.0) * heat).min(machine.heater_kw);
    let inlet = state.tank_degc + if flow > 0.0 { heater_kw / heat } else { 0.0 };
    state.inlet_degc += (inlet - state.inlet_degc) * (1.0 - (-STEP_H / 0.08).exp());
    let vapour_kpa = state.vapour_kg_h / pump_water_kg_per_h(1.0, machine.pump_m3h, 40.0);
    let steady = machine.base_kpa + vent_kpa + vapour_kpa;
    state.chamber_kpa += (steady - state.chamber_kpa) * (1.0 - (-STEP_H / 0.05).exp());
    let sat_kpa = saturation::pressure_kpa(state.inlet_degc);
    let saturated = solubility::ppm(place.oil.a, place.oil.b_k, state.inlet_degc);
    let floor = saturated * (setting.vapour_share * state.chamber_kpa / sat_kpa).min(1.0);
    let mut removed_loop = 0.0;
    let mut dried = 0.0;
    let loop_share = tank.mixing.map_or(1.0, |(share, _)| share);
    if flow > 0.0 {
        let ln_ntu = place.ln_ntu
            + setting.run_effect
            + PER_KELVIN * (state.inlet_degc - REFERENCE_DEGC)
            + PER_LOG_PRESSURE * (state.chamber_kpa / REFERENCE_KPA).ln()
            + PER_LOG_FLOW * (flow / machine.flow_lpm).ln();
        let share = per_pass(ln_ntu);
        dried = share * flow;
        let dissolved = state.water.min(saturated);
        let free = state.water - dissolved;
        let taken = share * (dissolved - floor) + FREE_PER_PASS * free;
        let turns = flow * 60.0 / tank.volume_l / loop_share * STEP_H;
        let wanted = taken * turns;
        let most_kg = pump_water_kg_per_h(VAPOUR_CAP * 20.0, machine.pump_m3h, 40.0) * STEP_H;
        let most = most_kg * 1e6 / (0.87 * tank.volume_l * loop_share);
        removed_loop = wanted.min(most);
        state.outlet_ppm = (state.water - removed_loop / turns).max(0.0);
        state.vapour_kg_h =
            removed_loop.max(0.0) * 0.87 * tank.volume_l * loop_share * 1e-6 / STEP_H;
    }
    state.water += tank.ingress_ppm_per_h * STEP_H - removed_loop;
    if let Some((_, per_hour)) = tank.settled {
        // A puddle that covers the bottom until little of it is left.
        let covered = (state.pool / (0.3 * setting.pool_ppm)).min(1.0);
        let saturated = solubility::ppm(place.oil.a, place.oil.b_k, state.tank_degc);
        let dissolved =
            (per_hour * covered * (saturated - state.water).max(0.0) * STEP_H).min(state.pool);
        state.water += dissolved;
        state.pool -= dissolved;
    }
    if let Some((share, exchange)) = tank.mixing {
        let moved = exchange * (state.rest - state.water) * STEP_H;
        state.water += moved / share;
        state.rest += tank.ingress_ppm_per_h * STEP_H - moved / (1.0 - share);
    } else {
        state.rest = state.water;
    }
    let kj_per_k = tank.volume_l * 0.87 * 2.0;
    state.tank_degc += 0.9 * heater_kw * 3600.0 * STEP_H / kj_per_k
        - (state.tank_degc - tank.ambient_degc) * STEP_H / 60.0;
    Done {
        flow_lpm: flow,
        dried_lpm: dried,
        floor_ppm: floor,
        heater_kw,
        removed_ppm: removed_loop * loop_share,
    }
}

/// What the sensor shows, ppm by the register's solubility, and whether it stands at its top.
fn sense(place: &Place<'_>, state: &State, wander: f64, rng: &mut Pcg64) -> Option<(f64, bool)> {
    let sensor = place.machine.sensor?;
    let outlet = place.machine.unit.water_sensor_place == Some(SensorPlace::Outlet);
    let content = if outlet {
        state.outlet_ppm
    } else {
        state.water
    };
    let truly = content / solubility::ppm(place.oil.a, place.oil.b_k, state.inlet_degc);
    let noisy = sensor.gain * truly.min(1.0)
        + sensor.offset_activity
        + 0.003 * wander
        + 0.002 * standard_normal(rng);
    let shown = (noisy.clamp(0.0, 1.0) * 1000.0).round() / 1000.0;
    let oil = &place.oil.oil;
    let of_register = solubility::ppm(oil.solubility_a?, oil.solubility_b_k?, state.inlet_degc);
    Some((shown * of_register, shown >= 0.995))
}

/// Means over ten minutes, with the phase of each.
fn bins(place: &Place<'_>, minutes: &[Minute], setpoint: f64) -> Vec<SeriesPoint> {
    let mut degc: Vec<f64> = minutes.iter().map(|minute| minute.inlet_degc).collect();
    degc.sort_by(f64::total_cmp);
    let high = degc.get(degc.len() * 4 / 5).copied().unwrap_or(setpoint);
    let warm = high.min(setpoint) - 6.0;
    let first_warm = minutes
        .iter()
        .position(|minute| minute.inlet_degc >= warm)
        .unwrap_or(0);
    let mut out = Vec::new();
    for (idx, part) in minutes.chunks(BIN_MIN).enumerate() {
        let mean =
            |of: &dyn Fn(&Minute) -> f64| part.iter().map(of).sum::<f64>() / part.len() as f64;
        let first = idx * BIN_MIN;
        let phase = if first < 8 {
            Phase::PumpDown
        } else if first < first_warm {
            Phase::Heating
        } else {
            Phase::Drying
        };
        let water: Vec<(f64, bool)> = part.iter().filter_map(|minute| minute.sensor).collect();
        let top = 2 * water.iter().filter(|one| one.1).count() >= water.len().max(1);
        let water_ppm = (!water.is_empty())
            .then(|| water.iter().map(|one| one.0).sum::<f64>() / water.len() as f64);
        out.push(SeriesPoint {
            run_id: run_id(place),
            at: place
                .start
                .plus_hours((first as f64 + 0.5 * part.len() as f64) * STEP_H),
            phase,
            n_readings: part.len() as i64,
            water_ppm,
            water_censor: water_ppm.map(|_| if top { Censor::Above } else { Censor::Exact }),
            from_activity: place
                .machine
                .sensor
                .is_some_and(|sensor| sensor.from_activity),
            oil_degc: Some(mean(&|minute| minute.inlet_degc)),
            flow_lpm: Some(mean(&|minute| minute.flow_lpm)),
            chamber_kpa: Some(mean(&|minute| minute.chamber_kpa)),
            ambient_kpa: None,
            vent_open_pct: None,
            heater_kw: Some(mean(&|minute| minute.heater_kw)),
            vacuum_pump_degc: None,
            ambient_degc: None,
        });
    }
    out
}

fn run_id(place: &Place<'_>) -> RunId {
    let unit = &place.machine.unit.unit_id;
    RunId::from(format!("{unit}@{}", place.start.compact()))
}

fn to_run(place: &Place<'_>, series: &[SeriesPoint], hours: f64, named: &Tank) -> Run {
    let drying = || series.iter().filter(|point| point.phase == Phase::Drying);
    let mean = |of: fn(&SeriesPoint) -> Option<f64>| {
        let values: Vec<f64> = drying().filter_map(of).collect();
        (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
    };
    Run {
        run_id: run_id(place),
        unit_id: place.machine.unit.unit_id.clone(),
        reservoir_id: Some(named.reservoir.reservoir_id.clone()),
        oil_type: Some(place.oil.oil.oil_type.clone()),
        started_at: place.start,
        ended_at: place.start.plus_hours(hours),
        hours,
        flow_lpm: mean(|point| point.flow_lpm),
        oil_degc: mean(|point| point.oil_degc),
        chamber_kpa: mean(|point| point.chamber_kpa),
        ambient_kpa: None,
        vacuum_pump_degc: None,
        vent_open_pct: None,
        water_first_ppm: None,
        water_last_ppm: None,
        water_removed_kg: None,
        pumpdown_speed_m3h: None,
        pumpdown_base_kpa: None,
        steady_kpa: None,
        n_readings: 0,
        n_samples: 0,
        alarms: 0,
        flags: Vec::new(),
    }
}

/// Samples before, during and after a run: most runs have one or two.
fn samples(
    place: &Place<'_>,
    minutes: &[Minute],
    end: &State,
    setting: &Setting,
    rng: &mut Pcg64,
) -> Vec<Sample> {
    let (start_ppm, hours) = (setting.start_ppm, setting.hours);
    let blind = place.machine.sensor.is_none();
    let mut out = Vec::new();
    let mut send = |at_h: f64, truth: f64, point: SamplePoint, rng: &mut Pcg64| {
        let value = truth * (place.lab_bias + 0.09 * standard_normal(rng)).exp();
        let below = value < 10.0;
        out.push(sample(
            place,
            at_h,
            if below { 10.0 } else { value.round() },
            below,
            point,
        ));
    };
    if blind || uniform(rng) < 0.6 {
        let before_h = 40.0 * uniform(rng);
        let then = (start_ppm - place.tank.ingress_ppm_per_h * before_h).max(5.0);
        send(-before_h, then, SamplePoint::ReservoirMid, rng);
    }
    if blind || uniform(rng) < 0.25 {
        let at = (minutes.len() as f64 * (0.2 + 0.6 * uniform(rng))) as usize;
        if let Some(minute) = minutes.get(at) {
            let at_h = at as f64 * STEP_H;
            send(at_h, minute.water, SamplePoint::UnitInlet, rng);
            if uniform(rng) < 0.4 {
                send(at_h, minute.outlet, SamplePoint::UnitOutlet, rng);
            }
        }
    }
    if blind || uniform(rng) < 0.4 {
        let after_h = 20.0 * uniform(rng);
        let mixed = match place.tank.mixing {
            Some((share, exchange)) => {
                let level = share * end.water + (1.0 - share) * end.rest;
                let apart =
                    (end.water - end.rest) * (-exchange / share / (1.0 - share) * after_h).exp();
                level + (1.0 - share) * apart
            }
            None => end.water,
        };
        let now = mixed + place.tank.ingress_ppm_per_h * after_h;
        send(hours + after_h, now, SamplePoint::ReservoirMid, rng);
    }
    out
}

fn sample(place: &Place<'_>, at_h: f64, ppm: f64, below: bool, point: SamplePoint) -> Sample {
    let of_unit = matches!(point, SamplePoint::UnitInlet | SamplePoint::UnitOutlet);
    Sample {
        lab: "lab".into(),
        sample_id: format!(
            "{}/{at_h:.2}/{}",
            run_id(place),
            u8::from(point == SamplePoint::UnitOutlet)
        ),
        reservoir_id: Some(place.tank.reservoir.reservoir_id.clone()),
        unit_id: of_unit.then(|| place.machine.unit.unit_id.clone()),
        taken_at: Some(place.start.plus_hours(at_h)),
        reported_at: None,
        sample_point: Some(point),
        sample_degc: None,
        water_ppm: Some(ppm),
        water_censor: Some(if below { Censor::Below } else { Censor::Exact }),
        iso4406_4um: None,
        iso4406_6um: None,
        iso4406_14um: None,
        iso4406_note: None,
        viscosity_40c_mm2s: None,
        acid_mgkoh_g: None,
        breakdown_kv: None,
    }
}
