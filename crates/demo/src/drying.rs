//! A unit at work: pump-down, heating, drying; what is true and what its instruments show.

use crate::calendar::{DAY, HOUR};
use crate::fleet::{Fleet, Oil, Reservoir, SensorKind, Unit};
use crate::job::{Stage, event};
use crate::log::RunRecord;
use crate::nature::{oil_heat_kj_per_kg_k, saturation_kpa, vapour_kg_per_h};
use crate::pump::{PumpNow, air_load};
use crate::row::{Cell, Row};
use crate::tank::Tank;
use crate::weather::Air;

/// Reference conditions of the true dried flow.
const REFERENCE_DEGC: f64 = 65.0;
const REFERENCE_KPA: f64 = 20.0;
/// Standard deviation between runs of log dried flow.
const RUN_SD: f64 = 0.12;
/// Covariates of log dried flow: per kelvin, per log pressure, per log flow, per log viscosity
/// over the oil's own at 65 °C.
const PER_KELVIN: f64 = 0.009;
const PER_LOG_PRESSURE: f64 = -0.15;
const PER_LOG_FLOW: f64 = 0.6;
const PER_LOG_VISCOSITY: f64 = -0.08;
/// Share of the free water that one pass takes out.
const FREE_PER_PASS: f64 = 0.9;
/// Share of the settled water that a working circulation stirs up in an hour.
const STIRS_PER_H: f64 = 0.015;
/// Seconds from the start until oil flows.
const PUMP_DOWN_S: i64 = 600;
/// Seconds from the start after which the log slows down.
const FINE_LOG_S: i64 = 300;
/// Time step of the log from then until oil flows, s.
const SLOW_STEP_S: i64 = 30;

/// How a run is set up by its operator, and what is peculiar to it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Setting {
    pub(crate) setpoint_degc: f64,
    pub(crate) hertz: f64,
    /// Air let in through the vent, kPa·m³/h.
    pub(crate) bleed: f64,
    pub(crate) vent_pct: f64,
    pub(crate) vent_open_at_start: bool,
    /// Mole fraction of water in the chamber gas beyond that of the bled air.
    pub(crate) vapour_share: f64,
    pub(crate) run_effect: f64,
    /// The site's oil held at this temperature without the unit, °C.
    pub(crate) losses_h: f64,
}

impl Setting {
    pub(crate) fn new(stage: &mut Stage<'_>, reservoir: usize) -> Self {
        let unit = &stage.fleet.units[stage.machine.idx];
        let altitude_m = stage.fleet.reservoirs[reservoir].altitude_m();
        let draw = &mut stage.machine.draw;
        let at_altitude = crate::nature::barometer_kpa(altitude_m) / 101.325;
        let target_kpa = draw.uniform(13.0, 24.0) * at_altitude.powf(0.5);
        let bleed =
            ((target_kpa - unit.base_kpa) * unit.size.pump_m3h * draw.uniform(0.5, 0.8)).max(0.0);
        let most = 45.0 * unit.size.pump_m3h;
        Self {
            setpoint_degc: [60.0, 63.0, 65.0, 65.0, 65.0, 68.0][draw.below(6)],
            hertz: [45.0, 50.0, 55.0, 60.0, 60.0, 60.0][draw.below(6)],
            bleed,
            vent_pct: (bleed / most * 100.0).clamp(0.0, 100.0),
            vent_open_at_start: draw.chance(unit.open_vent_share),
            vapour_share: draw.lognormal(0.015, 0.4),
            run_effect: draw.gauss(RUN_SD),
            losses_h: draw.uniform(15.0, 30.0),
        }
    }
}

/// Sums over the drying phase of one run.
#[derive(Clone, Copy, Debug, Default)]
struct Sums {
    hours: f64,
    rate: f64,
    dried_flow: f64,
    flow: f64,
    floor: f64,
    degc: f64,
    chamber: f64,
    vapour: f64,
    capped: f64,
}

