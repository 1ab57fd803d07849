//! When runs themselves show that a pump no longer holds its limit.

use drydown_quantity::Stamp;
use drydown_runs::Run;

use super::world::run;
use crate::PumpsConfig;
use crate::limit::own_pressure_past;

/// Runs a week apart: vent, %, and pressure, kPa.
fn past(rows: &[(Option<f64>, f64)], onset: usize) -> Option<f64> {
    let start: Stamp = "2026-06-01".parse().unwrap();
    let runs: Vec<Run> = rows
        .iter()
        .enumerate()
        .map(|(week, (vent, kpa))| Run {
            vent_open_pct: *vent,
            ..run(
                &"U-1".into(),
                format!("U-1@{week}").into(),
                start.plus_days(7.0 * week as f64),
                10.0,
                *kpa,
            )
        })
        .collect();
    let runs: Vec<&Run> = runs.iter().collect();
    let onset = start.plus_days(7.0 * onset as f64 - 1.0);
    own_pressure_past(&runs, Some(onset), &PumpsConfig::documented()).map(|past| past.best_kpa)
}

#[test]
fn a_pressure_past_the_limit_is_the_pumps_where_the_vent_does_not_explain_it() {
    let usual = |vent: f64, last: [(Option<f64>, f64); 2]| {
        let mut rows = vec![(Some(vent), 7.7), (Some(vent), 8.1), (Some(vent), 7.9)];
        rows.extend([(Some(vent), 16.6), (Some(vent), 28.2)]);
        rows.extend(last);
        rows
    };
    for (name, rows, expected) in [
        (
            "vent shut",
            usual(0.0, [(Some(0.0), 54.2), (Some(2.0), 56.2)]),
            Some(54.2),
        ),
        (
            "vent never logged",
            vec![(None, 54.0), (None, 45.0)],
            Some(45.0),
        ),
        (
            "vent as it always was",
            usual(35.0, [(Some(35.0), 54.2), (Some(34.7), 56.2)]),
            Some(54.2),
        ),
        (
            "vent opened further",
            usual(15.0, [(Some(35.0), 54.2), (Some(35.0), 56.2)]),
            None,
        ),
        (
            "one run only",
            usual(35.0, [(Some(35.0), 39.0), (Some(35.0), 56.2)]),
            None,
        ),
    ] {
        assert_eq!(past(&rows, 3), expected, "{name}");
    }
    // A unit that was run near the limit when it was sound.
    let rows = [
        (Some(60.0), 38.0),
        (Some(60.0), 37.0),
        (Some(60.0), 39.0),
        (Some(60.0), 42.0),
        (Some(60.0), 43.0),
    ];
    assert_eq!(past(&rows, 3), None);
}
