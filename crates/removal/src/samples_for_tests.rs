//! Runs, bins, samples and registers for the tests of this crate.

use drydown_quantity::{OilType, ReservoirId, RunId, Stamp, UnitId};
use drydown_runs::history::{Censor, Oil, Reservoir, Sample, SamplePoint, Unit, VolumeBasis};
use drydown_runs::{Phase, Run, SeriesPoint};

use crate::config::RemovalConfig;
use crate::rows::SensorCheck;
use crate::sensors::{SensorInput, check_sensors};

const START: Stamp = Stamp::from_seconds(1_780_000_500);

pub(crate) fn run(hours: f64) -> Run {
    Run {
        run_id: RunId::from("U-1@x"),
        unit_id: UnitId::from("U-1"),
        reservoir_id: Some(ReservoirId::from("R-1")),
        oil_type: Some(OilType::from("mineral")),
        started_at: START,
        ended_at: START.plus_hours(hours),
        hours,
        flow_lpm: Some(75.708_236),
        oil_degc: Some(65.0),
        chamber_kpa: Some(20.0),
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

pub(crate) fn bin(at_h: f64, water_ppm: f64, censor: Censor) -> SeriesPoint {
    SeriesPoint {
        run_id: RunId::from("U-1@x"),
        at: START.plus_hours(at_h),
        phase: Phase::Drying,
        n_readings: 10,
        water_ppm: Some(water_ppm),
        water_censor: Some(censor),
        from_activity: false,
        oil_degc: Some(65.0),
        flow_lpm: Some(75.708_236),
        chamber_kpa: Some(20.0),
        ambient_kpa: None,
        vent_open_pct: None,
        heater_kw: None,
        vacuum_pump_degc: None,
        ambient_degc: None,
    }
}

pub(crate) fn sample(at_h: f64, water_ppm: f64, censor: Censor) -> Sample {
    Sample {
        lab: "lab".into(),
        sample_id: format!("S{at_h}"),
        reservoir_id: Some(ReservoirId::from("R-1")),
        unit_id: None,
        taken_at: Some(START.plus_hours(at_h)),
        reported_at: None,
        sample_point: Some(SamplePoint::ReservoirMid),
        sample_degc: None,
        water_ppm: Some(water_ppm),
        water_censor: Some(censor),
        iso4406_4um: None,
        iso4406_6um: None,
        iso4406_14um: None,
        iso4406_note: None,
        viscosity_40c_mm2s: None,
        acid_mgkoh_g: None,
        breakdown_kv: None,
    }
}

/// The mineral line of the solubility table (log10 S = 7.0895 − 1567/T), five times as soluble: an oil with additives.
pub(crate) fn oil() -> Oil {
    Oil {
        oil_type: OilType::from("mineral"),
        family: Some("mineral".into()),
        iso_vg: None,
        viscosity_40c_mm2s: None,
        viscosity_100c_mm2s: None,
        density_15c_kgm3: Some(870.0),
        solubility_a: Some(7.0895 + 5f64.log10()),
        solubility_b_k: Some(1567.0),
        flash_degc: None,
    }
}

pub(crate) fn reservoir(volume_l: f64) -> Reservoir {
    Reservoir {
        reservoir_id: ReservoirId::from("R-1"),
        site_id: None,
        service: None,
        oil_type: None,
        volume_l: Some(volume_l),
        volume_basis: Some(VolumeBasis::Dip),
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

pub(crate) fn unit() -> Unit {
    Unit {
        unit_id: UnitId::from("U-1"),
        size_class: None,
        nameplate_flow_lpm: Some(75.708_236),
        heater_rated_kw: Some(24.0),
        vacuum_pump_m3h: Some(30.0),
        vacuum_pump_kind: None,
        chamber_volume_l: None,
        commissioned_on: None,
        home_site_id: None,
        water_sensor_place: None,
        oil_families_allowed: Vec::new(),
        insulating_oil_ready: None,
    }
}

/// The check of the one sensor of a unit without maintenance.
pub(crate) fn check_sensor(
    unit: &Unit,
    runs: &[Run],
    series: &[SeriesPoint],
    samples: &[Sample],
    oils: &[Oil],
) -> SensorCheck {
    let input = SensorInput {
        unit,
        runs: &runs.iter().collect::<Vec<_>>(),
        series,
        samples: &samples.iter().collect::<Vec<_>>(),
        maintenance: &[],
        oils,
    };
    let mut rows = check_sensors(&input, &RemovalConfig::documented());
    assert_eq!(rows.len(), 1, "one sensor, one row");
    rows.remove(0)
}