/// The work of one run so far.
#[derive(Clone, Debug)]
pub(crate) struct Work {
    started: Option<i64>,
    ended: i64,
    start_ppm: f64,
    start_all_ppm: f64,
    removed_kg: f64,
    sums: Sums,
    /// Water going to the pump, kg/h.
    vapour_kg_h: f64,
}

/// The truth of one time step.
#[derive(Clone, Copy, Debug)]
struct Truth {
    air: Air,
    pump: PumpNow,
    chamber_kpa: f64,
    supply_degc: f64,
    inlet_degc: f64,
    outlet_degc: f64,
    flow_lpm: f64,
    heater_kw: f64,
    floor_ppm: f64,
    outlet_ppm: f64,
}

impl Work {
    pub(crate) fn new(tank: &Tank) -> Self {
        Self {
            started: None,
            ended: tank.at,
            start_ppm: 0.0,
            start_all_ppm: 0.0,
            removed_kg: 0.0,
            sums: Sums::default(),
            vapour_kg_h: 0.0,
        }
    }

    /// The start: vent shut (mostly), no oil; returns when oil begins to flow.
    pub(crate) fn pump_down(
        &mut self,
        stage: &mut Stage<'_>,
        setting: &Setting,
        from: i64,
        to: i64,
    ) -> i64 {
        let unit = &stage.fleet.units[stage.machine.idx];
        if self.started.is_none() {
            self.started = Some(from);
            self.start_ppm = stage.tank.water.mid_ppm;
            self.start_all_ppm = stage.tank.water.all_ppm();
        }
        let idle_h = (from - stage.machine.last_worked) as f64 / HOUR as f64;
        let fine_step = unit.start_step_s;
        let air = air_at(stage, from);
        cool_pump(stage, air, idle_h);
        let hot = idle_h < 1.5;
        let speed_scatter = stage.machine.draw.gauss(0.02).exp();
        let begins = stage.machine.draw.uniform(0.0, 0.8 * fine_step as f64);
        let end = (from + PUMP_DOWN_S).min(to);
        let mut at = from;
        while at <= end {
            let past = (at - from) as f64;
            let step = if at - from < FINE_LOG_S {
                fine_step
            } else {
                fine_step.max(SLOW_STEP_S)
            };
            warm_pump(stage, air, step as f64 / 3600.0);
            let pump = pump_now(stage, at);
            let speed = pump.speed_m3h * speed_scatter;
            let bleed = if setting.vent_open_at_start {
                setting.bleed
            } else {
                0.0
            };
            let damp = if hot {
                0.08 * saturation_kpa(50.0)
            } else {
                0.0
            };
            let base = pump.base_kpa + (pump.leak + bleed) / speed + damp;
            let turns = speed / 3.6 / unit.size.chamber_l * (past - begins).max(0.0);
            let chamber = base + (air.barometer_kpa - base).max(0.0) * (-turns).exp();
            let mut row = common_row(stage, at, air, chamber.min(air.barometer_kpa));
            row.is_start = at == from;
            row.set(Cell::Flow, 0.0);
            row.set(Cell::Discharge, 0.0);
            row.set(Cell::Hertz, 0.0);
            row.set(
                Cell::Vent,
                if setting.vent_open_at_start {
                    setting.vent_pct
                } else {
                    0.0
                },
            );
            row.set(Cell::Setpoint, setting.setpoint_degc);
            row.set(Cell::PumpOn, 1.0);
            row.set(Cell::Running, 1.0);
            stage.rows.push(row);
            stage.machine.hours += step as f64 / 3600.0;
            stage.tank.advance(stage.fleet, at, stage.log);
            at += step;
        }
        stage.tank.advance(stage.fleet, end, stage.log);
        end
    }

