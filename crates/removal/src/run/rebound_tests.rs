//! Runs on one reservoir with days between them: a rest of the oil, ingress, and paper.

use drydown_quantity::{RunId, Stamp};
use drydown_runs::history::Censor;
use drydown_runs::{Run, SeriesPoint};
use drydown_stats::{rng, robust};

use super::rebound::NextStart;
use super::returns::fit_returns;
use super::*;
use crate::rows::{Regime, RemovalRun};
use crate::samples_for_tests::{bin, oil, reservoir, run, unit};

/// What a reservoir does between and during its runs.
#[derive(Clone, Copy)]
struct Tank {
    /// Share of the oil in the loop; exchange of the whole volume per hour.
    share: f64,
    exchange_per_h: f64,
    ingress_ppm_per_h: f64,
    /// How fast the oil follows its paper, 1/h, and the level in balance with it.
    paper_per_h: f64,
    balance_ppm: f64,
}

const WELL_MIXED: Tank = Tank {
    share: 1.0,
    exchange_per_h: 0.0,
    ingress_ppm_per_h: 0.05,
    paper_per_h: 0.0,
    balance_ppm: 0.0,
};
const RATE_PER_H: f64 = 0.25;
const RUN_H: f64 = 6.0;

/// Runs of six hours, ended while the water still falls, in jobs of three with rests of one to four days between them and
/// of weeks between jobs; by small Euler steps.
fn history(seed: u64, tank: Tank, start_ppm: f64) -> Vec<(Run, Vec<SeriesPoint>)> {
    const PER_H: usize = 200;
    const FLOOR_PPM: f64 = 8.0;
    let mut rng = rng::seeded(seed, "rests between runs");
    let (mut inside, mut rest) = (start_ppm, start_ppm);
    let mut out = Vec::new();
    let mut clock_h = 0.0;
    for idx in 0..12 {
        let hours = RUN_H;
        let mut error = rng::standard_normal(&mut rng);
        let mut series = Vec::new();
        let pause_h = if idx % 3 == 2 {
            24.0 * (10.0 + 10.0 * rng::uniform(&mut rng))
        } else {
            24.0 * (1.0 + 3.0 * rng::uniform(&mut rng))
        };
        for step in 0..((hours + pause_h) * PER_H as f64) as usize {
            let rate = if step < RUN_H as usize * PER_H {
                RATE_PER_H
            } else {
                0.0
            };
            let flow = tank.exchange_per_h * (inside - rest);
            let gain = tank.ingress_ppm_per_h + tank.paper_per_h * (tank.balance_ppm - inside);
            inside += (gain - (rate * (inside - FLOOR_PPM) + flow) / tank.share) / PER_H as f64;
            if tank.share < 1.0 {
                rest += (tank.ingress_ppm_per_h + flow / (1.0 - tank.share)) / PER_H as f64;
            }
            if step < RUN_H as usize * PER_H && step % 30 == 15 {
                error = 0.6 * error + 0.8 * rng::standard_normal(&mut rng);
                let at_h = clock_h + step as f64 / PER_H as f64;
                series.push(bin(
                    at_h,
                    inside + (0.5 + 0.005 * inside) * error,
                    Censor::Exact,
                ));
            }
        }
        let template = run(hours);
        let started_at: Stamp = template.started_at.plus_hours(clock_h);
        out.push((
            Run {
                run_id: RunId::from(format!("U-1@{idx}")),
                started_at,
                ended_at: started_at.plus_hours(hours),
                ..template
            },
            series,
        ));
        clock_h += hours + pause_h;
    }
    out
}

