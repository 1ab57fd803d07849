//! Worked examples and what follows from the law: what a run tells.

use drydown_runs::SeriesPoint;
use drydown_runs::history::Censor;
use drydown_stats::rng;

use super::super::*;
use super::fit;
use crate::rows::{LimitedBy, Regime};
use crate::samples_for_tests::{bin, oil, reservoir, run, sample, unit};

#[test]
fn the_seven_point_example_gives_its_rate_and_floor() {
    // Calculated example: true k 0.48 1/h, floor 30; a fit that ignores the floor gives 0.3767.
    let water = [
        (0.0, 1000.0),
        (1.0, 630.0),
        (2.0, 401.0),
        (3.0, 260.0),
        (4.0, 172.0),
        (6.0, 84.0),
        (8.0, 51.0),
    ];
    let series: Vec<SeriesPoint> = water
        .iter()
        .map(|(h, ppm)| bin(*h, *ppm, Censor::Exact))
        .collect();
    let row = fit(&run(8.0), &series, &[]);
    assert_eq!(row.status, RunStatus::Identified, "{row:?}");
    let rate = row.removal_rate_per_h.unwrap();
    assert!((rate / 0.4803 - 1.0).abs() < 0.02, "{rate}");
    // The level that the readings fall to is plain; the sensor's own zero, which no sample tells, is part of it.
    assert_eq!(row.floor_ppm, None, "{row:?}");
    let (unit, oil, reservoir) = (unit(), oil(), reservoir(3_785.411_784));
    let input = RunInput {
        run: &run(8.0),
        series: &series,
        samples: &[],
        unit: Some(&unit),
        oil: Some(&oil),
        reservoir: Some(&reservoir),
    };
    let curve = run_curve(&input, &row, &RunFitConfig::documented());
    let fit = curve.fit.unwrap();
    let level = fit.end_level_ppm + fit.sensor_offset_ppm;
    assert!((level - 30.0).abs() < 4.0, "{fit:?}");
    assert!(row.removal_rate_lower_90.unwrap() < 0.48 && 0.48 < row.removal_rate_upper_90.unwrap());
}

#[test]
fn a_pair_of_samples_after_three_turnovers_gives_sixty_percent_a_pass() {
    // Calculated: 1000 to 190 ppm in three turnovers (50 min each) above a floor of 30 is 0.6007; the
    // floor is not known here, so the answer must hold that value between its ends.
    let hours = 2.5;
    let mut low = run(hours);
    low.chamber_kpa = Some(10.5);
    let row = fit(
        &low,
        &[],
        &[
            sample(-1.0, 1000.0, Censor::Exact),
            sample(hours + 0.5, 190.0, Censor::Exact),
        ],
    );
    assert!(
        matches!(row.status, RunStatus::Identified | RunStatus::OneSided),
        "{row:?}"
    );
    let turnover_h = 50.0 / 60.0;
    let per_pass = row.removal_per_pass.unwrap();
    assert!((per_pass / 0.6007 - 1.0).abs() < 0.05, "{per_pass}");
    let upper = row.removal_rate_upper_90.unwrap_or(f64::INFINITY);
    let ends = (
        row.removal_rate_lower_90.unwrap() * turnover_h,
        upper * turnover_h,
    );
    assert!(ends.0 < 0.6007 && 0.6007 < ends.1, "{ends:?}");
    // A laboratory pair at 10 % each is no better than this.
    assert!(ends.1 / ends.0 > 1.1, "{ends:?}");
}

#[test]
fn a_capped_run_shows_its_cap_and_its_rate() {
    let law = curve::Law {
        rate_per_h: 0.5,
        asymptote_ppm: 25.0,
        capacity_ppm_per_h: 150.0,
        free_ratio: 1.0,
        mixing: None,
        settled: None,
        slopes: curve::Slopes::default(),
        drift: 0.0,
    };
    let mut rng = rng::seeded(3, "capped");
    let series: Vec<SeriesPoint> = (0..90)
        .map(|idx| {
            let hour = (f64::from(idx) + 0.5) / 6.0;
            let step = curve::Step::of_hours(hour);
            bin(
                hour,
                curve::advance(&law, &step, 1500.0) + 6.0 * rng::standard_normal(&mut rng),
                Censor::Exact,
            )
        })
        .collect();
    let row = fit(&run(15.0), &series, &[]);
    assert_eq!(row.regime, Some(Regime::Mixed), "{row:?}");
    assert_eq!(row.status, RunStatus::Identified);
    assert!(
        (row.removal_rate_per_h.unwrap() / 0.5 - 1.0).abs() < 0.1,
        "{row:?}"
    );
    // 150 ppm/h of 3293.3 kg is 0.494 kg/h.
    assert!(
        (row.capacity_kg_per_h.unwrap() / 0.494 - 1.0).abs() < 0.05,
        "{row:?}"
    );
    assert_eq!(row.limited_by, Some(LimitedBy::Pump));
}