    /// One step of steady work; returns the water at the outlet, ppm.
    pub(crate) fn step(&mut self, stage: &mut Stage<'_>, setting: &Setting, step: i64) -> f64 {
        let fleet = stage.fleet;
        let reservoir = &fleet.reservoirs[stage.tank.idx];
        let oil = &fleet.oils[reservoir.oil];
        let hours = step as f64 / 3600.0;
        let truth = self.dry(stage, setting, hours);
        stage.tank.pass(fleet, step, stage.log);
        let at = stage.tank.at;
        self.ended = at;
        count(stage, &truth, hours);
        let mut row = common_row(stage, at, truth.air, truth.chamber_kpa);
        fill_row(&mut row, stage, setting, &truth);
        sense_water(&mut row, stage, (oil, reservoir), &truth, hours);
        stage.rows.push(row);
        drain_sump(stage, at);
        truth.outlet_ppm
    }

    fn dry(&mut self, stage: &mut Stage<'_>, setting: &Setting, hours: f64) -> Truth {
        let fleet = stage.fleet;
        let unit = &fleet.units[stage.machine.idx];
        let reservoir = &fleet.reservoirs[stage.tank.idx];
        let oil = &fleet.oils[reservoir.oil];
        let air = air_at(stage, stage.tank.at);
        warm_pump(stage, air, hours);
        let pump = pump_now(stage, stage.tank.at);
        let supply_degc = stage.tank.oil_degc;
        let stiff = (400.0 / oil.viscosity_mm2s(supply_degc)).min(1.0).powf(0.5);
        let flow_lpm = unit.size.flow_lpm * setting.hertz / 60.0 * stiff;
        let mass_flow_kg_s = flow_lpm / 60e3 * oil.spec.density_15c_kgm3;
        let heat = mass_flow_kg_s * oil_heat_kj_per_kg_k(oil.spec.density_15c_kgm3, supply_degc);
        let wanted_kw = ((setting.setpoint_degc - supply_degc) * heat).max(0.0);
        let heater_kw = wanted_kw.min(unit.size.heater_kw);
        let inlet_degc = supply_degc + heater_kw / heat;
        let vapour_kpa = self.vapour_kg_h / vapour_kg_per_h(1.0, pump.speed_m3h, 40.0);
        let bled_kpa = setting.bleed / pump.speed_m3h;
        let air_kpa = bled_kpa + (pump.leak + air_load(flow_lpm)) / pump.speed_m3h;
        let chamber_kpa = (pump.base_kpa + air_kpa + vapour_kpa).min(0.97 * air.barometer_kpa);
        let damp_kpa = air.humidity * saturation_kpa(air.air_degc) * bled_kpa / air.barometer_kpa;
        let water_kpa = setting.vapour_share * chamber_kpa + damp_kpa;
        let saturation = oil.solubility_ppm(inlet_degc);
        let floor_ppm = saturation * (water_kpa / saturation_kpa(inlet_degc)).min(1.0);
        let dried_flow_lpm = dried_flow(fleet, stage, setting, (inlet_degc, chamber_kpa, flow_lpm));
        let rate = dried_flow_lpm * 60.0 / reservoir.true_volume_l;
        let state = Pass {
            rate,
            floor_ppm,
            saturation,
            flow_lpm,
            hours,
        };
        let removed_kg = self.remove(stage, (reservoir, &pump), &state);
        let latent_k = self.vapour_kg_h * 2345.0 / 3600.0 / heat;
        warm_tank(stage, setting, (heater_kw, hours), reservoir);
        self.removed_kg += removed_kg;
        stage.machine.sump_l += removed_kg;
        let mid = stage.tank.water.mid_ppm;
        let outlet_ppm = floor_ppm
            + (1.0 - dried_flow_lpm / flow_lpm) * (mid.min(saturation) - floor_ppm)
            + (1.0 - FREE_PER_PASS) * (mid - saturation).max(0.0);
        self.add_up(&state, dried_flow_lpm, (inlet_degc, chamber_kpa));
        let outlet_degc = inlet_degc - 1.0 - latent_k;
        Truth {
            air,
            pump,
            chamber_kpa,
            supply_degc,
            inlet_degc,
            outlet_degc,
            flow_lpm,
            heater_kw,
            floor_ppm,
            outlet_ppm: outlet_ppm.max(0.0),
        }
    }