fn with_inputs<T>(
    runs: &[(Run, Vec<SeriesPoint>)],
    paper: bool,
    answer: impl Fn(&[RunInput<'_>]) -> T,
) -> T {
    let (unit, oil) = (unit(), oil());
    let reservoir = Reservoir {
        paper_insulated: Some(paper),
        ..reservoir(20_000.0)
    };
    let inputs: Vec<RunInput<'_>> = runs
        .iter()
        .map(|(run, series)| RunInput {
            run,
            series,
            samples: &[],
            unit: Some(&unit),
            oil: Some(&oil),
            reservoir: Some(&reservoir),
        })
        .collect();
    answer(&inputs)
}

fn rows(runs: &[(Run, Vec<SeriesPoint>)], paper: bool) -> Vec<RemovalRun> {
    with_inputs(runs, paper, |inputs| {
        fit_reservoir(inputs, &RunFitConfig::documented())
    })
}

/// How many rows are named badly mixed, hold the rate, and the median log error.
fn judged(rows: &[RemovalRun]) -> (usize, usize, f64) {
    let named = rows
        .iter()
        .filter(|row| row.regime == Some(Regime::TwoCompartments))
        .count();
    let held = rows
        .iter()
        .filter(|row| row.removal_rate_per_h.is_some())
        .filter(|row| {
            row.removal_rate_lower_90
                .is_none_or(|low| low <= RATE_PER_H)
        })
        .filter(|row| {
            row.removal_rate_upper_90
                .is_none_or(|high| RATE_PER_H <= high)
        })
        .count();
    let errors: Vec<f64> = rows
        .iter()
        .filter_map(|row| Some((row.removal_rate_per_h? / RATE_PER_H).ln()))
        .collect();
    (named, held, robust::median(&errors).unwrap())
}

#[test]
fn water_that_is_back_at_the_next_start_tells_a_rest_of_the_oil() {
    let tank = Tank {
        share: 0.45,
        exchange_per_h: 0.06,
        ..WELL_MIXED
    };
    let (mut named, mut held, mut errors) = (0, 0, Vec::new());
    for seed in 0..4 {
        let runs = history(seed, tank, 300.0);
        let (n, of_n, error) = judged(&rows(&runs, false));
        named += n;
        held += of_n;
        errors.push(error);
        let told = with_inputs(&runs, false, |inputs| {
            fit_returns(inputs, &RunFitConfig::documented())
        });
        assert!(told.mixing.unwrap().probability > 0.5, "{told:?}");
        // A run alone has not seen it.
        let alone = with_inputs(&runs, false, |inputs| {
            inputs
                .iter()
                .map(|input| fit_run(input, &RunFitConfig::documented()))
                .collect::<Vec<RemovalRun>>()
        });
        assert!(judged(&alone).2 > 0.3, "{:?}", judged(&alone));
    }
    let error = robust::median(&errors).unwrap();
    println!("rest of the oil: {named} of 48 named, {held} held, log error {error:+.3}");
    assert!(named >= 44, "{named}");
    assert!(held >= 40, "{held}");
    assert!(error.abs() < 0.25, "{error}");
}

#[test]
fn ingress_is_no_rest_of_the_oil() {
    for (name, ingress_ppm_per_h) in [("little", 0.15), ("much", 0.6), ("a leak", 2.0)] {
        let (mut named, mut held, mut told) = (0, 0, 0);
        for seed in 10..13 {
            let tank = Tank {
                ingress_ppm_per_h,
                ..WELL_MIXED
            };
            let rows = rows(&history(seed, tank, 120.0), false);
            let (n, of_n, _) = judged(&rows);
            named += n;
            held += of_n;
            told += rows
                .iter()
                .filter(|row| row.removal_rate_per_h.is_some())
                .count();
        }
        println!("{name}: {named} named, {held} of {told} held");
        assert_eq!(named, 0, "{name}");
        assert!(
            told >= 20 && held * 5 >= told * 4,
            "{name}: {held} of {told}"
        );
    }
}

#[test]
fn what_paper_gives_back_is_no_drying() {
    let tank = Tank {
        ingress_ppm_per_h: 0.0,
        paper_per_h: 0.03,
        balance_ppm: 60.0,
        ..WELL_MIXED
    };
    let runs = history(20, tank, 60.0);
    let told = rows(&runs, true);
    let (_, held, error) = judged(&told);
    println!("paper: {held} of 12 held, log error {error:+.3}");
    assert!(held >= 10, "{held}");
    // One body's rate is the sum of both: ln(0.28/0.25) too high.
    assert!(error.abs() < 0.07, "{error}");
    let by_rests = |row: &RemovalRun| row.evidence.contains("rests between runs");
    assert!(
        told.iter()
            .filter(|row| row.removal_rate_per_h.is_some())
            .all(by_rests),
        "{told:?}"
    );
    let one = with_inputs(&runs, true, |inputs| {
        fit_run(inputs.first().unwrap(), &RunFitConfig::documented())
    });
    assert!(one.evidence.contains("its runs do not tell it"), "{one:?}");
}

#[test]
fn a_slow_run_over_paper_has_an_open_lower_end() {
    // All of 0.008 1/h may be the paper's.
    let mut row = with_inputs(&history(1, WELL_MIXED, 200.0), true, |inputs| {
        fit_run(inputs.first().unwrap(), &RunFitConfig::documented())
    });
    row.removal_rate_per_h = Some(0.008);
    row.removal_rate_lower_90 = Some(0.007);
    row.removal_rate_upper_90 = Some(0.009);
    paper::Following::default().take_out(&mut row, &RunFitConfig::documented());
    assert_eq!(row.removal_rate_lower_90, None, "{row:?}");
    assert_eq!(row.status, RunStatus::OneSided);
    assert!(row.removal_rate_upper_90.unwrap() > 0.006, "{row:?}");
}

#[test]
fn a_reading_far_off_says_no_more_than_something_else_happened() {
    let next = NextStart {
        reading_ppm: 100.0,
        sd_ppm: 5.0,
        ingress_ppm: 0.0,
    };
    assert!((next.residual(95.0) - 1.0).abs() < 0.05);
    assert!((next.residual(105.0) + 1.0).abs() < 0.05);
    assert!(next.residual(0.0) < 2.6);
}
