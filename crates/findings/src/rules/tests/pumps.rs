//! What a repair that nobody has seen the effect of does to a pump's finding and to its forecasts.

use drydown_pumps::{Cause, DaysStatus, PumpHealth, PumpState};
use drydown_quantity::Stamp;
use drydown_runs::Run;
use drydown_runs::history::{Maintenance, MaintenanceAction, Registers};

use super::{case, replayed, run, unit};
use crate::case::{Case, FindingsConfig, Snapshot, SourceHealth};
use crate::episode::Episode;
use crate::forecasts::forecasts;
use crate::life::find;
use crate::rows::{Finding, Forecast, ForecastEnd, Severity};

fn health(day: &str, cause: Cause) -> PumpHealth {
    PumpHealth {
        run_id: format!("U-1@{day}").into(),
        unit_id: "U-1".into(),
        at: day.parse().unwrap(),
        indicator: None,
        expected: None,
        lower_90: None,
        upper_90: None,
        state: PumpState::Alarm,
        cause: Some(cause),
        cause_probability: Some(0.9),
        days_to_limit_p10: Some(0.0),
        days_to_limit_p50: Some(3.0),
        days_to_limit_p90: Some(23.0),
        days_to_limit_status: DaysStatus::Within,
        onset_at: None,
        gauge_off_kpa: None,
        gauge_off_since_at: None,
        evidence: "speed -40.0 % against its level over 9 observations; with the vent shut it would hold 38.0 kPa under 1.0 kg/h of vapour, limit 40.4 kPa".to_owned(),
    }
}

fn registers(work: &[(MaintenanceAction, &str)]) -> Registers {
    Registers {
        units: vec![unit("U-1", None)],
        maintenance: work
            .iter()
            .map(|(action, day)| Maintenance {
                unit_id: "U-1".into(),
                at: day.parse().unwrap(),
                action: *action,
                note: None,
                serial: None,
                hours_meter: None,
            })
            .collect(),
        ..Registers::default()
    }
}

fn told(registers: &Registers, cause: Cause) -> Episode {
    let rows = [health("2026-09-20", cause)];
    let case = Case {
        pump_health: &rows,
        ..case(registers, &[])
    };
    let mut found = replayed("pump_change", &case);
    assert_eq!(found.len(), 1, "{found:?}");
    found.remove(0)
}

#[test]
fn a_repair_since_the_last_run_steps_the_finding_down_and_names_itself() {
    use MaintenanceAction::{Heater, LeakRepair, PumpOil, PumpSwap, Rebuild, Vanes};
    for (action, cause, begins) in [
        (Rebuild, Cause::Wear, "Rebuilt on 2026-09-27, not run since"),
        (Vanes, Cause::Wear, "New vanes on 2026-09-27"),
        (PumpSwap, Cause::Leak, "Pump swapped on 2026-09-27"),
        (LeakRepair, Cause::Leak, "Leak mended on 2026-09-27"),
        (PumpOil, Cause::WetOil, "Pump oil changed on 2026-09-27"),
    ] {
        let seen = told(&registers(&[(action, "2026-09-27")]), cause);
        assert_eq!(seen.severity, Severity::Watch, "{action}");
        assert!(seen.holds, "not cleared before it was seen to work");
        assert!(seen.action.starts_with(begins), "{}", seen.action);
        assert!(seen.evidence.contains("speed -40.0 %"), "{}", seen.evidence);
        for text in [&seen.action, &seen.evidence] {
            assert!(
                !text.contains("would hold") && !text.contains("odds"),
                "{text}"
            );
        }
    }
    // Work that ends nothing of the kind, and work that the last run had behind it.
    for (action, day) in [
        (Heater, "2026-09-27"),
        (PumpOil, "2026-09-27"),
        (Rebuild, "2026-09-19"),
    ] {
        let seen = told(&registers(&[(action, day)]), Cause::Wear);
        assert_eq!(seen.severity, Severity::Act, "{action}");
        assert!(
            seen.action.contains("more likely than not passed"),
            "{}",
            seen.action
        );
    }
}

