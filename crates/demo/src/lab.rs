//! What a laboratory reports of a sample: bias, scatter, qualifiers, delay, a corrected report.

use crate::calendar::{DAY, HOUR};
use crate::catalogue::LABS;
use crate::draw::Draw;
use crate::fleet::Fleet;
use crate::log::Log;
use crate::tank::{Drawn, Tank};

/// Where a sample was drawn.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Point {
    Mid,
    Bottom,
    Line,
    UnitInlet,
    UnitOutlet,
    Drum,
}

/// A stated value with its qualifier.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Stated {
    pub(crate) value: f64,
    pub(crate) below: bool,
}

/// One report.
#[derive(Clone, Debug)]
pub(crate) struct LabResult {
    pub(crate) lab: usize,
    /// Reservoir on the label (rarely a wrong one).
    pub(crate) label: usize,
    pub(crate) reservoir: usize,
    pub(crate) unit: Option<usize>,
    pub(crate) taken: i64,
    pub(crate) reported: i64,
    pub(crate) point: Point,
    pub(crate) sample_degc: Option<f64>,
    pub(crate) water: Option<Stated>,
    /// Codes at 4, 6 and 14 µm.
    pub(crate) codes: Option<[i64; 3]>,
    pub(crate) viscosity: Option<f64>,
    pub(crate) acid: Option<f64>,
    pub(crate) breakdown_kv: Option<f64>,
    /// When and to what the water result was corrected.
    pub(crate) corrected: Option<(i64, f64)>,
}

/// Bias of a laboratory on the log of water, about as large as its scatter.
pub(crate) fn bias(seed: u64, lab: usize) -> f64 {
    Draw::of(seed, &format!("laboratory {lab}")).gauss(0.05)
}

/// Send a sample of a reservoir to its laboratory.
pub(crate) fn send(fleet: &Fleet, tank: &mut Tank, drawn: Drawn, log: &mut Log) {
    let reservoir = &fleet.reservoirs[tank.idx];
    let oil_degc = tank.oil_degc;
    let draw = &mut tank.draw;
    let usual = tank.idx % LABS.len();
    let lab = if draw.chance(0.1) {
        (usual + 1) % LABS.len()
    } else {
        usual
    };
    let spec = LABS[lab];
    let insulating = reservoir.service.insulating;
    let lowest = if insulating {
        spec.lowest_ppm.1
    } else {
        spec.lowest_ppm.0
    };
    let scatter = (draw.gauss(spec.cv) + fleet.lab_bias[lab]).exp();
    let water = stated(drawn.water_ppm * scatter, lowest);
    let from_reservoir = matches!(drawn.point, Point::Mid | Point::Line);
    let corrected = (draw.chance(0.012) && !water.below).then(|| {
        let later = (draw.uniform(3.0, 9.0) * DAY as f64) as i64;
        (
            later,
            stated(drawn.water_ppm * draw.lognormal(1.0, spec.cv), lowest).value,
        )
    });
    let taken = tank.at - tank.at.rem_euclid(60);
    let reported = taken + (draw.uniform(2.0, 9.0) * 24.0) as i64 * HOUR;
    // A correction must change something, else it is no correction.
    let corrected = corrected.map(|(later, value)| {
        let value = if (value - water.value).abs() < 1.0 {
            value + 3.0
        } else {
            value
        };
        (reported + later, value.min(999.0 * 200.0))
    });
    let wet = drawn.water_ppm > 0.9 * fleet.oils[reservoir.oil].solubility_ppm(25.0);
    let code = tank.dirt_code + draw.gauss(0.35) + if wet { 0.8 } else { 0.0 };
    let spread = [0.0, -1.9, -4.9];
    let codes = spread.map(|down| (code + down).round().clamp(3.0, 28.0) as i64);
    let saturation = drawn.water_ppm / fleet.oils[reservoir.oil].solubility_ppm(20.0);
    let breakdown = 68.0 - 42.0 / (1.0 + (-(saturation - 0.55) * 9.0).exp());
    let nu40 = fleet.oils[reservoir.oil].spec.viscosity_mm2s.0;
    log.samples.push(LabResult {
        lab,
        label: tank.idx,
        reservoir: tank.idx,
        unit: drawn.unit,
        taken,
        reported,
        point: drawn.point,
        sample_degc: draw
            .chance(0.6)
            .then(|| (oil_degc + draw.gauss(2.0)).round()),
        water: (!draw.chance(0.01)).then_some(water),
        codes: (from_reservoir && draw.chance(0.85)).then_some(codes),
        viscosity: (from_reservoir && draw.chance(0.8))
            .then(|| (nu40 * draw.lognormal(1.0, 0.012) * 10.0).round() / 10.0),
        acid: (from_reservoir && draw.chance(0.8))
            .then(|| (tank.acid * draw.lognormal(1.0, 0.06) * 100.0).round() / 100.0),
        breakdown_kv: (insulating && from_reservoir).then(|| {
            (breakdown * draw.lognormal(1.0, 0.08))
                .clamp(8.0, 95.0)
                .round()
        }),
        corrected,
    });
}

fn stated(ppm: f64, lowest: f64) -> Stated {
    let ppm = ppm.clamp(0.0, 190_000.0);
    if ppm < lowest {
        return Stated {
            value: lowest,
            below: true,
        };
    }
    let step = match ppm {
        ppm if ppm < 1000.0 => 1.0,
        ppm if ppm < 10_000.0 => 10.0,
        _ => 100.0,
    };
    Stated {
        value: (ppm / step).round() * step,
        below: false,
    }
}
