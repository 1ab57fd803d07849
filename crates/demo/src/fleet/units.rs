//! Units: nameplates, instruments with their faults, and the true dried flow on every oil.

use super::oils::Oil;
use crate::catalogue::{Dialect, SIZE_ORDER, SIZES, Size, YARD_ORDER, YARDS};
use crate::config::DemoConfig;
use crate::draw::Draw;

/// Standard deviation of the unit effect on log dried flow.
const UNIT_SD: f64 = 0.15;
/// Standard deviation of the unit × oil effect on log dried flow.
const PAIR_SD: f64 = 0.10;
/// A pass never takes out more than this share.
const REMOVAL_PER_PASS_MAX: f64 = 0.94;

/// What a water sensor shows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum SensorKind {
    /// Water activity (relative saturation).
    Activity,
    /// Water content, worked out by the instrument from activity and the register's solubility.
    Ppm,
}

/// A water sensor with its faults.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Sensor {
    pub(crate) kind: SensorKind,
    /// 'inlet', 'outlet' or 'bypass'.
    pub(crate) place: &'static str,
    pub(crate) offset_activity: f64,
    pub(crate) gain: f64,
    pub(crate) drift_per_year: f64,
    pub(crate) noise_activity: f64,
}

/// One unit.
#[derive(Clone, Debug)]
pub(crate) struct Unit {
    pub(crate) id: String,
    pub(crate) yard: usize,
    pub(crate) size: Size,
    pub(crate) pump_kind: &'static str,
    /// True speed of the pump first fitted, m³/h.
    pub(crate) pump_m3h: f64,
    /// Base pressure of a sound pump, kPa.
    pub(crate) base_kpa: f64,
    pub(crate) home_site: usize,
    pub(crate) commissioned_year: i16,
    pub(crate) families: Vec<&'static str>,
    pub(crate) insulating_ready: bool,
    pub(crate) sensor: Option<Sensor>,
    pub(crate) logs_barometer: bool,
    pub(crate) barometer_offset_kpa: f64,
    pub(crate) gauge_offset_kpa: f64,
    /// Time step of the log during pump-down and in steady work, s.
    pub(crate) start_step_s: i64,
    pub(crate) log_step_s: i64,
    /// Share of starts with the vent left open.
    pub(crate) open_vent_share: f64,
    pub(crate) hours_meter: f64,
}

/// The units of the fleet.
pub(super) fn make_units(config: &DemoConfig) -> Vec<Unit> {
    (0..config.n_units())
        .map(|idx| make_unit(config, idx))
        .collect()
}

fn make_unit(config: &DemoConfig, idx: usize) -> Unit {
    let id = format!("U-{:02}", idx + 1);
    let mut draw = Draw::of(config.seed, &format!("unit {id}"));
    let yard = YARD_ORDER[idx % YARD_ORDER.len()];
    let size = SIZES[SIZE_ORDER[idx % SIZE_ORDER.len()]];
    let (pump_kind, base_kpa) = match draw.below(10) {
        0 | 1 => ("liquid_ring", draw.uniform(5.0, 7.0)),
        2 => ("dry", draw.uniform(3.2, 4.0)),
        _ => ("rotary_vane", draw.uniform(3.4, 4.8)),
    };
    let insulating_ready = idx % 3 == 1 || draw.chance(0.15);
    let mut families = vec![
        "mineral_turbine",
        "mineral_hydraulic",
        "mineral_gear",
        "pao",
    ];
    if insulating_ready {
        families.extend(["mineral_insulating", "natural_ester"]);
    }
    if draw.chance(0.4) {
        families.push("phosphate_ester");
    }
    let dialect = YARDS[yard].dialect;
    let tall = matches!(dialect, Dialect::TallRfc | Dialect::TallEpoch);
    let slow = draw.chance(0.12);
    Unit {
        yard,
        pump_kind,
        pump_m3h: size.pump_m3h * draw.uniform(0.88, 1.02),
        base_kpa,
        home_site: YARDS[yard].sites[0],
        commissioned_year: 2012 + draw.below(11) as i16,
        families,
        insulating_ready,
        sensor: draw.chance(0.82).then(|| make_sensor(&mut draw)),
        logs_barometer: matches!(dialect, Dialect::Metric | Dialect::TallRfc),
        barometer_offset_kpa: draw.gauss(0.15),
        gauge_offset_kpa: draw.gauss(0.3),
        start_step_s: match (slow, draw.chance(0.5)) {
            (true, _) => 60,
            (false, true) => 5,
            (false, false) => 10,
        },
        log_step_s: if tall { 600 } else { 300 },
        open_vent_share: if draw.chance(0.2) { 0.3 } else { 0.05 },
        hours_meter: draw.uniform(800.0, 22_000.0).round(),
        size,
        id,
    }
}

fn make_sensor(draw: &mut Draw) -> Sensor {
    let place = match draw.below(10) {
        0..=5 => "inlet",
        6 | 7 => "outlet",
        _ => "bypass",
    };
    Sensor {
        kind: if draw.chance(0.6) {
            SensorKind::Activity
        } else {
            SensorKind::Ppm
        },
        place,
        offset_activity: draw.gauss(0.010),
        gain: draw.lognormal(1.0, 0.04),
        drift_per_year: draw.gauss(0.012),
        noise_activity: draw.uniform(0.002, 0.006),
    }
}

/// True dried flow of every unit on every oil at 65 °C, 20 kPa and nameplate flow, L/min.
pub(super) fn dried_flows(seed: u64, units: &[Unit], oils: &[Oil]) -> Vec<Vec<f64>> {
    units
        .iter()
        .map(|unit| {
            let unit_effect = Draw::of(seed, &format!("removal {}", unit.id)).normal() * UNIT_SD;
            let flow = unit.size.flow_lpm;
            oils.iter()
                .map(|oil| {
                    let subject = format!("removal {} {}", unit.id, oil.spec.word);
                    let pair_effect = Draw::of(seed, &subject).normal() * PAIR_SD;
                    let effect = unit_effect + oil.effect + pair_effect;
                    let free = unit.size.removal_per_pass * effect.exp();
                    flow * free.min(REMOVAL_PER_PASS_MAX)
                })
                .collect()
        })
        .collect()
}