#[test]
fn no_forecast_is_made_of_a_pump_as_it_was_before_its_repair() {
    let rows = [health("2026-09-20", Cause::Wear)];
    let snapshots: Vec<Snapshot> = ["2026-09-25", "2026-10-01"]
        .iter()
        .map(|day| Snapshot {
            as_of: day.parse().unwrap(),
            risks: Vec::new(),
            coefficients: Vec::new(),
            quarters: Vec::new(),
        })
        .collect();
    let made = |work: &[(MaintenanceAction, &str)]| {
        let registers = registers(work);
        forecasts(&Case {
            pump_health: &rows,
            snapshots: &snapshots,
            ..case(&registers, &[])
        })
        .iter()
        .map(|row| row.made_at.day().to_string())
        .collect::<Vec<String>>()
    };
    assert_eq!(made(&[]), ["2026-09-25", "2026-10-01"]);
    // Before the repair was known the forecast stands.
    assert_eq!(
        made(&[(MaintenanceAction::Rebuild, "2026-09-27")]),
        ["2026-09-25"]
    );
}

fn at(day: &str) -> Stamp {
    day.parse().unwrap()
}

/// Seen in alert on 30 August, with these days to the limit from then.
fn alert(days: [Option<f64>; 3]) -> PumpHealth {
    PumpHealth {
        state: PumpState::Alert,
        days_to_limit_p10: days[0],
        days_to_limit_p50: days[1],
        days_to_limit_p90: days[2],
        ..health("2026-08-30", Cause::Wear)
    }
}

#[test]
fn an_alert_ages_into_one_to_act_on_while_its_unit_stands_idle() {
    let rows = [alert([Some(60.0), Some(75.0), Some(100.0)])];
    let registers = registers(&[]);
    for (as_of, severity, said) in [
        (
            "2026-09-01",
            Severity::Watch,
            "in 58 to 98 days, between 2026-10-29 and 2026-12-08",
        ),
        (
            "2026-10-01",
            Severity::Act,
            "in 28 to 68 days, between 2026-10-29 and 2026-12-08",
        ),
        (
            "2026-11-20",
            Severity::Act,
            "more likely than not passed the limit since its run of 2026-08-30",
        ),
        (
            "2026-12-10",
            Severity::Act,
            "probably passed the limit since its run of 2026-08-30 (1 in 10 that it has not), so look at it before its next job",
        ),
    ] {
        let case = Case {
            as_of: at(as_of),
            pump_health: &rows,
            ..case(&registers, &[])
        };
        let found = replayed("pump_change", &case);
        assert!(found[0].action.contains(said), "{}", found[0].action);
        assert_eq!(found[0].severity, severity, "{as_of}");
        assert_eq!(found[0].first_seen, at("2026-08-30"), "its identity stays");
    }
}

#[test]
fn a_pump_past_its_limit_is_to_act_on_without_an_alert() {
    let registers = registers(&[]);
    let normal = |days: [Option<f64>; 3]| PumpHealth {
        state: PumpState::Normal,
        cause: None,
        ..alert(days)
    };
    let past = [normal([Some(0.0), Some(0.0), Some(9.0)])];
    let mut own = run("U-1", "2026-08-29");
    own.run_id = past[0].run_id.clone();
    let told = |rows: &[PumpHealth], steady_kpa: Option<f64>| {
        let mut own = own.clone();
        own.steady_kpa = steady_kpa;
        let runs = [own];
        let case = Case {
            pump_health: rows,
            ..case(&registers, &runs)
        };
        let found = replayed("pump_past_limit", &case);
        assert!(replayed("pump_change", &case).is_empty());
        found
    };
    for steady_kpa in [None, Some(48.0)] {
        let found = told(&past, steady_kpa);
        assert_eq!(found[0].severity, Severity::Act);
        assert!(found[0].holds && found[0].action.contains("no job"));
    }
    // Its own gauge showed that it holds it; or only the days that were said are over.
    assert_eq!(told(&past, Some(12.0))[0].severity, Severity::Watch);
    let since = told(&[normal([Some(5.0), Some(20.0), Some(90.0)])], None);
    assert_eq!(since[0].severity, Severity::Watch);
    assert_eq!(
        since[0].first_seen,
        at("2026-09-19"),
        "the day of even odds"
    );
    assert!(told(&[normal([Some(5.0), Some(60.0), Some(90.0)])], None).is_empty());
    // A later run that is sound ends it.
    let later = PumpHealth {
        days_to_limit_status: DaysStatus::NotDegrading,
        at: at("2026-09-25"),
        ..normal([None; 3])
    };
    assert!(!told(&[past[0].clone(), later], None)[0].holds);
}

