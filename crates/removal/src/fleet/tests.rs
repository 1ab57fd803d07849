//! Fleets simulated from a known truth, at the level of run estimates.

mod answers;
mod coverage;

use drydown_quantity::{OilType, ReservoirId, RunId, Stamp, UnitId};
use drydown_runs::Run;
use drydown_runs::history::{Oil, Registers, Reservoir, Unit, VolumeBasis};
use drydown_stats::rng;

use super::*;
use crate::rows::{Basis, LimitedBy, Regime, RunStatus};

const NAMEPLATE: f64 = 100.0;

fn unit(id: &str) -> Unit {
    Unit {
        unit_id: UnitId::from(id),
        size_class: None,
        nameplate_flow_lpm: Some(NAMEPLATE),
        heater_rated_kw: None,
        vacuum_pump_m3h: None,
        vacuum_pump_kind: None,
        chamber_volume_l: None,
        commissioned_on: None,
        home_site_id: None,
        water_sensor_place: None,
        oil_families_allowed: Vec::new(),
        insulating_oil_ready: None,
    }
}

fn oil(id: &str) -> Oil {
    Oil {
        oil_type: OilType::from(id),
        family: None,
        iso_vg: None,
        viscosity_40c_mm2s: None,
        viscosity_100c_mm2s: None,
        density_15c_kgm3: None,
        solubility_a: Some(7.0895),
        solubility_b_k: Some(1567.0),
        flash_degc: None,
    }
}

fn reservoir(id: &str, basis: VolumeBasis) -> Reservoir {
    Reservoir {
        reservoir_id: ReservoirId::from(id),
        site_id: None,
        service: None,
        oil_type: None,
        volume_l: Some(1000.0),
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
    }
}

/// One run whose log dried flow over nameplate was found to be `log_relative` with standard error `se`.
#[derive(Clone, Copy)]
pub(super) struct Found<'a> {
    pub(super) unit: &'a str,
    pub(super) oil: &'a str,
    pub(super) reservoir: &'a str,
    pub(super) day: f64,
    pub(super) log_relative: f64,
    pub(super) se: f64,
    pub(super) degc: f64,
    pub(super) kpa: f64,
}

pub(super) fn found(of: Found<'_>) -> (RemovalRun, Run) {
    let started_at = Stamp::from_seconds(1_735_700_000).plus_days(of.day);
    let run_id = RunId::from(format!("{}@{}", of.unit, started_at.compact()));
    let rate = of.log_relative.exp() * NAMEPLATE * 60.0 / 1000.0;
    let run = Run {
        run_id: run_id.clone(),
        unit_id: UnitId::from(of.unit),
        reservoir_id: Some(ReservoirId::from(of.reservoir)),
        oil_type: Some(OilType::from(of.oil)),
        started_at,
        ended_at: started_at.plus_hours(20.0),
        hours: 20.0,
        flow_lpm: Some(NAMEPLATE),
        oil_degc: Some(of.degc),
        chamber_kpa: Some(of.kpa),
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
    };
    let fit = RemovalRun {
        run_id,
        unit_id: run.unit_id.clone(),
        oil_type: run.oil_type.clone(),
        reservoir_id: run.reservoir_id.clone(),
        removal_rate_per_h: Some(rate),
        removal_rate_se: Some(rate * of.se),
        removal_rate_lower_90: Some(rate * (-1.645 * of.se).exp()),
        removal_rate_upper_90: Some(rate * (1.645 * of.se).exp()),
        dried_flow_lpm: Some(rate * 1000.0 / 60.0),
        removal_per_pass: None,
        floor_ppm: Some(20.0),
        floor_lower_90: None,
        floor_upper_90: None,
        capacity_kg_per_h: None,
        limited_by: Some(LimitedBy::Transfer),
        regime: Some(Regime::FirstOrder),
        status: RunStatus::Identified,
        start_ppm: Some(400.0),
        end_ppm: Some(25.0),
        n_used: 50,
        n_points: 50,
        residual_phi: None,
        evidence: String::new(),
    };
    (fit, run)
}

