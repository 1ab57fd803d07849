//! Fleets simulated from a known truth, at the level of run estimates.

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

#[test]
fn intervals_hold_the_truth_in_small_fleets() {
    let shown = show(8, 4, 20);
    assert!((0.84..=0.96).contains(&shown.cell), "{}", shown.cell);
    assert!((0.82..=0.97).contains(&shown.unseen), "{}", shown.unseen);
    assert!((0.84..=0.97).contains(&shown.new_run), "{}", shown.new_run);
    assert!(shown.error_ratio < 0.8, "{}", shown.error_ratio);
    assert!(shown.components >= 0.80, "{}", shown.components);
}

#[test]
fn intervals_hold_the_truth_in_large_fleets() {
    let shown = show(25, 8, 6);
    assert!((0.84..=0.96).contains(&shown.cell), "{}", shown.cell);
    assert!((0.84..=0.97).contains(&shown.unseen), "{}", shown.unseen);
    assert!((0.84..=0.96).contains(&shown.new_run), "{}", shown.new_run);
    assert!(shown.error_ratio < 0.8, "{}", shown.error_ratio);
}

#[test]
fn volumes_worse_than_their_basis_says_are_noticed() {
    // All stated as dipped (5 %), all wrong by 20 %.
    let shown = show_with(
        14,
        6,
        8,
        Volumes {
            bases: [VolumeBasis::Dip; 3],
            sds: [0.20; 3],
        },
    );
    assert!((0.84..=0.96).contains(&shown.own), "{}", shown.own);
    assert!((0.82..=0.97).contains(&shown.unseen), "{}", shown.unseen);
}

#[test]
fn volumes_better_than_their_basis_says_do_not_widen_the_intervals() {
    let guessed = Volumes {
        bases: [VolumeBasis::Guess; 3],
        sds: [0.05; 3],
    };
    let shown = show_with(14, 6, 6, guessed);
    let told = show_with(
        14,
        6,
        6,
        Volumes {
            bases: [VolumeBasis::Dip; 3],
            ..guessed
        },
    );
    assert!((0.84..=0.97).contains(&shown.own), "{}", shown.own);
    let ratio = shown.width / told.width;
    assert!(
        ratio < 1.25,
        "width {ratio} times that of a fleet whose volumes are stated rightly"
    );
}

#[test]
fn five_runs_in_a_hundred_spoiled_cost_little() {
    let (mut clean, mut spoiled) = (0.0, 0.0);
    for seed in 0..4 {
        let mut sim = simulate(14, 6, seed);
        let error = |sim: &Sim| {
            pool(sim)
                .coefficients
                .iter()
                .enumerate()
                .map(|(idx, row)| {
                    (row.removal_per_pass.unwrap().ln() - sim.truth[idx / 6][idx % 6]).powi(2)
                })
                .sum::<f64>()
        };
        clean += error(&sim);
        for (fit, _) in sim.runs.iter_mut().skip(7).step_by(20) {
            // A fault that the run's own fit did not notice: three times the rate, with a small error.
            for value in [
                &mut fit.removal_rate_per_h,
                &mut fit.removal_rate_lower_90,
                &mut fit.removal_rate_upper_90,
                &mut fit.removal_rate_se,
                &mut fit.dried_flow_lpm,
            ] {
                *value = value.map(|value| 3.0 * value);
            }
        }
        spoiled += error(&sim);
    }
    let ratio = f64::sqrt(spoiled / clean);
    println!("5 % of runs spoiled: error {ratio:.3} times");
    assert!(ratio < 1.15, "{ratio}");
}

#[test]
fn every_pair_has_a_row_and_the_order_of_runs_does_not_matter() {
    let mut sim = simulate(6, 3, 42);
    let first = pool(&sim);
    assert_eq!(first.coefficients.len(), 18);
    sim.runs.reverse();
    assert!(first == pool(&sim), "order matters");
    for row in &first.coefficients {
        let (low, mid, high) = (
            row.lower_90.unwrap(),
            row.removal_per_pass.unwrap(),
            row.upper_90.unwrap(),
        );
        assert!(
            0.0 < low && low <= mid && mid <= high && high < 1.0,
            "{row:?}"
        );
        assert!(row.new_run_lower_90.unwrap() <= low && high <= row.new_run_upper_90.unwrap());
        assert_eq!(row.n_runs > 0, row.own_share > 0.0);
    }
}