    /// Take water out of the reservoir for one step; returns the kilograms that left.
    fn remove(
        &mut self,
        stage: &mut Stage<'_>,
        (reservoir, pump): (&Reservoir, &PumpNow),
        pass: &Pass,
    ) -> f64 {
        let ingress_ppm =
            stage.tank.ingress_g_per_h(stage.fleet) * pass.hours * 1e3 / reservoir.mass_kg;
        let water = &mut stage.tank.water;
        let stirred = water.settled_ppm * (1.0 - (-STIRS_PER_H * pass.hours).exp());
        water.settled_ppm -= stirred;
        water.mid_ppm += stirred + ingress_ppm;
        let dissolved = water.mid_ppm.min(pass.saturation);
        let free = water.mid_ppm - dissolved;
        let share = 1.0 - (-pass.rate * pass.hours).exp();
        let turns = pass.flow_lpm * 60.0 / reservoir.true_volume_l * pass.hours;
        let wanted =
            (dissolved - pass.floor_ppm) * share + free * (1.0 - (-FREE_PER_PASS * turns).exp());
        // The pump carries off vapour at no more than this partial pressure.
        let most_kg = vapour_kg_per_h(18.0, pump.speed_m3h, 40.0) * pass.hours;
        let most_ppm = most_kg * 1e6 / reservoir.mass_kg;
        let taken = wanted.min(most_ppm);
        if wanted > most_ppm {
            self.sums.capped += pass.hours;
        }
        water.mid_ppm = (water.mid_ppm - taken).max(0.0);
        let removed_kg = taken.max(0.0) * reservoir.mass_kg * 1e-6;
        self.vapour_kg_h = removed_kg / pass.hours;
        wet_oil(
            stage,
            self.vapour_kg_h / vapour_kg_per_h(1.0, pump.speed_m3h, 40.0),
            pass.hours,
        );
        removed_kg
    }

    fn add_up(&mut self, pass: &Pass, dried_flow_lpm: f64, (degc, chamber_kpa): (f64, f64)) {
        // Drying: the chamber's oil is near its set point; while it warms the rate still climbs.
        let sums = &mut self.sums;
        sums.hours += pass.hours;
        sums.rate += pass.rate * pass.hours;
        sums.dried_flow += dried_flow_lpm * pass.hours;
        sums.flow += pass.flow_lpm * pass.hours;
        sums.floor += pass.floor_ppm * pass.hours;
        sums.degc += degc * pass.hours;
        sums.chamber += chamber_kpa * pass.hours;
        sums.vapour += self.vapour_kg_h * pass.hours;
    }

    /// End the run and note its truth.
    pub(crate) fn close(&mut self, stage: &mut Stage<'_>, setting: &Setting) {
        let Some(from) = self.started.take() else {
            return;
        };
        let sums = self.sums;
        let mean = |sum: f64| {
            if sums.hours > 0.0 {
                sum / sums.hours
            } else {
                f64::NAN
            }
        };
        stage.log.runs.push(RunRecord {
            unit: stage.machine.idx,
            reservoir: stage.tank.idx,
            from,
            to: self.ended.max(from),
            rate_per_h: mean(sums.rate),
            dried_flow_lpm: mean(sums.dried_flow),
            flow_lpm: mean(sums.flow),
            floor_ppm: mean(sums.floor),
            oil_degc: mean(sums.degc),
            chamber_kpa: mean(sums.chamber),
            vapour_kg_per_h: mean(sums.vapour),
            water_start_ppm: self.start_ppm,
            water_end_ppm: stage.tank.water.mid_ppm,
            water_all_start_ppm: self.start_all_ppm,
            water_all_end_ppm: stage.tank.water.all_ppm(),
            removed_kg: self.removed_kg,
            run_effect: setting.run_effect,
            capacity_share: mean(sums.capped),
        });
        *self = Self::new(stage.tank);
    }
}

/// What a step's balance needs.
#[derive(Clone, Copy, Debug)]
struct Pass {
    /// First-order rate, 1/h.
    rate: f64,
    floor_ppm: f64,
    saturation: f64,
    flow_lpm: f64,
    hours: f64,
}

