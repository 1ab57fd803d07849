//! False alerts, detections, causes and forecasts over invented fleets.

use drydown_quantity::Stamp;
use drydown_runs::history::{Maintenance, MaintenanceAction};
use drydown_stats::rng::{seeded, uniform};

use super::world::{DAYS, Fault, Simulated, day_zero, play, registers, work};
use crate::{
    Cause, DaysStatus, FleetPrior, PumpHealth, PumpStart, PumpState, PumpsConfig, UnitHealth,
    fleet_prior_with_runs, judge_unit,
};

pub(super) fn prior_of(fleet: &[Simulated], config: &PumpsConfig) -> FleetPrior {
    let starts: Vec<PumpStart> = fleet.iter().flat_map(|one| one.starts.clone()).collect();
    let runs: Vec<_> = fleet.iter().flat_map(|one| one.runs.clone()).collect();
    let maintenance = fleet.iter().flat_map(|one| one.maintenance.clone());
    let registers = registers(fleet, maintenance.collect());
    fleet_prior_with_runs(
        &starts,
        &runs,
        &registers,
        day_zero().plus_days(DAYS + 1.0),
        config,
    )
}

pub(super) fn judge(one: &Simulated, prior: &FleetPrior, config: &PumpsConfig) -> UnitHealth {
    judge_unit(
        Some(&one.unit),
        &one.starts,
        &one.runs,
        &one.maintenance,
        prior,
        config,
    )
}

pub(super) fn in_alert(row: &PumpHealth) -> bool {
    matches!(row.state, PumpState::Alert | PumpState::Alarm)
}

pub(super) fn episodes(rows: &[PumpHealth]) -> usize {
    let mut count = 0;
    let mut before = false;
    for row in rows {
        count += usize::from(in_alert(row) && !before);
        before = in_alert(row);
    }
    count
}

pub(super) fn day_of(row: &PumpHealth) -> f64 {
    row.at.days_after(day_zero())
}

#[test]
fn healthy_fleets_alert_within_the_budget() {
    let config = PumpsConfig::documented();
    // The charts alone, by run-length theory: every change beyond chance alerts, however small.
    let charts_alone = PumpsConfig {
        least_speed_loss: 0.0,
        least_base_rise_kpa: 0.0,
        least_steady_rise: 0.0,
        ..config.clone()
    };
    let (mut count, mut by_charts, mut years, mut states) = (0, 0, 0.0, [0usize; 4]);
    for seed in 0..4 {
        let fleet: Vec<Simulated> = (0..30)
            .map(|number| play(seed, number, Fault::None, &config))
            .collect();
        let prior = prior_of(&fleet, &config);
        for one in &fleet {
            let rows = judge(one, &prior, &config).health;
            count += episodes(&rows);
            by_charts += episodes(&judge(one, &prior, &charts_alone).health);
            years += DAYS / 365.25;
            for row in &rows {
                states[row.state as usize] += 1;
            }
        }
    }
    let a_year = |count: usize| count as f64 / years;
    println!(
        "healthy: {count} alert episodes in {years:.0} unit-years: {:.3} a year, {:.3} by the charts alone (budget 0.2), states {states:?}",
        a_year(count),
        a_year(by_charts)
    );
    assert!(a_year(count) <= 0.2, "{count}");
    // 35 are allowed in 177 years; 47 is the 97.5 % limit of a Poisson law with that mean.
    assert!(a_year(by_charts) <= 0.265, "{by_charts}");
    // Never alarming would pass as well: the detections below speak against that.
    assert!(states[PumpState::Normal as usize] > 10 * states[PumpState::Unjudged as usize]);
}

/// A mixed fleet: a third fails by the given fault.
fn mixed(seed: u64, config: &PumpsConfig, fault: impl Fn(f64, f64) -> Fault) -> Vec<Simulated> {
    let mut rng = seeded(seed, "faults");
    (0..30)
        .map(|number| {
            let (a, b) = (uniform(&mut rng), uniform(&mut rng));
            let fault = if number % 3 == 0 {
                fault(a, b)
            } else {
                Fault::None
            };
            play(100 + seed, number, fault, config)
        })
        .collect()
}