#[test]
fn a_gauge_that_reads_off_is_a_finding_of_its_own() {
    let row = |day: &str, off: Option<f64>| PumpHealth {
        state: PumpState::Normal,
        gauge_off_kpa: off,
        gauge_off_since_at: off.map(|_| at("2026-07-01")),
        ..health(day, Cause::Gauge)
    };
    let rows = [
        row("2026-06-20", None),
        row("2026-07-20", Some(2.6)),
        row("2026-08-20", Some(3.0)),
    ];
    let told = |rows: &[PumpHealth], work: &[(MaintenanceAction, &str)]| {
        let registers = registers(work);
        let case = Case {
            pump_health: rows,
            ..case(&registers, &[])
        };
        replayed("gauge_off", &case)
    };
    let found = told(&rows, &[]);
    assert_eq!(found.len(), 1);
    assert!(
        found[0].evidence.contains("reads +3.0 kPa off")
            && found[0].evidence.contains("2026-07-01"),
        "{}",
        found[0].evidence
    );
    assert_eq!(found[0].first_seen, at("2026-07-20"));
    assert_eq!((found[0].severity, found[0].holds), (Severity::Watch, true));
    let mended = told(&rows, &[(MaintenanceAction::Gauge, "2026-09-01")]);
    assert_eq!(mended[0].severity, Severity::Info);
    let mut ended = rows.to_vec();
    ended.push(row("2026-09-20", None));
    assert!(!told(&ended, &[])[0].holds);
    assert!(told(&rows[..1], &[]).is_empty());
}

#[test]
fn nothing_is_first_seen_after_the_time_of_the_analysis() {
    let registers = registers(&[]);
    let sources = [SourceHealth {
        source: "yard".to_owned(),
        rows_in: 100,
        rows_rejected: 50,
        loaded_at: vec![at("2026-11-28")],
        cells: Vec::new(),
        overwritten: Vec::new(),
    }];
    let rows = [PumpHealth {
        onset_at: Some(at("2026-09-14")),
        ..alert([None; 3])
    }];
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
    let case = Case {
        sources: &sources,
        pump_health: &rows,
        ..case(&registers, &[])
    };
    let found: Vec<Finding> = find(&case, &config);
    assert!(found.iter().any(|row| row.rule == "source_rejects"));
    for row in found {
        assert!(
            row.first_seen <= case.as_of && row.last_seen <= case.as_of,
            "{row:?}"
        );
        assert!(
            row.onset_at.is_none_or(|onset| onset <= row.first_seen),
            "{row:?}"
        );
    }
}

/// A run of U-1 that ended on a day, with what its gauge showed and how far its vent stood open.
fn held(day: &str, kpa: f64, vent_open_pct: Option<f64>) -> Run {
    let mut run = run("U-1", day);
    run.ended_at = at(day).plus_hours(12.0);
    (run.steady_kpa, run.vent_open_pct) = (Some(kpa), vent_open_pct);
    run
}

/// The forecast made on 1 October, as the runs of the whole time let it be seen.
fn made(rows: &[PumpHealth], runs: &[Run], work: &[(MaintenanceAction, &str)]) -> Option<Forecast> {
    let registers = registers(work);
    let snapshots = [Snapshot {
        as_of: at("2026-10-01"),
        risks: Vec::new(),
        coefficients: Vec::new(),
        quarters: Vec::new(),
    }];
    let mut found = forecasts(&Case {
        as_of: at("2027-01-01"),
        pump_health: rows,
        snapshots: &snapshots,
        ..case(&registers, runs)
    });
    assert!(found.len() < 2);
    found.pop()
}

#[test]
fn a_forecast_counts_from_the_day_it_was_made() {
    let rows = [alert([Some(60.0), Some(75.0), Some(100.0)])];
    let row = made(&rows, &[], &[]).unwrap();
    assert_eq!(
        [row.p10, row.p50, row.p90],
        [Some(28.0), Some(43.0), Some(68.0)]
    );
}

