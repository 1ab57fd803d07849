//! From simulated runs to the fleet's answers, against what is true and against an estimator that is told every
//! nuisance parameter.
//!
//! The normal run takes few fleets and holds bounds that so few can hold; `DRYDOWN_FLEETS=20` takes that many of each
//! kind and holds the bars themselves. Figures with `--nocapture`.
#![allow(
    clippy::print_stdout,
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::panic,
    reason = "a test and its tools"
)]

mod dry;
mod judge;
mod oracle;
mod world;

use drydown_runs::history::VolumeBasis;
use judge::{Shown, show};
use world::{Kind, LARGE, SMALL};

/// From so many fleets on the bars themselves are held; below, bounds that chance alone does not break.
const ENOUGH: u64 = 12;

/// Fleets of each kind, as many as asked for.
fn fleets(few: u64) -> u64 {
    std::env::var("DRYDOWN_FLEETS")
        .ok()
        .and_then(|text| text.parse().ok())
        .unwrap_or(few)
}

/// Holds coverage, error and width to the bars; the error's is for the size of the fleet.
fn hold(name: &str, shown: &Shown, n: u64, rmse_bar: f64) {
    let enough = n >= ENOUGH;
    let (least, most) = if enough { (0.86, 0.94) } else { (0.74, 1.0) };
    for (of, coverage) in [
        ("cells with runs", shown.own),
        ("cells with one to three runs", shown.few),
        ("cells never seen", shown.unseen),
        ("new runs", shown.new_run),
    ] {
        assert!(
            (least..=most).contains(&coverage),
            "{name}, {of}: {coverage}"
        );
    }
    let (least, most) = if enough { (0.85, 0.95) } else { (0.78, 1.0) };
    assert!(
        (least..=most).contains(&shown.run),
        "{name}, runs: {}",
        shown.run
    );
    let slack = if enough { 0.0 } else { 0.25 };
    assert!(
        shown.rmse_over_told <= rmse_bar + slack,
        "{name}, error: {} times that of the told estimator",
        shown.rmse_over_told
    );
    assert!(
        shown.width_over_told <= 1.15 + slack,
        "{name}, width: {} times that of the told estimator",
        shown.width_over_told
    );
}

#[test]
fn large_fleets() {
    let n = fleets(1);
    let shown = show("large", LARGE, n);
    hold("large", &shown, n, 1.05);
    assert!(shown.called_well < 0.03, "{}", shown.called_well);
    assert!(
        shown.floor > if n >= ENOUGH { 0.82 } else { 0.6 },
        "{}",
        shown.floor
    );
}

#[test]
fn small_fleets() {
    let n = fleets(4);
    let shown = show("small", SMALL, n);
    hold("small", &shown, n, 1.12);
}

#[test]
fn volumes_wrong_by_a_fifth() {
    let n = fleets(1);
    let wrong = Kind {
        volume_sd: Some(0.20),
        ..LARGE
    };
    let shown = show("volumes wrong by 20 %", wrong, n);
    hold("volumes wrong by 20 %", &shown, n, 1.05);
    let dipped = Kind {
        basis: Some(VolumeBasis::Dip),
        ..wrong
    };
    let shown = show("the same, all called dips", dipped, n);
    hold("the same, all called dips", &shown, n, 1.07);
}

#[test]
fn five_runs_in_a_hundred_spoiled() {
    let n = fleets(2);
    let clean = show("clean", LARGE, n);
    let kind = Kind {
        spoiled: 0.05,
        ..LARGE
    };
    let spoiled = show("5 % spoiled", kind, n);
    hold("5 % spoiled", &spoiled, n, 1.05);
    let times = spoiled.rmse / clean.rmse;
    println!("5 % of the runs spoiled: error {times:.3} times");
    // Other fleets than the clean ones once the spoils are drawn: few of them differ by more than the spoils do.
    let most = if n >= ENOUGH { 1.15 } else { 1.5 };
    assert!(times < most, "{times}");
}

#[test]
fn reservoirs_with_settled_water() {
    let n = fleets(1);
    let kind = Kind {
        settled: 0.2,
        ..LARGE
    };
    let shown = show("a fifth with settled water", kind, n);
    let least = if n >= ENOUGH { 0.85 } else { 0.72 };
    for coverage in [shown.own, shown.unseen, shown.new_run, shown.run] {
        assert!(coverage > least, "{coverage}");
    }
}

#[test]
fn badly_mixed_reservoirs() {
    let n = fleets(1);
    let kind = Kind {
        badly_mixed: 0.25,
        ..LARGE
    };
    let shown = show("a quarter badly mixed", kind, n);
    // No bar names these; most runs on such a reservoir are called, and cells keep their coverage.
    let least = if n >= ENOUGH { 0.85 } else { 0.72 };
    for coverage in [shown.own, shown.unseen, shown.new_run] {
        assert!(coverage > least, "{coverage}");
    }
    assert!(shown.called_well < 0.03, "{}", shown.called_well);
    assert!(shown.called_badly > 0.4, "{}", shown.called_badly);
}
