//! An invented fleet in memory: registers, what is true of every pair of unit and oil, and when who dried what.
//!
//! Made apart from the demo's simulator, with other laws (removal per pass from transfer units, a vapour cap, oil that
//! warms while it dries), so that an estimator fitted to the one is judged on the other.

use drydown_quantity::{OilType, ReservoirId, Stamp, UnitId};
use drydown_runs::history::{Oil, Registers, Reservoir, SensorPlace, Unit, VolumeBasis};
use drydown_stats::rng::{self, Pcg64, index, standard_normal, uniform};

use crate::dry::{Job, Place, dry};

/// What is peculiar to a set of fleets.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Kind {
    pub(crate) n_units: usize,
    pub(crate) n_oils: usize,
    /// How wrong the log volumes are, whatever the register says of them; None: as wrong as it says.
    pub(crate) volume_sd: Option<f64>,
    /// What the register says of all volumes; None: a dip, a nameplate or a guess in turn.
    pub(crate) basis: Option<VolumeBasis>,
    /// Share of the runs with a stuck sensor, another reservoir's name or wet oil filled in, unrecorded.
    pub(crate) spoiled: f64,
    /// Share of the reservoirs that mix badly.
    pub(crate) badly_mixed: f64,
    /// Share of the reservoirs with settled water that dissolves again.
    pub(crate) settled: f64,
}

/// 25 units on 8 oils.
pub(crate) const LARGE: Kind = Kind {
    n_units: 25,
    n_oils: 8,
    volume_sd: None,
    basis: None,
    spoiled: 0.0,
    badly_mixed: 0.0,
    settled: 0.0,
};
/// 8 units on 4 oils.
pub(crate) const SMALL: Kind = Kind {
    n_units: 8,
    n_oils: 4,
    ..LARGE
};

/// Spreads of the log of transfer units: unit, oil, cell, run.
pub(crate) const SDS: [f64; 4] = [0.22, 0.45, 0.15, 0.17];
pub(crate) const MEAN_LN_NTU: f64 = -0.6;
/// How transfer units go with the oil's temperature (1/K), the log of the chamber's pressure and of the flow.
pub(crate) const PER_KELVIN: f64 = 0.010;
pub(crate) const PER_LOG_PRESSURE: f64 = -0.12;
pub(crate) const PER_LOG_FLOW: f64 = -0.45;
pub(crate) const REFERENCE_DEGC: f64 = 65.0;
pub(crate) const REFERENCE_KPA: f64 = 20.0;

/// One unit beyond its register row.
#[derive(Clone, Debug)]
pub(crate) struct Machine {
    pub(crate) unit: Unit,
    pub(crate) flow_lpm: f64,
    pub(crate) pump_m3h: f64,
    pub(crate) heater_kw: f64,
    pub(crate) base_kpa: f64,
    /// Mole fraction of vapour in the gas that is bled in or leaks.
    pub(crate) vapour_share: f64,
    /// Offset of the sensor as an activity, and its gain; None: no sensor.
    pub(crate) sensor: Option<Sensor>,
}

#[derive(Clone, Copy, Debug)]
pub(crate) struct Sensor {
    pub(crate) offset_activity: f64,
    pub(crate) gain: f64,
    pub(crate) from_activity: bool,
}

/// One oil beyond its register row: the true constants of its solubility.
#[derive(Clone, Debug)]
pub(crate) struct TrueOil {
    pub(crate) oil: Oil,
    pub(crate) a: f64,
    pub(crate) b_k: f64,
}

/// One reservoir beyond its register row.
#[derive(Clone, Debug)]
pub(crate) struct Tank {
    pub(crate) reservoir: Reservoir,