fn dried_flow(
    fleet: &Fleet,
    stage: &Stage<'_>,
    setting: &Setting,
    (degc, chamber_kpa, flow_lpm): (f64, f64, f64),
) -> f64 {
    let unit = &fleet.units[stage.machine.idx];
    let oil_idx = fleet.reservoirs[stage.tank.idx].oil;
    let oil = &fleet.oils[oil_idx];
    let viscosity = oil.viscosity_mm2s(degc) / oil.viscosity_65c_mm2s;
    let effect = setting.run_effect
        + PER_KELVIN * (degc - REFERENCE_DEGC)
        + PER_LOG_PRESSURE * (chamber_kpa / REFERENCE_KPA).ln()
        + PER_LOG_FLOW * (flow_lpm / unit.size.flow_lpm).ln()
        + PER_LOG_VISCOSITY * viscosity.ln();
    (fleet.dried_flow_lpm[stage.machine.idx][oil_idx] * effect.exp()).min(0.97 * flow_lpm)
}

fn air_at(stage: &Stage<'_>, at: i64) -> Air {
    stage.fleet.weather[stage.fleet.reservoirs[stage.tank.idx].site].at(at)
}

/// The pump with what water in its oil does to its base.
fn pump_now(stage: &Stage<'_>, at: i64) -> PumpNow {
    let unit = &stage.fleet.units[stage.machine.idx];
    let mut pump = stage.machine.pump.at(unit, at);
    match unit.pump_kind {
        "rotary_vane" => {
            pump.base_kpa += stage.machine.wet_oil * saturation_kpa(stage.machine.pump_degc);
        }
        // Seal water at some kelvin above the air limits a liquid-ring pump.
        "liquid_ring" => pump.base_kpa += 0.3 * (saturation_kpa(stage.machine.pump_degc) - 2.3),
        _ => {}
    }
    pump.base_kpa = pump.base_kpa.max(0.5);
    pump
}

fn pump_warm_degc(unit: &Unit, air: Air) -> f64 {
    match unit.pump_kind {
        "liquid_ring" => air.air_degc.max(5.0) + 10.0,
        "dry" => air.air_degc + 55.0,
        _ => air.air_degc * 0.6 + 52.0,
    }
}

fn warm_pump(stage: &mut Stage<'_>, air: Air, hours: f64) {
    let target = pump_warm_degc(&stage.fleet.units[stage.machine.idx], air);
    stage.machine.pump_degc += (target - stage.machine.pump_degc) * (1.0 - (-hours / 0.7).exp());
}

fn cool_pump(stage: &mut Stage<'_>, air: Air, hours: f64) {
    let gap = stage.machine.pump_degc - air.air_degc;
    stage.machine.pump_degc = air.air_degc + gap * (-hours.max(0.0) / 2.5).exp();
}

/// Water gets into the pump's oil at a high vapour pressure and leaves while it runs hot and dry.
fn wet_oil(stage: &mut Stage<'_>, vapour_kpa: f64, hours: f64) {
    let unit = &stage.fleet.units[stage.machine.idx];
    if unit.pump_kind != "rotary_vane" {
        return;
    }
    let machine = &mut *stage.machine;
    let gain = 0.03 * (vapour_kpa / 6.0 - 1.0).max(0.0);
    machine.wet_oil = (machine.wet_oil + gain * hours).min(1.0) * (-hours / 40.0).exp();
    let at = stage.tank.at;
    match machine.wet_since {
        None if machine.wet_oil > 0.3 => machine.wet_since = Some(at),
        Some(_) if machine.wet_oil < 0.08 => machine.dry_oil(stage.log, at),
        _ => {}
    }
}

