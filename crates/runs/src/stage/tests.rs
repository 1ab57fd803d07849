//! Runs from small invented logs: what is cut, what is kept, what is flagged.

use drydown_quantity::{OilType, ReservoirId, SiteId, Stamp, UnitId};

use super::cut_runs;
use crate::history::{
    BarometerBasis, Censor, Deployment, Oil, Registers, Reservoir, Sample, SensorPlace, Site, Unit,
};
use crate::{Column, Phase, Readings, RunsConfig, UnitRuns};

const START: &str = "2026-01-03T08:00:00Z";

fn start() -> Stamp {
    START.parse().unwrap()
}

/// Unit U-1 on reservoir R-1 at sea level, in an oil of known solubility; R-2 lies higher.
pub(crate) fn registers() -> Registers {
    Registers {
        units: vec![Unit {
            unit_id: "U-1".into(),
            size_class: None,
            nameplate_flow_lpm: Some(75.0),
            heater_rated_kw: Some(24.0),
            vacuum_pump_m3h: Some(30.0),
            vacuum_pump_kind: None,
            chamber_volume_l: Some(150.0),
            commissioned_on: None,
            home_site_id: Some("S-1".into()),
            water_sensor_place: Some(SensorPlace::Inlet),
            oil_families_allowed: Vec::new(),
            insulating_oil_ready: None,
        }],
        sites: vec![site("S-1", 0.0), site("S-2", 1500.0)],
        oils: vec![Oil {
            oil_type: "VG46".into(),
            family: None,
            iso_vg: None,
            viscosity_40c_mm2s: None,
            viscosity_100c_mm2s: None,
            density_15c_kgm3: Some(870.0),
            solubility_a: Some(7.0895),
            solubility_b_k: Some(1567.0),
            flash_degc: None,
        }],
        reservoirs: vec![reservoir("R-1", "S-1"), reservoir("R-2", "S-2")],
        deployments: vec![deployment("2026-01-01", "R-1", None)],
        ..Registers::default()
    }
}

fn site(id: &str, altitude_m: f64) -> Site {
    Site {
        site_id: id.into(),
        name: None,
        altitude_m: Some(altitude_m),
        timezone: None,
    }
}