    pub(crate) volume_l: f64,
    /// Share of the oil in the unit's loop, and exchange per hour; None: one well-mixed body.
    pub(crate) mixing: Option<(f64, f64)>,
    /// Settled water before a run, ppm of the oil, and the share of the gap to saturation that dissolves per hour while
    /// most of it is there.
    pub(crate) settled: Option<(f64, f64)>,
    pub(crate) ingress_ppm_per_h: f64,
    pub(crate) ambient_degc: f64,
}

/// A fleet with all that is true of it.
#[derive(Clone, Debug)]
pub(crate) struct World {
    pub(crate) registers: Registers,
    /// Log of transfer units of each unit on each oil at reference conditions.
    pub(crate) ln_ntu: Vec<Vec<f64>>,
    pub(crate) jobs: Vec<Job>,
    pub(crate) tanks: Vec<Tank>,
}

/// Removal per pass from the log of transfer units.
pub(crate) fn per_pass(ln_ntu: f64) -> f64 {
    (1.0 - (-ln_ntu.exp()).exp()).min(0.94)
}

impl World {
    /// The fleet of a seed.
    pub(crate) fn new(kind: Kind, seed: u64) -> Self {
        let mut rng = rng::seeded(seed, "world");
        let machines: Vec<Machine> = (0..kind.n_units)
            .map(|idx| machine(idx, &mut rng))
            .collect();
        let oils: Vec<TrueOil> = (0..kind.n_oils).map(|idx| oil(idx, &mut rng)).collect();
        let tanks: Vec<Tank> = (0..6 * kind.n_oils)
            .map(|idx| tank(idx, kind, &mut rng))
            .collect();
        let by_unit = scaled(kind.n_units, SDS[0], &mut rng);
        let by_oil = scaled(kind.n_oils, SDS[1], &mut rng);
        let ln_ntu: Vec<Vec<f64>> = by_unit
            .iter()
            .map(|unit| {
                by_oil
                    .iter()
                    .map(|oil| MEAN_LN_NTU + unit + oil + SDS[2] * standard_normal(&mut rng))
                    .collect()
            })
            .collect();
        let lab_bias = 0.04 * standard_normal(&mut rng);
        let mut jobs = Vec::new();
        for (u, machine) in machines.iter().enumerate() {
            for (o, oil) in oils.iter().enumerate() {
                if uniform(&mut rng) > 0.55 {
                    continue;
                }
                let mut day = 400.0 * uniform(&mut rng);
                for _ in 0..=index(&mut rng, 5) {
                    let at = 6 * o + index(&mut rng, 6);
                    day += 5.0 + 30.0 * uniform(&mut rng);
                    let spoiled = uniform(&mut rng) < kind.spoiled;
                    let place = Place {
                        machine,
                        oil,
                        tank: &tanks[at],
                        ln_ntu: ln_ntu[u][o],
                        start: Stamp::from_seconds(1_735_700_100).plus_days(day),
                        lab_bias,
                        spoil: spoiled.then(|| index(&mut rng, 3)),
                        other: &tanks[6 * o + (at + 1 + index(&mut rng, 5)) % 6],
                    };
                    jobs.push(dry(&place, &mut rng));
                }
            }
        }
        let registers = Registers {
            units: machines.into_iter().map(|machine| machine.unit).collect(),
            oils: oils.into_iter().map(|oil| oil.oil).collect(),
            reservoirs: tanks.iter().map(|tank| tank.reservoir.clone()).collect(),
            ..Registers::default()
        };
        Self {
            registers,
            ln_ntu,
            jobs,
            tanks,
        }
    }
}

fn scaled(n: usize, sd: f64, rng: &mut Pcg64) -> Vec<f64> {
    rng::standard_normals(rng, n)
        .into_iter()
        .map(|z| z * sd)
        .collect()
}

