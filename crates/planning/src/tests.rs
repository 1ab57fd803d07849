//! Worked examples without uncertainty, the bars that come before hours, and the coverage of hours.

mod coverage;
mod returns;
mod suitability;

use drydown_quantity::{OilType, ReservoirId, UnitId};
use drydown_removal::{Basis, RemovalCoefficient, UnitCapacity, VapourFraction};
use drydown_runs::history::{Oil, PcbStatus, Reservoir, Unit};
use drydown_stats::{normal, rng};

use super::*;

const GALLON_L: f64 = 3.785_411_784;

fn config() -> PlanningConfig {
    PlanningConfig {
        availability: 1.0,
        solubility_log_sd: 0.0,
        temperature_slope: (0.0, 0.0),
        n_draws: 200,
        ..PlanningConfig::documented()
    }
}

/// The mineral line of the solubility table, thin enough that no suction derates it.
fn oil() -> Oil {
    Oil {
        oil_type: OilType::from("mineral"),
        family: Some("turbine".into()),
        iso_vg: None,
        viscosity_40c_mm2s: Some(9.5),
        viscosity_100c_mm2s: Some(2.5),
        density_15c_kgm3: Some(870.0),
        solubility_a: Some(7.0895),
        solubility_b_k: Some(1567.0),
        flash_degc: Some(200.0),
    }
}

fn unit(id: &str, class: &str, gpm: f64) -> Unit {
    Unit {
        unit_id: UnitId::from(id),
        size_class: Some(class.into()),
        nameplate_flow_lpm: Some(gpm * GALLON_L),
        heater_rated_kw: None,
        vacuum_pump_m3h: None,
        vacuum_pump_kind: None,
        chamber_volume_l: None,
        commissioned_on: None,
        home_site_id: None,
        water_sensor_place: None,
        oil_families_allowed: vec!["turbine".into()],
        insulating_oil_ready: Some(false),
    }
}

fn reservoir() -> Reservoir {
    Reservoir {
        reservoir_id: ReservoirId::from("R-1"),
        site_id: None,
        service: Some("turbine".into()),
        oil_type: None,
        volume_l: None,
        volume_basis: None,
        water_limit_ppm: None,
        cleanliness_limit: None,
        acid_limit_mgkoh_g: None,
        coldest_oil_degc: None,
        max_oil_degc: Some(80.0),
        criticality: None,
        paper_insulated: None,
        energised: None,
        pcb_status: Some(PcbStatus::None),
        breather: None,
    }
}

fn coefficient(unit: &str, share: f64, new_run: (f64, f64)) -> RemovalCoefficient {
    RemovalCoefficient {
        unit_id: UnitId::from(unit),
        oil_type: OilType::from("mineral"),
        removal_per_pass: Some(share),
        dried_flow_lpm: None,
        lower_90: Some(share),
        upper_90: Some(share),
        new_run_lower_90: Some(new_run.0),
        new_run_upper_90: Some(new_run.1),
        n_runs: 5,
        n_jobs: 5,
        own_share: 1.0,
        basis: Basis::Cell,
        separable: true,
        extrapolated: false,
    }
}

/// A law of the chamber's gas that puts the floor at this level in oil of 65 °C under 20 kPa.
fn vapour(unit: &str, floor_ppm: f64, log_sd: f64) -> VapourFraction {
    let soluble = drydown_physics::solubility::ppm(7.0895, 1567.0, 65.0);
    let share = floor_ppm / soluble * drydown_physics::saturation::pressure_kpa(65.0) / 20.0;
    VapourFraction {
        unit_id: UnitId::from(unit),
        log_mean: share.ln(),
        log_sd,
        n_runs: 9,
    }
}

fn job<'a>(oil: &'a Oil, gallons: f64, start_ppm: f64, target_ppm: f64) -> Job<'a> {
    Job {
        volume_l: gallons * GALLON_L,
        volume_log_sd: 0.0,
        oil: Some(oil),
        start_ppm,
        start_log_sd: 0.0,
        target_ppm,
        within_h: None,
        reservoir: None,
        ingress: None,
        returns: Returns::default(),
        oil_degc: 65.0,
        oil_degc_basis: WarmthBasis::Given,
        ambient_degc: 20.0,
        treat_degc: 65.0,
        chamber_kpa: 20.0,
        reached_ppm: None,
    }
}

/// One certain unit on one job: its row.
fn one(job: &Job<'_>, gpm: f64, share: f64, capacity_kg_per_h: Option<f64>) -> UnitSize {
    let unit = unit("U-1", "only", gpm);
    let coefficient = coefficient("U-1", share, (share, share));
    let capacity = capacity_kg_per_h.map(|kg| UnitCapacity {
        unit_id: UnitId::from("U-1"),
        capacity_kg_per_h: kg,
        log_sd: 0.0,
        n_runs: 1,
    });
    let vapour = vapour("U-1", 30.0, 0.0);
    let candidate = Candidate {
        unit: &unit,
        coefficient: Some(&coefficient),
        capacity: capacity.as_ref(),
        vapour: Some(&vapour),
        temperature_slope: None,
    };
    size(job, &[candidate], &config())
        .rows
        .into_iter()
        .next()
        .unwrap()
}