pub(super) struct Sim {
    pub(super) runs: Vec<(RemovalRun, Run)>,
    pub(super) registers: Registers,
    /// Log removal per pass of each (unit, oil) in the long run.
    pub(super) truth: Vec<Vec<f64>>,
    pub(super) run_sd: f64,
}

/// Basis stated for each third of the reservoirs, and how wrong their log volumes are.
#[derive(Clone, Copy)]
struct Volumes {
    bases: [VolumeBasis; 3],
    sds: [f64; 3],
}

/// Every basis is what it says.
const AS_STATED: Volumes = Volumes {
    bases: [VolumeBasis::Dip, VolumeBasis::Nameplate, VolumeBasis::Guess],
    sds: [0.05, 0.20, 0.35],
};

pub(super) fn simulate(n_units: usize, n_oils: usize, seed: u64) -> Sim {
    simulate_with(n_units, n_oils, seed, AS_STATED)
}

/// A fleet with the spreads of the method's trial: unit .15, oil .35, cell .10, run .12.
fn simulate_with(n_units: usize, n_oils: usize, seed: u64, volumes: Volumes) -> Sim {
    let mut rng = rng::seeded(seed, "fleet");
    let run_sd = 0.12;
    let normals = |n: usize, sd: f64, rng: &mut rng::Pcg64| -> Vec<f64> {
        rng::standard_normals(rng, n)
            .into_iter()
            .map(|z| z * sd)
            .collect()
    };
    let units = normals(n_units, 0.15, &mut rng);
    let oils = normals(n_oils, 0.35, &mut rng);
    let truth: Vec<Vec<f64>> = units
        .iter()
        .map(|u| {
            oils.iter()
                .map(|o| -1.2 + u + o + 0.10 * rng::standard_normal(&mut rng))
                .collect()
        })
        .collect();
    let name_unit = |idx: usize| format!("U-{idx:02}");
    let name_oil = |idx: usize| format!("oil-{idx:02}");
    let bases = volumes.bases;
    let n_reservoirs = 6 * n_oils;
    let volume_errors: Vec<f64> = (0..n_reservoirs)
        .map(|idx| volumes.sds[idx % 3] * rng::standard_normal(&mut rng))
        .collect();
    let mut runs = Vec::new();
    for (u, row) in truth.iter().enumerate() {
        for (o, level) in row.iter().enumerate() {
            if rng::uniform(&mut rng) > 0.55 {
                continue;
            }
            for _ in 0..=rng::index(&mut rng, 5) {
                let place = o * 6 + rng::index(&mut rng, 6);
                let se = 0.03 * (rng::uniform(&mut rng) * (0.5_f64 / 0.03).ln()).exp();
                let degc = 65.0 + 5.0 * rng::standard_normal(&mut rng);
                let kpa = 20.0 * (0.3 * rng::standard_normal(&mut rng)).exp();
                let covariates =
                    -1.2 * (1e3 / (degc + 273.15) - 1e3 / 338.15) - 0.15 * (kpa / 20.0).ln();
                let error =
                    run_sd * rng::standard_normal(&mut rng) + se * rng::standard_normal(&mut rng);
                runs.push(found(Found {
                    unit: &name_unit(u),
                    oil: &name_oil(o),
                    reservoir: &format!("R-{place:03}"),
                    day: 500.0 * rng::uniform(&mut rng),
                    log_relative: level + covariates + volume_errors[place] + error,
                    se,
                    degc,
                    kpa,
                }));
            }
        }
    }
    let registers = Registers {
        units: (0..n_units).map(|idx| unit(&name_unit(idx))).collect(),
        oils: (0..n_oils).map(|idx| oil(&name_oil(idx))).collect(),
        reservoirs: (0..n_reservoirs)
            .map(|idx| reservoir(&format!("R-{idx:03}"), bases[idx % 3]))
            .collect(),
        ..Registers::default()
    };
    Sim {
        runs,
        registers,
        truth,
        run_sd,
    }
}

pub(super) fn pool(sim: &Sim) -> FleetRemoval {
    let runs = as_fleet(&sim.runs);
    pool_fleet(&runs, &sim.registers, &FleetConfig::documented())
}

