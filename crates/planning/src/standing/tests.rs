//! A fleet of three like units: one sound, one as the case has it; what the case bars, warns of and says.

mod warmth;

use drydown_pumps::DaysStatus;
use drydown_quantity::{OilType, RunId};
use drydown_removal::{Basis, RemovalCoefficient};
use drydown_runs::history::{Deployment, Maintenance, Oil, Reservoir, Site, Unit};

use super::*;
use crate::job::Returns;
use crate::{Candidate, PlanningConfig, SizeAnswer, WarmthBasis, size_standing};

fn at(text: &str) -> Stamp {
    text.parse().unwrap()
}

fn unit(id: &str, nameplate_flow_lpm: f64) -> Unit {
    Unit {
        unit_id: id.into(),
        size_class: Some("medium".to_owned()),
        nameplate_flow_lpm: Some(nameplate_flow_lpm),
        heater_rated_kw: None,
        vacuum_pump_m3h: None,
        vacuum_pump_kind: None,
        chamber_volume_l: None,
        commissioned_on: None,
        home_site_id: Some("S-1".into()),
        water_sensor_place: None,
        oil_families_allowed: vec!["turbine".to_owned()],
        insulating_oil_ready: None,
    }
}

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

fn health(state: PumpState, cause: Option<Cause>, days: Option<(f64, f64)>) -> PumpHealth {
    PumpHealth {
        run_id: RunId::from("U-2@20260923T070415Z"),
        unit_id: "U-2".into(),
        at: at("2026-09-23"),
        indicator: None,
        expected: None,
        lower_90: None,
        upper_90: None,
        state,
        cause,
        cause_probability: Some(0.95),
        days_to_limit_p10: days.map(|days| days.0),
        days_to_limit_p50: days.map(|days| days.1),
        days_to_limit_p90: None,
        days_to_limit_status: if days.is_some() {
            DaysStatus::Within
        } else {
            DaysStatus::Unjudged
        },
        onset_at: None,
        gauge_off_kpa: None,
        gauge_off_since_at: None,
        evidence: String::new(),
    }
}

fn run(steady_kpa: f64, vent_open_pct: Option<f64>) -> Run {
    Run {
        run_id: RunId::from("U-2@20260923T070415Z"),
        unit_id: "U-2".into(),
        reservoir_id: None,
        oil_type: None,
        started_at: at("2026-09-22"),
        ended_at: at("2026-09-23"),
        hours: 24.0,
        flow_lpm: None,
        oil_degc: None,
        chamber_kpa: None,
        water_first_ppm: None,
        water_last_ppm: None,
        water_removed_kg: None,
        pumpdown_speed_m3h: None,
        pumpdown_base_kpa: None,
        steady_kpa: Some(steady_kpa),
        ambient_kpa: None,
        vent_open_pct,
        vacuum_pump_degc: None,
        n_readings: 100,
        n_samples: 0,
        alarms: 0,
        flags: Vec::new(),
    }
}

/// What is known of U-2 beside the registers.
#[derive(Default)]
struct Known {
    health: Vec<PumpHealth>,
    runs: Vec<Run>,
    maintenance: Vec<Maintenance>,
}