#[test]
fn wear_is_found_before_the_limit_and_named() {
    let config = PumpsConfig::documented();
    let (mut found, mut named, mut of, mut delays) = (0, 0, 0, Vec::new());
    for seed in 0..4 {
        // The limit is 1.4 below the sound ln speed: 120 to 350 days after the onset.
        let fleet = mixed(seed, &config, |a, b| {
            Fault::Wear(60.0 + 150.0 * a, 0.004 + 0.008 * b)
        });
        let prior = prior_of(&fleet, &config);
        for one in fleet.iter().filter(|one| one.fault != Fault::None) {
            let Fault::Wear(from, _) = one.fault else {
                continue;
            };
            let rows = judge(one, &prior, &config).health;
            let passed = |day: f64| one.crossing(config.limit_kpa).is_some_and(|end| end <= day);
            of += 1;
            let hit = rows.iter().find(|row| in_alert(row) && day_of(row) > from);
            let Some(hit) = hit.filter(|row| !passed(day_of(row))) else {
                continue;
            };
            found += 1;
            delays.push(day_of(hit) - from);
            let late = rows.iter().rev().find(|row| in_alert(row));
            named += usize::from(late.is_some_and(|row| row.cause == Some(Cause::Wear)));
        }
    }
    delays.sort_by(f64::total_cmp);
    println!(
        "wear: {found} of {of} found before the limit, {named} named wear, median delay {:.0} d",
        delays[delays.len() / 2]
    );
    assert!(found * 10 >= of * 9, "{found} of {of}");
    assert!(named * 10 >= found * 8, "{named} of {found}");
}

#[test]
fn leaks_and_restrictions_are_found_and_told_apart() {
    let config = PumpsConfig::documented();
    let (mut found, mut named, mut of) = ([0; 2], [0; 2], [0; 2]);
    let mut n_late = 0;
    for seed in 0..3 {
        let leaks = mixed(seed, &config, |a, b| {
            Fault::Leak(150.0 + 200.0 * a, 90.0 + 120.0 * b)
        });
        let restrictions = mixed(seed, &config, |a, b| {
            Fault::Restriction(150.0 + 200.0 * a, 0.2 + 0.2 * b)
        });
        for (kind, fleet) in [leaks, restrictions].into_iter().enumerate() {
            let cause = [Cause::Leak, Cause::Restriction][kind];
            let prior = prior_of(&fleet, &config);
            for one in fleet.iter().filter(|one| one.fault != Fault::None) {
                let (Fault::Leak(from, _) | Fault::Restriction(from, _)) = one.fault else {
                    continue;
                };
                let rows = judge(one, &prior, &config).health;
                let hit = rows.iter().find(|row| in_alert(row) && day_of(row) > from);
                of[kind] += 1;
                let starts_until = |end: Stamp| {
                    let since = day_zero().plus_days(from);
                    let accepted = one.starts.iter().filter(|start| start.accepted);
                    accepted
                        .filter(|start| since <= start.started_at && start.started_at <= end)
                        .count()
                };
                n_late += usize::from(hit.is_none_or(|row| starts_until(row.at) > 10));
                found[kind] += usize::from(hit.is_some_and(|row| day_of(row) < from + 45.0));
                let late = rows
                    .iter()
                    .filter(|row| in_alert(row) && day_of(row) > from)
                    .nth(4);
                named[kind] += usize::from(late.is_some_and(|row| row.cause == Some(cause)));
            }
        }
    }
    println!(
        "leak, restriction: found in 45 d {found:?} of {of:?}, named {named:?}, {n_late} after more than ten starts"
    );
    // Steps of a fifth to two fifths of the speed, and leaks.
    assert!(n_late * 20 <= of[0] + of[1], "{n_late} of {of:?}");
    for kind in 0..2 {
        assert!(found[kind] * 10 >= of[kind] * 8, "{found:?} of {of:?}");
        assert!(named[kind] * 10 >= of[kind] * 7, "{named:?} of {of:?}");
    }
}

#[test]
fn forecasts_of_worn_pumps_hold_the_truth_as_often_as_they_say() {
    let config = PumpsConfig::documented();
    let (mut within, mut early, mut of) = (0, 0, 0);
    for seed in 10..16 {
        let fleet = mixed(seed, &config, |a, b| {
            Fault::Wear(60.0 + 100.0 * a, 0.004 + 0.008 * b)
        });
        let prior = prior_of(&fleet, &config);
        for one in fleet.iter().filter(|one| one.fault != Fault::None) {
            let rows = judge(one, &prior, &config).health;
            let Some(crossing) = one.crossing(config.limit_kpa) else {
                continue;
            };
            // One forecast a pump: in the middle of its alert, so that they are independent.
            let alerts: Vec<&PumpHealth> = rows
                .iter()
                .filter(|row| in_alert(row) && day_of(row) < crossing)
                .collect();
            let Some(row) = alerts.get(alerts.len() / 2) else {
                continue;
            };
            if row.days_to_limit_status != DaysStatus::Within {
                continue;
            }
            let truth = crossing - day_of(row);
            of += 1;
            let low = row.days_to_limit_p10.unwrap_or(f64::INFINITY);
            let high = row.days_to_limit_p90.unwrap_or(f64::INFINITY);
            within += usize::from(low <= truth && truth <= high);
            early += usize::from(truth < low);
        }
    }
    println!("days to limit: truth within P10–P90 in {within} of {of} ({early} before P10)");
    assert!(of >= 30, "{of}");
    // Nominal 80 %; three binomial standard errors at 60 forecasts are 15 points.
    assert!(within * 100 >= of * 65, "{within} of {of}");
    assert!(early * 100 <= of * 25, "{early} of {of}");
}