pub(super) fn as_fleet(runs: &[(RemovalRun, Run)]) -> Vec<FleetRun<'_>> {
    runs.iter()
        .map(|(fit, run)| FleetRun {
            fit,
            run,
            pump_indicator: None,
        })
        .collect()
}

/// What a set of simulated fleets shows.
struct Shown {
    /// Coverage of the cell's interval: all cells, cells never seen, cells with runs.
    cell: f64,
    unseen: f64,
    own: f64,
    /// Coverage of the interval of a new run.
    new_run: f64,
    /// Error of log removal in cells with runs, over that of the cells' own plain means.
    error_ratio: f64,
    /// Share of the fleet's four spreads that lie in their intervals.
    components: f64,
    /// Mean width of the interval of log removal in cells with runs.
    width: f64,
}

fn show(n_units: usize, n_oils: usize, n_fleets: u64) -> Shown {
    show_with(n_units, n_oils, n_fleets, AS_STATED)
}

fn show_with(n_units: usize, n_oils: usize, n_fleets: u64, volumes: Volumes) -> Shown {
    let mut widths = Vec::new();
    let share =
        |held: &[bool]| held.iter().filter(|held| **held).count() as f64 / held.len() as f64;
    let (mut unseen, mut own, mut fresh, mut components) =
        (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    let (mut pooled_squares, mut plain_squares) = (0.0, 0.0);
    for seed in 0..n_fleets {
        let sim = simulate_with(n_units, n_oils, seed, volumes);
        let pooled = pool(&sim);
        let mut rng = rng::seeded(seed, "new runs");
        for (component, truth) in pooled.components.iter().zip([0.15, 0.35, 0.10, 0.12]) {
            components.push(component.interval.contains(truth));
        }
        for (idx, row) in pooled.coefficients.iter().enumerate() {
            let truth = sim.truth[idx / n_oils][idx % n_oils];
            let held = row.lower_90.unwrap() <= truth.exp() && truth.exp() <= row.upper_90.unwrap();
            if row.n_runs == 0 {
                &mut unseen
            } else {
                &mut own
            }
            .push(held);
            let new = (truth + sim.run_sd * rng::standard_normal(&mut rng)).exp();
            fresh
                .push(row.new_run_lower_90.unwrap() <= new && new <= row.new_run_upper_90.unwrap());
            if row.n_runs > 0 {
                widths.push((row.upper_90.unwrap() / row.lower_90.unwrap()).ln());
                let logs: Vec<f64> = sim
                    .runs
                    .iter()
                    .filter(|(fit, _)| {
                        fit.unit_id == row.unit_id && fit.oil_type.as_ref() == Some(&row.oil_type)
                    })
                    .filter_map(|(fit, _)| fit.dried_flow_lpm.map(|flow| (flow / NAMEPLATE).ln()))
                    .collect();
                let plain = logs.iter().sum::<f64>() / logs.len() as f64;
                plain_squares += (plain - truth).powi(2);
                pooled_squares += (row.removal_per_pass.unwrap().ln() - truth).powi(2);
            }
        }
    }
    let all: Vec<bool> = own.iter().chain(&unseen).copied().collect();
    let shown = Shown {
        cell: share(&all),
        unseen: share(&unseen),
        own: share(&own),
        new_run: share(&fresh),
        error_ratio: f64::sqrt(pooled_squares / plain_squares),
        components: share(&components),
        width: widths.iter().sum::<f64>() / widths.len() as f64,
    };
    println!(
        "{n_units} x {n_oils}, {n_fleets} fleets: coverage cells {:.3} (own runs {:.3}, never seen {:.3}), new run {:.3}, \
         spreads {:.3}; error over plain means {:.2}; width {:.3}",
        shown.cell,
        shown.own,
        shown.unseen,
        shown.new_run,
        shown.components,
        shown.error_ratio,
        shown.width
    );
    shown
}

pub(super) fn plain<'a>(unit: &'a str, oil: &'a str, day: f64, log_relative: f64) -> Found<'a> {
    Found {
        unit,
        oil,
        reservoir: "R-1",
        day,
        log_relative,
        se: 0.05,
        degc: 65.0,
        kpa: 20.0,
    }
}