#[test]
fn doubling_the_hours_halves_the_rate() {
    let at = |stretch: f64| {
        let series: Vec<SeriesPoint> = (0..60)
            .map(|idx| {
                let hour = f64::from(idx) / 6.0;
                bin(
                    hour * stretch,
                    20.0 + 600.0 * (-0.3 * hour).exp() + f64::from(idx * 5 % 7),
                    Censor::Exact,
                )
            })
            .collect();
        fit(&run(10.0 * stretch), &series, &[])
            .removal_rate_per_h
            .unwrap()
    };
    assert!(
        (at(1.0) / at(2.0) - 2.0).abs() < 1e-3,
        "{} {}",
        at(1.0),
        at(2.0)
    );
}

#[test]
fn a_stop_inside_a_run_dries_nothing() {
    let mut series = Vec::new();
    for idx in 0..60 {
        let worked = f64::from(idx) / 6.0;
        let clock = if idx < 30 { worked } else { worked + 1.5 };
        series.push(bin(
            clock,
            20.0 + 600.0 * (-0.3 * worked).exp() + f64::from(idx * 5 % 3),
            Censor::Exact,
        ));
    }
    let mut stopped = run(11.5);
    stopped.hours = 10.0;
    let rate = fit(&stopped, &series, &[]).removal_rate_per_h.unwrap();
    assert!((rate / 0.3 - 1.0).abs() < 0.03, "{rate}");
}

#[test]
fn an_outlet_sensor_tells_the_same_rate() {
    let series: Vec<SeriesPoint> = (0..90)
        .map(|idx| {
            let hour = f64::from(idx) / 6.0;
            bin(
                hour,
                20.0 + 0.4 * 600.0 * (-0.3 * hour).exp() + f64::from(idx * 5 % 3),
                Censor::Exact,
            )
        })
        .collect();
    let (mut unit, oil, reservoir) = (unit(), oil(), reservoir(3_785.411_784));
    unit.water_sensor_place = Some(drydown_runs::history::SensorPlace::Outlet);
    let before = sample(-1.0, 620.0, Censor::Exact);
    let run = run(15.0);
    let input = RunInput {
        run: &run,
        series: &series,
        samples: &[&before],
        unit: Some(&unit),
        oil: Some(&oil),
        reservoir: Some(&reservoir),
    };
    let row = fit_run(&input, &RunFitConfig::documented());
    assert_eq!(row.status, RunStatus::Identified, "{row:?}");
    assert!(
        (row.removal_rate_per_h.unwrap() / 0.3 - 1.0).abs() < 0.03,
        "{row:?}"
    );
    assert!(
        (row.start_ppm.unwrap() / 620.0 - 1.0).abs() < 0.15,
        "{row:?}"
    );
}

#[test]
fn samples_below_the_detection_limit_are_bounds_not_values() {
    let samples = [
        sample(-1.0, 400.0, Censor::Exact),
        sample(5.0, 150.0, Censor::Exact),
        sample(30.5, 20.0, Censor::Below),
    ];
    let row = fit(&run(30.0), &[], &samples);
    // 400 to 150 in 5 h: about 0.2/h above a floor below 20; a value of 20 at 30 h would be the same curve's floor.
    let rate = row.removal_rate_per_h.unwrap();
    assert!(rate > 0.15 && rate < 0.30, "{row:?}");
    assert!(row.end_ppm.unwrap() < 21.0, "{row:?}");
    // "At most 20" is no level: the data do not tell the floor.
    assert_eq!(row.floor_ppm, None, "{row:?}");
}
