//! Rules about data, each on the smallest fleet that holds it and the nearest that does not.

mod places;
mod wet;

use drydown_quantity::Stamp;
use drydown_runs::Run;
use drydown_runs::history::{Registers, Unit};

use crate::case::{Case, FindingsConfig};
use crate::episode::Episode;
use crate::rules::RULES;

pub(super) fn unit(id: &str, commissioned_on: Option<&str>) -> Unit {
    Unit {
        unit_id: id.into(),
        size_class: None,
        nameplate_flow_lpm: None,
        heater_rated_kw: None,
        vacuum_pump_m3h: None,
        vacuum_pump_kind: None,
        chamber_volume_l: None,
        commissioned_on: commissioned_on.map(|day| day.parse().unwrap()),
        home_site_id: None,
        water_sensor_place: None,
        oil_families_allowed: Vec::new(),
        insulating_oil_ready: None,
    }
}

pub(super) fn run(unit: &str, started_at: &str) -> Run {
    let started_at: Stamp = started_at.parse().unwrap();
    Run {
        run_id: format!("{unit}@{}", started_at.compact()).into(),
        unit_id: unit.into(),
        reservoir_id: None,
        oil_type: None,
        started_at,
        ended_at: started_at.plus_hours(30.0),
        hours: 30.0,
        flow_lpm: None,
        oil_degc: None,
        chamber_kpa: None,
        water_first_ppm: None,
        water_last_ppm: None,
        water_removed_kg: None,
        pumpdown_speed_m3h: None,
        pumpdown_base_kpa: None,
        steady_kpa: None,
        ambient_kpa: None,
        vent_open_pct: None,
        vacuum_pump_degc: None,
        n_readings: 100,
        n_samples: 0,
        alarms: 0,
        flags: Vec::new(),
    }
}

fn found(rule: &str, units: Vec<Unit>, runs: &[Run]) -> Vec<Episode> {
    let registers = Registers {
        units,
        ..Registers::default()
    };
    replayed(rule, &case(&registers, runs))
}

/// A case of registers and runs alone.
pub(super) fn case<'a>(registers: &'a Registers, runs: &'a [Run]) -> Case<'a> {
    Case {
        as_of: "2026-10-01".parse().unwrap(),
        registers,
        runs,
        removal_runs: &[],
        pump_health: &[],
        sensor_checks: &[],
        lab_alarms: &[],
        samples: &[],
        snapshots: &[],
        last_heard: &[],
        sources: &[],
    }
}

/// What a rule sees in a case.
pub(super) fn replayed(rule: &str, case: &Case<'_>) -> Vec<Episode> {
    let rule = RULES.iter().find(|known| known.name == rule).unwrap();
    let config = FindingsConfig {
        reservoir_watch_probability: 0.5,
        reservoir_act_probability: 0.8,
        reservoir_act_first: 10,
        silent_unit_h: 36.0,
        rejected_share: 0.01,
        new_days: 7.0,
        flash_margin_k: 40.0,
        keep_cleared_days: 183.0,
    };
    (rule.replay)(case, &config)
}

#[test]
fn a_unit_that_the_register_does_not_have_is_named_with_the_one_that_is_meant() {
    let runs = [
        run("D-2", "2026-04-01T00:00:00Z"),
        run("D2", "2026-04-10T00:00:00Z"),
        run("D2", "2026-04-20T00:00:00Z"),
        run("CV-77", "2026-05-01T00:00:00Z"),
    ];
    let episodes = found("unknown_unit", vec![unit("D-2", None)], &runs);
    let subjects: Vec<&str> = episodes.iter().map(|e| e.subject.as_str()).collect();
    assert_eq!(subjects, ["CV-77", "D2"]);
    let twin = &episodes[1];
    assert!(
        twin.evidence
            .contains("2 runs from 2026-04-10 to 2026-04-21"),
        "{}",
        twin.evidence
    );
    assert!(
        twin.evidence.contains("The register has D-2."),
        "{}",
        twin.evidence
    );
    assert!(
        twin.action.contains("Map \"D2\" to \"D-2\""),
        "{}",
        twin.action
    );
    // Its first day does not move as more runs come: the finding stays the same one.
    assert_eq!(twin.first_seen, "2026-04-10".parse().unwrap());
    assert!(episodes[0].action.contains("Add the unit"));
    // Without any register every unit would be a stranger: nothing to say.
    assert!(found("unknown_unit", Vec::new(), &runs).is_empty());
}

#[test]
fn runs_dated_before_the_unit_are_a_clock_gone_wrong() {
    let runs = [
        run("U-1", "1970-01-01T00:00:12Z"),
        run("U-1", "2026-04-10T00:00:00Z"),
        run("U-2", "2024-12-31T00:00:00Z"),
        run("U-2", "2025-01-01T00:00:00Z"),
    ];
    let units = vec![unit("U-1", None), unit("U-2", Some("2025-01-01"))];
    let episodes = found("before_commissioning", units, &runs);
    let told: Vec<(&str, bool)> = episodes
        .iter()
        .map(|e| (e.subject.as_str(), e.evidence.starts_with("One run is")))
        .collect();
    assert_eq!(told, [("U-1", true), ("U-2", true)]);
    assert!(
        episodes[0].evidence.contains("1970-01-01"),
        "{}",
        episodes[0].evidence
    );
}
