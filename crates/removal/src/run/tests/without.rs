//! What a run does not tell, and that it says so.

use drydown_runs::SeriesPoint;
use drydown_runs::history::Censor;
use drydown_stats::rng;

use super::super::*;
use super::{Truth, fit, noisy};
use crate::samples_for_tests::{bin, run, sample};

#[test]
fn every_run_without_an_answer_has_a_name_for_it() {
    let flat: Vec<SeriesPoint> = (0..60)
        .map(|idx| {
            bin(
                f64::from(idx) / 6.0,
                12.0 + f64::from(idx * 7 % 5) * 0.8,
                Censor::Exact,
            )
        })
        .collect();
    assert_eq!(fit(&run(10.0), &flat, &[]).status, RunStatus::AtFloor);
    let high: Vec<SeriesPoint> = (0..7)
        .map(|idx| {
            bin(
                f64::from(idx) / 6.0,
                900.0 + f64::from(idx * 7 % 5) * 12.0,
                Censor::Exact,
            )
        })
        .collect();
    let status = fit(&run(1.2), &high, &[]).status;
    assert!(
        matches!(
            status,
            RunStatus::NoContrast | RunStatus::NotIdentified | RunStatus::OnBoundary
        ),
        "{status}"
    );
    let top: Vec<SeriesPoint> = (0..40)
        .map(|idx| bin(f64::from(idx) / 6.0, 1430.0, Censor::Above))
        .collect();
    assert_eq!(fit(&run(7.0), &top, &[]).status, RunStatus::Saturated);
    assert_eq!(fit(&run(7.0), &[], &[]).status, RunStatus::NotIdentified);
    let mut flagged = run(10.0);
    flagged.flags = vec!["refilled".into()];
    assert_eq!(fit(&flagged, &flat, &[]).status, RunStatus::Spoiled);
    for row in [fit(&run(7.0), &top, &[]), fit(&run(7.0), &[], &[])] {
        assert!(row.removal_rate_per_h.is_none() && !row.evidence.is_empty());
    }
}

#[test]
fn more_dried_than_pumped_is_said_not_hidden() {
    let series: Vec<SeriesPoint> = (0..60)
        .map(|idx| {
            let hour = f64::from(idx) / 6.0;
            bin(
                hour,
                20.0 + 600.0 * (-1.6 * hour).exp() + f64::from(idx * 5 % 3),
                Censor::Exact,
            )
        })
        .collect();
    let row = fit(&run(10.0), &series, &[]);
    assert!(row.dried_flow_lpm.unwrap() > 75.708_236, "{row:?}");
    assert_eq!(row.removal_per_pass, None);
    assert!(
        row.evidence.contains("more dried than pumped"),
        "{}",
        row.evidence
    );
}

#[test]
fn no_input_stops_the_fit() {
    let odd = [f64::NAN, f64::INFINITY, -5.0, 0.0, 1e-9, 1e9, 120.0, 80.0];
    for seed in 0..400_u64 {
        let mut rng = rng::seeded(seed, "odd");
        let pick = |rng: &mut rng::Pcg64| odd[rng::index(rng, odd.len())];
        let n = rng::index(&mut rng, 30);
        let mut series: Vec<SeriesPoint> = (0..n)
            .map(|_| {
                let hour = 40.0 * rng::uniform(&mut rng) - 5.0;
                let mut point = bin(hour, pick(&mut rng), Censor::Exact);
                if rng::uniform(&mut rng) < 0.3 {
                    point.oil_degc = Some(pick(&mut rng));
                    point.flow_lpm = Some(pick(&mut rng));
                }
                if rng::uniform(&mut rng) < 0.2 {
                    point.water_censor = Some(Censor::Above);
                }
                point
            })
            .collect();
        if rng::uniform(&mut rng) < 0.7 {
            series.sort_by_key(|point| point.at);
        }
        let samples: Vec<_> = (0..rng::index(&mut rng, 5))
            .map(|_| {
                let hour = 80.0 * rng::uniform(&mut rng) - 20.0;
                sample(hour, pick(&mut rng), Censor::ALL[rng::index(&mut rng, 3)])
            })
            .collect();
        let mut run = run(30.0 * rng::uniform(&mut rng));
        run.hours = pick(&mut rng);
        run.chamber_kpa = Some(pick(&mut rng));
        if rng::uniform(&mut rng) < 0.1 {
            run.ended_at = run.started_at.plus_hours(-3.0);
        }
        let row = fit(&run, &series, &samples);
        let numbers = [
            row.removal_rate_per_h,
            row.removal_rate_lower_90,
            row.removal_rate_upper_90,
            row.removal_rate_se,
            row.dried_flow_lpm,
            row.floor_ppm,
            row.capacity_kg_per_h,
            row.start_ppm,
            row.end_ppm,
            row.residual_phi,
        ];
        assert!(
            numbers.iter().flatten().all(|value| value.is_finite()),
            "seed {seed}: {row:?}"
        );
    }
}

