//! Alarm limits on small fleets: how many results they need, which side they guard, and what a change has to pass.

use super::*;
use crate::world::{oil, plain_reservoir, sample};
use drydown_runs::history::{ReservoirAction, ReservoirEvent};

fn as_of() -> Stamp {
    "2026-06-01".parse().unwrap()
}

/// Twelve reservoirs of one service and oil with twelve acid numbers each, about 0.30.
fn fleet() -> (Registers, Vec<Sample>) {
    let mut registers = Registers {
        oils: vec![oil()],
        ..Registers::default()
    };
    let mut samples = Vec::new();
    for idx in 0..12 {
        let reservoir = plain_reservoir(&format!("R-{idx:02}"));
        for n in 0..12 {
            let at = as_of().plus_days(-30.0 * f64::from(12 - n) + 1.0);
            let mut row = sample(&reservoir.reservoir_id, n as usize, at, 80.0);
            row.acid_mgkoh_g = Some(0.30 + 0.02 * (f64::from(5 * idx + 7 * n)).sin());
            samples.push(row);
        }
        registers.reservoirs.push(reservoir);
    }
    (registers, samples)
}

fn acid_of<'a>(rows: &'a [LabAlarm], id: &str) -> &'a LabAlarm {
    let found =
        |row: &&LabAlarm| row.reservoir_id.as_str() == id && row.quantity.starts_with("acid");
    rows.iter().find(found).unwrap()
}

#[test]
fn the_one_that_jumped_is_an_alarm_and_an_unusual_change() {
    let (registers, mut samples) = fleet();
    samples[11].acid_mgkoh_g = Some(0.62);
    let rows = lab_alarms(&registers, &samples, &[], as_of());
    let jumped = acid_of(&rows, "R-00");
    assert_eq!(jumped.status, AlarmStatus::Alarm, "{jumped:?}");
    assert_eq!(jumped.change_status, ChangeStatus::Unusual, "{jumped:?}");
    assert_eq!(jumped.since_at, samples[11].known_at());
    assert_eq!((jumped.n_results, jumped.n_reservoirs), (144, 12));
    assert!(jumped.watch_limit.unwrap() < 0.33 && jumped.share_beyond.unwrap() > 0.99);
    // Its peers stand further apart than the percentiles, but not than the method repeats.
    for idx in 1..12 {
        let peer = acid_of(&rows, &format!("R-{idx:02}"));
        assert_eq!(peer.status, AlarmStatus::Normal, "{peer:?}");
        assert_ne!(peer.change_status, ChangeStatus::Unusual, "{peer:?}");
    }
}

#[test]
fn new_oil_is_no_change() {
    let (mut registers, mut samples) = fleet();
    samples[11].acid_mgkoh_g = Some(0.62);
    registers.reservoir_events.push(ReservoirEvent {
        reservoir_id: "R-00".into(),
        at: samples[11].taken_at.unwrap().plus_days(-3.0),
        action: ReservoirAction::OilChange,
        volume_l: None,
        oil_type: None,
        water_ppm: None,
        note: None,
    });
    let rows = lab_alarms(&registers, &samples, &[], as_of());
    assert_eq!(acid_of(&rows, "R-00").change_status, ChangeStatus::NoPair);
}

#[test]
fn few_results_have_a_name_and_what_came_later_is_not_seen() {
    let (registers, samples) = fleet();
    let few: Vec<Sample> = samples.iter().take(20).cloned().collect();
    let rows = lab_alarms(&registers, &few, &[], as_of());
    let row = acid_of(&rows, "R-00");
    assert_eq!(row.status, AlarmStatus::TooFewResults);
    assert_eq!((row.watch_limit, row.share_beyond), (None, None));
    let mut late = samples.clone();
    late[11].acid_mgkoh_g = Some(5.0);
    late[11].reported_at = Some(as_of());
    let rows = lab_alarms(&registers, &late, &[], as_of());
    assert!(acid_of(&rows, "R-00").value < 0.5);
}

#[test]
fn metals_come_from_the_results_and_bounds_are_bounds() {
    let (registers, samples) = fleet();
    let result = |idx: usize, value: f64, censor: Censor| LabResult {
        lab: samples[idx].lab.clone(),
        sample_id: samples[idx].sample_id.clone(),
        analyte: "Iron".to_owned(),
        value: Some(value),
        censor: Some(censor),
        unit: Some("mg/kg".to_owned()),
        method: None,
        detection_limit: None,
        missing_reason: None,
    };
    let mut results: Vec<LabResult> = (0..samples.len())
        .map(|idx| match idx % 3 {
            0 => result(idx, 2.0, Censor::Below),
            _ => result(idx, 4.0 + (idx as f64 * 1.3).sin(), Censor::Exact),
        })
        .collect();
    results[23] = result(23, 40.0, Censor::Exact);
    results[35] = result(35, 50.0, Censor::Below);
    let rows = lab_alarms(&registers, &samples, &results, as_of());
    let iron = |id: &str| {
        let found =
            |row: &&LabAlarm| row.reservoir_id.as_str() == id && row.quantity == "Iron [mg/kg]";
        rows.iter().find(found).unwrap()
    };
    assert_eq!(
        iron("R-01").status,
        AlarmStatus::Alarm,
        "{:?}",
        iron("R-01")
    );
    assert_eq!(
        iron("R-02").status,
        AlarmStatus::BoundOnly,
        "{:?}",
        iron("R-02")
    );
    assert_eq!(
        iron("R-03").status,
        AlarmStatus::Normal,
        "{:?}",
        iron("R-03")
    );
}

#[test]
fn thin_oil_is_as_unusual_as_thick() {
    let (registers, mut samples) = fleet();
    for (idx, row) in samples.iter_mut().enumerate() {
        row.viscosity_40c_mm2s = Some(46.0 + 0.3 * (idx as f64 * 0.7).sin());
    }
    samples[11].viscosity_40c_mm2s = Some(41.0);
    samples[23].viscosity_40c_mm2s = Some(51.0);
    let rows = lab_alarms(&registers, &samples, &[], as_of());
    let of = |id: &str| {
        let found = |row: &&LabAlarm| {
            row.reservoir_id.as_str() == id && row.quantity.starts_with("viscosity")
        };
        rows.iter().find(found).unwrap()
    };
    let (thin, thick) = (of("R-00"), of("R-01"));
    assert_eq!(
        (thin.status, thin.side),
        (AlarmStatus::Alarm, AlarmSide::Low),
        "{thin:?}"
    );
    assert_eq!(
        (thick.status, thick.side),
        (AlarmStatus::Alarm, AlarmSide::High),
        "{thick:?}"
    );
    assert_eq!(thin.change_status, ChangeStatus::Unusual);
}