fn machine(idx: usize, rng: &mut Pcg64) -> Machine {
    let (flow_lpm, pump_m3h, heater_kw) = [
        (40.0, 25.0, 25.0),
        (90.0, 50.0, 50.0),
        (200.0, 100.0, 140.0),
    ][idx % 3];
    let place = match idx % 7 {
        3 => SensorPlace::Outlet,
        5 => SensorPlace::Bypass,
        _ => SensorPlace::Inlet,
    };
    let sensor = (idx % 8 != 6).then(|| Sensor {
        offset_activity: 0.010 * standard_normal(rng),
        gain: (0.04 * standard_normal(rng)).exp(),
        from_activity: idx % 5 != 4,
    });
    Machine {
        unit: Unit {
            unit_id: UnitId::from(format!("U-{idx:02}")),
            size_class: None,
            nameplate_flow_lpm: Some(flow_lpm),
            heater_rated_kw: Some(heater_kw),
            vacuum_pump_m3h: Some(pump_m3h),
            vacuum_pump_kind: None,
            chamber_volume_l: None,
            commissioned_on: None,
            home_site_id: None,
            water_sensor_place: sensor.map(|_| place),
            oil_families_allowed: Vec::new(),
            insulating_oil_ready: None,
        },
        flow_lpm,
        pump_m3h,
        heater_kw,
        base_kpa: 1.2 + 1.5 * uniform(rng),
        vapour_share: 0.02 * (0.4 * standard_normal(rng)).exp(),
        sensor,
    }
}

fn oil(idx: usize, rng: &mut Pcg64) -> TrueOil {
    // The mineral line of the solubility table, 1.5 to 9 times as soluble for additives.
    let a = 7.0895 + (1.5_f64 * 6.0_f64.powf(uniform(rng))).log10();
    TrueOil {
        a,
        b_k: 1567.0,
        oil: Oil {
            oil_type: OilType::from(format!("oil-{idx:02}")),
            family: Some("mineral".into()),
            iso_vg: None,
            viscosity_40c_mm2s: None,
            viscosity_100c_mm2s: None,
            density_15c_kgm3: Some(870.0),
            // The register is some percent off.
            solubility_a: Some(a + 0.035 * standard_normal(rng)),
            solubility_b_k: Some(1567.0),
            flash_degc: None,
        },
    }
}

fn tank(idx: usize, kind: Kind, rng: &mut Pcg64) -> Tank {
    let volume_l = (9000.0 * (0.6 * standard_normal(rng)).exp()).clamp(1500.0, 40_000.0);
    let bases = [VolumeBasis::Dip, VolumeBasis::Nameplate, VolumeBasis::Guess];
    let basis = kind.basis.unwrap_or(bases[index(rng, 3)]);
    let stated = match basis {
        VolumeBasis::Dip => 0.05,
        VolumeBasis::Nameplate => 0.20,
        VolumeBasis::Guess => 0.35,
    };
    let wrong = kind.volume_sd.unwrap_or(stated) * standard_normal(rng);
    let mixing = (uniform(rng) < kind.badly_mixed)
        .then(|| (0.5 + 0.25 * uniform(rng), 0.02 + 0.08 * uniform(rng)));
    let settled = (kind.settled > 0.0 && uniform(rng) < kind.settled)
        .then(|| (100.0 + 400.0 * uniform(rng), 0.02 + 0.06 * uniform(rng)));
    Tank {
        volume_l,
        mixing,
        settled,
        ingress_ppm_per_h: 0.15 * (0.9 * standard_normal(rng)).exp(),
        ambient_degc: 10.0 + 20.0 * uniform(rng),
        reservoir: Reservoir {
            reservoir_id: ReservoirId::from(format!("R-{idx:03}")),
            site_id: None,
            service: None,
            oil_type: None,
            volume_l: Some((volume_l * wrong.exp() / 10.0).round() * 10.0),
            volume_basis: Some(basis),
            water_limit_ppm: None,
            cleanliness_limit: None,
            acid_limit_mgkoh_g: None,
            coldest_oil_degc: None,
            max_oil_degc: None,
            criticality: None,
            paper_insulated: None,
            energised: None,
            pcb_status: None,
            breather: None,
        },
    }
}