#[test]
fn a_sensor_that_bottoms_out_does_not_speed_up_the_run() {
    // Offset of -30 ppm, cut at zero: the series looks as if the oil had reached a floor long before it does.
    let (mut held, mut numbers, mut errors) = (0, 0, Vec::new());
    for trial in 0..80 {
        let mut rng = rng::seeded(12, &format!("bottom {trial}"));
        let truth = Truth {
            rate: 0.12 * (0.3 * rng::standard_normal(&mut rng)).exp(),
            floor: 12.0,
            start: 160.0 * (0.3 * rng::standard_normal(&mut rng)).exp(),
            phi: 0.8,
            sd: 2.0,
            hours: 40.0,
        };
        let mut series = noisy(&truth, &mut rng);
        for point in &mut series {
            point.water_ppm = point.water_ppm.map(|ppm| (ppm - 30.0).max(0.0));
        }
        let row = fit(&run(truth.hours), &series, &[]);
        if row.status != RunStatus::Identified {
            continue;
        }
        numbers += 1;
        let (lower, upper) = (
            row.removal_rate_lower_90.unwrap(),
            row.removal_rate_upper_90.unwrap(),
        );
        held += i32::from(lower <= truth.rate && truth.rate <= upper);
        errors.push((row.removal_rate_per_h.unwrap() / truth.rate).ln());
    }
    errors.sort_by(f64::total_cmp);
    let coverage = f64::from(held) / f64::from(numbers);
    let bias = errors[errors.len() / 2];
    println!(
        "sensor at its bottom: {numbers} of 80 identified, coverage {coverage:.3}, median log error {bias:+.3}"
    );
    assert!(numbers >= 20, "{numbers}");
    assert!(coverage >= 0.82, "{coverage}");
    assert!(bias.abs() < 0.10, "{bias}");
}

#[test]
fn a_sensor_at_zero_from_the_start_tells_nothing() {
    let series: Vec<SeriesPoint> = (0..120)
        .map(|idx| {
            bin(
                f64::from(idx) / 6.0,
                if idx < 3 { 4.0 } else { 0.0 },
                Censor::Exact,
            )
        })
        .collect();
    let row = fit(&run(20.0), &series, &[sample(-1.0, 300.0, Censor::Exact)]);
    assert_eq!(row.status, RunStatus::NotIdentified, "{row:?}");
    assert!(row.evidence.contains("at its bottom"), "{}", row.evidence);
}

#[test]
fn more_dried_than_pumped_is_no_rate() {
    // Turnover 50 min: a rate of 6 1/h would dry five times the oil pumped.
    let truth = Truth {
        rate: 6.0,
        floor: 20.0,
        start: 300.0,
        phi: 0.3,
        sd: 1.0,
        hours: 8.0,
    };
    let series = noisy(&truth, &mut rng::seeded(3, "impossible"));
    let row = fit(&run(8.0), &series, &[]);
    assert_eq!(row.status, RunStatus::Spoiled, "{row:?}");
    assert!(row.removal_rate_per_h.is_none() && row.evidence.contains("oil pumped"));
}