#[test]
fn a_row_knows_nothing_of_what_came_later() {
    let config = PumpsConfig::documented();
    let fleet: Vec<Simulated> = (0..12)
        .map(|number| play(7, number, Fault::Wear(200.0, 0.008), &config))
        .collect();
    let prior = prior_of(&fleet, &config);
    let one = &fleet[3];
    let whole = judge(one, &prior, &config);
    let half = one.runs.len() / 2;
    let until = one.runs[half - 1].ended_at;
    let starts: Vec<PumpStart> = one
        .starts
        .iter()
        .filter(|s| s.started_at <= until)
        .cloned()
        .collect();
    // The fleet's prior as it would have been made then.
    let all: Vec<PumpStart> = fleet
        .iter()
        .flat_map(|one| one.starts.clone())
        .filter(|s| s.started_at <= until)
        .collect();
    let runs: Vec<_> = fleet
        .iter()
        .flat_map(|one| one.runs.clone())
        .filter(|r| r.ended_at <= until)
        .collect();
    let work: Vec<Maintenance> = fleet
        .iter()
        .flat_map(|one| one.maintenance.clone())
        .filter(|row| row.at <= until)
        .collect();
    let then = fleet_prior_with_runs(&all, &runs, &registers(&fleet, work), until, &config);
    let own: Vec<Maintenance> = one
        .maintenance
        .iter()
        .filter(|row| row.at <= until)
        .cloned()
        .collect();
    let early = judge_unit(
        Some(&one.unit),
        &starts,
        &one.runs[..half],
        &own,
        &then,
        &config,
    );
    assert_eq!(early.health, whole.health[..half]);
}

#[test]
fn a_recorded_rebuild_ends_the_alert_and_starts_the_level_afresh() {
    let config = PumpsConfig::documented();
    let worn = play(21, 2, Fault::Wear(100.0, 0.008), &config);
    let fresh = play(21, 2, Fault::None, &config);
    // Until day 200 the worn history, from then the fresh one, as after a rebuild.
    let day = |at: drydown_quantity::Stamp| at.days_after(day_zero());
    let starts: Vec<PumpStart> = worn
        .starts
        .iter()
        .filter(|s| day(s.started_at) < 200.0)
        .chain(fresh.starts.iter().filter(|s| day(s.started_at) >= 200.0))
        .cloned()
        .collect();
    let rebuilt = [work("U-002", 199.9, MaintenanceAction::Rebuild, None)];
    let prior = FleetPrior::common_practice(&config);
    let state_on_day = |maintenance: &[Maintenance], from: f64| -> Vec<PumpState> {
        judge_unit(
            Some(&fresh.unit),
            &starts,
            &fresh.runs,
            maintenance,
            &prior,
            &config,
        )
        .health
        .iter()
        .filter(|row| day_of(row) > from && day_of(row) < from + 60.0)
        .map(|row| row.state)
        .collect()
    };
    assert!(
        state_on_day(&rebuilt, 140.0)
            .last()
            .is_some_and(|s| *s != PumpState::Normal)
    );
    let after = state_on_day(&rebuilt, 205.0);
    assert!(
        after
            .iter()
            .all(|s| matches!(s, PumpState::Unjudged | PumpState::Normal)),
        "{after:?}"
    );
    // Nobody wrote it down: recognised from the starts within a few of them.
    let unrecorded = state_on_day(&[], 225.0);
    assert!(
        unrecorded.iter().all(|s| *s == PumpState::Normal),
        "{unrecorded:?}"
    );
}

#[test]
fn a_changed_exhaust_filter_ends_what_hung_on_it_and_an_oil_filter_does_not() {
    let config = PumpsConfig::documented();
    let stopped = play(23, 2, Fault::Restriction(100.0, 0.5), &config);
    let free = play(23, 2, Fault::None, &config);
    let day = |at: drydown_quantity::Stamp| at.days_after(day_zero());
    let starts: Vec<PumpStart> = stopped
        .starts
        .iter()
        .filter(|s| day(s.started_at) < 200.0)
        .chain(free.starts.iter().filter(|s| day(s.started_at) >= 200.0))
        .cloned()
        .collect();
    let prior = FleetPrior::common_practice(&config);
    // States of the runs within two weeks of day 200.
    let states = |note: &str, days: std::ops::Range<f64>| -> Vec<PumpState> {
        let mut row = work("U-002", 199.9, MaintenanceAction::Filter, None);
        row.note = Some(note.to_owned()).filter(|note| !note.is_empty());
        judge_unit(
            Some(&free.unit),
            &starts,
            &free.runs,
            &[row],
            &prior,
            &config,
        )
        .health
        .iter()
        .filter(|row| days.contains(&day_of(row)))
        .map(|row| row.state)
        .collect()
    };
    let alarmed = |state: &PumpState| matches!(state, PumpState::Alert | PumpState::Alarm);
    for note in ["exhaust filter", "oil filter element"] {
        assert!(states(note, 170.0..199.0).iter().all(alarmed), "{note}");
    }
    // Without a note it is the pump's, since its restriction was seen.
    for note in ["Exhaust filter changed", ""] {
        let mended = states(note, 200.0..240.0);
        assert!(
            !mended.is_empty() && !mended.iter().any(alarmed),
            "{note:?} {mended:?}"
        );
    }
    let first = states("oil filter element", 200.0..206.0);
    assert!(first.iter().any(alarmed), "{first:?}");
}

