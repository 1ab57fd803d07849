//! What a run's two ends are taken to tell, by the sensor's place and the kind of equipment.

use drydown_quantity::UnitId;
use drydown_removal::{RemovalRun, RunStatus};
use drydown_runs::history::{Registers, SensorPlace, Unit};

use crate::history::{RunEnd, histories};
use crate::world::{oil, plain_reservoir, run};

/// A run whose log reads 30 to 10 ppm and whose fit says 45 to 20.
fn end_of_run(place: SensorPlace, paper: bool) -> RunEnd {
    let mut reservoir = plain_reservoir("R-1");
    reservoir.paper_insulated = Some(paper);
    let id = reservoir.reservoir_id.clone();
    let unit = Unit {
        unit_id: UnitId::from("U-1"),
        size_class: None,
        nameplate_flow_lpm: None,
        heater_rated_kw: None,
        vacuum_pump_m3h: None,
        vacuum_pump_kind: None,
        chamber_volume_l: None,
        commissioned_on: None,
        home_site_id: None,
        water_sensor_place: Some(place),
        oil_families_allowed: Vec::new(),
        insulating_oil_ready: None,
    };
    let registers = Registers {
        units: vec![unit],
        oils: vec![oil()],
        reservoirs: vec![reservoir],
        ..Registers::default()
    };
    let at = |text: &str| text.parse().unwrap();
    let span = (at("2026-03-01T06:00:00Z"), at("2026-03-01T18:00:00Z"));
    let runs = vec![run(&id, 0, span, (30.0, 10.0))];
    let fit = RemovalRun {
        run_id: runs[0].run_id.clone(),
        unit_id: runs[0].unit_id.clone(),
        oil_type: None,
        reservoir_id: Some(id),
        removal_rate_per_h: Some(0.1),
        removal_rate_se: Some(0.01),
        removal_rate_lower_90: None,
        removal_rate_upper_90: None,
        dried_flow_lpm: None,
        removal_per_pass: None,
        floor_ppm: None,
        floor_lower_90: None,
        floor_upper_90: None,
        capacity_kg_per_h: None,
        limited_by: None,
        regime: None,
        status: RunStatus::Identified,
        start_ppm: Some(45.0),
        end_ppm: Some(20.0),
        n_used: 70,
        n_points: 70,
        residual_phi: None,
        evidence: String::new(),
    };
    let known = histories(
        &registers,
        &[],
        &runs,
        &[fit],
        &[],
        at("2026-04-01T00:00:00Z"),
    );
    known[0].run_ends[0].clone()
}

#[test]
fn over_paper_a_start_that_no_sensor_read_is_not_told() {
    let oil = end_of_run(SensorPlace::Outlet, false);
    assert_eq!(oil.water_first_ppm, Some(45.0));
    let paper = end_of_run(SensorPlace::Outlet, true);
    assert_eq!(paper.water_first_ppm, None);
    assert_eq!(paper.water_last_ppm, Some(20.0));
    let inlet = end_of_run(SensorPlace::Inlet, true);
    assert_eq!(inlet.water_first_ppm, Some(45.0));
}

#[test]
fn over_paper_a_fit_that_the_log_denies_is_doubted() {
    let oil = end_of_run(SensorPlace::Inlet, false);
    assert_eq!((oil.first_apart_ppm, oil.last_apart_ppm), (0.0, 0.0));
    let paper = end_of_run(SensorPlace::Inlet, true);
    assert_eq!((paper.first_apart_ppm, paper.last_apart_ppm), (15.0, 10.0));
}