fn warm_tank(
    stage: &mut Stage<'_>,
    setting: &Setting,
    (heater_kw, hours): (f64, f64),
    reservoir: &Reservoir,
) {
    let rest = crate::balance::Rest::at(reservoir, &stage.fleet.oils[reservoir.oil], stage.tank.at);
    let heat_kj_per_k = reservoir.mass_kg * 2.0;
    let gained = heater_kw * 3600.0 * 0.9 * hours / heat_kj_per_k;
    let lost = (stage.tank.oil_degc - rest.oil_degc) * (1.0 - (-hours / setting.losses_h).exp());
    stage.tank.oil_degc = (stage.tank.oil_degc + gained - lost).min(setting.setpoint_degc);
}

fn count(stage: &mut Stage<'_>, truth: &Truth, hours: f64) {
    let dirty_flow = truth.flow_lpm * 60.0 * hours;
    let machine = &mut *stage.machine;
    machine.hours += hours;
    machine.total_l += dirty_flow;
    let share = dirty_flow / stage.fleet.reservoirs[stage.tank.idx].true_volume_l;
    let clean = stage.fleet.reservoirs[stage.tank.idx].service.cleanliness[0] as f64 - 3.0;
    let above = (stage.tank.dirt_code - clean).max(0.0);
    stage.tank.dirt_code -= above * (1.0 - (-0.08 * share).exp());
    machine.filter_dp_kpa += 0.02 * above * hours;
}

/// Cells that every row has.
fn common_row(stage: &mut Stage<'_>, at: i64, air: Air, chamber_kpa: f64) -> Row {
    let unit = &stage.fleet.units[stage.machine.idx];
    let machine = &mut *stage.machine;
    machine.pressure_wander = 0.7 * machine.pressure_wander + 0.71 * machine.draw.normal();
    let noise =
        0.12 * machine.pressure_wander.clamp(-3.0, 3.0) * (chamber_kpa / 15.0).clamp(0.3, 1.0);
    let mut row = Row::empty(at, stage.tank.idx);
    row.set(
        Cell::Chamber,
        chamber_kpa + machine.gauge_offset_kpa + noise,
    );
    row.set(Cell::TrueBarometer, air.barometer_kpa);
    if unit.logs_barometer {
        row.set(Cell::Ambient, air.barometer_kpa + unit.barometer_offset_kpa);
    }
    row.set(
        Cell::OilSupply,
        stage.tank.oil_degc + machine.draw.gauss(0.2),
    );
    row.set(Cell::PumpDegc, machine.pump_degc + machine.draw.gauss(0.3));
    row.set(Cell::AirDegc, air.air_degc + machine.draw.gauss(0.3));
    row.set(Cell::RunHours, machine.hours);
    row.set(Cell::OilTotal, machine.total_l);
    row.set(
        Cell::Sump,
        (machine.sump_l / sump_litres(unit) * 100.0).min(100.0),
    );
    row.set(Cell::HeaterKw, 0.0);
    row.set(
        Cell::Amps,
        unit.size.pump_m3h * 0.12 * (1.0 + 0.3 * chamber_kpa / 101.0),
    );
    row
}

fn fill_row(row: &mut Row, stage: &mut Stage<'_>, setting: &Setting, truth: &Truth) {
    let draw = &mut stage.machine.draw;
    row.set(Cell::OilInlet, truth.inlet_degc + draw.gauss(0.25));
    row.set(Cell::OilOutlet, truth.outlet_degc + draw.gauss(0.25));
    row.set(Cell::Flow, truth.flow_lpm * (1.0 + draw.gauss(0.008)));
    let dp = stage.machine.filter_dp_kpa + draw.gauss(1.5);
    row.set(Cell::FilterDp, dp.max(0.0));
    row.set(Cell::Discharge, 25.0 + dp.max(0.0) * 0.8 + draw.gauss(2.0));
    row.set(Cell::Suction, -12.0 + draw.gauss(1.5));
    row.set(Cell::Hertz, setting.hertz);
    row.set(Cell::Vent, setting.vent_pct);
    row.set(Cell::HeaterKw, truth.heater_kw);
    row.set(Cell::Setpoint, setting.setpoint_degc);
    row.set(Cell::PumpOn, 1.0);
    row.set(Cell::ChamberLevel, 50.0 + draw.gauss(4.0));
    row.set(Cell::Running, 1.0);
    row.alarm = match () {
        () if truth.chamber_kpa > 45.0 => 1,
        () if truth.flow_lpm
            < 0.55 * setting.hertz / 60.0 * stage.fleet.units[stage.machine.idx].size.flow_lpm =>
        {
            2
        }
        () if row.get(Cell::Sump) > 95.0 => 4,
        () => 0,
    };
    debug_assert!(truth.pump.speed_m3h > 0.0 && truth.floor_ppm >= 0.0);
}