fn reservoir() -> Reservoir {
    Reservoir {
        reservoir_id: "R-7".into(),
        site_id: Some("S-2".into()),
        service: None,
        oil_type: None,
        volume_l: None,
        volume_basis: None,
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

fn site(id: &str) -> Site {
    Site {
        site_id: id.into(),
        name: None,
        altitude_m: None,
        timezone: None,
    }
}

fn job(oil: &Oil) -> Job<'_> {
    Job {
        volume_l: 4000.0,
        volume_log_sd: 0.0,
        oil: Some(oil),
        start_ppm: 1000.0,
        start_log_sd: 0.0,
        target_ppm: 200.0,
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

fn coefficient(unit: &Unit, oil: &Oil) -> RemovalCoefficient {
    RemovalCoefficient {
        unit_id: unit.unit_id.clone(),
        oil_type: oil.oil_type.clone(),
        removal_per_pass: Some(0.6),
        dried_flow_lpm: None,
        lower_90: Some(0.58),
        upper_90: Some(0.62),
        new_run_lower_90: Some(0.55),
        new_run_upper_90: Some(0.65),
        n_runs: 9,
        n_jobs: 9,
        own_share: 1.0,
        basis: Basis::Cell,
        separable: true,
        extrapolated: false,
    }
}

/// U-1 and U-3 are sound, of 40 and 90 L/min; U-2 is as known, of 60.
fn answer(known: Known) -> SizeAnswer {
    let registers = Registers {
        units: vec![unit("U-1", 40.0), unit("U-2", 60.0), unit("U-3", 90.0)],
        sites: vec![site("S-1"), site("S-2")],
        reservoirs: vec![reservoir()],
        deployments: vec![Deployment {
            unit_id: "U-3".into(),
            from_at: at("2026-09-20"),
            reservoir_id: Some("R-7".into()),
            to_at: None,
        }],
        maintenance: known.maintenance,
        ..Registers::default()
    };
    let standings = Standing::of_fleet(
        &registers,
        &known.health,
        &known.runs,
        &[("U-3".into(), at("2026-09-30"))],
        at("2026-10-01"),
    );
    let oil = oil();
    let coefficients: Vec<RemovalCoefficient> = registers
        .units
        .iter()
        .map(|unit| coefficient(unit, &oil))
        .collect();
    let candidates: Vec<Candidate<'_>> = registers
        .units
        .iter()
        .zip(&coefficients)
        .map(|(unit, coefficient)| Candidate {
            unit,
            coefficient: Some(coefficient),
            capacity: None,
            vapour: None,
            temperature_slope: None,
        })
        .collect();
    let config = PlanningConfig {
        n_draws: 200,
        ..PlanningConfig::documented()
    };
    size_standing(&job(&oil), &candidates, &standings, &config)
}

fn row<'a>(answer: &'a SizeAnswer, subject: &str) -> &'a UnitSize {
    answer
        .rows
        .iter()
        .find(|row| row.subject == subject)
        .unwrap()
}

fn of_pump(health: PumpHealth) -> Known {
    Known {
        health: vec![health],
        ..Known::default()
    }
}

/// Barred with this in the reason, and out of the class's hours.
#[track_caller]
fn check_barred(known: Known, part: &str) {
    let found = answer(known);
    let row = row(&found, "U-2");
    let Suitability::Barred { reasons } = &row.suitability else {
        panic!("suitable: {row:?}");
    };
    assert!(reasons[0].contains(part), "{reasons:?}");
    assert_eq!(row.verdict, Verdict::Barred);
    let class = self::row(&found, "medium");
    assert!(
        class.note.contains("2 of 3 units suitable"),
        "{}",
        class.note
    );
}

/// Suitable, warned of with these words, and behind the sound units.
#[track_caller]
fn check_warned(known: Known, part: &str) {
    let found = answer(known);
    let order: Vec<&str> = found
        .rows
        .iter()
        .map(|row| row.subject.as_str())
        .take(3)
        .collect();
    assert_eq!(order, ["U-1", "U-3", "U-2"]);
    let row = row(&found, "U-2");
    assert!(row.suitability.is_suitable());
    assert!(row.warnings[0].contains(part), "{:?}", row.warnings);
    assert!(row.note.starts_with("WARNING: "), "{}", row.note);
}

#[test]
fn a_sound_unit_stands_in_its_place() {
    let normal = health(PumpState::Normal, None, None);
    for known in [Known::default(), of_pump(normal)] {
        let found = answer(known);
        let order: Vec<&str> = found
            .rows
            .iter()
            .map(|row| row.subject.as_str())
            .take(3)
            .collect();
        assert_eq!(order, ["U-1", "U-2", "U-3"]);
        assert!(row(&found, "U-2").warnings.is_empty());
        assert_eq!(found.smallest.as_deref(), Some("medium"));
    }
}

#[test]
fn a_row_says_where_the_unit_is_and_when_it_was_heard() {
    let found = answer(Known::default());
    let note = |subject: &str| row(&found, subject).note.clone();
    assert!(
        note("U-3").ends_with("works on R-7 since 2026-09-20 (site S-2), last heard 2026-09-30"),
        "{}",
        note("U-3")
    );
    assert!(
        note("U-1").ends_with("free (site S-1), never heard from"),
        "{}",
        note("U-1")
    );
}

#[test]
fn a_pump_past_its_limit_bars_the_unit() {
    check_barred(
        of_pump(health(
            PumpState::Alarm,
            Some(Cause::Leak),
            Some((0.0, 0.0)),
        )),
        "can no longer hold 40.4 kPa (alarm at the run of 2026-09-23, likely leak)",
    );
    // The days are not known, but its own last run shows it.
    let alert = || health(PumpState::Alert, Some(Cause::Leak), None);
    check_barred(
        Known {
            health: vec![alert()],
            runs: vec![run(63.1, Some(3.0))],
            ..Known::default()
        },
        "held only 63 kPa at the run of 2026-09-23",
    );
    // With the vent open it is a warning, and so is a high pressure of a pump that nobody judged.
    check_warned(
        Known {
            health: vec![alert()],
            runs: vec![run(63.1, Some(38.0))],
            ..Known::default()
        },
        "in alert",
    );
    check_warned(
        Known {
            runs: vec![run(45.7, None)],
            ..Known::default()
        },
        "held only 46 kPa at the run of 2026-09-23 (limit 40.4 kPa), vent not logged",
    );
}

#[test]
fn a_pump_that_may_fail_during_the_job_bars_the_unit() {
    let alarm = |early, middle| health(PumpState::Alarm, Some(Cause::Wear), Some((early, middle)));
    let days = row(&answer(Known::default()), "U-2")
        .elapsed_days_p90
        .unwrap();
    // Judged eight days before: those are gone.
    check_barred(
        of_pump(alarm(8.0 + 0.9 * days, 30.0)),
        "may fail before the job ends",
    );
    check_warned(
        of_pump(alarm(8.0 + 1.1 * days, 30.0)),
        "it ceases to hold the limit in",
    );
    // Idle since: the days that were said are over, and nobody has looked.
    check_barred(
        of_pump(health(
            PumpState::Alert,
            Some(Cause::Wear),
            Some((4.0, 7.0)),
        )),
        "more likely than not passed the limit since its run of 2026-09-23",
    );
}

#[test]
fn a_pump_in_control_that_cannot_hold_the_limit_is_not_sent() {
    let normal = || health(PumpState::Normal, None, Some((0.0, 0.0)));
    check_barred(
        of_pump(normal()),
        "can no longer hold 40.4 kPa (normal at the run of 2026-09-23)",
    );
    // Its own last run held it: what is reckoned is a warning.
    check_warned(
        Known {
            health: vec![normal()],
            runs: vec![run(12.0, Some(0.0))],
            ..Known::default()
        },
        "by speed, base and load of its vacuum pump it can no longer hold the limit",
    );
}

#[test]
fn an_alert_ranks_the_unit_behind_and_wet_oil_says_what_to_do() {
    check_warned(
        of_pump(health(PumpState::Alert, None, None)),
        "days to its limit not known; the hours are those of a sound pump",
    );
    check_warned(
        of_pump(health(
            PumpState::Alert,
            Some(Cause::WetOil),
            Some((300.0, 400.0)),
        )),
        "run it hot on gas ballast",
    );
    // Not as a fact where it is less likely than not.
    check_warned(
        of_pump(PumpHealth {
            cause_probability: Some(0.45),
            ..health(PumpState::Alert, Some(Cause::WetOil), Some((300.0, 400.0)))
        }),
        "in alert at the run of 2026-09-23, perhaps wet oil (45 %)",
    );
}

#[test]
fn work_on_the_pump_since_is_said_and_bars_nothing() {
    let work = |action, day: &str| Maintenance {
        unit_id: "U-2".into(),
        at: at(day),
        action,
        note: None,
        serial: None,
        hours_meter: None,
    };
    let known = |maintenance| Known {
        health: vec![health(
            PumpState::Alarm,
            Some(Cause::Wear),
            Some((0.0, 0.0)),
        )],
        maintenance: vec![maintenance],
        ..Known::default()
    };
    check_warned(
        known(work(MaintenanceAction::Vanes, "2026-09-25")),
        "vanes on 2026-09-25, not seen since",
    );
    // Before the run that was judged, or on something else: no answer to it.
    check_barred(
        known(work(MaintenanceAction::Vanes, "2026-09-20")),
        "can no longer hold",
    );
    check_barred(
        known(work(MaintenanceAction::Heater, "2026-09-25")),
        "can no longer hold",
    );
}

#[test]
fn a_class_without_a_sound_unit_is_not_the_answer() {
    let mut known = Known::default();
    for id in ["U-1", "U-2", "U-3"] {
        known.health.push(PumpHealth {
            unit_id: id.into(),
            ..health(PumpState::Alert, None, None)
        });
    }
    let found = answer(known);
    assert_eq!(found.smallest, None);
    assert_eq!(
        found.why_not[0].reason,
        "each suitable unit of it has a warning"
    );
    assert!(
        row(&found, "medium")
            .note
            .contains("3 of 3 units suitable, 3 of them with a warning")
    );
}

#[test]
fn nothing_is_promised_of_a_unit_in_alarm() {
    let alarm = || health(PumpState::Alarm, Some(Cause::Wear), Some((21.0, 40.0)));
    let found = answer(of_pump(alarm()));
    let told = row(&found, "U-2");
    assert_eq!(told.verdict, Verdict::NotShownFeasible);
    assert_eq!(
        (told.p_within, told.p_reach, told.hours_p50),
        (None, None, None)
    );
    assert!(
        told.warnings[0].contains("mend and test it first"),
        "{told:?}"
    );
    let class = row(&found, "medium");
    assert_eq!(class.verdict, Verdict::Meets);
    assert!(
        class.note.contains(
            "3 of 3 units suitable, 1 of them with a warning, 1 in alarm and not shown to do it"
        ),
        "{}",
        class.note
    );
    // Each of the class in alarm.
    let mut known = Known::default();
    for id in ["U-1", "U-2", "U-3"] {
        known.health.push(PumpHealth {
            unit_id: id.into(),
            ..alarm()
        });
    }
    let found = answer(known);
    assert_eq!(row(&found, "medium").verdict, Verdict::NotShownFeasible);
    assert_eq!(found.smallest, None);
    // After a rebuild the hours hold again, with a warning.
    let mut known = of_pump(alarm());
    known.maintenance.push(Maintenance {
        unit_id: "U-2".into(),
        at: at("2026-09-27"),
        action: MaintenanceAction::Rebuild,
        note: None,
        serial: None,
        hours_meter: None,
    });
    let found = answer(known);
    assert_eq!(row(&found, "U-2").verdict, Verdict::Meets);
    assert!(row(&found, "U-2").warnings[0].contains("test it before it goes"));
}
