//! Rules about data, each on the smallest fleet that holds it and the nearest that does not.

mod places;
mod pumps;
mod wet;

use drydown_quantity::Stamp;
use drydown_reservoirs::{AlarmBasis, AlarmSide, AlarmStatus, ChangeStatus, LabAlarm};
use drydown_runs::Run;
use drydown_runs::history::{Censor, Registers, Sample, SamplePoint, Unit};

use crate::case::{Case, FindingsConfig};
use crate::episode::Episode;
use crate::rows::Severity;
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
        pump_limit_kpa: 40.37,
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

/// A battery that ran empty sets a clock to a year of the controller's own, in which it may well have
/// been built.
#[test]
fn a_run_years_before_the_fleet_is_a_clock_gone_wrong() {
    let mut runs: Vec<Run> = (1..=28)
        .map(|day| run("U-1", &format!("2026-04-{day:02}T00:00:00Z")))
        .collect();
    runs.push(run("U-2", "2000-01-01T00:03:00Z"));
    let early = || -> Vec<String> {
        let episodes = found("before_commissioning", vec![unit("U-2", None)], &runs);
        episodes.iter().map(|e| e.subject.to_string()).collect()
    };
    assert_eq!(early(), ["U-2"]);
    // One of three is no clock against a fleet.
    let runs = [runs[0].clone(), runs[1].clone(), runs[28].clone()];
    let early = found("before_commissioning", vec![unit("U-2", None)], &runs);
    assert!(early.is_empty(), "{early:?}");
}

fn empty(registers: &Registers) -> Case<'_> {
    Case {
        as_of: "2026-10-01".parse().unwrap(),
        registers,
        runs: &[],
        removal_runs: &[],
        pump_health: &[],
        pump_limit_kpa: 40.37,
        sensor_checks: &[],
        lab_alarms: &[],
        samples: &[],
        snapshots: &[],
        last_heard: &[],
        sources: &[],
    }
}

fn alarm(id: &str, quantity: &str, status: AlarmStatus, change: ChangeStatus) -> LabAlarm {
    let known: Stamp = "2026-09-20".parse().unwrap();
    LabAlarm {
        reservoir_id: id.into(),
        quantity: quantity.to_owned(),
        taken_at: known,
        lab: "L-1".to_owned(),
        value: 0.62,
        censor: Censor::Exact,
        basis: AlarmBasis::ServiceOil,
        n_results: 144,
        n_reservoirs: 12,
        share_beyond: Some(0.99),
        side: AlarmSide::High,
        watch_limit: Some(0.31),
        caution_limit: Some(0.32),
        alarm_limit: Some(0.33),
        status,
        since_at: Some(known),
        change: Some(0.3),
        change_per_30d: Some(0.3),
        repeatability: Some(0.07),
        change_limit_per_30d: Some(0.05),
        change_status: change,
    }
}

#[test]
fn a_result_that_two_tables_carry_is_said_once() {
    let registers = Registers::default();
    let row = |quantity: &str, n_results: i64, value: f64| LabAlarm {
        n_results,
        value,
        ..alarm("R-1", quantity, AlarmStatus::Alarm, ChangeStatus::Within)
    };
    let told = |rows: &[LabAlarm]| {
        let case = Case {
            lab_alarms: rows,
            ..case(&registers, &[])
        };
        let mut found = replayed("lab_alarm", &case);
        assert_eq!(found.len(), 1, "{found:?}");
        found.remove(0)
    };
    let twice = [
        row("Acid number [mgKOH/g], ASTM D664", 45, 0.18),
        row("acid number [mg KOH/g]", 128, 0.18),
    ];
    let once = told(&twice);
    assert_eq!(once.evidence.matches("cid number").count(), 1, "{once:?}");
    assert!(once.evidence.contains("128 results"), "{}", once.evidence);
    assert_eq!(once.severity, Severity::Info, "one unusual result is one");
    // Another value, or another quantity, is another result.
    let other = [twice[0].clone(), row("acid number [mg KOH/g]", 128, 0.19)];
    assert_eq!(told(&other).severity, Severity::Watch);
    let other = [twice[0].clone(), row("iron [mg/kg]", 128, 0.18)];
    assert_eq!(told(&other).severity, Severity::Watch);
    let code = told(&[row("ISO 4406 code from 4 µm", 40, 15.0)]);
    assert!(code.evidence.contains("4 µm: 15 in"), "{}", code.evidence);
    let highest = told(&[LabAlarm {
        share_beyond: Some(1.0),
        ..twice[1].clone()
    }]);
    assert!(
        highest.evidence.contains("beyond all 128 results"),
        "{}",
        highest.evidence
    );
}