fn registers(units: &[&str], oils: &[&str]) -> Registers {
    Registers {
        units: units.iter().map(|id| unit(id)).collect(),
        oils: oils.iter().map(|id| oil(id)).collect(),
        reservoirs: vec![
            reservoir("R-1", VolumeBasis::Dip),
            reservoir("R-2", VolumeBasis::Dip),
        ],
        ..Registers::default()
    }
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

#[test]
fn no_run_and_one_run_are_answers_too() {
    let registers = registers(&["U-1", "U-2"], &["a", "b"]);
    let none = pool_fleet(&[], &registers, &FleetConfig::documented());
    assert_eq!(none.coefficients.len(), 4);
    assert!(
        none.coefficients
            .iter()
            .all(|row| row.removal_per_pass.is_none() && row.basis == Basis::Fleet)
    );
    let (fit, run) = found(plain("U-1", "a", 0.0, -0.9));
    let one = [FleetRun {
        fit: &fit,
        run: &run,
        pump_indicator: None,
    }];
    let one = pool_fleet(&one, &registers, &FleetConfig::documented());
    let bases: Vec<Basis> = one.coefficients.iter().map(|row| row.basis).collect();
    assert_eq!(bases, [Basis::Cell, Basis::Unit, Basis::Oil, Basis::Fleet]);
    let own = &one.coefficients[0];
    assert!(
        own.lower_90.unwrap() < 0.407 && 0.407 < own.upper_90.unwrap(),
        "{own:?}"
    );
    let width = |idx: usize| {
        let row = &one.coefficients[idx];
        row.upper_90.unwrap() / row.lower_90.unwrap()
    };
    assert!(
        width(0) < width(1) && width(1) < width(3),
        "{} {} {}",
        width(0),
        width(1),
        width(3)
    );
    assert!(!own.separable && !own.extrapolated && own.n_jobs == 1);
}

#[test]
fn a_wild_run_does_not_move_its_cell() {
    let registers = registers(&["U-1", "U-2", "U-3"], &["a", "b"]);
    let mut rng = rng::seeded(5, "wild");
    let mut runs = Vec::new();
    for unit in ["U-1", "U-2", "U-3"] {
        for oil in ["a", "b"] {
            for day in 0..6 {
                let level = -1.0 + 0.1 * rng::standard_normal(&mut rng);
                runs.push(found(plain(unit, oil, f64::from(day) * 20.0, level)));
            }
        }
    }
    let pooled = |runs: &[(RemovalRun, Run)]| {
        let rows: Vec<FleetRun<'_>> = runs
            .iter()
            .map(|(fit, run)| FleetRun {
                fit,
                run,
                pump_indicator: None,
            })
            .collect();
        pool_fleet(&rows, &registers, &FleetConfig::documented())
    };
    let before = pooled(&runs).coefficients[0].removal_per_pass.unwrap();
    runs.push(found(plain("U-1", "a", 200.0, -4.0)));
    let after = pooled(&runs).coefficients[0].removal_per_pass.unwrap();
    println!("wild run: {before:.4} to {after:.4}");
    // The plain mean of seven would fall by a third.
    assert!((after / before).ln().abs() < 0.06, "{before} {after}");
}

#[test]
fn islands_of_units_and_oils_are_not_separable() {
    let registers = registers(&["U-1", "U-2", "U-3"], &["a", "b", "c"]);
    let runs: Vec<(RemovalRun, Run)> = [("U-1", "a"), ("U-1", "b"), ("U-2", "a"), ("U-3", "c")]
        .into_iter()
        .enumerate()
        .map(|(day, (unit, oil))| found(plain(unit, oil, day as f64 * 30.0, -1.0)))
        .collect();
    let rows: Vec<FleetRun<'_>> = runs
        .iter()
        .map(|(fit, run)| FleetRun {
            fit,
            run,
            pump_indicator: None,
        })
        .collect();
    let pooled = pool_fleet(&rows, &registers, &FleetConfig::documented());
    let separable: Vec<bool> = pooled
        .coefficients
        .iter()
        .map(|row| row.separable)
        .collect();
    assert_eq!(
        separable,
        [true, true, false, true, true, false, false, false, false]
    );
}

#[test]
fn cold_runs_are_marked_as_extrapolated_and_quarters_follow_the_runs() {
    let registers = registers(&["U-1"], &["a"]);
    let runs: Vec<(RemovalRun, Run)> = (0..8)
        .map(|idx| {
            let mut of = plain(
                "U-1",
                "a",
                f64::from(idx) * 45.0,
                if idx < 4 { -0.7 } else { -1.3 },
            );
            of.degc = 45.0;
            found(of)
        })
        .collect();
    let rows: Vec<FleetRun<'_>> = runs
        .iter()
        .map(|(fit, run)| FleetRun {
            fit,
            run,
            pump_indicator: None,
        })
        .collect();
    let pooled = pool_fleet(&rows, &registers, &FleetConfig::documented());
    assert!(pooled.coefficients[0].extrapolated);
    assert_eq!(pooled.coefficients[0].n_jobs, 8);
    let first = pooled.quarters.first().unwrap();
    let last = pooled.quarters.last().unwrap();
    assert!(
        first.removal_per_pass.unwrap() > last.removal_per_pass.unwrap(),
        "{:?}",
        pooled.quarters
    );
    assert_eq!(pooled.quarters.iter().map(|row| row.n_runs).sum::<i64>(), 8);
    assert_eq!(pooled.vapour_fractions.len(), 1);
}

#[test]
fn no_run_of_odd_numbers_spoils_the_fleet() {
    let odd = [f64::NAN, f64::INFINITY, -3.0, 0.0, 1e-12, 1e12];
    for seed in 0..40 {
        let mut sim = simulate(4, 3, seed);
        let mut rng = rng::seeded(seed, "odd");
        let n = sim.runs.len();
        for _ in 0..3 {
            let pick = |rng: &mut rng::Pcg64| odd[rng::index(rng, odd.len())];
            let (fit, run) = &mut sim.runs[rng::index(&mut rng, n)];
            match rng::index(&mut rng, 5) {
                0 => fit.dried_flow_lpm = Some(pick(&mut rng)),
                1 => fit.removal_rate_lower_90 = Some(pick(&mut rng)),
                2 => run.oil_degc = Some(pick(&mut rng)),
                3 => run.chamber_kpa = Some(pick(&mut rng)),
                _ => run.flow_lpm = Some(pick(&mut rng)),
            }
        }
        for row in pool(&sim).coefficients {
            let share = row.removal_per_pass.unwrap();
            assert!(share > 0.0 && share < 1.0, "seed {seed}: {row:?}");
            assert!(row.lower_90.unwrap() <= share && share <= row.upper_90.unwrap());
        }
    }
}