#[test]
fn a_swapped_pump_brings_its_history() {
    let config = PumpsConfig::documented();
    let donor = play(31, 1, Fault::Wear(60.0, 0.006), &config);
    let host = play(32, 2, Fault::None, &config);
    let day = |at: drydown_quantity::Stamp| at.days_after(day_zero());
    // At day 200 the worn pump of U-001 is fitted to U-002.
    let mut starts: Vec<PumpStart> = donor
        .starts
        .iter()
        .filter(|s| day(s.started_at) < 195.0)
        .cloned()
        .collect();
    starts.extend(
        host.starts
            .iter()
            .filter(|s| day(s.started_at) < 200.0)
            .cloned(),
    );
    starts.extend(
        donor
            .starts
            .iter()
            .filter(|s| day(s.started_at) >= 200.0)
            .map(|s| PumpStart {
                unit_id: "U-002".into(),
                ..s.clone()
            }),
    );
    let fitted = [
        work("U-001", 0.0, MaintenanceAction::PumpSwap, Some("P-77")),
        work("U-001", 196.0, MaintenanceAction::PumpSwap, Some("P-78")),
        work("U-002", 200.0, MaintenanceAction::PumpSwap, Some("P-77")),
    ];
    assert_eq!(crate::frames_of(&"U-002".into(), &fitted).len(), 2);
    let prior = FleetPrior::common_practice(&config);
    let health = judge_unit(
        Some(&host.unit),
        &starts,
        &host.runs,
        &fitted,
        &prior,
        &config,
    )
    .health;
    let before = health.iter().rfind(|row| day_of(row) < 199.0).unwrap();
    assert_eq!(before.state, PumpState::Normal);
    let after = health.iter().find(|row| day_of(row) > 206.0).unwrap();
    assert!(in_alert(after), "{after:?}");
    assert_eq!(after.cause, Some(Cause::Wear), "{after:?}");
}

#[test]
fn without_register_or_starts_there_is_a_named_state() {
    let config = PumpsConfig::documented();
    let one = play(41, 1, Fault::None, &config);
    let prior = FleetPrior::common_practice(&config);
    let none = judge_unit(None, &[], &one.runs[..2], &[], &prior, &config);
    assert!(none.health.iter().all(|row| {
        row.state == PumpState::Unjudged
            && row.indicator.is_none()
            && row.days_to_limit_status == DaysStatus::Unjudged
    }));
    let unknown = judge_unit(None, &one.starts, &one.runs, &[], &prior, &config);
    let last = unknown.health.last().unwrap();
    assert_eq!(
        (last.state, last.days_to_limit_status),
        (PumpState::Normal, DaysStatus::Unjudged)
    );
    assert_eq!(
        judge_unit(None, &[], &[], &[], &prior, &config),
        UnitHealth::default()
    );
}

#[test]
fn probabilities_and_quantiles_are_in_order() {
    let config = PumpsConfig::documented();
    let fleet: Vec<Simulated> = (0..6)
        .map(|n| play(51, n, Fault::Leak(200.0, 150.0), &config))
        .collect();
    let prior = prior_of(&fleet, &config);
    for one in &fleet {
        let health = judge(one, &prior, &config);
        for row in &health.health {
            let total: f64 = health
                .causes
                .iter()
                .filter(|c| c.run_id == row.run_id)
                .map(|c| c.probability)
                .sum();
            assert!(
                row.cause.is_none() == (total < 1e-9) && total < 1.0 + 1e-9,
                "{total}"
            );
            assert!(row.cause.is_none() || total > 0.93, "{total}");
            let days = [
                row.days_to_limit_p10,
                row.days_to_limit_p50,
                row.days_to_limit_p90,
            ];
            let given: Vec<f64> = days.into_iter().flatten().collect();
            assert!(given.is_sorted() && !row.evidence.is_empty());
            assert!(in_alert(row) == row.onset_at.is_some());
        }
    }
}