#[test]
fn a_passing_is_what_gauges_showed_between_two_looks() {
    let rows = [alert([Some(60.0), Some(75.0), Some(100.0)])];
    let outcome = |runs: &[Run]| {
        let row = made(&rows, runs, &[]).unwrap();
        let day = |at: Option<Stamp>| at.map(|at| at.day().to_string());
        (row.outcome, day(row.observed_from), day(row.observed_to))
    };
    let told = |outcome, from: &str, to: &str| {
        let day = |day: &str| (!day.is_empty()).then(|| day.to_owned());
        (outcome, day(from), day(to))
    };
    let shut = Some(0.0);
    let before = held("2026-08-29", 20.0, shut);
    // It did not run from August to December: the passing lies anywhere in between.
    let idle = [
        before.clone(),
        held("2026-12-01", 55.0, shut),
        held("2026-12-05", 60.0, shut),
    ];
    assert_eq!(outcome(&idle), told(Some(1.0), "2026-08-29", "2026-12-01"));
    // One run above it, and one that holds it again: wetter oil.
    let wet = [
        before.clone(),
        held("2026-12-01", 55.0, shut),
        held("2026-12-05", 25.0, shut),
    ];
    assert_eq!(outcome(&wet), told(None, "2026-12-05", "2026-12-05"));
    // A vent that stands open holds the pressure up.
    let open = [
        before.clone(),
        held("2026-12-01", 55.0, Some(40.0)),
        held("2026-12-05", 60.0, Some(40.0)),
    ];
    assert_eq!(outcome(&open), told(None, "2026-08-29", ""));
    // A base above the limit needs no vent.
    let mut bases = open;
    for run in &mut bases[1..] {
        run.pumpdown_base_kpa = Some(45.0);
    }
    assert_eq!(outcome(&bases), told(Some(1.0), "2026-08-29", "2026-12-01"));
    // What the program reckons of the pump later is no evidence of itself.
    let mut reckoned = rows.to_vec();
    reckoned.push(PumpHealth {
        at: at("2026-11-03"),
        ..alert([Some(0.0), Some(0.0), Some(0.0)])
    });
    let runs = [before, held("2026-11-02", 6.8, shut)];
    assert_eq!(made(&reckoned, &runs, &[]).unwrap().outcome, None);
}

#[test]
fn a_repair_ends_a_forecast_and_bears_out_a_last_run_above_the_limit() {
    let rows = [alert([Some(60.0), Some(75.0), Some(100.0)])];
    let work = [(MaintenanceAction::Vanes, "2026-12-03")];
    let shut = Some(0.0);
    let sound = [
        held("2026-08-29", 20.0, shut),
        held("2026-11-20", 30.0, shut),
    ];
    let row = made(&rows, &sound, &work).unwrap();
    assert_eq!(
        (row.outcome, row.ended_by),
        (None, Some(ForecastEnd::Repair))
    );
    assert_eq!(row.observed_from, Some(sound[1].ended_at));
    let mut failed = sound.to_vec();
    failed.push(held("2026-12-01", 70.0, shut));
    // After the repair it is another pump.
    failed.push(held("2026-12-10", 8.0, shut));
    let row = made(&rows, &failed, &work).unwrap();
    assert_eq!(
        (row.outcome, row.ended_by),
        (Some(1.0), Some(ForecastEnd::Due))
    );
}

#[test]
fn of_a_pump_past_its_limit_no_forecast_is_made() {
    let shut = Some(0.0);
    let past = [alert([Some(0.0), Some(0.0), Some(9.0)])];
    let ahead = [alert([Some(60.0), Some(75.0), Some(100.0)])];
    let two = [
        held("2026-08-20", 45.0, shut),
        held("2026-08-29", 50.0, shut),
    ];
    assert_eq!(made(&past, &two, &[]), None);
    assert_eq!(made(&ahead, &two, &[]), None, "two looks say so");
    assert_eq!(made(&past, &[], &[]), None, "and no look says otherwise");
    // Its own gauge says that it holds: such a forecast is one, and wrong.
    let holds = [two[0].clone(), held("2026-08-29", 6.8, shut)];
    assert_eq!(made(&past, &holds, &[]).unwrap().p50, Some(0.0));
}