#[test]
fn the_worked_reservoir_takes_164_minutes() {
    // Calculated: 1000 gal, 20 gal/min, 0.8 a pass, 1000 to 100 ppm above 30: 164.30 min.
    let oil = oil();
    let row = one(&job(&oil, 1000.0, 1000.0, 100.0), 20.0, 0.8, None);
    for hours in [row.hours_p10, row.hours_p50, row.hours_p90] {
        assert!((hours.unwrap() * 60.0 - 164.30).abs() < 0.01, "{row:?}");
    }
    assert_eq!(
        (row.verdict, row.dominated_by),
        (Verdict::Meets, Some(Dominant::Drying))
    );
}

#[test]
fn two_percent_of_water_takes_33_hours_most_of_them_capped() {
    // Calculated: 20 000 to 100 ppm at 2.07575 kg/h: 30.642 + 2.332 h (agrees with a numerical solution).
    let oil = oil();
    let row = one(
        &job(&oil, 1000.0, 20_000.0, 100.0),
        20.0,
        0.8,
        Some(2.075_75),
    );
    assert!((row.hours_p50.unwrap() - 32.974).abs() < 0.005, "{row:?}");
    assert_eq!(row.dominated_by, Some(Dominant::Capacity));
}

#[test]
fn of_three_units_the_smallest_cannot_and_the_middle_one_will_do() {
    // Calculated: 2000 gal, 3000 to 200 ppm, 0.6 a pass, 0.2 kg/h coming in; unit A settles at 367.38 ppm,
    // B takes 11.672 h, C 3.713 h.
    let oil = oil();
    let mut job = job(&oil, 2000.0, 3000.0, 200.0);
    job.ingress = Some(Ingress {
        g_per_h: 200.0,
        lower_90: 200.0,
        upper_90: 200.0,
    });
    job.within_h = Some(12.0);
    let units = [
        unit("A", "small", 5.0),
        unit("B", "medium", 20.0),
        unit("C", "large", 60.0),
    ];
    let capacities: Vec<UnitCapacity> = [("A", 1.3838), ("B", 2.7677), ("C", 6.9192)]
        .map(|(id, kg)| UnitCapacity {
            unit_id: UnitId::from(id),
            capacity_kg_per_h: kg,
            log_sd: 0.0,
            n_runs: 1,
        })
        .to_vec();
    let coefficients: Vec<RemovalCoefficient> = ["A", "B", "C"]
        .map(|id| coefficient(id, 0.6, (0.6, 0.6)))
        .to_vec();
    let vapours: Vec<VapourFraction> = ["A", "B", "C"].map(|id| vapour(id, 30.0, 0.0)).to_vec();
    let candidates: Vec<Candidate<'_>> = (0..3)
        .map(|idx| Candidate {
            unit: &units[idx],
            coefficient: Some(&coefficients[idx]),
            capacity: Some(&capacities[idx]),
            vapour: Some(&vapours[idx]),
            temperature_slope: None,
        })
        .collect();
    let answer = size(&job, &candidates, &config());
    let [a, b, c] = [&answer.rows[0], &answer.rows[1], &answer.rows[2]];
    assert_eq!(
        (a.verdict, a.hours_p50, a.dominated_by),
        (Verdict::Infeasible, None, Some(Dominant::Ingress))
    );
    assert!((a.settles_ppm_p10.unwrap() - 367.38).abs() < 0.05, "{a:?}");
    assert!((b.hours_p50.unwrap() - 11.672).abs() < 0.002, "{b:?}");
    assert!((c.hours_p50.unwrap() - 3.713).abs() < 0.002, "{c:?}");
    assert_eq!(answer.smallest.as_deref(), Some("medium"));
    assert_eq!(answer.why_not.len(), 2);
    assert!(
        answer.why_not[0].reason.contains("infeasible"),
        "{:?}",
        answer.why_not
    );
    assert_eq!(answer.why_not[1].reason, "larger than needed");
    // Without ingress even the small one reaches the target.
    job.ingress = None;
    assert!(
        size(&job, &candidates, &config()).rows[0]
            .hours_p50
            .is_some()
    );
    // A shorter window needs the large one.
    job.within_h = Some(5.0);
    assert_eq!(
        size(&job, &candidates, &config()).smallest.as_deref(),
        Some("large")
    );
}

