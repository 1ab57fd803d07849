//! How warm the oil is at the start, from earlier runs, and what its spread does to the hours.

use super::*;

#[test]
fn the_oil_begins_as_the_last_runs_on_the_reservoir_began() {
    let there: ReservoirId = "R-7".into();
    let began = |day: &str, degc: f64| {
        let run = Run {
            run_id: RunId::from(format!("U-2@{day}").as_str()),
            reservoir_id: Some(there.clone()),
            started_at: at(day),
            ..run(20.0, None)
        };
        let point = |flow_lpm: f64, degc: f64| drydown_runs::SeriesPoint {
            run_id: run.run_id.clone(),
            at: at(day),
            phase: drydown_runs::Phase::Heating,
            n_readings: 10,
            water_ppm: None,
            water_censor: None,
            from_activity: false,
            oil_degc: Some(degc),
            flow_lpm: Some(flow_lpm),
            chamber_kpa: None,
            ambient_kpa: None,
            vent_open_pct: None,
            heater_kw: None,
            vacuum_pump_degc: None,
            ambient_degc: None,
        };
        // Oil that stands in the unit, the first that flows, and what the heater made of it.
        let points = [point(0.0, 18.0), point(60.0, degc), point(60.0, 63.0)];
        (run, points)
    };
    let known = |rows: &[(&str, f64)]| {
        let all: Vec<_> = rows.iter().map(|(day, degc)| began(day, *degc)).collect();
        let runs: Vec<Run> = all.iter().map(|(run, _)| run.clone()).collect();
        let series: Vec<_> = all.iter().flat_map(|(_, points)| points.clone()).collect();
        crate::start_warmth(&runs, &series, &there, at("2026-10-01"))
    };
    assert_eq!(known(&[]), None);
    assert_eq!(known(&[("2026-10-03", 40.0)]), None);
    assert_eq!(known(&[("2026-02-01", 40.0)]), Some((40.0, 8.0)));
    let autumn = [
        ("2025-10-20", 44.0),
        ("2026-09-01", 46.0),
        ("2026-09-20", 45.0),
    ];
    assert_eq!(known(&autumn), Some((45.0, 3.0)));
    // Three of the season stand against what winter was.
    let mut all = autumn.to_vec();
    all.extend([
        ("2026-02-01", 20.0),
        ("2026-02-10", 21.0),
        ("2026-02-20", 22.0),
    ]);
    assert_eq!(known(&all), Some((45.0, 3.0)));
}

#[test]
fn the_spread_of_the_start_is_in_the_hours() {
    let oil = oil();
    let unit = Unit {
        heater_rated_kw: Some(12.0),
        ..unit("U-1", 60.0)
    };
    let coefficient = coefficient(&unit, &oil);
    let hours = |basis| {
        let job = Job {
            oil_degc: 40.0,
            oil_degc_basis: basis,
            ..job(&oil)
        };
        let candidate = Candidate {
            unit: &unit,
            coefficient: Some(&coefficient),
            capacity: None,
            vapour: None,
            temperature_slope: None,
        };
        let config = PlanningConfig::documented();
        let found = size_standing(&job, &[candidate], &BTreeMap::new(), &config);
        let row = &found.rows[0];
        (
            row.hours_p10.unwrap(),
            row.hours_p50.unwrap(),
            row.hours_p90.unwrap(),
        )
    };
    let known = hours(WarmthBasis::Given);
    let spread = hours(WarmthBasis::Runs { sd_k: 8.0 });
    assert!(
        spread.2 - spread.0 > 1.1 * (known.2 - known.0),
        "{known:?} {spread:?}"
    );
    assert!(
        (spread.1 / known.1 - 1.0).abs() < 0.05,
        "{known:?} {spread:?}"
    );
}