/// What the water sensor shows.
fn sense_water(
    row: &mut Row,
    stage: &mut Stage<'_>,
    (oil, _reservoir): (&Oil, &Reservoir),
    truth: &Truth,
    hours: f64,
) {
    let unit = &stage.fleet.units[stage.machine.idx];
    let Some(sensor) = unit.sensor else { return };
    let (ppm, degc) = match sensor.place {
        "outlet" => (truth.outlet_ppm, truth.outlet_degc),
        "bypass" => (stage.tank.water.mid_ppm, truth.supply_degc - 3.0),
        _ => (stage.tank.water.mid_ppm, truth.inlet_degc),
    };
    let machine = &mut *stage.machine;
    let years = (row.at - machine.sensor_since) as f64 / (365.25 * DAY as f64);
    let keep = (-hours / 0.8).exp();
    machine.sensor_wander =
        keep * machine.sensor_wander + (1.0 - keep * keep).sqrt() * machine.draw.normal();
    let activity = (ppm / oil.solubility_ppm(degc)).min(1.0);
    let mut shown = activity * sensor.gain
        + machine.sensor_offset
        + sensor.drift_per_year * years
        + sensor.noise_activity * machine.sensor_wander
        + 0.001 * machine.draw.normal();
    if activity >= 1.0 {
        shown = shown.max(1.0);
    }
    shown = shown.clamp(0.0, 1.0);
    if row.at < machine.stuck_until {
        shown = machine.stuck_at;
    } else if machine.draw.chance(hours / 1500.0) {
        machine.stuck_until = row.at + (machine.draw.uniform(3.0, 30.0) * 3600.0) as i64;
        machine.stuck_at = shown;
    }
    if machine.draw.chance(0.0004) {
        shown = (shown + machine.draw.uniform(0.1, 0.6)).min(1.0);
    }
    match sensor.kind {
        SensorKind::Activity => row.set(Cell::Activity, shown),
        SensorKind::Ppm => row.set(Cell::WaterPpm, shown * oil.register_solubility_ppm(degc)),
    }
    if sensor.place == "bypass" {
        row.set(Cell::SensorDegc, degc);
    }
}

fn sump_litres(unit: &Unit) -> f64 {
    unit.size.flow_lpm.sqrt() * 2.0
}

fn drain_sump(stage: &mut Stage<'_>, at: i64) {
    let unit = &stage.fleet.units[stage.machine.idx];
    if stage.machine.sump_l > sump_litres(unit) * 0.9 && stage.machine.draw.chance(0.3) {
        let litres = (stage.machine.sump_l * 10.0).round() / 10.0;
        event(stage, at, "D500", "drain", Some(litres));
        stage.machine.sump_l = 0.0;
    }
}

/// A row of a unit that stands switched on and does not work.
pub(crate) fn stopped_row(stage: &mut Stage<'_>, at: i64) -> Row {
    let air = air_at(stage, at);
    cool_pump(stage, air, 0.5);
    let mut row = common_row(stage, at, air, air.barometer_kpa);
    row.set(Cell::Flow, 0.0);
    row.set(Cell::Discharge, 0.0);
    row.set(Cell::Hertz, 0.0);
    row.set(Cell::Vent, 100.0);
    row.set(Cell::PumpOn, 0.0);
    row.set(Cell::Amps, 0.0);
    row.set(Cell::Running, 0.0);
    row
}