#[test]
fn unusual_results_of_one_reservoir_are_one_finding() {
    let registers = Registers::default();
    let rows = [
        alarm(
            "R-1",
            "acid number",
            AlarmStatus::Alarm,
            ChangeStatus::Unusual,
        ),
        alarm("R-1", "iron", AlarmStatus::Caution, ChangeStatus::Unusual),
        alarm("R-2", "iron", AlarmStatus::Alarm, ChangeStatus::Within),
        alarm("R-3", "iron", AlarmStatus::Caution, ChangeStatus::Usual),
        alarm("R-4", "iron", AlarmStatus::Normal, ChangeStatus::Unusual),
    ];
    let case = Case {
        lab_alarms: &rows,
        ..empty(&registers)
    };
    let episodes = replayed("lab_alarm", &case);
    let told: Vec<(&str, &str)> = episodes
        .iter()
        .map(|e| (e.subject.as_str(), e.severity.as_str()))
        .collect();
    assert_eq!(told, [("R-1", "watch"), ("R-2", "info")]);
    let evidence = &episodes[0].evidence;
    assert!(
        evidence.starts_with("acid number: 0.620 in the sample of 2026-09-20, beyond 99 % of 144 results of 12 reservoirs of the same service and oil; it moved by +0.300 since the sample before. iron:"),
        "{evidence}"
    );
    assert_eq!(episodes[0].first_seen, "2026-09-20".parse().unwrap());
}

fn bottle(id: &str, n: u32, ppm: f64, viscosity: f64) -> Sample {
    let first: Stamp = "2026-04-01".parse().unwrap();
    Sample {
        lab: "L-1".to_owned(),
        sample_id: format!("{id}-{n}"),
        reservoir_id: Some(id.into()),
        unit_id: None,
        taken_at: Some(first.plus_days(30.0 * f64::from(n))),
        reported_at: None,
        sample_point: Some(SamplePoint::ReservoirMid),
        sample_degc: None,
        water_ppm: Some(ppm),
        water_censor: Some(Censor::Exact),
        iso4406_4um: None,
        iso4406_6um: None,
        iso4406_14um: None,
        iso4406_note: None,
        viscosity_40c_mm2s: Some(viscosity),
        acid_mgkoh_g: None,
        breakdown_kv: None,
    }
}

#[test]
fn exchanged_labels_are_told_for_both_reservoirs() {
    let registers = Registers::default();
    let mut samples: Vec<Sample> = (0..6)
        .flat_map(|n| {
            let off = 0.2 * f64::from(n % 2);
            [
                bottle("R-1", n, 60.0, 46.0 + off),
                bottle("R-2", n, 240.0, 220.0 + off),
            ]
        })
        .collect();
    let case = Case {
        samples: &samples,
        ..empty(&registers)
    };
    assert!(replayed("swapped_label", &case).is_empty());
    // the bottles of the fourth day
    let (one, other) = (samples[6].clone(), samples[7].clone());
    samples[6].reservoir_id = other.reservoir_id;
    samples[7].reservoir_id = one.reservoir_id;
    let case = Case {
        samples: &samples,
        ..empty(&registers)
    };
    let episodes = replayed("swapped_label", &case);
    let subjects: Vec<&str> = episodes.iter().map(|e| e.subject.as_str()).collect();
    assert_eq!(subjects, ["R-1", "R-2"]);
    let evidence = &episodes[0].evidence;
    assert!(
        evidence.contains(
            "reads 240 ppm of water where the samples around it read 60 ppm and 220.2 mm²/s"
        ) && evidence.contains("it fits R-2, and that reservoir's sample R-1-3 fits here"),
        "{evidence}"
    );
    assert_eq!(episodes[0].first_seen, samples[6].known_at().unwrap());
}

#[test]
fn units_without_oil_families_are_told_before_anybody_sizes_a_job() {
    let runs = [
        run("D-2", "2026-04-10T00:00:00Z"),
        run("D-2", "2026-04-01T00:00:00Z"),
    ];
    let with = |id: &str| Unit {
        oil_families_allowed: vec!["turbine".to_owned()],
        ..unit(id, None)
    };
    assert_eq!(found("no_oil_families", vec![with("D-1")], &runs), []);
    for (units, part) in [
        (vec![with("D-1"), unit("D-2", None)], "1 of 2 units (D-2)"),
        (
            vec![unit("D-1", None), unit("D-2", None)],
            "2 of 2 units (all of them)",
        ),
    ] {
        let episodes = found("no_oil_families", units, &runs);
        assert_eq!(episodes.len(), 1);
        assert_eq!(episodes[0].first_seen, runs[1].started_at);
        assert!(
            episodes[0].evidence.contains(part),
            "{}",
            episodes[0].evidence
        );
    }
}