#[test]
fn oil_dries_while_it_warms_as_far_as_its_temperature_lets_it() {
    // Calculated: 3293.31 kg from 20 to 66 °C with 24 kW and no loss: 3.442 h at the heat capacity of 43 °C.
    let oil = oil();
    let mut job = job(&oil, 1000.0, 1000.0, 100.0);
    (job.oil_degc, job.treat_degc) = (20.0, 66.0);
    let mut unit = unit("U-1", "only", 20.0);
    unit.heater_rated_kw = Some(24.0);
    let coefficient = coefficient("U-1", 0.8, (0.8, 0.8));
    let vapour = vapour("U-1", 30.0, 0.0);
    let candidate = Candidate {
        unit: &unit,
        coefficient: Some(&coefficient),
        capacity: None,
        vapour: Some(&vapour),
        temperature_slope: None,
    };
    let hours = |slope: f64| {
        let config = PlanningConfig {
            loss_w_per_k_m3: 0.0,
            temperature_slope: (slope, 0.0),
            ..config()
        };
        let row = size(&job, &[candidate], &config).rows.swap_remove(0);
        assert_eq!(row.dominated_by, Some(Dominant::Heating), "{row:?}");
        row.hours_p50.unwrap()
    };
    let decline_h = 164.30 / 60.0;
    // Where cold oil dries as fast as hot, only the floor is higher to begin with.
    let as_fast = hours(0.0);
    assert!(
        as_fast > decline_h && as_fast < decline_h + 0.3,
        "{as_fast}"
    );
    // Where it hardly dries, the decline begins towards the end of the warm-up.
    let (slower, hardly) = (hours(-4.0), hours(-400.0));
    assert!(as_fast < slower && slower < hardly);
    assert!(
        hardly > 3.442 + 0.7 * decline_h && hardly < 3.442 + decline_h,
        "{hardly}"
    );
}

#[test]
fn warm_oil_takes_less_time_and_a_weak_heater_is_no_bar() {
    let oil = oil();
    let mut job = job(&oil, 1000.0, 1000.0, 300.0);
    job.treat_degc = 66.0;
    let mut unit = unit("U-1", "only", 20.0);
    let coefficient = coefficient("U-1", 0.8, (0.8, 0.8));
    let vapour = vapour("U-1", 30.0, 0.0);
    let mut hours = |oil_degc: f64, heater_kw: f64| {
        job.oil_degc = oil_degc;
        unit.heater_rated_kw = Some(heater_kw);
        let candidate = Candidate {
            unit: &unit,
            coefficient: Some(&coefficient),
            capacity: None,
            vapour: Some(&vapour),
            temperature_slope: None,
        };
        let config = PlanningConfig {
            temperature_slope: (-3.0, 0.0),
            ..config()
        };
        size(&job, &[candidate], &config).rows[0].hours_p50.unwrap()
    };
    assert!(hours(50.0, 24.0) < hours(20.0, 24.0));
    // 1 kW against 15 W/K and cubic metre cannot hold 66 °C in 3.8 m3: the oil dries at what it can.
    assert!(hours(20.0, 1.0) > hours(20.0, 24.0));
}

/// The reasons that bar one certain unit from a job on a reservoir.
#[test]
fn nothing_known_is_said_and_same_seed_same_answer() {
    let oil = oil();
    let job = job(&oil, 1000.0, 400.0, 100.0);
    let unit = unit("U-1", "only", 20.0);
    let none = Candidate {
        unit: &unit,
        coefficient: None,
        capacity: None,
        vapour: None,
        temperature_slope: None,
    };
    let answer = size(&job, &[none], &PlanningConfig::documented());
    assert_eq!(
        (answer.rows[0].verdict, answer.smallest.as_deref()),
        (Verdict::NoBasis, None)
    );
    assert!(
        size(&job, &[], &PlanningConfig::documented())
            .rows
            .is_empty()
    );
    let coefficient = coefficient("U-1", 0.5, (0.3, 0.7));
    let some = Candidate {
        coefficient: Some(&coefficient),
        ..none
    };
    assert!(
        size(&job, &[some], &PlanningConfig::documented())
            == size(&job, &[some], &PlanningConfig::documented())
    );
}

/// Hours until the target by small steps of the balance: an independent solution.
#[test]
fn no_number_stops_the_sizing() {
    let odd = [f64::NAN, f64::INFINITY, -5.0, 0.0, 1e-9, 1e9, 120.0];
    let (oil, unit) = (oil(), unit("U-1", "only", 20.0));
    let config = PlanningConfig {
        n_draws: 50,
        ..config()
    };
    for seed in 0..500 {
        let mut rng = rng::seeded(seed, "odd");
        let mut pick = || odd[rng::index(&mut rng, odd.len())];
        let mut job = job(&oil, pick(), pick(), pick());
        job.volume_log_sd = 0.2;
        (job.oil_degc, job.ambient_degc, job.chamber_kpa) = (pick(), pick(), pick());
        job.within_h = Some(pick());
        job.ingress = Some(Ingress {
            g_per_h: pick(),
            lower_90: pick(),
            upper_90: pick(),
        });
        let coefficient = coefficient("U-1", pick(), (pick(), pick()));
        let vapour = vapour("U-1", pick(), 0.5);
        let candidate = Candidate {
            unit: &unit,
            coefficient: Some(&coefficient),
            capacity: None,
            vapour: Some(&vapour),
            temperature_slope: None,
        };
        for row in size(&job, &[candidate], &config).rows {
            let numbers = [
                row.hours_p10,
                row.hours_p50,
                row.hours_p90,
                row.p_reach,
                row.p_within,
            ];
            assert!(
                numbers.iter().flatten().all(|value| value.is_finite()),
                "seed {seed}: {row:?}"
            );
        }
    }
}