fn reservoir(id: &str, site: &str) -> Reservoir {
    Reservoir {
        reservoir_id: id.into(),
        site_id: Some(SiteId::from(site)),
        service: None,
        oil_type: Some(OilType::from("VG46")),
        volume_l: Some(4000.0),
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

fn deployment(from: &str, reservoir: &str, to: Option<&str>) -> Deployment {
    Deployment {
        unit_id: "U-1".into(),
        from_at: from.parse().unwrap(),
        reservoir_id: Some(reservoir.into()),
        to_at: to.map(|t| t.parse().unwrap()),
    }
}

/// One reading of the little logs below.
#[derive(Clone, Copy)]
struct Row {
    minute: f64,
    chamber: f64,
    flow: f64,
    oil: f64,
    activity: f64,
    hours: f64,
}

/// A machine at rest, then working from `from` to `to` minutes, then at rest; a row a minute.
fn working(from: i64, to: i64, rest: i64) -> Vec<Row> {
    (from - rest..=to + rest)
        .map(|m| {
            let t = (m - from) as f64;
            let on = (from..=to).contains(&m);
            let oil = if on {
                54.0 + 12.0 * (t / 60.0).clamp(0.0, 1.0)
            } else {
                54.0
            };
            let ppm = 30.0 + 120.0 * (-t.max(0.0) / 240.0).exp();
            Row {
                minute: m as f64,
                chamber: if on {
                    20.0 + 0.05 * (t * 0.7).sin() + 81.325 * (-t * 60.0 / 18.0).exp()
                } else {
                    101.325
                },
                flow: if on && t >= 3.0 { 70.0 } else { 0.0 },
                oil,
                activity: (ppm / 10f64.powf(7.0895 - 1567.0 / (oil + 273.15))).min(1.0),
                hours: t.clamp(0.0, (to - from) as f64) / 60.0,
            }
        })
        .collect()
}

fn log(rows: &[Row]) -> Readings {
    let column = |of: fn(&Row) -> f64| Column::from_values(rows.iter().map(of).collect());
    let n = rows.len();
    Readings {
        at: rows
            .iter()
            .map(|row| start().plus_hours(row.minute / 60.0))
            .collect(),
        reservoir_id: vec![None; n],
        barometer_basis: vec![Some(BarometerBasis::Altitude); n],
        chamber_pressure_kpa: column(|row| row.chamber),
        ambient_kpa: Column::from_values(vec![101.325; n]),
        oil_inlet_degc: column(|row| row.oil),
        oil_flow_lpm: column(|row| row.flow),
        water_activity: column(|row| row.activity),
        alarm: vec![None; n],
        ..Readings::empty(UnitId::from("U-1"))
    }
}

fn cut(readings: &Readings) -> UnitRuns {
    cut_with(&registers(), readings)
}

fn cut_with(registers: &Registers, readings: &Readings) -> UnitRuns {
    let as_of = "2026-02-01".parse().unwrap();
    cut_runs(registers, readings, &[], as_of, &RunsConfig::documented())
}

fn flags(runs: &UnitRuns) -> Vec<String> {
    runs.runs.iter().map(|run| run.flags.join(",")).collect()
}

#[test]
fn a_plain_run_is_described() {
    let runs = cut(&log(&working(0, 600, 30)));
    let [run] = runs.runs.as_slice() else {
        panic!("{:?}", runs.runs)
    };
    assert_eq!(run.run_id.as_str(), "U-1@20260103T080100Z");
    assert_eq!(run.reservoir_id, Some(ReservoirId::from("R-1")));
    assert!((run.hours - 599.0 / 60.0).abs() < 1e-9);
    assert!((run.flow_lpm.unwrap() - 70.0).abs() < 1e-9);
    assert!((run.oil_degc.unwrap() - 66.0).abs() < 0.5, "{run:?}");
    assert!((run.steady_kpa.unwrap() - 20.0).abs() < 0.01);
    assert_eq!(run.flags, Vec::<String>::new());
    // Water by the closed form at 9.9 h.
    assert!((run.water_last_ppm.unwrap() - 40.1).abs() < 1.5, "{run:?}");
    let kg = run.water_removed_kg.unwrap();
    let expected = 3.35 * (run.water_first_ppm.unwrap() - run.water_last_ppm.unwrap()) * 1e-3;
    assert!((kg / expected - 1.0).abs() < 0.01, "{kg} {expected}");
}

#[test]
fn warming_oil_does_not_dry_in_ppm() {
    // Constant 60 ppm while the oil warms from 54 to 66 °C: activity falls, water does not.
    let mut rows = working(0, 200, 5);
    for row in &mut rows {
        row.activity = (60.0 / 10f64.powf(7.0895 - 1567.0 / (row.oil + 273.15))).min(1.0);
    }
    let runs = cut(&log(&rows));
    let ppm: Vec<f64> = runs.series.iter().filter_map(|p| p.water_ppm).collect();
    assert!(ppm.iter().all(|ppm| (ppm - 60.0).abs() < 0.01), "{ppm:?}");
    assert!(runs.series.iter().all(|p| p.from_activity));
}

#[test]
fn the_series_keeps_its_ends_and_its_phases() {
    let runs = cut(&log(&working(0, 600, 30)));
    let first = runs.series.first().unwrap();
    let last = runs.series.last().unwrap();
    assert_eq!((first.n_readings, last.n_readings), (1, 1));
    assert_eq!(first.at, runs.runs[0].started_at);
    assert_eq!(last.at, runs.runs[0].ended_at);
    let phases: Vec<Phase> = runs.series.iter().map(|p| p.phase).collect();
    assert_eq!(phases[0], Phase::PumpDown);
    assert!(phases.contains(&Phase::Heating) && phases.contains(&Phase::Drying));
    assert!(
        phases.windows(2).all(|pair| pair[0] <= pair[1]),
        "{phases:?}"
    );
    let n: i64 = runs.series.iter().map(|p| p.n_readings).sum();
    assert_eq!(n, runs.runs[0].n_readings);
}

#[test]
fn a_short_stop_stays_within_the_run_and_a_long_one_ends_it() {
    let mut rows = working(0, 200, 20);
    rows.extend(working(280, 500, 20));
    let runs = cut(&log(&rows));
    assert_eq!(runs.runs.len(), 1, "{:?}", runs.runs);
    assert_eq!(runs.starts.len(), 2);
    assert!((runs.starts[1].idle_h.unwrap() - 81.0 / 60.0).abs() < 0.02);
    // The stop is no working time.
    assert!(
        (runs.runs[0].hours - (199.0 + 219.0) / 60.0).abs() < 0.05,
        "{:?}",
        runs.runs[0].hours
    );
    let mut rows = working(0, 200, 20);
    rows.extend(working(330, 500, 20));
    assert_eq!(cut(&log(&rows)).runs.len(), 2);
}

#[test]
fn an_hour_counter_tells_not_logged_from_not_running() {
    // Five hours without a line. With the counter running on, the run goes on; without, it ends.
    let hole = |rows: Vec<Row>| -> Vec<Row> {
        rows.into_iter()
            .filter(|row| !(100.0..400.0).contains(&row.minute))
            .collect()
    };
    let rows = hole(working(0, 700, 20));
    assert_eq!(cut(&log(&rows)).runs.len(), 2);
    let mut counted = log(&rows);
    counted.run_hours_h = Column::from_values(rows.iter().map(|row| 1000.05 + row.hours).collect());
    let runs = cut(&counted);
    assert_eq!(flags(&runs), ["gap"]);
    assert!((runs.runs[0].hours - 699.0 / 60.0).abs() < 0.05);
    // A counter that stood still over the hole: the machine rested.
    let mut rested = log(&rows);
    let stood = |row: &Row| {
        if row.minute < 200.0 {
            row.hours
        } else {
            row.hours - 5.0
        }
    };
    rested.run_hours_h = Column::from_values(rows.iter().map(|row| 1000.05 + stood(row)).collect());
    rested.chamber_pressure_kpa = Column::from_values(
        rows.iter()
            .map(|r| {
                if (400.0..402.0).contains(&r.minute) {
                    100.0
                } else {
                    r.chamber
                }
            })
            .collect(),
    );
    assert_eq!(cut(&rested).runs.len(), 2);
}

#[test]
fn a_clock_put_forward_is_flagged_and_does_not_cut() {
    let mut rows = working(0, 600, 20);
    for row in rows.iter_mut().filter(|row| row.minute > 300.0) {
        row.minute += 180.0;
    }
    let mut readings = log(&rows);
    readings.run_hours_h = Column::from_values(rows.iter().map(|row| 10.05 + row.hours).collect());
    let runs = cut(&readings);
    assert_eq!(flags(&runs), ["clock_jump,gap"]);
}

#[test]
fn a_move_to_another_reservoir_cuts_and_the_deployment_wins() {
    let mut registers = registers();
    registers.deployments = vec![
        deployment("2026-01-01", "R-1", None),
        deployment("2026-01-03T13:00:00Z", "R-2", None),
    ];
    let mut readings = log(&working(0, 600, 20));
    readings.reservoir_id = vec![Some("R-1".into()); readings.len()];
    let runs = cut_with(&registers, &readings);
    let ids: Vec<String> = runs
        .runs
        .iter()
        .filter_map(|r| r.reservoir_id.as_ref().map(ToString::to_string))
        .collect();
    assert_eq!(ids, ["R-1", "R-2"]);
    assert_eq!(flags(&runs), ["", "reservoir_conflict"]);
}

#[test]
fn a_barometer_by_altitude_is_taken_again_from_the_registers() {
    // Stored as gauge at sea level; the register now says that the reservoir lies at 1500 m.
    let mut registers = registers();
    registers.deployments = vec![deployment("2026-01-01", "R-2", None)];
    let rows: Vec<Row> = working(0, 300, 20)
        .into_iter()
        .map(|row| Row {
            chamber: row.chamber + 16.769,
            ..row
        })
        .map(|row| Row {
            chamber: if row.flow > 0.0 {
                row.chamber
            } else {
                row.chamber.min(101.325)
            },
            ..row
        })
        .collect();
    let runs = cut_with(&registers, &log(&rows));
    let run = &runs.runs[0];
    // ISO 2533 at 1500 m: 84.556 kPa, that is 16.769 below sea level.
    assert!((run.ambient_kpa.unwrap() - 84.556).abs() < 0.001, "{run:?}");
    assert!((run.steady_kpa.unwrap() - 20.0).abs() < 0.05, "{run:?}");
    let mut measured = log(&rows);
    measured.barometer_basis = vec![Some(BarometerBasis::Measured); measured.len()];
    let run = &cut_with(&registers, &measured).runs[0];
    assert!(
        (run.steady_kpa.unwrap() - 36.769).abs() < 0.05,
        "measured pressures stay: {run:?}"
    );
}

#[test]
fn a_saturated_sensor_is_a_lower_bound() {
    let mut rows = working(0, 300, 5);
    for row in rows.iter_mut().filter(|row| row.minute < 150.0) {
        row.activity = 1.0;
    }
    let runs = cut(&log(&rows));
    assert_eq!(flags(&runs), ["sensor_saturated"]);
    let censored = runs
        .series
        .iter()
        .filter(|p| p.water_censor == Some(Censor::Above))
        .count();
    assert!((13..=18).contains(&censored), "{censored}");
}

#[test]
fn a_stuck_and_a_spiking_sensor_are_flagged_and_left_out() {
    let mut rows = working(0, 600, 5);
    for row in rows
        .iter_mut()
        .filter(|row| (300.0..540.0).contains(&row.minute))
    {
        row.activity = 0.2345;
        row.chamber += 0.1 * (row.minute * 0.7).sin();
    }
    let runs = cut(&log(&rows));
    assert_eq!(flags(&runs), ["sensor_stuck"]);
    assert!(runs.series.iter().any(|p| p.water_ppm.is_none()));
    let clean = cut(&log(&working(0, 600, 5)));
    let mut rows = working(0, 600, 5);
    for row in rows.iter_mut().filter(|row| row.minute as i64 % 50 == 7) {
        row.activity = (row.activity * 3.0).min(0.97);
    }
    let spiked = cut(&log(&rows));
    assert_eq!(flags(&spiked), ["sensor_spiking"]);
    for (a, b) in clean.series.iter().zip(&spiked.series) {
        if let (Some(a), Some(b)) = (a.water_ppm, b.water_ppm) {
            assert!((a - b).abs() < 1.5, "{a} {b}");
        }
    }
}

#[test]
fn start_curves_end_where_oil_flows_and_carry_the_pump_down() {
    let mut rows = Vec::new();
    for k in -4..400 {
        let t = 5.0 * f64::from(k);
        let on = k >= 0;
        rows.push(Row {
            minute: t / 60.0,
            chamber: if on {
                2.0 + 99.325 * (-t / 18.0).exp()
            } else {
                101.325
            },
            flow: if t >= 180.0 { 70.0 } else { 0.0 },
            oil: 20.0,
            activity: 0.3,
            hours: 0.0,
        });
    }
    let runs = cut(&log(&rows));
    let [curve] = runs.starts.as_slice() else {
        panic!("{:?}", runs.starts.len())
    };
    assert!((curve.step_s - 5.0).abs() < 1e-9);
    assert!(
        (curve.oil_flow_from_s.unwrap() - 175.0).abs() < 1e-9,
        "{curve:?}"
    );
    assert!(
        curve.seconds.first().is_some_and(|s| *s < 0.0),
        "the reading at rest is kept"
    );
    let fit = crate::pump_down::fit_pump_down(&curve.seconds, &curve.chamber_kpa).unwrap();
    assert!(
        (fit.relative_speed_per_s * 18.0 - 1.0).abs() < 1e-3,
        "{fit:?}"
    );
}

#[test]
fn the_start_in_a_slow_log_keeps_the_reading_between_which_it_lies() {
    // A minute, and five, between readings; the fall begins 20 s before the first reading below.
    for step_s in [60.0, 300.0] {
        let mut rows = Vec::new();
        for k in -4..60 {
            let t = step_s * f64::from(k);
            rows.push(Row {
                minute: t / 60.0,
                chamber: 2.0 + 99.325 * (-(t + 20.0).max(0.0) / 18.0).exp(),
                flow: if t >= 700.0 { 70.0 } else { 0.0 },
                oil: 20.0,
                activity: 0.3,
                hours: 0.0,
            });
        }
        let runs = cut(&log(&rows));
        let [curve] = runs.starts.as_slice() else {
            panic!("{:?}", runs.starts.len())
        };
        assert!((curve.step_s - step_s).abs() < 1e-9);
        assert!((curve.seconds[0] + step_s).abs() < 1e-9, "{curve:?}");
        let ambient = curve.ambient_kpa;
        let fit = crate::slow_log::fit_slow_pump_down(&curve.seconds, &curve.chamber_kpa, ambient);
        let fit = fit.unwrap();
        assert!((fit.base_kpa - 2.0).abs() < 0.2, "{fit:?}");
        // Two readings stand on the slope of the minute log, one on that of the other.
        match fit.ln_speed {
            Some((ln_speed, se)) => {
                assert!(
                    step_s < 100.0 && (ln_speed + 18f64.ln()).abs() < 2.0 * se,
                    "{fit:?}"
                );
            }
            None => assert!(step_s > 100.0, "{fit:?}"),
        }
    }
}

#[test]
fn odd_logs_give_no_panic() {
    assert_eq!(cut(&log(&[])), UnitRuns::default());
    let one = working(0, 30, 0).into_iter().nth(10).unwrap();
    let runs = cut(&log(&[one]));
    assert_eq!(flags(&runs), ["single_reading"]);
    let mut bare = Readings::empty("U-9".into());
    bare.at = vec![start(), start().plus_hours(1.0)];
    assert_eq!(cut(&bare), UnitRuns::default());
    let mut no_register = log(&working(0, 100, 5));
    no_register.unit_id = "U-9".into();
    let runs = cut(&no_register);
    assert!(runs.runs[0].has_flag("no_reservoir") && runs.runs[0].has_flag("no_water_sensor"));
}

#[test]
fn a_run_still_on_at_as_of_is_open_and_samples_within_a_day_count() {
    let readings = log(&working(0, 600, 0));
    let as_of = readings.at.last().unwrap().plus_hours(0.5);
    let sample = |hours: f64, reservoir: &str| Sample {
        lab: "L".into(),
        sample_id: format!("{hours}"),
        reservoir_id: Some(reservoir.into()),
        unit_id: None,
        taken_at: Some(start().plus_hours(hours)),
        reported_at: None,
        sample_point: None,
        sample_degc: None,
        water_ppm: Some(100.0),
        water_censor: Some(Censor::Exact),
        iso4406_4um: None,
        iso4406_6um: None,
        iso4406_14um: None,
        iso4406_note: None,
        viscosity_40c_mm2s: None,
        acid_mgkoh_g: None,
        breakdown_kv: None,
    };
    let samples = [
        sample(-30.0, "R-1"),
        sample(-3.0, "R-1"),
        sample(5.0, "R-1"),
        sample(5.0, "R-2"),
    ];
    let config = RunsConfig::documented();
    let runs = cut_runs(&registers(), &readings, &samples, as_of, &config);
    assert_eq!(flags(&runs), ["open"]);
    assert_eq!(runs.runs[0].n_samples, 2);
}

#[test]
fn alarms_are_counted_by_onset() {
    let mut readings = log(&working(0, 100, 5));
    for (k, slot) in readings.alarm.iter_mut().enumerate() {
        *slot = match k {
            20..30 => Some("high level".to_owned()),
            40..50 => Some("low flow".to_owned()),
            _ => Some(" ".to_owned()),
        };
    }
    assert_eq!(cut(&readings).runs[0].alarms, 2);
}

#[test]
fn a_unit_year_of_minutes_is_cut_quickly() {
    // 50 000 readings are a twenty-fourth of the demo's log; the whole must take about a second.
    // The bound is wide: it guards against quadratic work, not against a slow machine.
    let mut rows = Vec::new();
    for run in 0..50 {
        rows.extend(working(run * 1400, run * 1400 + 900, 30));
    }
    let readings = log(&rows);
    let began = std::time::Instant::now();
    let runs = cut(&readings);
    let took_s = began.elapsed().as_secs_f64();
    println!(
        "{} readings, {} runs: {took_s:.3} s",
        readings.len(),
        runs.runs.len()
    );
    assert_eq!(runs.runs.len(), 50);
}
